"""Gauges: what they can show, how well, and which readings a bad one leaves in doubt."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from functools import lru_cache

from capture.domain.errors import QuantityError
from capture.domain.events import Event
from capture.domain.rounding import decimals_of
from capture.domain.uncertainty import Contribution, certificate, from_resolution
from capture.domain.units import Quantity, convert, exact_text, factor

USUAL_RATIO, WORST_RATIO = Fraction(10), Fraction(4)  # tolerance to resolution; common practice


@dataclass(frozen=True, slots=True)
class Gauge:
    """A gauge in one unit mode. `resolution`, range `lower` to `upper` and expanded `uncertainty` in `unit`.

    `uncertainty` is the certificate's U at `k`, None when there is none; `due`: ISO date of the next
    calibration, "" when not known.
    """

    id: str
    title: str
    unit: str
    resolution: Fraction
    lower: Fraction | None = None
    upper: Fraction | None = None
    uncertainty: Fraction | None = None
    k: Fraction = Fraction(2)
    due: str = ""

    @property
    def decimals(self) -> int:
        """How many digits after the point it shows; the only number of decimals that may be called from it."""
        return decimals_of(self.resolution)

    def contributions(self, unit: str) -> tuple[Contribution, ...]:
        """Return what the gauge adds to a budget in `unit`: resolution, and calibration when it is known."""
        return _contributions(self, unit)


@lru_cache(maxsize=256)
def _contributions(gauge: Gauge, unit: str) -> tuple[Contribution, ...]:
    size = factor(gauge.unit, unit)
    shows = from_resolution(gauge.resolution * size, f"resolution {exact_text(gauge.resolution, 0)} {gauge.unit}")
    if gauge.uncertainty is None:
        return (shows,)
    name = f"calibration U {exact_text(gauge.uncertainty, 0)} {gauge.unit}"
    return shows, certificate(gauge.uncertainty * size, gauge.k, name)


def check_reading(gauge: Gauge, quantity: Quantity) -> None:
    """Refuse a reading the gauge could not have shown: out of range, other decimals, or between its steps.

    Raises:
        QuantityError: names gauge, value and what it must be.
    """

    def refuse(message: str, remedy: str) -> QuantityError:
        return QuantityError(f"Reading {quantity} {message}", thing=gauge.id, value=str(quantity), remedy=remedy)

    value = quantity.to_fraction(gauge.unit)
    below = gauge.lower is not None and value < gauge.lower
    if below or (gauge.upper is not None and value > gauge.upper):
        low, high = ("" if end is None else exact_text(end, 0) for end in (gauge.lower, gauge.upper))
        raise refuse(f"is outside the range of gauge {gauge.id!r}", f"it reads {low} to {high} {gauge.unit}")
    if quantity.unit == gauge.unit and quantity.places != gauge.decimals:
        raise refuse(f"has {quantity.places} decimals; gauge {gauge.id!r} shows {gauge.decimals}", "read it again")
    if value % gauge.resolution != 0:
        step = f"{exact_text(gauge.resolution, 0)} {gauge.unit}"
        raise refuse(f"lies between the steps of gauge {gauge.id!r}", f"it shows steps of {step}")


def ratio_to(gauge: Gauge, tolerance: Fraction, unit: str) -> Fraction:
    """Return how many steps of the gauge the tolerance (in `unit`) holds."""
    return tolerance / (gauge.resolution * factor(gauge.unit, unit))


def coarse(gauge: Gauge, tolerance: Fraction, unit: str, ratio: Fraction = USUAL_RATIO) -> str:
    """Return what to say when a gauge is picked up for a tolerance it is too coarse for; "" when it is fine.

    Source: ten to one, at worst four to one, is common practice; the plan may set another ratio.
    """
    has = ratio_to(gauge, tolerance, unit)
    if has >= ratio:
        return ""
    shown = exact_text(Fraction(int(has * 10), 10), 0)
    worst = ", and below four to one" if has < WORST_RATIO else ""
    return (
        f"{gauge.title} is coarse here: {exact_text(tolerance, 0)} {unit} of tolerance holds {shown} of its steps, "
        f"{exact_text(ratio, 0)} wanted{worst}"
    )


def calibration_due(gauge: Gauge, today: date) -> str:
    """Return what to say about the calibration date on a day, "" when it is not yet due."""
    if not gauge.due:
        return f"{gauge.title} has no calibration date"
    return f"{gauge.title} was due for calibration on {gauge.due}" if date.fromisoformat(gauge.due) <= today else ""


def zero_error(reading: Quantity, standard: Quantity, allowed: Fraction, unit: str) -> Fraction | None:
    """Return by how much a gauge is off its setting standard, signed, in `unit`; None when within `allowed`."""
    error = reading.to_fraction(unit) - standard.to_fraction(unit)
    return error if abs(error) > allowed else None


def in_doubt(events: Iterable[Event]) -> dict[tuple[str, int], str]:
    """Return (bench, sequence) of every reading that a gauge leaves in doubt, and why.

    A gauge found bad marks what it read since its last good check, and what it reads until the next good one.
    A dropped gauge marks the same until it is checked: a good check then clears it, a bad one does not.
    """
    marks: dict[tuple[str, int], str] = {}
    since: dict[tuple[str, str], list[tuple[str, int]]] = {}
    held: dict[tuple[str, str], str] = {}
    for event in sorted(events, key=lambda one: (one.bench, one.sequence)):
        name = event.body.get("gauge")
        if not isinstance(name, str):
            continue
        gauge, key = (event.bench, name), (event.bench, event.sequence)
        if event.kind != "gauge-checked":
            since.setdefault(gauge, []).append(key)
            if gauge in held:
                marks[key] = held[gauge]
            continue
        result = event.body["result"]
        if result == "good":
            for one in since.get(gauge, []):
                if marks.get(one, "").startswith("dropped"):
                    del marks[one]
            since[gauge] = []
            held.pop(gauge, None)
        elif result == "bad":
            held[gauge] = f"gauge {name!r} was found bad"
            marks.update(dict.fromkeys(since.get(gauge, []), held[gauge]))
        else:
            held.setdefault(gauge, f"dropped gauge {name!r} is not checked yet")
            for one in since.get(gauge, []):
                marks.setdefault(one, held[gauge])
    return marks


def in_both_units(quantity: Quantity, to: str, resolution: Fraction) -> str:
    """Return a reading in another unit, rounded to the digits the gauge's resolution (in the reading's unit) allows.

    For showing only. The step is the largest 1 in a decimal place not above the resolution converted.

    >>> in_both_units(Quantity("1.250", "in"), "mm", Fraction("0.001"))
    '31.75 mm'
    """
    step = resolution * factor(quantity.unit, to)
    places = 0
    while Fraction(1, 10**places) > step:
        places += 1
    value = convert(quantity.fraction, quantity.unit, to)
    scaled = round(value * 10**places)
    return f"{exact_text(Fraction(scaled, 10**places), places)} {to}"
