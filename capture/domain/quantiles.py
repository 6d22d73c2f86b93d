"""Normal and Student t distributions, for coverage factors and probabilities only.

These are double precision, good to about 1e-10; no measured value and no limit goes through them.
"""

from __future__ import annotations

import math
from functools import lru_cache
from statistics import NormalDist

_NORMAL = NormalDist()


def normal_below(z: float) -> float:
    """Return the probability that a standard normal value is below z, accurate in both tails."""
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


def normal_quantile(probability: float) -> float:
    """Return the z below which a standard normal value lies with this probability."""
    return _NORMAL.inv_cdf(probability)


def _beta_fraction(a: float, b: float, x: float) -> float:
    """Return the continued fraction of the incomplete beta function, by Lentz's rule."""
    tiny, c = 1e-300, 1.0
    d = 1.0 / (1.0 - (a + b) * x / (a + 1.0) or tiny)
    result = d
    for m in range(1, 10_000):
        for term in (
            m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)),
        ):
            d = 1.0 / (1.0 + term * d or tiny)
            c = 1.0 + term / c or tiny
            result *= c * d
        if abs(c * d - 1.0) < 1e-15:
            return result
    return result


def beta_below(x: float, a: float, b: float) -> float:
    """Return the regularised incomplete beta function. Source: DLMF 8.17.22."""
    if x <= 0.0:
        return 0.0
    if x >= 1.0:
        return 1.0
    log = math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log1p(-x)
    front = math.exp(log)
    if x < (a + 1.0) / (a + b + 2.0):
        return front * _beta_fraction(a, b, x) / a
    return 1.0 - front * _beta_fraction(b, a, 1.0 - x) / b


def t_outside(t: float, dof: float) -> float:
    """Return the probability that Student's t is further from zero than `t`."""
    return beta_below(dof / (dof + t * t), dof / 2.0, 0.5)


def f_above(f: float, between: float, within: float) -> float:
    """Return the probability that F is above `f` with these degrees of freedom."""
    return beta_below(within / (within + between * f), within / 2.0, between / 2.0)


@lru_cache(maxsize=1024)
def t_factor(coverage: float, dof: float | None) -> float:
    """Return the two-sided t factor: |t| is below it with probability `coverage`; dof None is infinite.

    Source: JCGM 100:2008, G.3.2 and table G.2.

    >>> round(t_factor(0.95, 4), 3)
    2.776
    """
    if not 0.0 < coverage < 1.0:
        raise ValueError(f"Coverage {coverage} must lie between 0 and 1")
    if dof is None or math.isinf(dof):
        return normal_quantile(0.5 + coverage / 2.0)
    if dof <= 0:
        raise ValueError(f"Degrees of freedom {dof} must be above 0")
    low, high = 0.0, 1.0
    while t_outside(high, dof) > 1.0 - coverage:
        high *= 2.0
    for _ in range(200):
        middle = 0.5 * (low + high)
        if middle in (low, high):
            break
        if t_outside(middle, dof) > 1.0 - coverage:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)
