"""Who is asking: a bench by its token, the lead by a password. Secrets are kept as digests only.

Tokens and codes are random and long, so a plain SHA-256 of them cannot be guessed back.
"""

from __future__ import annotations

import base64
import binascii
import datetime
import hashlib
import hmac
import re
import secrets

from capture.domain.evidence import Key
from server.errors import Malformed, NotAllowed, NotFound, NoToken, NotTheLead
from server.settings import Settings, instant_text, password_digest
from server.store import Store

# Letters and digits that are hard to take for one another, when read off a screen and typed at a bench.
_SIGNS = "23456789ABCDEFGHJKMNPQRSTVWXYZ"
_CODE_LENGTH = 16  # 78 bits
CODE_GOOD_FOR = datetime.timedelta(hours=24)
_BENCH = re.compile(r"[A-Za-z0-9-]{1,40}")


def digest(secret: str) -> str:
    """Return the hex digest that is kept of a token or a code.

    >>> len(digest("x"))
    64
    """
    return hashlib.sha256(secret.encode("utf-8", "surrogatepass")).hexdigest()


def plain_code(code: str) -> str:
    """Return a code as it is digested: however it was typed, in upper case and without spaces and hyphens.

    >>> plain_code("abcd-2345 efgh")
    'ABCD2345EFGH'
    """
    return re.sub(r"[\s-]", "", code).upper()


def check_bench_name(bench: str) -> str:
    """Return the name; raise when no bench can have it."""
    if not _BENCH.fullmatch(bench):
        raise Malformed(
            f"Bench name {bench[:80]!r} cannot be used; use letters, digits and hyphens, 40 at most",
            field="bench",
            value=bench[:80],
        )
    return bench


def new_code(store: Store, bench: str, now: datetime.datetime, good_for: datetime.timedelta = CODE_GOOD_FOR) -> str:
    """Make a one-time code with which `bench` can enrol until it expires; shown once, kept as a digest."""
    check_bench_name(bench)
    signs = "".join(secrets.choice(_SIGNS) for _ in range(_CODE_LENGTH))
    with store.writing():
        store.add_code(digest(signs), bench, instant_text(now + good_for))
    return "-".join(signs[i : i + 4] for i in range(0, _CODE_LENGTH, 4))


def enrol(store: Store, code: str, bench: str, now: datetime.datetime, key: Key | None = None) -> str:
    """Trade a code for the bench's token. A code that is wrong, used, too old or another bench's is refused alike.

    A new `key` signs what the server does not hold yet; what it holds stays signed as it was.
    """
    check_bench_name(bench)
    token = secrets.token_urlsafe(32)
    with store.writing():
        if not store.use_code(digest(plain_code(code)), bench, instant_text(now)):
            raise NotAllowed(
                f"The code is not valid for bench {bench!r}, or it was used, or it is too old; make a new one",
                field="code",
            )
        store.set_token(bench, digest(token), instant_text(now))
        if key is not None:
            held = store.last(bench)[0]
            store.add_key(bench, Key(key.public, max(key.after, held)), instant_text(now))
    return token


def revoke(store: Store, bench: str) -> int:
    """End a bench's token and keys; return the last event held of it, which stays as it is.

    Raises:
        NotFound: no such bench enrolled.
    """
    with store.writing():
        if not store.drop_token(bench):
            raise NotFound(f"Bench {bench[:80]!r} is not enrolled here", field="bench", value=bench[:80])
        held = store.last(bench)[0]
        store.end_keys(bench, held)
    return held


def check_token(store: Store, bench: str, authorization: str) -> None:
    """Raise unless the header carries this bench's token; takes the same time for any wrong one."""
    scheme, _, token = authorization.partition(" ")
    kept = store.token_sha256(bench) or digest("")
    is_right = hmac.compare_digest(digest(token.strip()), kept)
    if scheme.lower() != "bearer" or not token.strip() or not is_right:
        raise NoToken("The token is missing or not this bench's; enrol the bench again", field="authorization")


def check_lead(settings: Settings, authorization: str) -> None:
    """Raise unless the header carries the lead's password, or none is needed."""
    if not settings.lead_password_sha256:
        return
    scheme, _, encoded = authorization.partition(" ")
    try:
        pair = base64.b64decode(encoded, validate=True).decode("utf-8")
    except (binascii.Error, ValueError):
        pair = ""
    password = pair.partition(":")[2]
    is_right = hmac.compare_digest(password_digest(password), settings.lead_password_sha256)
    if scheme.lower() != "basic" or not is_right:
        raise NotTheLead("The lead's password is missing or wrong; any user name goes with it", field="authorization")
