"""A value in the unit of the other system, for showing and saying: with the digits its resolution allows, no more."""

from __future__ import annotations

from fractions import Fraction

from capture.domain.gauges import in_both_units
from capture.domain.plan import InspectionPlan
from capture.domain.units import Quantity, convert

_PAIRS: tuple[tuple[str, str], ...] = (
    ("in", "mm"),
    ("ft", "m"),
    ("thou", "um"),
    ("uin", "nm"),
    ("degF", "degC"),
    ("delta degF", "delta degC"),
    ("lbf*ft", "N*m"),
    ("lb", "kg"),
)
_OTHER: dict[str, str] = {
    **dict(_PAIRS),
    **{metric: inch for inch, metric in _PAIRS},
    "tenth": "um",
    "hundredth mm": "thou",
    "tenth mm": "thou",
}


def other_unit(unit: str) -> str | None:
    """Return the unit of the other system, None for what is the same in both.

    >>> other_unit("in"), other_unit("deg")
    ('mm', None)
    """
    return _OTHER.get(unit)


def other_units(quantity: Quantity, resolution: Fraction | None = None) -> Quantity | None:
    """Return a quantity in the unit of the other system, rounded to the digits its resolution allows.

    Args:
        resolution: of the gauge, in the quantity's unit; without one the step of its last digit.

    >>> str(other_units(Quantity("1.250", "in")))
    '31.75 mm'
    """
    to = other_unit(quantity.unit)
    if to is None:
        return None
    text = in_both_units(quantity, to, resolution or Fraction(1, 10**quantity.places))
    return Quantity(text.removesuffix(f" {to}"), to)


def is_rounded(quantity: Quantity, other: Quantity) -> bool:
    """Say whether the other unit's text is not the exact value.

    >>> is_rounded(Quantity("1.25", "in"), Quantity("31.8", "mm"))
    True
    """
    return convert(quantity.fraction, quantity.unit, other.unit) != other.fraction


def shown_in_both(quantity: Quantity, resolution: Fraction | None = None) -> str:
    """Return the other unit as a second text, "" where there is none; "about" stands before a rounded one.

    >>> shown_in_both(Quantity("1.248", "in"))
    'about 31.70 mm'
    """
    other = other_units(quantity, resolution)
    if other is None:
        return ""
    return f"{'about ' if is_rounded(quantity, other) else ''}{other}"


def resolution_of(plan: InspectionPlan, gauge: str | None, unit: str) -> Fraction | None:
    """Return the resolution of the plan's gauge when it reads this unit, None when it is not known."""
    found = next((one for one in plan.gauges if one.id == gauge and one.unit == unit), None)
    return None if found is None else found.resolution
