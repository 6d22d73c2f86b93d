"""Repeats: mean, range and standard deviation, exact; an odd one out is pointed at, never dropped."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal, localcontext
from fractions import Fraction

from capture.domain.quantiles import t_factor

_ROOT_DIGITS = 40

FEWEST_TO_TELL = 3  # of two readings that differ nobody can say which is the odd one


def root(value: Fraction) -> Fraction:
    """Return the square root of a value not below zero, good to about 40 digits; exact when it is a ratio.

    >>> root(Fraction(9, 4))
    Fraction(3, 2)
    """
    if value < 0:
        raise ValueError(f"Value {value} has no square root")
    top, bottom = math.isqrt(value.numerator), math.isqrt(value.denominator)
    if top * top == value.numerator and bottom * bottom == value.denominator:
        return Fraction(top, bottom)
    with localcontext() as context:
        context.prec = _ROOT_DIGITS
        return Fraction((Decimal(value.numerator) / Decimal(value.denominator)).sqrt())


@dataclass(frozen=True, slots=True)
class Summary:
    """Repeats of one size. All exact but the roots; `variance` None for a single reading (n - 1 in it)."""

    count: int
    mean: Fraction
    smallest: Fraction
    largest: Fraction
    variance: Fraction | None

    @property
    def range(self) -> Fraction:
        """Largest minus smallest."""
        return self.largest - self.smallest

    @property
    def deviation(self) -> Fraction | None:
        """Standard deviation of one reading."""
        return None if self.variance is None else root(self.variance)

    @property
    def mean_variance(self) -> Fraction | None:
        """Variance of the mean, n - 1 degrees of freedom. Source: JCGM 100:2008, 4.2.3."""
        return None if self.variance is None else self.variance / self.count


def summary(values: Sequence[Fraction]) -> Summary:
    """Return the summary of at least one value; the order changes nothing.

    >>> summary([Fraction(1), Fraction(2), Fraction(3)]).variance
    Fraction(1, 1)
    """
    if not values:
        raise ValueError("There is no value to summarise")
    count = len(values)
    mean = sum(values, Fraction(0)) / count
    variance = sum(((v - mean) ** 2 for v in values), Fraction(0)) / (count - 1) if count > 1 else None
    return Summary(count, mean, min(values), max(values), variance)


def lag_one(values: Sequence[Fraction]) -> Fraction:
    """Return the lag-1 autocorrelation, exact; a drift while repeating shows here."""
    mean = summary(values).mean
    total = sum(((v - mean) ** 2 for v in values), Fraction(0))
    if total == 0:
        raise ValueError("All values are equal; they have no autocorrelation")
    return sum(((a - mean) * (b - mean) for a, b in zip(values, values[1:], strict=False)), Fraction(0)) / total


def pooled_variance(groups: Sequence[tuple[Fraction, int]]) -> Fraction:
    """Return the variance pooled from (sum of squares, degrees of freedom) of several groups."""
    return sum((ss for ss, _ in groups), Fraction(0)) / sum(dof for _, dof in groups)


def grubbs_critical(count: int, significance: float = 0.05) -> float:
    """Return how many standard deviations the furthest of `count` values may lie from the mean.

    Source: Grubbs' two-sided test, NIST/SEMATECH e-Handbook, 1.3.5.17.1.
    """
    t = t_factor(1.0 - significance / count, count - 2)
    return (count - 1) / math.sqrt(count) * math.sqrt(t * t / (count - 2 + t * t))


def odd_one_out(values: Sequence[Fraction], resolution: Fraction, significance: float = 0.05) -> int | None:
    """Return the index of the repeat that does not belong with the others; None when all do.

    It must fail Grubbs' test and differ from the median of the others by more than two steps of the gauge, so
    that one last digit of difference is never pointed at. Two alike odd ones give None: ask for more repeats.
    """
    if len(values) < FEWEST_TO_TELL:
        return None
    whole = summary(values)
    if not whole.variance:
        return None
    index = max(range(len(values)), key=lambda i: abs(values[i] - whole.mean))
    others = sorted(value for i, value in enumerate(values) if i != index)
    middle = (others[(len(others) - 1) // 2] + others[len(others) // 2]) / 2
    if abs(values[index] - middle) <= 2 * resolution:
        return None
    g_squared = (values[index] - whole.mean) ** 2 / whole.variance
    limit = grubbs_critical(len(values), significance)
    return index if float(g_squared) > limit * limit else None
