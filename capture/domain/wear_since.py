"""Wear since the last overhaul at every position, and between which dates a limit would be reached.

Wear is as found now minus as left then. A part that the plan does not ask for as left went back as it was found, and
then counts so. Dates need three overhauls, this one among them; they are always a range: each size is only good to its
last digit, so the fastest and the slowest rate are taken a digit apart. Common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from fractions import Fraction

from capture.domain.derived import SET_SPREAD, compute
from capture.domain.errors import DomainError
from capture.domain.limits import Bounds, bounds, with_unit
from capture.domain.overhauls import AS_FOUND, AS_LEFT, Overhaul
from capture.domain.plan import Characteristic, Derived, InspectionPlan
from capture.domain.spoken import digit_words
from capture.domain.units import Quantity, exact_text, factor, unit_spoken
from capture.domain.wear import FEWEST_OVERHAULS, DateRange, carried_on, wear

Readings = Mapping[str, Quantity]  # characteristic -> reading, at one position


@dataclass(frozen=True, slots=True)
class WearEntry:
    """Wear of one characteristic or derived value at a position, exact in `unit`.

    `since`: the overhaul it counts from; `reached`: the range of dates, None without one; `inputs`: sequences of this
    overhaul's readings. `working` is one line to check by hand, `said` what the bench says of it.
    """

    position: str
    of: str
    value: Fraction
    unit: str
    text: str
    since: date
    working: str
    said: str
    inputs: tuple[int, ...]
    reached: DateRange | None = None


@dataclass(frozen=True, slots=True)
class Now:
    """This overhaul's readings at one position; `days`, `sequences`: by characteristic, day None when not known."""

    found: Readings
    left: Readings
    days: Mapping[str, date | None]
    sequences: Mapping[str, tuple[int, ...]]


@dataclass(frozen=True, slots=True)
class _Size:
    """One size in its unit, with the step of its last digit."""

    value: Fraction
    step: Fraction
    places: int


def carried(plan: InspectionPlan, found: Readings) -> dict[str, Quantity]:
    """Return the readings as found that also stand as left: of what the plan does not ask for as left."""
    asked = {one.id for one in plan.characteristics if one.as_left}
    return {name: quantity for name, quantity in found.items() if name not in asked}


def wear_entries(
    plan: InspectionPlan, overhauls: tuple[Overhaul, ...], now: Mapping[str, Now]
) -> Iterable[WearEntry]:
    """Return the wear of all that was read as found now and is known as left from before, in plan order."""
    if not overhauls:
        return
    before = [(one, _by_position(one)) for one in overhauls]
    for position in plan.positions:
        here = now.get(position.id)
        if here is None:
            continue
        measured: list[Characteristic | Derived] = [one for one in plan.characteristics if position.group in one.groups]
        measured += [one for one in plan.derived if position.group in one.groups and one.rule != SET_SPREAD]
        then: list[_Then] = [
            (one, at.get((position.id, AS_FOUND), {}), at.get((position.id, AS_LEFT), {})) for one, at in before
        ]
        for each in measured:
            try:
                entry = _entry(plan, position.id, each, then, here)
            except DomainError:  # another unit in an earlier plan, or a diameter that is not read: no wear to tell
                continue
            if entry is not None:
                yield entry


def _by_position(overhaul: Overhaul) -> dict[tuple[str, str], dict[str, Quantity]]:
    made: dict[tuple[str, str], dict[str, Quantity]] = {}
    for (position, characteristic, stage), quantity in overhaul.readings.items():
        made.setdefault((position, stage), {})[characteristic] = quantity
    return made


def _size(one: Characteristic | Derived, readings: Readings) -> _Size | None:
    if isinstance(one, Characteristic):
        quantity = readings.get(one.id)
        if quantity is None or one.counted:
            return None
        return _Size(quantity.to_fraction(one.unit), _step(quantity, one.unit), quantity.places)
    made = compute(one, readings)
    if made is None or made.interval is not None:
        return None
    steps = sum((abs(term.times) * _step(term.quantity, one.unit) for term in made.terms), Fraction(0))
    return _Size(made.value(one.unit), steps, made.places)


def _step(quantity: Quantity, unit: str) -> Fraction:
    return factor(quantity.unit, unit) * Fraction(1, 10**quantity.places)


_Then = tuple[Overhaul, Readings, Readings]  # overhaul, as found and as left at the position


def _entry(
    plan: InspectionPlan, position: str, one: Characteristic | Derived, then: Iterable[_Then], now: Now
) -> WearEntry | None:
    found = _size(one, now.found)
    if found is None:
        return None
    rates: list[Fraction] = []
    last: tuple[Overhaul, _Size] | None = None
    for overhaul, as_found, as_left in then:
        size = _size(one, as_found)
        if size is not None and last is not None:
            rates += _rates(last, overhaul.day, size)
        left = _size(one, {**carried(plan, as_found), **as_left})
        last = (overhaul, left) if left is not None else None if size is not None else last
    if last is None:
        return None
    overhaul, left = last
    value = wear(left.value, found.value)
    places = max(found.places, left.places)
    text = with_unit(exact_text(value, places), one.unit)
    sizes = (f"{exact_text(size.value, size.places)}" for size in (found, left))
    working = "{} as found - {} as left {} ({}) = {}".format(*sizes, overhaul.day.isoformat(), overhaul.job, text)
    names = [one.id] if isinstance(one, Characteristic) else [name for _, name in one.inputs]
    reached = _dates(plan, one, now, names, rates, last, found, value)
    more = f"; {reached.working}" if reached is not None else ""
    said = f"{digit_words(exact_text(value, places))} {unit_spoken(one.unit)}"
    return WearEntry(
        position=position,
        of=one.id,
        value=value,
        unit=one.unit,
        text=text,
        since=overhaul.day,
        working=f"wear since last overhaul, {one.title}: {working}{more}",
        said=f"wear since last overhaul, {said}".rstrip(),
        inputs=tuple(sequence for name in names for sequence in now.sequences.get(name, ())),
        reached=reached,
    )


def _rates(last: tuple[Overhaul, _Size], day: date, found: _Size) -> list[Fraction]:
    """Return the fastest and the slowest change a day between two overhauls, each size good to its last digit."""
    overhaul, left = last
    change, step, days = found.value - left.value, max(left.step, found.step), (day - overhaul.day).days
    return [(change - step) / days, (change + step) / days]


def _dates(
    plan: InspectionPlan,
    one: Characteristic | Derived,
    now: Now,
    names: list[str],
    rates: list[Fraction],
    last: tuple[Overhaul, _Size],
    found: _Size,
    worn: Fraction,
) -> DateRange | None:
    """Return the range of dates; None where none may be named."""
    days = [now.days.get(name) for name in names]
    day = max((each for each in days if each is not None), default=None)
    if one.limits is None or worn == 0 or not rates or day is None or None in days or day <= last[0].day:
        return None
    rates = rates + _rates(last, day, found)
    overhauls = len(rates) // 2 + 1
    limit, side = _limit(bounds(one.limits, now.found, one.unit, found.places), worn)
    left = _size(one, {**carried(plan, now.found), **now.left}) or found
    if limit is None or overhauls < FEWEST_OVERHAULS or (limit - left.value) * worn <= 0:
        return None
    reached = carried_on(rates, day, left.value, limit)
    if reached.earliest is None:
        return None
    shown = with_unit(exact_text(limit, found.places), one.unit)
    if reached.latest is None:
        when = f"not before {reached.earliest}, and at the slowest rate on no day that can be named"
    else:
        when = f"between {reached.earliest} and {reached.latest}"
    text = f"at the rates between {overhauls} overhauls the stated {side} limit {shown} would be reached {when}"
    return DateRange(reached.earliest, reached.latest, text)


def _limit(held: Bounds, worn: Fraction) -> tuple[Fraction | None, str]:
    return (held.upper, "upper") if worn > 0 else (held.lower, "lower")
