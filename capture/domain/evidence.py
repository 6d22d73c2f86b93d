"""Check a bench's events as evidence: each text, the chain from one to the next, and who signed it.

The same checks serve the bench's log, a backup, the server's copy and an exported record. What is wrong is a
`ChainError` that names the event at which it shows first.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from capture.domain.errors import ChainError, DomainError
from capture.domain.events import FIRST_PREVIOUS, Event, from_dict, from_json
from capture.domain.signature import event_statement, is_signed, job_mark, key_name, rolled


@dataclass(frozen=True, slots=True)
class Key:
    """A bench's public key (hex) and the sequence after which events must carry its signature."""

    public: str
    after: int


@dataclass(frozen=True, slots=True)
class Row:
    """One event as it is kept. `text` None: left out of an export, with the mark of its job in `mark`."""

    sequence: int
    digest: str
    text: str | None
    signature: str | None
    mark: str = ""


@dataclass(slots=True)
class Chain:
    """Walks over a bench's rows in sequence; `take` each, then look at what has been found.

    `checks_signatures` False leaves out the slow part: then only the rolling digest of the signatures is made, for
    a signed head to vouch for all of them at once.
    """

    bench: str
    keys: Sequence[Key] = ()
    checks_signatures: bool = True
    sequence: int = 0
    last_hash: str = FIRST_PREVIOUS
    signatures: str = FIRST_PREVIOUS
    unsigned: int = 0
    has_start: bool = True  # False: the first row need not follow from anything
    signed_from: int | None = field(default=None)

    def take(self, row: Row) -> Event | None:
        """Check one row and return its event, None for one that was left out.

        Raises:
            ChainError: what is wrong, with the sequence.
        """
        if self.has_start and row.sequence != self.sequence + 1:
            what = f"is missing; the log goes on with {row.sequence}"
            raise _wrong(self.sequence + 1, what, "look for the lost part of the log")
        event = None if row.text is None else check_text(self.bench, row)
        if event is not None and self.has_start and event.previous != self.last_hash:
            raise ChainError(
                f"Event {row.sequence} does not follow from event {self.sequence}",
                sequence=row.sequence,
                value=event.previous,
                remedy="one of the two was changed after it was written",
            )
        self._check_signature(row, event)
        self.sequence, self.last_hash, self.has_start = row.sequence, row.digest, True
        return event

    def _check_signature(self, row: Row, event: Event | None) -> None:
        key = key_for(self.keys, row.sequence)
        if key is None:
            self.unsigned += 1
            if row.signature is not None:
                raise _wrong(row.sequence, "is signed by a key that is not known", "look for the lost key")
            if event is None:
                raise _wrong(row.sequence, "was left out and is not signed", "export the whole log")
            return
        self.signatures = rolled(self.signatures, row.signature)
        self.signed_from = row.sequence if self.signed_from is None else self.signed_from
        if not self.checks_signatures:
            return
        if row.signature is None:
            raise _wrong(row.sequence, "is not signed", f"events after {key.after} are signed by this bench")
        mark = row.mark if event is None else job_mark(event.body.get("job"))
        if not is_signed(key.public, event_statement(self.bench, row.sequence, mark, row.digest), row.signature):
            remedy = "its signature or its text was changed, or another bench made it"
            raise _wrong(row.sequence, f"is not signed by key {key_name(key.public)}", remedy)


def check_text(bench: str, row: Row) -> Event:
    """Return the event of a row whose text is whole; raise ChainError when text, hash, bench or sequence differ."""
    text = row.text or ""
    try:
        event = read_canonical(text)
    except DomainError as error:
        raise _wrong(row.sequence, f"cannot be read ({error})", "compare it with another copy") from None
    is_same = event is not None and event.sequence == row.sequence and event.bench == bench
    if event is None or not is_same or hashlib.sha256(text.encode("utf-8")).hexdigest() != row.digest:
        raise ChainError(
            f"Event {row.sequence} was changed after it was written",
            sequence=row.sequence,
            value=row.digest,
            remedy="compare it with another copy of the log",
        )
    return event


_one_text = json.JSONEncoder(sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def read_canonical(text: str) -> Event | None:
    """Return the event of a canonical text, None when the text is not canonical: not the one we would write.

    Reads with the quick reader of JSON: doubled keys or odd numbers would not come out as the same text again.
    """
    try:
        data = json.loads(text)
        if _one_text.encode(data) != text:
            from_json(text)  # says what is wrong with it, if anything
            return None
        text.encode("utf-8")
    except (ValueError, RecursionError):
        from_json(text)
        return None
    return from_dict(data)


def key_for(keys: Sequence[Key], sequence: int) -> Key | None:
    """Return the key that must have signed an event: the last one that begins before it.

    >>> key_for([Key("a", 0), Key("b", 7)], 7).public, key_for([Key("a", 3)], 3)
    ('a', None)
    """
    return next((key for key in sorted(keys, key=lambda one: -one.after) if key.after < sequence), None)


def in_words(chain: Chain, keys: Iterable[Key]) -> str:
    """Return who signed a chain that was found whole, in one line."""
    if chain.signed_from is None:
        return f"none of its {chain.sequence} events is signed: whoever has the file could have written it anew"
    names = ", ".join(f"{key_name(key.public)} (after event {key.after})" for key in keys if key.after < chain.sequence)
    unsigned = f"{chain.unsigned} older events are not signed themselves; " if chain.unsigned else ""
    return f"{unsigned}events {chain.signed_from} to {chain.sequence} signed by key {names}"


def _wrong(sequence: int, what: str, remedy: str) -> ChainError:
    return ChainError(f"Event {sequence} {what}", sequence=sequence, remedy=remedy)
