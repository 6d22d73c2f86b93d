"""Decision rules: when a result conforms, when it does not, and when it cannot be decided.

Guard band (ISO 14253-1): with the expanded uncertainty U a result conforms from lower + U to upper - U, does
not conform beyond lower - U or upper + U, and is undecided between. Edges: "inclusive", our default, takes a
result exactly U inside a limit as conforming; "strict" leaves it undecided. Exactly U outside is undecided in
both. Simple acceptance leaves U out and is always inclusive.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from capture.domain.quantiles import normal_below, normal_quantile

SIMPLE, GUARD_BAND = "simple acceptance", "guard band"
INCLUSIVE, STRICT = "inclusive", "strict"
ABSOLUTE, ROUNDING = "absolute", "rounding"

CONFORMING = "conforming"
NONCONFORMING_BELOW = "nonconforming below"
NONCONFORMING_ABOVE = "nonconforming above"
UNDECIDED = "undecided"


@dataclass(frozen=True, slots=True)
class DecisionRule:
    """How a plan decides. `k` coverage factor, None to take it from the degrees of freedom at 95.45 per cent.

    `method` "rounding" rounds the value to `round_to` (in the limits' unit) first, by `mode` (ASTM E29, rounding
    method); "absolute" compares it as read.
    """

    kind: str = SIMPLE
    edges: str = INCLUSIVE
    method: str = ABSOLUTE
    k: Fraction | None = None
    round_to: Fraction | None = None
    mode: str = "half_even"


def decide(
    value: Fraction,
    lower: Fraction | None,
    upper: Fraction | None,
    expanded: Fraction = Fraction(0),
    edges: str = INCLUSIVE,
) -> str:
    """Return the verdict kind by guard band; `expanded` 0 with inclusive edges is simple acceptance.

    Source: ISO 14253-1 with the edge rule of this module.

    >>> decide(Fraction(5), Fraction(1), Fraction(6), Fraction(1))
    'conforming'
    """
    if expanded < 0:
        raise ValueError(f"Expanded uncertainty {expanded} must not be below zero")
    inside_by = [value - lower] if lower is not None else []
    if inside_by and inside_by[0] < -expanded:
        return NONCONFORMING_BELOW
    if upper is not None:
        inside_by.append(upper - value)
        if inside_by[-1] < -expanded:
            return NONCONFORMING_ABOVE
    inside = all(one >= expanded if edges == INCLUSIVE else one > expanded for one in inside_by)
    return CONFORMING if inside else UNDECIDED


def probability(value: float, standard: float, lower: float | None, upper: float | None) -> float:
    """Return the probability that the size lies within the limits, for a normal result.

    Source: JCGM 106:2012, 7.2 to 7.4, without earlier knowledge of the process.
    """
    if standard <= 0:
        return float((lower is None or value >= lower) and (upper is None or value <= upper))
    above = 1.0 if upper is None else normal_below((upper - value) / standard)
    if lower is None:
        return above
    if upper is None:
        return normal_below((value - lower) / standard)
    low, high = (lower - value) / standard, (upper - value) / standard
    if low > 0:  # the far tail keeps its digits on the side where they are small
        return normal_below(-low) - normal_below(-high)
    return normal_below(high) - normal_below(low)


def guard_factor(conformance: float) -> float:
    """Return how many standard uncertainties inside a limit give this one-sided probability of conformity."""
    return normal_quantile(conformance)


def share_conforming(lower: Fraction, upper: Fraction, expanded: Fraction) -> Fraction:
    """Return what share of the tolerance can be called conforming with this uncertainty, 0 to 1.

    >>> share_conforming(Fraction(0), Fraction(10), Fraction(1))
    Fraction(4, 5)
    """
    tolerance = upper - lower
    if tolerance <= 0:
        return Fraction(0)
    return max(Fraction(0), (tolerance - 2 * expanded) / tolerance)


def room_to(value: Fraction, lower: Fraction | None, upper: Fraction | None) -> Fraction:
    """Return the distance from a value to the nearest limit; an uncertainty no larger than it would decide."""
    distances = [abs(value - limit) for limit in (lower, upper) if limit is not None]
    return min(distances)
