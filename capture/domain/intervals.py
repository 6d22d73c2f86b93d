"""Readings that are not points: feelers, plug gauges and go / no-go give an interval, never a made-up point."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from capture.domain.decision import CONFORMING, NONCONFORMING_ABOVE, NONCONFORMING_BELOW, UNDECIDED
from capture.domain.errors import QuantityError
from capture.domain.limits import Bounds
from capture.domain.units import Quantity


@dataclass(frozen=True, slots=True)
class Interval:
    """Where a size lies, exact, in `unit`; an end of None is open, `lower_in` and `upper_in` say whether it belongs.

    `text` is what was said, for example "4 thou goes, 5 thou does not".
    """

    unit: str
    lower: Fraction | None
    upper: Fraction | None
    text: str
    lower_in: bool = True
    upper_in: bool = True

    def __post_init__(self) -> None:
        if self.lower is None and self.upper is None:
            raise QuantityError("An interval needs at least one end", thing="interval", remedy="say what goes")
        if self.lower is not None and self.upper is not None:
            if self.lower > self.upper or (self.lower == self.upper and not (self.lower_in and self.upper_in)):
                raise QuantityError(
                    f"Interval {self.text!r} is empty",
                    thing="interval",
                    value=self.text,
                    remedy="what goes must be smaller than what does not",
                )


def from_feelers(goes: Quantity | None, does_not: Quantity | None, unit: str) -> Interval:
    """Return the gap: at least what goes, less than what does not.

    >>> gap = from_feelers(Quantity("4", "thou"), Quantity("5", "thou"), "in")
    >>> gap.lower == Fraction("0.004"), gap.upper == Fraction("0.005")
    (True, True)
    """
    said = [f"{goes} goes"] if goes else []
    said += [f"{does_not} does not"] if does_not else []
    return Interval(
        unit=unit,
        lower=goes.to_fraction(unit) if goes else None,
        upper=does_not.to_fraction(unit) if does_not else None,
        text=", ".join(said),
        upper_in=False,
    )


def from_plain_gauge(limits: Bounds, *, go: bool | None, no_go: bool | None, of_bore: bool) -> Interval:
    """Return where a bore (or shaft) lies when a go and a no-go gauge at the limits were tried; None: not tried.

    The go end is the limit of most material: lower for a bore, upper for a shaft. A part at exactly the size of the
    no-go end counts as outside when it goes. Source: ISO 1938-1, the principle of limit gauging.
    """
    if limits.lower is None or limits.upper is None:
        raise QuantityError("A go and no-go gauge needs both limits", thing="limits", remedy="give both")
    text = gauged_text(go, no_go)
    if no_go and go is False:
        message = f"Gauges disagree: {text}"
        raise QuantityError(message, thing="go gauge", value=text, remedy="clean part and gauge and try again")
    unit, lower, upper = limits.unit, limits.lower, limits.upper
    if go is False or no_go:
        small = of_bore is not bool(no_go)  # a bore the go end does not enter, or a shaft the no-go end goes over
        if small:
            return Interval(unit, None, lower, text, upper_in=False)
        return Interval(unit, upper, None, text, lower_in=False)
    from_below = go if of_bore else no_go is False  # an end at the lower limit was tried, and the part is larger
    from_above = no_go is False if of_bore else go
    return Interval(
        unit,
        lower if from_below else None,
        upper if from_above else None,
        text,
        lower_in=of_bore,
        upper_in=not of_bore,
    )


def gauged_text(go: bool | None, no_go: bool | None) -> str:
    """Return what the two ends of a limit gauge did.

    >>> gauged_text(True, False)
    'go end goes, no-go end does not go'
    """
    ends = (("go end", go), ("no-go end", no_go))
    return ", ".join(f"{end} {'goes' if it_does else 'does not go'}" for end, it_does in ends if it_does is not None)


def interval_verdict(held: Interval, limits: Bounds) -> str:
    """Return the verdict kind: wholly inside, wholly outside, or undecided; exact, limits inclusive.

    Both must be in the same unit.
    """
    lower, upper = limits.lower, limits.upper
    if held.unit != limits.unit:
        raise QuantityError(
            f"Interval in {held.unit!r} cannot be checked against limits in {limits.unit!r}",
            thing="interval",
            value=held.text,
            remedy="take the bounds in the unit of the interval",
        )
    if upper is not None and held.lower is not None:
        if held.lower > upper or (held.lower == upper and not held.lower_in):
            return NONCONFORMING_ABOVE
    if lower is not None and held.upper is not None:
        if held.upper < lower or (held.upper == lower and not held.upper_in):
            return NONCONFORMING_BELOW
    low_in = lower is None or (held.lower is not None and held.lower >= lower)
    high_in = upper is None or (held.upper is not None and held.upper <= upper)
    return CONFORMING if low_in and high_in else UNDECIDED


def agrees(derived: Fraction, held: Interval, allowance: Fraction = Fraction(0)) -> bool:
    """Say whether a derived clearance lies in a directly measured interval, give or take an allowance."""
    low_in = held.lower is None or derived >= held.lower - allowance
    high_in = held.upper is None or derived <= held.upper + allowance
    return low_in and high_in
