"""Wear from overhaul to overhaul, and between which dates a limit would be reached at such rates.

A range of dates, never one, from at least three overhauls. It is not a service life and is never called one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from fractions import Fraction
from itertools import pairwise

from capture.domain.errors import LimitError

FEWEST_OVERHAULS = 3


def wear(as_left: Fraction, as_found: Fraction) -> Fraction:
    """Return the change since the last overhaul: as found now minus as left then, both in one unit.

    >>> wear(Fraction("0.010"), Fraction("0.013")) == Fraction("0.003")
    True
    """
    return as_found - as_left


@dataclass(frozen=True, slots=True)
class DateRange:
    """`earliest` at the fastest rate seen, `latest` at the slowest; None: at that rate it would not be reached."""

    earliest: date | None
    latest: date | None
    working: str


def limit_reached(history: Sequence[tuple[date, Fraction]], limit: Fraction) -> DateRange:
    """Return between which dates a limit would be reached at the rates seen from overhaul to overhaul.

    `history`: (date, size) of at least three overhauls, oldest first, sizes and limit in one unit.

    Raises:
        LimitError: fewer than three overhauls, or dates out of order.
    """
    if len(history) < FEWEST_OVERHAULS:
        raise LimitError(
            f"No date is projected from {len(history)} overhauls",
            thing="overhauls",
            value=str(len(history)),
            remedy=f"at least {FEWEST_OVERHAULS} are needed",
        )
    if any(b <= a for (a, _), (b, _) in pairwise(history)):
        raise LimitError("Overhauls are not in order of date", thing="overhauls", remedy="give the oldest first")
    rates = [(b - a) / (after - before).days for (before, a), (after, b) in pairwise(history)]
    return carried_on(rates, *history[-1], limit)


def carried_on(rates: Sequence[Fraction], last_day: date, last_size: Fraction, limit: Fraction) -> DateRange:
    """Return between which dates a limit would be reached from the last size, at each of the rates seen (per day)."""
    to_go = limit - last_size
    days = sorted(to_go / rate for rate in rates if rate != 0 and to_go / rate >= 0)
    if to_go == 0:
        days = [Fraction(0)] * len(rates)
    earliest = _day(last_day, days[0]) if days else None
    latest = _day(last_day, days[-1]) if days and len(days) == len(rates) else None
    working = (
        f"rates of {len(rates)} intervals between {len(rates) + 1} overhauls, carried on from {last_day.isoformat()}; "
        "a range at the rates seen, not a service life"
    )
    return DateRange(earliest, latest, working)


def _day(start: date, days: Fraction) -> date | None:
    """Return the day, rounded to whole days; None beyond the calendar."""
    try:
        return start + timedelta(days=round(days))
    except OverflowError:
        return None
