"""Events taken out of a log as evidence, in one JSON text that is checked anywhere without the log.

Events of other jobs may be left out: what stays of them is sequence, hash, mark of the job and signature, so the
chain goes through them and nothing of this job can hide among them.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from capture.domain.errors import ChainError, EventError
from capture.domain.events import Event
from capture.domain.evidence import Chain, Key, Row, read_canonical
from capture.domain.signature import is_public_key, is_signed, job_mark, seal_statement

FORM = "benchcall evidence 1"


@dataclass(frozen=True, slots=True)
class Exported:
    """What was taken out. `job` "": the whole log; `rows` follow one another from the log's start.

    `seal`: the bench's signature that its log had the last of them at its place; None of a log that is not signed.
    """

    bench: str
    job: str
    keys: tuple[Key, ...]
    rows: tuple[Row, ...]
    seal: str | None


def export(bench: str, job: str, keys: Sequence[Key], rows: Iterable[Row], seal: str | None) -> Exported:
    """Return the evidence of a job, or of the whole log for "". Unsigned events of other jobs cannot be left out."""
    return Exported(bench, job, tuple(keys), tuple(_lean(row, job) if job else row for row in rows), seal)


def _lean(row: Row, job: str) -> Row:
    """Return a row without its text when it is another job's and signed."""
    event = None if row.signature is None else read_canonical(row.text or "")
    its_job = None if event is None else event.body.get("job")
    if not isinstance(its_job, str) or its_job == job:
        return row
    return Row(row.sequence, row.digest, None, row.signature, job_mark(its_job))


def to_json(exported: Exported) -> str:
    """Return the evidence as JSON in plain ASCII without "<", so that it may stand inside a page."""
    data = {
        "form": FORM,
        "bench": exported.bench,
        "job": exported.job,
        "keys": [[key.public, key.after] for key in exported.keys],
        "rows": [[row.sequence, row.digest, row.text, row.signature, row.mark] for row in exported.rows],
        "seal": exported.seal,
    }
    return json.dumps(data, separators=(",", ":")).replace("<", "\\u003c")


def from_json(text: str) -> Exported:
    """Read evidence.

    Raises:
        EventError: it is not of this form; whether it is true is for `check` to say.
    """
    try:
        data = json.loads(text)
    except (ValueError, RecursionError):
        data = None
    if not isinstance(data, dict) or data.get("form") != FORM:
        raise EventError("This is no evidence of ours", thing="evidence", remedy="give a file benchcall wrote")
    try:
        keys = tuple(Key(_text(public), _count(after)) for public, after in data["keys"])
        rows = tuple(_row(*one) for one in data["rows"])
        return Exported(_text(data["bench"]), _text(data["job"]), keys, rows, _maybe(data["seal"]))
    except (KeyError, TypeError, ValueError):
        raise EventError("The evidence is damaged", thing="evidence", remedy="take another copy of it") from None


def check(exported: Exported) -> tuple[Chain, list[Event]]:
    """Check all of it; return what was found and the events that are in it whole.

    Raises:
        ChainError: names the first event that was changed, dropped, put in, hidden or not signed as it must be.
    """
    for key in exported.keys:
        if not is_public_key(key.public):
            raise ChainError("A key of the evidence is none", sequence=0, remedy="take another copy of it")
    chain, events = Chain(exported.bench, exported.keys), []
    for row in exported.rows:
        event = chain.take(row)
        if event is not None:
            events.append(event)
        elif not exported.job or row.mark in ("-", job_mark(exported.job)):
            raise ChainError(
                f"Event {row.sequence} belongs to what was exported and was left out",
                sequence=row.sequence,
                remedy="take another copy of it",
            )
    _check_seal(exported, chain)
    return chain, events


def _check_seal(exported: Exported, chain: Chain) -> None:
    """Refuse an end that the bench did not seal: later events may have been cut off."""
    statement = seal_statement(exported.bench, chain.sequence, chain.last_hash)
    seal = exported.seal or ""
    if exported.keys and not any(is_signed(key.public, statement, seal) for key in exported.keys):
        raise ChainError(
            f"Event {chain.sequence} is not the end that the bench sealed; what followed it was cut off",
            sequence=chain.sequence + 1,
            remedy="take another copy of it",
        )


def _row(sequence: Any, digest: Any, text: Any, signature: Any, mark: Any) -> Row:
    return Row(_count(sequence), _text(digest), _maybe(text), _maybe(signature), _text(mark))


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise TypeError
    return value


def _maybe(value: Any) -> str | None:
    return None if value is None else _text(value)


def _count(value: Any) -> int:
    if not isinstance(value, int) or isinstance(value, bool):
        raise TypeError
    return value
