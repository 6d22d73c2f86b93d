"""Signatures of a bench: Ed25519 over short statements that name bench, sequence and hash.

An event's hash commits to every event before it, so a signed hash vouches for the whole log up to there. The
statement also carries a mark of the event's job: a report that leaves events of other jobs out can still prove that
what it left out was of other jobs.

Source: RFC 8032 (Ed25519), through the package `cryptography`; loaded only when something is signed or checked.
"""

from __future__ import annotations

import hashlib
import json
import re
from typing import Any

_HEX_32 = re.compile(r"[0-9a-f]{64}")
_HEX_64 = re.compile(r"[0-9a-f]{128}")


class Signer:
    """A bench's private key, held in memory only. `public` is its public key: 32 bytes as hex."""

    def __init__(self, private: bytes) -> None:
        from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

        self._key = Ed25519PrivateKey.from_private_bytes(private)
        self.public = self._key.public_key().public_bytes_raw().hex()

    def sign(self, statement: bytes) -> str:
        """Return the signature of a statement: 64 bytes as hex."""
        return self._key.sign(statement).hex()


def is_public_key(text: str) -> bool:
    """Say whether a text is a public key as we write them: 64 lower-case hex digits.

    >>> is_public_key("ab" * 32), is_public_key("AB" * 32)
    (True, False)
    """
    return _HEX_32.fullmatch(text) is not None


def is_signed(public: str, statement: bytes, signature: str) -> bool:
    """Say whether `signature` (hex) is of `statement` by the key `public` (hex); never raises, whatever the texts."""
    if not is_public_key(public) or not _HEX_64.fullmatch(signature):
        return False
    from cryptography.exceptions import InvalidSignature

    try:
        _public(public).verify(bytes.fromhex(signature), statement)
    except (InvalidSignature, ValueError):
        return False
    return True


_loaded: dict[str, Any] = {}


def _public(text: str) -> Any:
    """Return a public key, read once each."""
    if text not in _loaded:
        from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

        if len(_loaded) > 1000:
            _loaded.clear()
        _loaded[text] = Ed25519PublicKey.from_public_bytes(bytes.fromhex(text))
    return _loaded[text]


def key_name(public: str) -> str:
    """Return a public key's short name, to be compared by eye: 16 hex digits of its SHA-256 in fours.

    >>> key_name("ab" * 32)
    '271a-413b-d339-c570'
    """
    digits = hashlib.sha256(public.encode("utf-8")).hexdigest()[:16]
    return "-".join(digits[i : i + 4] for i in range(0, 16, 4))


def job_mark(job: object) -> str:
    """Return the mark of a job in a statement: it shows that two events are of one job, not which; "-" for none.

    >>> job_mark(None), len(job_mark("AW2-THRUST"))
    ('-', 16)
    """
    if not isinstance(job, str):
        return "-"
    return hashlib.sha256(f"job\n{job}".encode("utf-8", "surrogatepass")).hexdigest()[:16]


def event_statement(bench: str, sequence: int, mark: str, digest: str) -> bytes:
    """Return what is signed of an event: `mark` is its job's, `digest` the SHA-256 of its canonical text."""
    return _statement("event", bench, sequence, mark, digest)


def head_statement(bench: str, sequence: int, digest: str, signatures: str) -> bytes:
    """Return what is signed of a log's end: the last event and the rolling digest of all signatures up to it."""
    return _statement("head", bench, sequence, digest, signatures)


def seal_statement(bench: str, sequence: int, digest: str) -> bytes:
    """Return what is signed with an upload: that the log had this event at this place when it was sent."""
    return _statement("seal", bench, sequence, digest)


def rolled(before: str, signature: str | None) -> str:
    """Return the rolling digest of signatures with one more; it starts at 64 zeros."""
    return hashlib.sha256(f"{before}{signature or ''}".encode("ascii", "replace")).hexdigest()


def _statement(what: str, *parts: str | int) -> bytes:
    """Return the one byte string of a statement: a JSON list, so that no part can run into the next."""
    return json.dumps([f"benchcall {what} 1", *parts], ensure_ascii=True).encode("ascii")
