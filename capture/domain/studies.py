"""Gauge studies: how much of what is seen is the gauge, how much the person, how much the parts.

Sums of squares are exact; only roots and probabilities are numeric.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache

from capture.domain.quantiles import f_above, normal_below
from capture.domain.statistics import root, summary


def _squares(values: Sequence[Fraction]) -> Fraction:
    """Return the sum of squared distances from the mean."""
    mean = summary(values).mean
    return sum(((value - mean) ** 2 for value in values), Fraction(0))


@dataclass(frozen=True, slots=True)
class OneWay:
    """One-way analysis of variance: groups of equal size, for example instruments. Sums exact."""

    between_dof: int
    within_dof: int
    between: Fraction  # sum of squares
    within: Fraction
    per_group: int

    @property
    def f(self) -> Fraction:
        """Mean square between over mean square within."""
        return (self.between / self.between_dof) / (self.within / self.within_dof)

    @property
    def probability(self) -> float:
        """How often F is this large when the groups do not differ."""
        return f_above(float(self.f), self.between_dof, self.within_dof)

    @property
    def r_squared(self) -> Fraction:
        """Share of the whole sum of squares that lies between the groups."""
        return self.between / (self.between + self.within)

    @property
    def repeatability(self) -> Fraction:
        """Standard deviation within a group."""
        return root(self.within / self.within_dof)

    @property
    def group_deviation(self) -> Fraction:
        """Standard deviation between groups, zero when they do not differ more than repeats do."""
        component = (self.between / self.between_dof - self.within / self.within_dof) / self.per_group
        return root(max(Fraction(0), component))


def one_way(groups: Sequence[Sequence[Fraction]]) -> OneWay:
    """Return the analysis of groups with equally many readings. Source: NIST/SEMATECH e-Handbook, 7.4.3."""
    sizes = {len(group) for group in groups}
    if len(groups) < 2 or len(sizes) != 1 or min(sizes) < 2:
        raise ValueError("One-way analysis needs at least two groups of equally many readings, at least two each")
    per_group = sizes.pop()
    means = [summary(group).mean for group in groups]
    within = sum((_squares(group) for group in groups), Fraction(0))
    return OneWay(len(groups) - 1, len(groups) * (per_group - 1), per_group * _squares(means), within, per_group)


@dataclass(frozen=True, slots=True)
class Components:
    """Variance components of a gauge study; negative estimates count as zero."""

    repeat: Fraction
    operator: Fraction
    interaction: Fraction
    part: Fraction

    @property
    def repeatability(self) -> Fraction:
        """Standard deviation of one person repeating."""
        return root(self.repeat)

    @property
    def reproducibility(self) -> Fraction:
        """Standard deviation between persons, their interaction with parts included."""
        return root(self.operator + self.interaction)

    @property
    def gauge(self) -> Fraction:
        """Standard deviation of the whole measurement."""
        return root(self.repeat + self.operator + self.interaction)

    @property
    def total(self) -> Fraction:
        """Standard deviation of all that is seen."""
        return root(self.repeat + self.operator + self.interaction + self.part)

    @property
    def gauge_percent(self) -> Fraction:
        """The gauge's share of the total, as standard deviations, in per cent."""
        return 100 * self.gauge / self.total

    @property
    def categories(self) -> int:
        """How many groups of parts the measurement can tell apart: 1.41 times part over gauge, cut."""
        return math.floor(Fraction("1.41") * root(self.part) / self.gauge)


@dataclass(frozen=True, slots=True)
class GaugeStudy:
    """Parts by operators by trials: sums of squares and degrees of freedom by "part", "operator", ..."""

    squares: dict[str, Fraction]
    dof: dict[str, int]
    sizes: tuple[int, int, int]

    def mean_square(self, name: str) -> Fraction:
        """Return a sum of squares over its degrees of freedom."""
        return self.squares[name] / self.dof[name]

    @property
    def interaction_f(self) -> Fraction:
        """F of the interaction of parts and operators."""
        return self.mean_square("interaction") / self.mean_square("repeat")

    @property
    def interaction_probability(self) -> float:
        """How often F is this large without interaction."""
        return f_above(float(self.interaction_f), self.dof["interaction"], self.dof["repeat"])

    def components(self, *, pooled: bool = False) -> Components:
        """Return the variance components; `pooled` counts the interaction as repeatability."""
        parts, operators, trials = self.sizes
        repeat, against = self.mean_square("repeat"), self.mean_square("interaction")
        if pooled:
            names = ("interaction", "repeat")
            repeat = against = sum((self.squares[n] for n in names), Fraction(0)) / sum(self.dof[n] for n in names)
        nought = Fraction(0)
        return Components(
            repeat=repeat,
            operator=max(nought, (self.mean_square("operator") - against) / (parts * trials)),
            interaction=nought if pooled else max(nought, (against - repeat) / trials),
            part=max(nought, (self.mean_square("part") - against) / (operators * trials)),
        )


def gauge_study(readings: Sequence[Sequence[Sequence[Fraction]]]) -> GaugeStudy:
    """Return the study of readings[part][operator][trial]; every cell needs the same number of trials.

    Source: two-way analysis of variance with interaction, random effects, NIST/SEMATECH e-Handbook, 2.4.
    """
    parts, operators, trials = len(readings), len(readings[0]), len(readings[0][0])
    cells = [cell for part in readings for cell in part]
    if {len(part) for part in readings} != {operators} or {len(cell) for cell in cells} != {trials}:
        raise ValueError("A gauge study needs the same operators and trials for every part")
    if min(parts, operators, trials) < 2:
        raise ValueError("A gauge study needs at least two parts, two operators and two trials")
    cell_means = [summary(cell).mean for cell in cells]
    part_means = [summary([value for cell in part for value in cell]).mean for part in readings]
    by_operator = [[value for part in readings for value in part[o]] for o in range(operators)]
    repeat = sum((_squares(cell) for cell in cells), Fraction(0))
    part_squares = operators * trials * _squares(part_means)
    operator_squares = parts * trials * _squares([summary(values).mean for values in by_operator])
    interaction = trials * _squares(cell_means) - part_squares - operator_squares
    return GaugeStudy(
        squares={
            "part": part_squares,
            "operator": operator_squares,
            "interaction": interaction,
            "repeat": repeat,
        },
        dof={
            "part": parts - 1,
            "operator": operators - 1,
            "interaction": (parts - 1) * (operators - 1),
            "repeat": parts * operators * (trials - 1),
        },
        sizes=(parts, operators, trials),
    )


@dataclass(frozen=True, slots=True)
class ChartFactors:
    """Factors of mean and range charts for subgroups of n."""

    d2: float
    d3: float
    a2: float
    lower: float  # D3
    upper: float  # D4
    c4: float


@lru_cache(maxsize=32)
def chart_factors(count: int) -> ChartFactors:
    """Return the control-chart factors of a subgroup size from 2 to 25, by integrating the range of unit normals.

    Source: the distribution of the range (Tippett, 1925); NIST/SEMATECH e-Handbook, 6.3.2.
    """
    if not 2 <= count <= 25:
        raise ValueError(f"Subgroup size {count} must be 2 to 25")
    step, reach = 0.05, 8.0
    grid = [i * step - reach for i in range(round(2 * reach / step) + 1)]
    below = [normal_below(x) for x in grid]
    d2 = step * math.fsum(1.0 - b**count - (1.0 - b) ** count for b in below)
    square = 0.0
    for i, low in enumerate(below):
        rest = math.fsum(1.0 - high**count - (1.0 - low) ** count + (high - low) ** count for high in below[i + 1 :])
        own = 0.5 * (1.0 - low**count - (1.0 - low) ** count)
        square += rest + own
    d3 = math.sqrt(2.0 * step * step * square - d2 * d2)
    c4 = math.sqrt(2.0 / (count - 1)) * math.exp(math.lgamma(count / 2) - math.lgamma((count - 1) / 2))
    side = 3.0 * d3 / d2
    return ChartFactors(d2, d3, 3.0 / (d2 * math.sqrt(count)), max(0.0, 1.0 - side), 1.0 + side, c4)
