"""Who signed a log: the keys it was signed with, the signature beside each event, the signed end.

All of it is kept in the log's own file and written in the same transaction as the event it belongs to.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from capture.domain.errors import ChainError
from capture.domain.events import FIRST_PREVIOUS, Event
from capture.domain.evidence import Chain, Key
from capture.domain.signature import Signer, event_statement, head_statement, is_signed, job_mark, rolled
from capture.store.errors import LogCutOff, LogNotSigned

if TYPE_CHECKING:
    from sqlite_utils import Database


class Head(NamedTuple):
    """The signed end: last event, rolling digest of all signatures up to it, and the signature of both."""

    sequence: int
    signatures: str
    signature: str


class Signatures:
    """The signatures of one open log. `signer` None: the log can be read, and written only while it is not signed."""

    def __init__(self, db: Database, path: Path, bench: str, signer: Signer | None) -> None:
        self._db = db
        self._path = path
        self._bench = bench
        self.signer = signer

    @property
    def keys(self) -> tuple[Key, ...]:
        """The public keys, oldest first; none of a log that is not signed."""
        return tuple(Key(*row) for row in self._db.execute("SELECT public, after FROM keys ORDER BY after, rowid"))

    @property
    def is_new_key(self) -> bool:
        """Whether the key at hand has not signed this log last."""
        return self.signer is not None and (not self.keys or self.keys[-1].public != self.signer.public)

    def take_up_key(self, last: tuple[int, str]) -> None:
        """Have this bench's key sign from `last` (sequence, hash) on. Call it within a writing transaction.

        Raises:
            LogNotSigned: this key was replaced earlier. LogCutOff: the end is not the signed one.
        """
        signer, keys, head = self.signer, self.keys, self._head()
        if signer is None or (keys and keys[-1].public == signer.public):
            return
        if any(key.public == signer.public for key in keys):
            raise LogNotSigned(f"Event log {self._path} has had this key replaced; put the newer bench.key back")
        if keys and (head is None or head.sequence != last[0]):
            raise self._cut_off(head, last[0])
        self._db.execute("INSERT INTO keys (public, after) VALUES (?, ?)", (signer.public, last[0]))
        self._set_head(signer, *last, head.signatures if head else FIRST_PREVIOUS)

    def sign(self, event: Event, digest: str) -> str | None:
        """Sign an event about to be put in and the log's new end, in the transaction that puts it in."""
        signer, head = self.signer, self._head()
        if signer is None:
            if head is None:
                return None
            raise LogNotSigned(
                f"Event log {self._path} is signed and this bench's key is not here; put bench.key back"
            )
        if head is None or head.sequence != event.sequence - 1:
            raise self._cut_off(head, event.sequence - 1)
        mark = job_mark(event.body.get("job"))
        signature = signer.sign(event_statement(self._bench, event.sequence, mark, digest))
        self._set_head(signer, event.sequence, digest, rolled(head.signatures, signature))
        return signature

    def wrong_end(self, chain: Chain) -> ChainError | None:
        """Return what is wrong with the signed end of a log that was walked over, None when it fits."""
        head, keys = self._head(), self.keys
        if head is None and not keys:
            return None
        if head is not None and head.sequence > chain.sequence:
            message = f"Event {chain.sequence + 1} is missing; the log's signed end is event {head.sequence}"
            return ChainError(message, sequence=chain.sequence + 1, remedy="look for the lost part of the log")
        statement = head_statement(self._bench, chain.sequence, chain.last_hash, chain.signatures)
        if head is None or not keys or not is_signed(keys[-1].public, statement, head.signature):
            message = f"Event {chain.sequence} is not the signed end of this log"
            return ChainError(message, sequence=chain.sequence, remedy="compare it with another copy of the log")
        return None

    def _head(self) -> Head | None:
        row = self._db.execute("SELECT sequence, signatures, signature FROM head").fetchone()
        return None if row is None else Head(*row)

    def _set_head(self, signer: Signer, sequence: int, digest: str, signatures: str) -> None:
        signature = signer.sign(head_statement(self._bench, sequence, digest, signatures))
        self._db.execute(
            "INSERT INTO head (one, sequence, signatures, signature) VALUES (1, ?, ?, ?) ON CONFLICT (one) DO UPDATE "
            "SET sequence = excluded.sequence, signatures = excluded.signatures, signature = excluded.signature",
            (sequence, signatures, signature),
        )

    def _cut_off(self, head: Head | None, last: int) -> LogCutOff:
        signed = "none" if head is None else f"event {head.sequence}"
        return LogCutOff(
            f"Event log {self._path} ends with event {last}, its signed end is {signed}; "
            "keep the file, run benchcall verify, and go on with a backup"
        )
