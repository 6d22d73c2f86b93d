"""Earlier overhauls for a job on this bench: taken from a bench's log or a list of overhauls, kept beside the plan."""

from __future__ import annotations

import json
import sqlite3
from datetime import date
from pathlib import Path
from typing import Any

from capture.domain.errors import DomainError
from capture.domain.events import Event, from_json
from capture.domain.overhauls import Overhaul, read_earlier, to_plain
from capture.domain.plan import InspectionPlan
from capture.domain.record import fold
from capture.domain.reopen import day_of, earlier_of, merged
from capture.errors import SettingsError, StoreError
from capture.settings import Settings

_SQLITE = b"SQLite format 3\x00"


def read_earlier_file(path: Path, plan: InspectionPlan, day: date | None) -> tuple[Overhaul, ...]:
    """Read the earlier overhauls of a plan's machine from an event log, or from a list as JSON.

    Args:
        day: of the overhaul, where the log's clock could not be believed.

    Raises:
        SettingsError: the file is neither, or holds no overhaul of the machine.
        DomainError: what it holds is wrong, or has no date.
    """
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise SettingsError(f"Earlier record {path} cannot be read ({error.strerror}); give a log or list") from None
    if not raw.startswith(_SQLITE):
        return _listed(path, raw)
    records = [one for one in fold(_events(path)).values() if one.machine == plan.machine and one.entries]
    if not records:
        raise SettingsError(f"Earlier record {path} has no readings of machine {plan.machine!r}; give another log")
    return merged(*(earlier_of(record, day_of(record) or day) for record in records))


def _listed(path: Path, raw: bytes) -> tuple[Overhaul, ...]:
    try:
        return read_earlier(json.loads(raw.decode("utf-8")))
    except (UnicodeDecodeError, json.JSONDecodeError, RecursionError):
        raise SettingsError(f"Earlier record {path} is neither an event log nor JSON; give one of them") from None


def _events(path: Path) -> list[Event]:
    """Read the events of another bench's log, without changing it."""
    try:
        connection = sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)
        try:
            rows = connection.execute("SELECT canonical FROM events ORDER BY sequence").fetchall()
        finally:
            connection.close()
        return [from_json(text) for (text,) in rows]
    except (sqlite3.Error, DomainError) as error:
        raise SettingsError(f"Earlier record {path} is no event log that can be read ({error}); give another") from None


def _file(settings: Settings, job: str) -> Path:
    return settings.data / "jobs" / f"{job}.earlier.json"


def keep_earlier(settings: Settings, job: str, overhauls: tuple[Overhaul, ...]) -> Path:
    """Keep the overhauls a job will be opened with."""
    path = _file(settings, job)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(json.dumps(to_plain(overhauls), indent=1), encoding="utf-8")
    except OSError as error:
        raise StoreError(f"Earlier record of {job!r} was not written ({error.strerror}); make room") from None
    return path


def kept_earlier(settings: Settings) -> dict[str, list[dict[str, Any]]]:
    """Return job -> the overhauls it will be opened with, as its event carries them."""
    paths = sorted((settings.data / "jobs").glob("*.earlier.json"))
    return {path.name.removesuffix(".earlier.json"): to_plain(_listed(path, path.read_bytes())) for path in paths}
