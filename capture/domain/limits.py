"""Limits in force for one reading: what the plan states, made into bounds in the unit that is worked in."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

from capture.domain.errors import LimitError
from capture.domain.plan import Limits
from capture.domain.units import Quantity, convert, ends, exact_text, unit_spoken

BELOW, WITHIN, ABOVE = "below", "within", "above"


@dataclass(frozen=True, slots=True)
class Bounds:
    """Lower and upper limit in `unit`, exact, each None when that side is open; `text` as a line shows them."""

    unit: str
    lower: Fraction | None
    upper: Fraction | None
    text: str


def per_reading(limits: Limits, readings: Mapping[str, Quantity]) -> Quantity | None:
    """Return the reading a rate is taken of; None for absolute limits.

    Raises:
        LimitError: that reading is not there yet, or is not above zero.
    """
    if limits.per is None:
        return None
    diameter = readings.get(limits.per)
    if diameter is None:
        raise LimitError(
            f"Limits wait for the reading of {limits.per!r}",
            thing="limits",
            value=limits.per,
            remedy=f"measure {limits.per!r} at this position",
        )
    if diameter.fraction <= 0:
        raise LimitError(
            f"Limits are a rate of {limits.per!r}, which reads {diameter}",
            thing="limits",
            value=str(diameter),
            remedy="measure it again",
        )
    return diameter


def bounds(limits: Limits, readings: Mapping[str, Quantity], unit: str | None = None, places: int = 0) -> Bounds:
    """Return the bounds in `unit` (the limits' own when None), exact.

    `readings`: characteristic id -> reading at the same position. `places`: decimals to show at least.

    Raises:
        LimitError: a rate whose diameter is not read yet.
        UnitError: a unit of another kind.
    """
    to = unit or limits.unit
    diameter = per_reading(limits, readings)
    if diameter is None:
        lower = None if limits.lower is None else convert(limits.lower, limits.unit, to)
        upper = None if limits.upper is None else convert(limits.upper, limits.unit, to)
        as_stated = to == limits.unit
        low = limits.lower_text if as_stated and limits.lower_text else _shown(lower, places)
        high = limits.upper_text if as_stated and limits.upper_text else _shown(upper, places)
        span = with_unit(_span(low, high), to)
        return Bounds(to, lower, upper, f"{span} ({limits.stated})" if limits.stated else span)
    size = diameter.to_fraction(to)
    lower = _at_rate(limits.lower_base, limits.lower_rate, size, limits.unit, to)
    upper = _at_rate(limits.upper_base, limits.upper_rate, size, limits.unit, to)
    low_rate = _rate_text(limits, limits.lower_base, limits.lower_text)
    rate = _span(low_rate, _rate_text(limits, limits.upper_base, limits.upper_text))
    of = str(diameter) if diameter.unit == to else f"{diameter} = {exact_text(size, places)} {to}"
    text = f"{_span(_shown(lower, 0), _shown(upper, 0))} {to} ({rate} per {unit_spoken(to, plural=False)} of {of})"
    return Bounds(to, lower, upper, text)


def _at_rate(base: Fraction, rate: Fraction | None, size: Fraction, unit: str, to: str) -> Fraction | None:
    return None if rate is None else convert(base, unit, to) + rate * size


def _rate_text(limits: Limits, base: Fraction, text: str) -> str:
    return f"{exact_text(base, 0)} {limits.unit} + {text}" if base and text else text


def with_unit(text: str, unit: str) -> str:
    """Return a printed value with its unit; a plain number has none."""
    return text if unit == "1" else f"{text} {unit}"


def _shown(value: Fraction | None, places: int) -> str:
    return "" if value is None else exact_text(value, places)


def _span(low: str, high: str) -> str:
    """Return two printed limits as a span; an empty one is an open side."""
    if low and high:
        return f"{low} to {high}"
    return f"at least {low}" if low else f"at most {high}"


def compare(value: Fraction, limits: Bounds) -> tuple[str, Fraction | None]:
    """Return where a value lies, and by how much it is outside; a value exactly on a limit is within.

    >>> compare(Fraction(5), Bounds("in", Fraction(1), Fraction(4), ""))
    ('above', Fraction(1, 1))
    """
    if limits.lower is not None and value < limits.lower:
        return BELOW, limits.lower - value
    if limits.upper is not None and value > limits.upper:
        return ABOVE, value - limits.upper
    return WITHIN, None


def working_unit(limits: Limits, readings: Mapping[str, Quantity], quantities: Sequence[Quantity]) -> str:
    """Return the unit to show the working in: the limits' own, or one of the readings' where all digits end there.

    A length in millimetres seldom ends in inches (1 mm = 5/127 in); an inch always ends in millimetres, so
    that a line with both can still be checked by hand. The verdict is the same in every unit.
    """
    diameter = per_reading(limits, readings)
    if all(one.unit == limits.unit for one in (*quantities, *([diameter] if diameter else []))):
        return limits.unit
    for unit in (limits.unit, *(one.unit for one in quantities)):
        held = bounds(limits, readings, unit)
        numbers = [held.lower, held.upper, *(one.to_fraction(unit) for one in quantities)]
        if all(number is None or ends(number) for number in numbers):
            return unit
    return limits.unit
