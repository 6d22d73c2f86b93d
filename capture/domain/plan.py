"""Inspection plans: what is measured where, within which limits and why.

A plan is TOML, written by people; `load` turns its text into an `InspectionPlan` or raises one
`PlanError` naming the place, the value and the remedy. The revision is the digest of the text, so
two benches with the same plan text have the same revision.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache

from capture.domain.decision import DecisionRule
from capture.domain.errors import PlanError
from capture.domain.gauges import USUAL_RATIO, Gauge
from capture.domain.groups import Cleaning, Mark, PartGroup, Rule
from capture.domain.units import Quantity

STANDINGS: tuple[str, ...] = ("maker's manual", "standard", "common practice", "plan author")


@dataclass(frozen=True, slots=True)
class Position:
    """One place a part belongs to. `id` is "outboard-shoe-3" or, unnumbered, "thrust-collar"."""

    id: str
    group: str
    number: int | None
    spoken: str


@dataclass(frozen=True, slots=True)
class Limits:
    """Lower and upper limit of one characteristic, exact, in `unit`; either may be None (one-sided).

    With `lower_rate` / `upper_rate` (per unit of diameter) the limits follow from the reading of the
    characteristic `per` at the same position, and lower / upper stay None. `source` is who says so,
    `standing` one of "maker's manual", "standard", "common practice", "plan author". A rate may have a base:
    limit = base + rate * diameter. `stated` is the form the plan gives them in ("1.250 +0.004 -0.002", "60 H7").
    """

    unit: str
    lower: Fraction | None
    upper: Fraction | None
    source: str
    standing: str
    lower_rate: Fraction | None = None
    upper_rate: Fraction | None = None
    per: str | None = None
    lower_text: str = ""
    upper_text: str = ""
    lower_base: Fraction = Fraction(0)
    upper_base: Fraction = Fraction(0)
    stated: str = ""


@dataclass(frozen=True, slots=True)
class Repeats:
    """How often one characteristic is read at a position, and where ("top", "at 90"); () when it does not matter."""

    count: int
    at: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Expansion:
    """Correction to 20 degC: coefficients in 1e-6 per degC; `gauge_alpha` 0 for a gauge that does not grow.

    `within_degc`: part and gauge may be this far from 20 degC when no temperature is called; None leaves it out.
    """

    alpha: Fraction
    gauge_alpha: Fraction
    material: str
    corrects: bool = True
    within_degc: Fraction | None = None


@dataclass(frozen=True, slots=True)
class Characteristic:
    """Something measured directly. `groups`: the position groups it is measured at.

    `spoken` is the word said between position and value ("bore"); it may be left out in speech when it
    is the only characteristic of that position. `decimals`: how many digits the gauge shows after the point.
    `plausible`: what a part of this size could physically give, in `unit`; used for one more question,
    never for limits, and never known to the grammar.
    """

    id: str
    title: str
    spoken: str
    groups: tuple[str, ...]
    unit: str
    decimals: int
    signed: bool
    limits: Limits | None
    plausible: tuple[Fraction, Fraction] | None
    gauge: str | None = None
    repeats: Repeats = Repeats(1)
    decision: DecisionRule | None = None
    expansion: Expansion | None = None
    counted: bool = False  # a count or a yes/no: whole numbers, no uncertainty
    beside: str = ""  # the derived characteristic that a direct measurement (feeler, wire) stands beside
    as_left: bool = False  # read again once rebuilt, and kept apart from the reading as found
    limit_gauge: str = ""  # "bore" or "shaft" where a go and no-go gauge is tried at its limits
    yes_no: tuple[str, str] | None = None  # the words for yes (kept as 1) and no (kept as 0)


@dataclass(frozen=True, slots=True)
class Derived:
    """Something computed at a position from readings there: `rule` "clearance" = bore - shaft.

    Rule "set spread" is computed over all positions of a group instead. `constants`: name -> value ("target" of
    a shim change, expansion coefficients and temperatures of a hot clearance). `sense`: which way a shim works.
    """

    id: str
    title: str
    rule: str
    groups: tuple[str, ...]
    inputs: tuple[tuple[str, str], ...]  # role ("bore", "shaft") -> characteristic id
    unit: str
    limits: Limits | None
    constants: tuple[tuple[str, Quantity], ...] = ()
    sense: str = ""
    decision: DecisionRule | None = None


@dataclass(frozen=True, slots=True)
class Example:
    """A worked example: readings at a position of `group`, and what they must give.

    `readings`: (characteristic, quantity), for a set (position number, quantity); `of`: characteristic or derived.
    """

    id: str
    of: str
    readings: tuple[tuple[str, Quantity], ...]
    verdict: str
    value: str = ""


@dataclass(frozen=True, slots=True)
class FindingKind:
    """A condition the plan has a word for. `answer` "" or "ask the lead" / "rework before rebuild".

    `extents`, `faces`: words for how far it goes and where it is; rules may ask for them.
    """

    id: str
    spoken: str
    severities: tuple[str, ...]
    answer: str
    source: str
    standing: str
    extents: tuple[str, ...] = ()
    faces: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class InspectionPlan:
    """A checked plan. `text` is the TOML it came from, `revision` the first 12 hex digits of its SHA-256."""

    id: str
    title: str
    machine: str
    unit_system: str  # "inch" | "metric": settles words like "tenth"
    text: str
    revision: str
    cautions: tuple[str, ...]
    positions: tuple[Position, ...]
    group_spoken: tuple[tuple[str, str], ...]  # group id -> spoken name, in plan order
    characteristics: tuple[Characteristic, ...]
    derived: tuple[Derived, ...]
    findings: tuple[FindingKind, ...]
    decision: DecisionRule = DecisionRule()
    gauges: tuple[Gauge, ...] = ()
    gauge_ratio: Fraction = USUAL_RATIO
    examples: tuple[Example, ...] = ()
    stages: tuple[str, ...] = ("measure",)  # of an overhaul, in the order of `stages.STAGES`
    part_groups: tuple[PartGroup, ...] = ()  # one for each group, in plan order
    marks: tuple[Mark, ...] = ()
    cleanings: tuple[Cleaning, ...] = ()
    rules: tuple[Rule, ...] = ()  # what findings lead to; the first that holds counts

    def position(self, position_id: str) -> Position:
        """Return a position by id; PlanError when there is none."""
        for position in self.positions:
            if position.id == position_id:
                return position
        raise self._unknown("position", position_id)

    def characteristic(self, characteristic_id: str) -> Characteristic:
        """Return a characteristic by id; PlanError when there is none."""
        for characteristic in self.characteristics:
            if characteristic.id == characteristic_id:
                return characteristic
        raise self._unknown("characteristic", characteristic_id)

    def derived_by_id(self, derived_id: str) -> Derived:
        """Return a derived characteristic by id; PlanError when there is none."""
        for derived in self.derived:
            if derived.id == derived_id:
                return derived
        raise self._unknown("derived characteristic", derived_id)

    def finding(self, finding_id: str) -> FindingKind:
        """Return a finding by id; PlanError when there is none."""
        for finding in self.findings:
            if finding.id == finding_id:
                return finding
        raise self._unknown("finding", finding_id)

    def gauge(self, gauge_id: str) -> Gauge:
        """Return a gauge by id; PlanError when there is none."""
        for gauge in self.gauges:
            if gauge.id == gauge_id:
                return gauge
        raise self._unknown("gauge", gauge_id)

    def part_group(self, position_id: str) -> PartGroup:
        """Return what the plan says of the parts of a position's group; PlanError when there is no such position."""
        group = self.position(position_id).group
        return next(one for one in self.part_groups if one.id == group)

    def mark(self, mark_id: str) -> Mark:
        """Return a match mark by id; PlanError when there is none."""
        for mark in self.marks:
            if mark.id == mark_id:
                return mark
        raise self._unknown("mark", mark_id)

    def cleaning(self, cleaning_id: str) -> Cleaning:
        """Return a cleaning by id; PlanError when there is none."""
        for cleaning in self.cleanings:
            if cleaning.id == cleaning_id:
                return cleaning
        raise self._unknown("cleaning", cleaning_id)

    def positions_of(self, group: str) -> tuple[Position, ...]:
        """Return the positions of a group, in plan order."""
        return tuple(position for position in self.positions if position.group == group)

    def characteristics_at(self, position_id: str) -> tuple[Characteristic, ...]:
        """Return what is measured at a position, in plan order."""
        group = self.position(position_id).group
        return tuple(one for one in self.characteristics if group in one.groups)

    def derived_at(self, position_id: str) -> tuple[Derived, ...]:
        """Return what is computed at a position or over its group, in plan order."""
        group = self.position(position_id).group
        return tuple(one for one in self.derived if group in one.groups)

    def _unknown(self, kind: str, value: str) -> PlanError:
        return PlanError(
            f"Plan {self.id!r} revision {self.revision} has no {kind} {value!r}",
            thing=kind,
            value=value,
            remedy="use an id of the plan",
        )


def revision_of(text: str) -> str:
    """Return the revision of a plan text: the first 12 hex digits of its SHA-256.

    >>> revision_of("")
    'e3b0c44298fc'
    """
    return hashlib.sha256(text.encode("utf-8")).hexdigest()[:12]


@lru_cache(maxsize=64)
def load(text: str, *, name: str = "plan") -> InspectionPlan:
    """Read and check a plan. `name` is the file name used in messages.

    Raises:
        PlanError: the first thing that is wrong, with file, line where it can be found, value and remedy.
    """
    from capture.domain._plan_toml import read_plan  # the reader needs the types above

    return read_plan(text, name)
