"""Earlier overhauls of the same machine, as the event that opens a job carries them: dates and readings, as text.

`[{"job": ..., "date": "2025-03-04", "readings": [{"position": ..., "characteristic": ..., "stage": "as left",
"quantity": {"text": "1.250", "unit": "in"}}]}]`, oldest first.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from typing import Any

from capture.domain.errors import EventError
from capture.domain.units import Quantity

AS_FOUND, AS_LEFT = "as found", "as left"
READING_STAGES: tuple[str, ...] = (AS_FOUND, AS_LEFT)
MOST_OVERHAULS = 12  # what a job carries; the oldest are left out first


@dataclass(frozen=True, slots=True)
class Overhaul:
    """One earlier overhaul. `readings`: (position, characteristic, stage) -> what was read."""

    job: str
    day: date
    readings: Mapping[tuple[str, str, str], Quantity]


def read_earlier(value: Any) -> tuple[Overhaul, ...]:
    """Read and check the list of earlier overhauls, oldest first.

    Raises:
        EventError: anything missing, unknown, of the wrong type, twice, or out of order of date.
        QuantityError, UnitError: a reading is no exact text, or in no known unit.
    """
    if not isinstance(value, (list, tuple)) or len(value) > MOST_OVERHAULS:
        raise EventError("Earlier overhauls are not a list", thing="earlier", remedy=f"give at most {MOST_OVERHAULS}")
    made = tuple(_overhaul(one) for one in value)
    if len({one.job for one in made}) != len(made):
        raise EventError("Earlier overhauls name one job twice", thing="earlier", remedy="give each job once")
    for before, after in pairwise(made):
        if after.day <= before.day:
            raise EventError(
                f"Earlier overhaul {after.job!r} of {after.day} does not follow {before.job!r} of {before.day}",
                thing="earlier",
                value=after.day.isoformat(),
                remedy="give the oldest first, each with a day of its own",
            )
    return made


def _fields(value: Any, names: set[str], what: str) -> Mapping[str, Any]:
    if not isinstance(value, Mapping) or set(value) != names:
        got = sorted(map(str, value)) if isinstance(value, Mapping) else type(value).__name__
        raise EventError(f"{what} has {got}", thing="earlier", remedy=f"give exactly {', '.join(sorted(names))}")
    return value


def _text(value: Any, what: str) -> str:
    if not isinstance(value, str) or not value:
        raise EventError(f"{what} is {value!r}", thing="earlier", value=repr(value)[:80], remedy="give a text")
    return value


def _overhaul(value: Any) -> Overhaul:
    fields = _fields(value, {"job", "date", "readings"}, "Earlier overhaul")
    job = _text(fields["job"], "Job of an earlier overhaul")
    return Overhaul(job, _day(job, fields["date"]), _readings(job, fields["readings"]))


def _day(job: str, value: Any) -> date:
    try:
        day = date.fromisoformat(_text(value, f"Date of earlier overhaul {job!r}"))
    except ValueError:
        day = None
    if day is None or day.isoformat() != value:
        raise EventError(
            f"Earlier overhaul {job!r} has date {value!r}", thing="date", value=str(value)[:80], remedy="as 2026-03-31"
        )
    return day


def _readings(job: str, value: Any) -> dict[tuple[str, str, str], Quantity]:
    if not isinstance(value, (list, tuple)):
        raise EventError(f"Earlier overhaul {job!r} has no list of readings", thing="readings", remedy="give a list")
    made: dict[tuple[str, str, str], Quantity] = {}
    for each in value:
        names = ("position", "characteristic", "stage")
        one = _fields(each, {*names, "quantity"}, f"Reading of earlier overhaul {job!r}")
        position, characteristic, stage = (_text(one[name], f"{name.capitalize()} in {job!r}") for name in names)
        if stage not in READING_STAGES:
            remedy = f"use one of {', '.join(READING_STAGES)}"
            raise EventError(f"Reading in {job!r} has stage {stage!r}", thing="stage", value=stage[:80], remedy=remedy)
        slot = (position, characteristic, stage)
        if slot in made:
            raise EventError(f"Earlier overhaul {job!r} has {' '.join(slot)} twice", thing="readings", remedy="once")
        said = _fields(one["quantity"], {"text", "unit"}, f"Quantity in {job!r}")
        made[slot] = Quantity(_text(said["text"], "Value"), _text(said["unit"], "Unit"))
    return made


def to_plain(overhauls: tuple[Overhaul, ...]) -> list[dict[str, Any]]:
    """Return the list as an event carries it; `read_earlier` gives the same back."""
    return [
        {
            "job": one.job,
            "date": one.day.isoformat(),
            "readings": [
                {
                    "position": position,
                    "characteristic": characteristic,
                    "stage": stage,
                    "quantity": {"text": quantity.text, "unit": quantity.unit},
                }
                for (position, characteristic, stage), quantity in one.readings.items()
            ],
        }
        for one in overhauls
    ]
