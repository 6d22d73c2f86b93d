"""Audio clips and photos as evidence: events name them by digest; a file that is there must match its digest.

A clip that the shop's rule has removed leaves its digest in the events and a "clip-removed" event; the chain is
untouched by that.
"""

from __future__ import annotations

import datetime
import hashlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from capture.domain.events import Event
from capture.errors import SettingsError, StoreError
from capture.settings import Settings
from capture.store.eventlog import EventLog

NAMES = {"clip": "clips", "photo": "photos"}
"""Field of an event -> folder beside the log that holds what it names."""


@dataclass(frozen=True, slots=True)
class Named:
    """A file that an event names by its digest; `removed_by` is the sequence of the event that says it was removed."""

    field: str
    digest: str
    sequence: int
    at: str
    removed_by: int | None = None


def named_in(events: Iterable[Event]) -> dict[str, Named]:
    """Return digest -> the file named, by the last event that names it."""
    found: dict[str, Named] = {}
    for event in events:
        for field in NAMES:
            digest = event.body.get(field)
            if not isinstance(digest, str):
                continue
            if event.kind == "clip-removed":
                before = found.get(digest, Named(field, digest, event.sequence, event.at))
                found[digest] = Named(field, digest, before.sequence, before.at, event.sequence)
            else:
                found[digest] = Named(field, digest, event.sequence, event.at)
    return found


def digest_of(path: Path, field: str) -> str:
    """Return the digest of a file: of a clip its samples' bytes, of anything else the file's own bytes.

    Raises:
        StoreError: it cannot be read as what it should be.
    """
    if field != "clip":
        try:
            return hashlib.sha256(path.read_bytes()).hexdigest()
        except OSError as error:
            raise StoreError(f"File {path} cannot be read ({error.strerror}); take another copy") from None
    from capture.app import read_sound
    from capture.errors import AudioError

    try:
        return hashlib.sha256(read_sound(path).astype("<i2").tobytes()).hexdigest()
    except AudioError as error:
        raise StoreError(f"Clip {path} is damaged ({error})") from None


def wrong_files(folder: Path, named: Iterable[Named]) -> Iterator[str]:
    """Yield one line for each file beside a log that is missing, differs from its digest, or should be gone."""
    for one in named:
        path = file_of(folder, one)
        what = f"The {one.field} {one.digest[:12]} of event {one.sequence}"
        if one.removed_by is not None:
            if path is not None:
                yield f"{what} was removed by event {one.removed_by} and is still there; run benchcall clips again"
        elif path is None:
            yield f"{what} is missing; take it from a backup"
        else:
            try:
                found = digest_of(path, one.field)
            except StoreError as error:
                yield f"{what} cannot be read: {error}"
                continue
            if found != one.digest:
                yield f"{what} was changed: its digest is {found[:12]}; take it from a backup"


def file_of(folder: Path, one: Named) -> Path | None:
    """Return where a named file is beside a log, None when it is not there."""
    return next(iter(sorted((folder / NAMES[one.field]).glob(f"{one.digest}.*"))), None)


def remove_older(settings: Settings, log: EventLog, days: int, by: str, now: datetime.datetime) -> tuple[int, int]:
    """Remove clips whose last event is older than `days`, each noted before it goes; return (named, unnamed) removed.

    Unnamed clips are of calls that became no reading; they go by the file's own age and leave no event.
    """
    if days < 1:
        raise SettingsError(f"Option --older-than is {days}; it must be 1 day or more")
    named = named_in(log.events())
    limit = now - datetime.timedelta(days=days)
    count, unnamed = 0, 0
    for one in named.values():
        path = file_of(settings.data, one) if one.field == "clip" else None
        if path is None or not _is_older(one.at, limit):
            continue
        if one.removed_by is None:
            reason = f"older than {days} days, by the shop's rule"
            at = now.isoformat(timespec="milliseconds").replace("+00:00", "Z")
            body = {"clip": one.digest, "reason": reason, "by": by}
            log.append("clip-removed", body, at=at, clock_synchronised=False)
        _unlink(path)
        count += 1
    for path in sorted((settings.data / "clips").glob("*.flac")):
        if path.stem not in named and path.stat().st_mtime < limit.timestamp():
            _unlink(path)
            unnamed += 1
    return count, unnamed


def _is_older(at: str, limit: datetime.datetime) -> bool:
    try:
        return datetime.datetime.fromisoformat(at) < limit
    except (ValueError, TypeError):
        return False  # no time that can be compared: it stays


def _unlink(path: Path) -> None:
    try:
        path.unlink()
    except OSError as error:
        raise StoreError(f"Clip {path} was not removed ({error.strerror}); make its folder writable") from None
