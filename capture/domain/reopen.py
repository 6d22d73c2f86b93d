"""From the record of an overhaul to what the next job of the same machine is opened with."""

from __future__ import annotations

from datetime import date

from capture.domain.errors import EventError
from capture.domain.overhauls import AS_LEFT, MOST_OVERHAULS, Overhaul, read_earlier
from capture.domain.record import InspectionRecord


def earlier_of(record: InspectionRecord, day: date | None = None) -> tuple[Overhaul, ...]:
    """Return the overhauls a next job carries: those this record was opened with, then itself, oldest first.

    Readings that a gauge leaves in doubt are left out. `day`: when it was, where the bench's clock could not be
    believed; else the day of its last reading. `overhauls.to_plain` gives the list as an event carries it.

    Raises:
        EventError: the record has no readings, or its day is not known.
    """
    sound = [one for one in record.entries if not one.doubt]
    if not sound:
        raise EventError(
            f"Job {record.job!r} has no readings to start from", thing="job", value=record.job, remedy="leave it out"
        )
    its_day = day or day_of(record)
    if its_day is None:
        raise EventError(
            f"Job {record.job!r} has no date, its bench's clock could not be believed",
            thing="date",
            value=record.job,
            remedy="give the day",
        )
    readings = {(one.position, one.characteristic, one.stage): one.quantity for one in sound}
    return merged(read_earlier(record.opened.body.get("earlier", ())), (Overhaul(record.job, its_day, readings),))


def day_of(record: InspectionRecord) -> date | None:
    """Return the day of the last reading as left, before any of the last as found; None when no clock was believed."""
    days = [
        (one.stage == AS_LEFT, one.reading.at[:10]) for one in record.entries if one.reading.clock_synchronised
    ]
    return date.fromisoformat(max(days)[1]) if days else None


def merged(*lists: tuple[Overhaul, ...]) -> tuple[Overhaul, ...]:
    """Return overhauls of several records, each job once (the last given counts), oldest first, the newest kept.

    >>> merged((Overhaul("J2", date(2025, 1, 1), {}),), (Overhaul("J1", date(2024, 1, 1), {}),))[0].job
    'J1'
    """
    by_job = {one.job: one for several in lists for one in several}
    return tuple(sorted(by_job.values(), key=lambda one: (one.day, one.job)))[-MOST_OVERHAULS:]
