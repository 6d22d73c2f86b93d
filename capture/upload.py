"""Send the server what it does not hold yet, in sequence, and keep what it acknowledged.

The server's own count is asked first, so a lost answer, a server restored from an older backup and a second
bench of the same name are all noticed. An acknowledgement counts only with the hash of the very event it
names. Nothing here waits: when to try again is the caller's business.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import Any
from urllib.parse import quote

import httpx

from capture.domain.evidence import Key, Row
from capture.errors import UploadError
from capture.store.eventlog import EventLog

BATCH = 200
TIMEOUT_S = 20.0
LARGEST_REQUEST_BYTES = 1_000_000  # a batch is cut short here; one larger event still goes alone
LARGEST_ANSWER_BYTES = 100_000
TRIES = 3
# The request may have arrived: the same bytes are sent again, at once and this often at most.
ANSWER_LOST = (httpx.RemoteProtocolError, httpx.ReadError, httpx.WriteError)


@dataclass(frozen=True, slots=True)
class UploadReport:
    """What an upload did. `sent`: events in requests that were answered; `acknowledged`: what the server holds."""

    sent: int
    acknowledged: int
    requests: int


@dataclass(frozen=True, slots=True)
class _Answer:
    code: int
    body: Mapping[str, Any]


def open_client(url: str, token: str = "", *, timeout_s: float = TIMEOUT_S) -> httpx.Client:
    """Return a client for the server at `url`, for `upload_pending`. It follows no redirect and no proxy setting.

    Raises:
        UploadError: the address or the token cannot be one.
    """
    if not re.fullmatch(r"https?://[^/?#\s@]+", url.rstrip("/")):
        raise UploadError(f"Server address {url!r} cannot be used; give one like http://shop-server:8080")
    if not re.fullmatch(r"[A-Za-z0-9_-]*", token):
        raise UploadError("The token of this bench is damaged; enrol this bench again")
    headers = {"Accept": "application/json", "Accept-Encoding": "identity"}
    if token:
        headers["Authorization"] = f"Bearer {token}"
    is_tls = url.startswith("https:")  # certificates are slow to read and a plain address has none
    try:
        return httpx.Client(
            base_url=url.rstrip("/"), headers=headers, timeout=timeout_s, trust_env=False, verify=is_tls
        )
    except (httpx.InvalidURL, ValueError) as error:
        raise UploadError(f"Server address {url!r} cannot be used ({error}); give the right one") from None


def enrol(url: str, code: str, bench: str, key: Key | None = None) -> str:
    """Trade a one-time code for this bench's token; the server keeps the public key it is given.

    Raises:
        UploadError: the server is away, or refused the code.
    """
    with open_client(url) as client:
        asked = {"code": code, "bench": bench}
        if key is not None:
            asked |= {"public_key": key.public, "signs_after": str(key.after)}
        answer = _ask(client, "POST", "/api/v1/enrolments", json.dumps(asked).encode())
        if answer.code == 403:
            raise UploadError(f"Server {url} refused the code for bench {bench!r}; ask the lead for a new code")
        if answer.code != 200:
            raise _refused(client, answer, "the enrolment")
    token = answer.body.get("token")
    if not isinstance(token, str) or not re.fullmatch(r"[A-Za-z0-9_-]{20,200}", token):
        raise UploadError(f"Server {url} gave no token; check that the address is the Benchcall server's")
    return token


def upload_pending(log: EventLog, client: httpx.Client, batch: int = BATCH) -> UploadReport:
    """Send what the server does not hold; return when it holds all that was in the log at the start.

    Safe to break off and to call again at any time. What was acknowledged is kept after each request.

    Raises:
        UploadError: one line, for the operator; the events stay in the log.
    """
    last = log.last[0]
    held = _what_the_server_holds(log, client)
    log.set_acknowledged(held)
    sent, requests = 0, 1
    while held < last:
        rows = _next_batch(log.rows(after=held), batch)
        held = _send(log, client, rows)
        log.set_acknowledged(held)
        sent, requests = sent + len(rows), requests + 1
    return UploadReport(sent, held, requests)


def _path(log: EventLog) -> str:
    return f"/api/v1/benches/{quote(log.bench, safe='')}"


def _what_the_server_holds(log: EventLog, client: httpx.Client) -> int:
    answer = _ask(client, "GET", _path(log))
    if answer.code != 200:
        raise _refused(client, answer, f"bench {log.bench!r}")
    held, digest = _acknowledgement(client, answer)
    if held == 0:
        return 0
    last = log.last[0]
    own = log.event(min(held, last))
    if own is None or own.sequence != held or own.hash != digest:
        if own is not None:
            # Other content is refused by this: the server keeps it and shows it to the lead.
            _post(log, client, list(islice(log.rows(after=own.sequence - 1), 1)))
        raise UploadError(
            f"Server {_name(client)} holds {held} events of bench {log.bench!r} and this log {last}, and they differ; "
            "another bench uses this name or this log was replaced, tell the lead"
        )
    return held


def _next_batch(rows: Iterator[Row], most: int) -> list[Row]:
    taken: list[Row] = []
    size = 0
    for row in rows:
        size += len((row.text or "").encode("utf-8"))
        if taken and size > LARGEST_REQUEST_BYTES:
            break
        taken.append(row)
        if len(taken) >= most:
            break
    return taken


def _post(log: EventLog, client: httpx.Client, rows: list[Row]) -> _Answer:
    answer = _ask(client, "POST", f"{_path(log)}/events", body_of(rows, log.seal(rows[-1].sequence, rows[-1].digest)))
    if answer.code != 200:
        raise _refused(client, answer, _what(rows))
    return answer


def body_of(rows: Sequence[Row], seal: str | None) -> bytes:
    """Return an upload: the events' own texts, the signature beside each, and the seal of the last one."""
    texts = ",".join(row.text or "" for row in rows)
    if all(row.signature is None for row in rows):
        return f'{{"events":[{texts}]}}'.encode()
    signatures = json.dumps([row.signature for row in rows], separators=(",", ":"))
    return f'{{"events":[{texts}],"signatures":{signatures},"seal":{json.dumps(seal)}}}'.encode()


def _what(rows: list[Row]) -> str:
    return f"events {rows[0].sequence} to {rows[-1].sequence}"


def _send(log: EventLog, client: httpx.Client, rows: list[Row]) -> int:
    """Send events that follow one another; return the highest sequence the server proved to hold."""
    answer = _post(log, client, rows)
    held, digest = _acknowledgement(client, answer)
    own = log.event(held) if held >= rows[-1].sequence else None
    if own is None or own.hash != digest:
        raise UploadError(
            f"Server {_name(client)} did not acknowledge {_what(rows)} as sent; they stay here, tell the lead"
        )
    return held


def _acknowledgement(client: httpx.Client, answer: _Answer) -> tuple[int, str]:
    held, digest = answer.body.get("acknowledged"), answer.body.get("hash")
    is_count = isinstance(held, int) and not isinstance(held, bool) and held >= 0
    if not is_count or not isinstance(digest, str):
        raise _not_ours(client, "an answer without a count and a hash")
    return int(str(held)), digest


def _ask(client: httpx.Client, method: str, path: str, body: bytes | None = None) -> _Answer:
    """Send one request, again when its answer was lost; return code and JSON object of the answer."""
    for attempt in range(1, TRIES + 1):
        try:
            return _ask_once(client, method, path, body)
        except ANSWER_LOST as error:
            if attempt == TRIES:
                raise UploadError(
                    f"Server {_name(client)} broke off its answer {TRIES} times ({_plain(error)}); "
                    "the events stay here, try again later"
                ) from None
        except httpx.TimeoutException:
            raise UploadError(
                f"Server {_name(client)} did not answer in time; the events stay here, try again later"
            ) from None
        except (httpx.HTTPError, httpx.InvalidURL) as error:
            raise UploadError(
                f"Server {_name(client)} is away ({_plain(error)}); the events stay here, check network and address"
            ) from None
    raise AssertionError("the last try returns or raises")


def _ask_once(client: httpx.Client, method: str, path: str, body: bytes | None) -> _Answer:
    headers = {"Content-Type": "application/json"} if body is not None else {}
    with client.stream(method, path, content=body, headers=headers) as answer:
        whole = b""
        for part in answer.iter_raw():
            whole += part
            if len(whole) > LARGEST_ANSWER_BYTES:
                raise _not_ours(client, f"{answer.status_code} and a long page")
    try:
        read = json.loads(whole)
    except (ValueError, RecursionError):
        read = None
    if not isinstance(read, dict):
        raise _not_ours(client, f"{answer.status_code} and no JSON")
    return _Answer(answer.status_code, read)


def _not_ours(client: httpx.Client, what: str) -> UploadError:
    return UploadError(
        f"Server {_name(client)} answered {what}, as a Benchcall server never does; "
        "the events stay here, check for a sign-in page or a proxy in between"
    )


def _refused(client: httpx.Client, answer: _Answer, what: str) -> UploadError:
    """Put a refusal into one line with its remedy."""
    name, told = _name(client), _plain(answer.body.get("message", "no reason given"))
    if answer.code == 401:
        return UploadError(f"Server {name} refused this bench's token; enrol this bench again")
    if answer.body.get("code") == "signature":
        return UploadError(f"Server {name} refused {what}: {told}; they stay here, enrol this bench again")
    if answer.code == 409 and answer.body.get("code") == "conflict":
        return UploadError(f"Server {name} keeps what it has: {told}")
    if answer.code in (429, 500, 502, 503, 504, 507):
        return UploadError(f"Server {name} cannot take {what} now ({told}); they stay here, try again later")
    return UploadError(f"Server {name} refused {what} with {answer.code} ({told}); they stay here, tell the lead")


def _name(client: httpx.Client) -> str:
    return str(client.base_url).rstrip("/")


def _plain(text: object) -> str:
    """Return foreign text as one short line that no terminal takes for a command."""
    line = " ".join(str(text).split())
    return "".join(sign if sign.isprintable() else "?" for sign in line)[:200]
