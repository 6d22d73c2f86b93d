"""What the bench says of a value: the kept digits one by one, sign and unit as words."""

from __future__ import annotations

from fractions import Fraction

from capture.domain.plan import InspectionPlan
from capture.domain.spoken import digit_words
from capture.domain.units import Quantity, exact_text, unit_spoken


def _spoken(text: str, unit: str) -> str:
    return f"{digit_words(text)} {unit_spoken(unit, plural=text not in ('1', '-1'))}".rstrip()


def say_quantity(quantity: Quantity) -> str:
    """Return a quantity as words, digit by digit from its text; zero is "zero", never "oh".

    >>> say_quantity(Quantity("1.248", "in"))
    'one point two four eight inches'
    >>> say_quantity(Quantity("-0.002", "in"))
    'minus zero point zero zero two inches'
    """
    return _spoken(quantity.text, quantity.unit)


def say_exact(value: Fraction, unit: str, places: int) -> str:
    """Return an exact value as words, with at least `places` digits after the point; "about" when it does not end.

    >>> say_exact(Fraction(11, 4000), "in", 4)
    'zero point zero zero two seven five inches'
    """
    return _spoken(exact_text(value, places), unit)


def say_position(plan: InspectionPlan, position: str) -> str:
    """Return the name of a position as it is called."""
    return plan.position(position).spoken


def say_characteristic(plan: InspectionPlan, position: str, characteristic: str) -> str:
    """Return position and, where several things are measured there, what was measured."""
    name = say_position(plan, position)
    if len(plan.characteristics_at(position)) < 2:
        return name
    return f"{name} {plan.characteristic(characteristic).spoken}"


def say_proposal(plan: InspectionPlan, position: str, characteristic: str, quantity: Quantity) -> str:
    """Return the readback of a proposal: where, what, and after a pause the value digit by digit."""
    return f"{say_characteristic(plan, position, characteristic)}, {say_quantity(quantity)}"


def say_interval(
    plan: InspectionPlan, position: str, characteristic: str, goes: Quantity | None, does_not: Quantity | None
) -> str:
    """Return the readback of an interval: where, what, what goes and what does not."""
    ends = [f"{say_quantity(goes)} goes"] if goes is not None else []
    ends += [f"{say_quantity(does_not)} does not"] if does_not is not None else []
    return f"{say_characteristic(plan, position, characteristic)}, {', '.join(ends)}"
