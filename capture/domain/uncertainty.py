"""Uncertainty budgets after the GUM: contributions, how they combine, and the expanded uncertainty.

Variances are exact Fractions; only roots and coverage factors are numeric. The expanded uncertainty that
is stated, and used as guard band, is rounded up to two significant digits, so a line can be checked by hand.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache

from capture.domain.quantiles import t_factor
from capture.domain.rounding import round_up
from capture.domain.statistics import root, summary

COVERAGE = math.erf(math.sqrt(2.0))  # 95.45 per cent: two standard deviations of a normal
_K_STEP = 1000  # a numeric coverage factor is taken up to the next thousandth


@dataclass(frozen=True, slots=True)
class Contribution:
    """One line of a budget. `variance` exact, in the square of the unit; `dof` None is infinite.

    `step`: the gauge's resolution where the line comes from one, in the unit, None otherwise.
    """

    name: str
    variance: Fraction
    dof: int | None = None
    step: Fraction | None = None

    @property
    def standard(self) -> Fraction:
        """The standard uncertainty, in the unit."""
        return root(self.variance)


def from_resolution(step: Fraction, name: str = "resolution") -> Contribution:
    """Rectangular over one step: r / (2 sqrt 3). Source: JCGM 100:2008, F.2.2.1.

    >>> from_resolution(Fraction(6)).variance
    Fraction(3, 1)
    """
    return Contribution(name, step * step / 12, step=step)


def rectangular(half_width: Fraction, name: str = "rectangular", dof: int | None = None) -> Contribution:
    """Anywhere within plus or minus a: a / sqrt 3. Source: JCGM 100:2008, 4.3.7."""
    return Contribution(name, half_width * half_width / 3, dof)


def triangular(half_width: Fraction, name: str = "triangular", dof: int | None = None) -> Contribution:
    """Rather near the middle of plus or minus a: a / sqrt 6. Source: JCGM 100:2008, 4.3.9."""
    return Contribution(name, half_width * half_width / 6, dof)


def u_shaped(amplitude: Fraction, name: str = "cycling", dof: int | None = None) -> Contribution:
    """Cycling between plus and minus a: a / sqrt 2. Source: JCGM 100:2008, H.1.3.4."""
    return Contribution(name, amplitude * amplitude / 2, dof)


def certificate(expanded: Fraction, k: Fraction = Fraction(2), name: str = "calibration") -> Contribution:
    """A certificate's U at its k: U / k. Source: JCGM 100:2008, 4.3.3."""
    return Contribution(name, (expanded / k) ** 2)


def repeatability(values: Sequence[Fraction], name: str = "repeatability") -> Contribution:
    """The mean of n repeats: s / sqrt n with n - 1 degrees of freedom. Source: JCGM 100:2008, 4.2.3."""
    variance = summary(values).mean_variance
    if variance is None:
        raise ValueError("Repeatability needs at least two readings")
    return Contribution(name, variance, len(values) - 1)


def scaled(contribution: Contribution, sensitivity: Fraction) -> Contribution:
    """Return a contribution times its sensitivity coefficient."""
    return replace(contribution, variance=contribution.variance * sensitivity**2)


@dataclass(frozen=True, slots=True)
class Budget:
    """Contributions to one result, independent of one another, all in its unit."""

    contributions: tuple[Contribution, ...]

    @property
    def variance(self) -> Fraction:
        """Combined variance, exact: the sum. Source: JCGM 100:2008, 5.1.2."""
        return sum((one.variance for one in self.contributions), Fraction(0))

    @property
    def standard(self) -> Fraction:
        """Combined standard uncertainty."""
        return root(self.variance)

    @property
    def dof(self) -> Fraction | None:
        """Effective degrees of freedom, exact; None is infinite. Source: Welch-Satterthwaite, JCGM 100:2008, G.4.1."""
        total = sum((c.variance**2 / c.dof for c in self.contributions if c.dof is not None), Fraction(0))
        return None if total == 0 else self.variance**2 / total

    def factor(self, coverage: float = COVERAGE) -> float:
        """Return the coverage factor: t at the effective degrees of freedom, rounded down. Source: G.4.1."""
        dof = self.dof
        return t_factor(coverage, None if dof is None else max(1, math.floor(dof)))

    def expanded(self, k: Fraction | None = None, coverage: float = COVERAGE) -> Fraction:
        """Return the expanded uncertainty; `k` None takes t for `coverage`, up to the next thousandth."""
        if k is None:
            k = Fraction(math.ceil(self.factor(coverage) * _K_STEP - 1e-4), _K_STEP)
        return k * self.standard

    def stated(self, k: Fraction | None = None, coverage: float = COVERAGE) -> Fraction:
        """Return the expanded uncertainty as it is stated and used: rounded up to two significant digits."""
        return _stated(self, k, coverage)

    def together(self, other: Budget) -> Budget:
        """Return the budget of a sum or difference of two independent results in the same unit."""
        return Budget(self.contributions + other.contributions)


@lru_cache(maxsize=1024)
def _stated(budget: Budget, k: Fraction | None, coverage: float) -> Fraction:
    """Kept: readings with one gauge have one budget, and its root takes longer than all else of a verdict."""
    return round_up(budget.expanded(k, coverage))


def correlated_variance(sensitivities: Sequence[Fraction], covariance: Sequence[Sequence[Fraction]]) -> Fraction:
    """Return the variance of a result whose inputs hang together. Source: JCGM 100:2008, 5.2.2, equation (13)."""
    pairs = ((i, j) for i in range(len(sensitivities)) for j in range(len(sensitivities)))
    return sum((sensitivities[i] * sensitivities[j] * covariance[i][j] for i, j in pairs), Fraction(0))


def mean_covariance(a: Sequence[Fraction], b: Sequence[Fraction]) -> Fraction:
    """Return the covariance of the means of two sizes read together. Source: JCGM 100:2008, 5.2.3, equation (17)."""
    if len(a) != len(b) or len(a) < 2:
        raise ValueError(f"Pairs are needed, at least two; got {len(a)} and {len(b)} readings")
    count, mean_a, mean_b = len(a), summary(a).mean, summary(b).mean
    return sum(((x - mean_a) * (y - mean_b) for x, y in zip(a, b, strict=True)), Fraction(0)) / (count * (count - 1))
