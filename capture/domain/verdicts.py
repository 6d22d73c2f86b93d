"""Verdicts: a reading, or a value computed from readings, against limits the plan states.

By simple acceptance limits are inclusive, uncertainty is not considered, and both are said. By guard band the
budget of the gauge the plan names is stated and what lies within it of a limit is undecided, with what would settle it.
A verdict speaks of stated limits and their source, never of whether a machine may run.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from capture.domain import thermal
from capture.domain.decision import (
    CONFORMING,
    GUARD_BAND,
    NONCONFORMING_ABOVE,
    NONCONFORMING_BELOW,
    ROUNDING,
    STRICT,
    UNDECIDED,
    DecisionRule,
    decide,
    probability,
    room_to,
    share_conforming,
)
from capture.domain.derived import Computed, compute, compute_set
from capture.domain.errors import LimitError
from capture.domain.gauges import Gauge
from capture.domain.intervals import Interval, agrees, interval_verdict
from capture.domain.limits import Bounds, bounds, with_unit, working_unit
from capture.domain.plan import Characteristic, Derived, Expansion, InspectionPlan, Limits
from capture.domain.rounding import round_down_to_125, round_to
from capture.domain.spoken import digit_words
from capture.domain.statistics import FEWEST_TO_TELL, odd_one_out, root, summary
from capture.domain.uncertainty import Budget, Contribution, rectangular, repeatability, scaled
from capture.domain.units import Quantity, convert, exact_text, factor, unit_spoken

NO_LIMITS = "no limits"
KINDS: tuple[str, ...] = (CONFORMING, NONCONFORMING_BELOW, NONCONFORMING_ABOVE, UNDECIDED, NO_LIMITS)

RULE = (
    "Verdicts speak of the stated limits and their source, not of the machine. "
    "The maker's manual, local codes and licensed practice rule."
)
"""Stands on every page and report that shows a verdict."""

_NOT_CONSIDERED = "uncertainty not considered"
_MOST_REPEATS = 20  # more than anybody will take
_TRIES = 4  # counts or gauges looked at before none is named
__all__ = [
    "CONFORMING",
    "KINDS",
    "NONCONFORMING_ABOVE",
    "NONCONFORMING_BELOW",
    "NO_LIMITS",
    "RULE",
    "UNDECIDED",
    "Temperatures",
    "Verdict",
    "budget_of",
    "check",
    "check_computed",
    "check_derived",
    "check_interval",
    "check_set",
    "derived_value",
    "derived_budget",
    "disagreement",
    "gauge_share",
    "no_limits",
    "probability_of_conformity",
]


@dataclass(frozen=True, slots=True)
class Verdict:
    """What the stated limits say of one value.

    `kind` one of `KINDS`; `working` one line to check by hand; `limits_text` the limits alone; `source` and
    `standing` say whose they are; `by` how far outside, exact, in `unit`; None when not outside.
    `said` is the short form for the bench's voice. `expanded` is the uncertainty used, in `unit`, None when it was
    not considered; `settle` says what would settle an undecided one, "" otherwise.
    """

    kind: str
    working: str
    limits_text: str
    source: str
    standing: str
    by: Fraction | None
    unit: str = ""
    said: str = ""
    expanded: Fraction | None = None
    settle: str = ""


@dataclass(frozen=True, slots=True)
class Temperatures:
    """Temperatures called with a reading; `gauge` None: not called, taken as the part's."""

    part: Quantity
    gauge: Quantity | None = None


def check(
    quantity: Quantity,
    characteristic: Characteristic,
    plan: InspectionPlan,
    readings_at_position: Mapping[str, Quantity],
    *,
    repeats: Sequence[Quantity] = (),
    temperatures: Temperatures | None = None,
) -> Verdict:
    """Check one reading. `readings_at_position`: characteristic id -> reading, needed for rates only.

    Args:
        repeats: all readings of this characteristic at this position, `quantity` among them, when it is read
            more than once; the mean is checked, once the plan's number is there.
        temperatures: called temperatures; the length is corrected to 20 degC when the plan says so.

    Raises:
        UnitError: the reading's unit does not convert to the characteristic's.
    """
    convert(quantity.fraction, quantity.unit, characteristic.unit)
    all_of_them = tuple(repeats) or (quantity,)
    wanted = characteristic.repeats.count
    if len(all_of_them) < wanted:
        why = f"{len(all_of_them)} of {wanted} repeats read"
        return Verdict(
            UNDECIDED, f"{quantity}; {why}", "", "", "", None, characteristic.unit, why, settle="read it again"
        )
    limits = characteristic.limits
    odd = _odd_one(all_of_them, characteristic, plan)
    if odd:
        return Verdict(
            UNDECIDED, f"{_listed(all_of_them)}; {odd}", "", "", "", None, characteristic.unit, odd, settle=odd
        )
    try:
        unit = working_unit(limits, readings_at_position, all_of_them) if limits else characteristic.unit
    except LimitError:
        assert limits is not None
        return _waiting(str(quantity), limits, plan)
    value, shown = _measured(all_of_them, unit)
    if temperatures and characteristic.expansion:
        value, shown = _corrected(value, shown, unit, quantity.places, characteristic.expansion, temperatures)
    if limits is None:
        return no_limits(shown)
    rule = characteristic.decision or plan.decision
    budget = None
    if rule.kind == GUARD_BAND:
        budget = budget_of(characteristic, plan, all_of_them, unit, value, temperatures)
    places = max(one.places for one in all_of_them)
    return _judge(value, shown, unit, places, limits, readings_at_position, rule, budget)


def _listed(quantities: Sequence[Quantity]) -> str:
    return ", ".join(str(one) for one in quantities)


def _measured(quantities: Sequence[Quantity], unit: str) -> tuple[Fraction, str]:
    """Return value and text in `unit`: the reading, or the mean of repeats."""
    values = [one.to_fraction(unit) for one in quantities]
    places = max(one.places for one in quantities)
    if len(values) == 1:
        shown = str(quantities[0])
        return values[0], shown if quantities[0].unit == unit else f"{shown} = {exact_text(values[0], places)} {unit}"
    whole = summary(values)
    spread = with_unit(exact_text(whole.range, places), unit)
    mean = with_unit(exact_text(whole.mean, places), unit)
    return whole.mean, f"mean of {_listed(quantities)} = {mean}, range {spread}"


def _odd_one(quantities: Sequence[Quantity], characteristic: Characteristic, plan: InspectionPlan) -> str:
    """Return what to say of a repeat that does not belong; "" when all do."""
    if len(quantities) < FEWEST_TO_TELL:
        return ""
    unit = characteristic.unit
    if characteristic.gauge:
        gauge = plan.gauge(characteristic.gauge)
        step = gauge.resolution * factor(gauge.unit, unit)
    else:
        step = Fraction(1, 10**characteristic.decimals)
    index = odd_one_out([one.to_fraction(unit) for one in quantities], step)
    return (
        ""
        if index is None
        else f"reading {index + 1}, {quantities[index]}, stands apart from the others; read it again"
    )


def _corrected(
    value: Fraction, shown: str, unit: str, places: int, expansion: Expansion, temperatures: Temperatures
) -> tuple[Fraction, str]:
    """Return value and text corrected to 20 degC; shown but not applied when the plan switches it off."""
    part = temperatures.part.to_fraction("degC")
    gauge = temperatures.gauge.to_fraction("degC") if temperatures.gauge else part
    if not expansion.corrects:
        return value, f"{shown} at {temperatures.part}, not corrected to 20 degC as the plan says"
    at_20 = thermal.to_reference(value, part, expansion.alpha, gauge, expansion.gauge_alpha)
    step = Fraction(1, 10 ** (places + 1))
    text = exact_text(round_to(at_20, step), places)
    return at_20, f"{shown} at {temperatures.part} = {text} {unit} at 20 degC ({expansion.material})"


def budget_of(
    characteristic: Characteristic,
    plan: InspectionPlan,
    quantities: Sequence[Quantity],
    unit: str,
    value: Fraction,
    temperatures: Temperatures | None = None,
) -> Budget | None:
    """Return the uncertainty budget of a reading in `unit`; None when the plan names no gauge for it."""
    if characteristic.gauge is None or characteristic.counted:
        return None
    gauge = plan.gauge(characteristic.gauge)
    parts = list(gauge.contributions(unit))
    if len(quantities) > 1:
        name = f"repeatability of {len(quantities)}"
        parts.append(repeatability([one.to_fraction(unit) for one in quantities], name))
    heat = characteristic.expansion
    if heat is not None:
        alpha = heat.alpha / 10**6
        if temperatures is None and heat.within_degc is not None:
            parts.append(rectangular(value * alpha * heat.within_degc, "temperature"))
        if temperatures is not None:
            away = abs(temperatures.part.to_fraction("degC") - thermal.REFERENCE_DEGC)
            share = thermal.SPREAD if heat.corrects else Fraction(1)
            parts.append(rectangular(value * alpha * away * share, "expansion coefficient"))
    return Budget(tuple(parts))


def derived_budget(made: Computed, plan: InspectionPlan, unit: str) -> Budget | None:
    """Return the budget of a computed value; None when an input has no gauge in the plan."""
    parts: list[Contribution] = []
    for term in made.terms:
        name = made.derived.inputs[0][1] if made.derived.rule == "set spread" else term.source
        if name == "target":
            continue
        one = budget_of(plan.characteristic(name), plan, [term.quantity], unit, term.quantity.to_fraction(unit))
        if one is None:
            return None
        parts += [scaled(part, term.times) for part in one.contributions]
    return Budget(tuple(parts))


def check_derived(
    derived: Derived, plan: InspectionPlan, readings_at_position: Mapping[str, Quantity]
) -> Verdict | None:
    """Check a value computed from the readings at a position; None while an input is missing."""
    made = compute(derived, readings_at_position)
    return None if made is None else check_computed(made, plan, readings_at_position)


def check_set(derived: Derived, plan: InspectionPlan, group: str, readings: Mapping[str, Quantity]) -> Verdict | None:
    """Check a value computed over a group; `readings`: position id -> reading. None until all are read."""
    made = compute_set(derived, plan.positions_of(group), readings)
    return None if made is None else check_computed(made, plan, {})


def check_computed(made: Computed, plan: InspectionPlan, readings: Mapping[str, Quantity]) -> Verdict:
    """Check a value that is already computed; `readings` at its position are needed for rates only."""
    derived, limits = made.derived, made.derived.limits
    if limits is None:
        return no_limits(made.working(derived.unit))
    try:
        unit = working_unit(limits, readings, made.quantities)
    except LimitError:
        return _waiting(made.working(derived.unit), limits, plan)
    if made.interval is not None:
        return _check_hot(made, limits, readings)
    rule = derived.decision or plan.decision
    budget = derived_budget(made, plan, unit) if rule.kind == GUARD_BAND else None
    return _judge(made.value(unit), made.working(unit), unit, made.places, limits, readings, rule, budget)


def _check_hot(made: Computed, limits: Limits, readings: Mapping[str, Quantity]) -> Verdict:
    assert made.interval is not None
    held = Interval(made.derived.unit, made.interval.lower, made.interval.upper, made.interval.text)
    return _interval(held, made.working(made.derived.unit), bounds(limits, readings, held.unit), limits)


def derived_value(derived: Derived, readings_at_position: Mapping[str, Quantity]) -> Fraction | None:
    """Return the exact value in the derived characteristic's unit; None while an input is missing."""
    made = compute(derived, readings_at_position)
    return None if made is None else made.value(derived.unit)


def check_interval(
    held: Interval, characteristic: Characteristic, readings_at_position: Mapping[str, Quantity]
) -> Verdict:
    """Check a reading that is an interval; it must be in the characteristic's unit."""
    if characteristic.limits is None:
        return no_limits(held.text)
    return _interval(
        held, held.text, bounds(characteristic.limits, readings_at_position, held.unit), characteristic.limits
    )


def _interval(held: Interval, shown: str, limits: Bounds, stated: Limits) -> Verdict:
    kind = interval_verdict(held, limits)
    outcome = {
        CONFORMING: f"wholly within the stated limits, {_NOT_CONSIDERED}",
        NONCONFORMING_ABOVE: f"wholly outside the stated limits, above, {_NOT_CONSIDERED}",
        NONCONFORMING_BELOW: f"wholly outside the stated limits, below, {_NOT_CONSIDERED}",
        UNDECIDED: "reaches over a stated limit, undecided",
    }[kind]
    settle = "a finer step of feeler or gauge, or a point reading" if kind == UNDECIDED else ""
    text = f"{shown}; limits {_attributed(limits.text, stated)}; {outcome}"
    text += f"; {settle} would settle it" if settle else ""
    return Verdict(kind, text, limits.text, stated.source, stated.standing, None, held.unit, outcome, None, settle)


def disagreement(derived: Fraction, held: Interval, title: str, places: int = 4) -> str:
    """Return what to say when a derived clearance and one measured directly differ; "" when they agree.

    `derived` is in the interval's unit.
    """
    if agrees(derived, held):
        return ""
    return f"{title}: computed {exact_text(derived, places)} {held.unit}, but {held.text}; measure both again"


def no_limits(shown: str, why: str = "no limits stated in the plan") -> Verdict:
    """Return the verdict of a value the plan states no limits for."""
    return Verdict(NO_LIMITS, f"{shown}; {why}", "", "", "", None, "", why)


def _waiting(shown: str, limits: Limits, plan: InspectionPlan) -> Verdict:
    title = plan.characteristic(limits.per or "").title
    why = f"limits wait for the reading of {title}"
    return Verdict(UNDECIDED, f"{shown}; {why}", "", limits.source, limits.standing, None, limits.unit, why, settle=why)


def probability_of_conformity(value: Fraction, budget: Budget, held: Bounds) -> float:
    """Return the probability that the size lies within the bounds, all in one unit. Source: JCGM 106:2012, 7."""
    lower, upper = (None if one is None else float(one) for one in (held.lower, held.upper))
    return probability(float(value), float(budget.standard), lower, upper)


def _judge(
    value: Fraction,
    shown: str,
    unit: str,
    places: int,
    limits: Limits,
    readings: Mapping[str, Quantity],
    rule: DecisionRule,
    budget: Budget | None,
) -> Verdict:
    """Compare a value with the limits in force and write the working."""
    held = bounds(limits, readings, unit, places)
    if rule.method == ROUNDING and rule.round_to is not None:
        value = round_to(convert(value, unit, limits.unit), rule.round_to, rule.mode)
        shown += f", rounded to {with_unit(exact_text(value, 0), limits.unit)} as the plan says"
        unit, held = limits.unit, bounds(limits, readings, limits.unit, places)
    expanded = budget.stated(rule.k) if budget is not None else None
    kind = decide(
        value, held.lower, held.upper, expanded or Fraction(0), rule.edges if expanded is not None else "inclusive"
    )
    by = _by(kind, value, held)
    outcome, said = _outcome(kind, by, unit, places, expanded, budget, rule)
    settle = _settle(value, held, unit, budget, rule) if kind == UNDECIDED and budget is not None else ""
    working = f"{shown}; limits {_attributed(held.text, limits)}; {outcome}"
    return Verdict(
        kind=kind,
        working=f"{working}; {settle}" if settle else working,
        limits_text=held.text,
        source=limits.source,
        standing=limits.standing,
        by=by,
        unit=unit,
        said=said,
        expanded=expanded,
        settle=settle,
    )


def _by(kind: str, value: Fraction, held: Bounds) -> Fraction | None:
    if kind == NONCONFORMING_BELOW and held.lower is not None:
        return held.lower - value
    if kind == NONCONFORMING_ABOVE and held.upper is not None:
        return value - held.upper
    return None


def _attributed(text: str, limits: Limits) -> str:
    """Return limits with whose they are, in one pair of brackets."""
    whose = f"{limits.source}, {limits.standing}"
    return f"{text[:-1]}; {whose})" if text.endswith(")") else f"{text} ({whose})"


def _outcome(
    kind: str,
    by: Fraction | None,
    unit: str,
    places: int,
    expanded: Fraction | None,
    budget: Budget | None,
    rule: DecisionRule,
) -> tuple[str, str]:
    """Return the end of the working, and the short spoken form."""
    if expanded is None or budget is None:
        considered, also = _NOT_CONSIDERED, f", {_NOT_CONSIDERED}"
    else:
        parts = ", ".join(part.name for part in budget.contributions)
        edge = ", edges strict" if rule.edges == STRICT else ""
        considered = f"U {with_unit(exact_text(expanded, places), unit)} considered ({parts}{edge})"
        also = ", uncertainty considered"
    if by is not None:
        where = "below" if kind == NONCONFORMING_BELOW else "above"
        amount = exact_text(by, places)
        said = f"outside the stated limits, {where} by {digit_words(amount)} {unit_spoken(unit)}".rstrip()
        return f"outside the stated limits, {where} by {with_unit(amount, unit)}, {considered}", said
    if kind == CONFORMING:
        return f"within the stated limits, {considered}", f"within the stated limits{also}"
    return f"too near a stated limit to decide, {considered}", "undecided, too near a stated limit"


def _settle(value: Fraction, held: Bounds, unit: str, budget: Budget, rule: DecisionRule) -> str:
    """Return what would settle an undecided value: an uncertainty, and repeats or a gauge that would reach it.

    Repeats and gauges are named only after the value was decided with the uncertainty they would give.
    """
    room = room_to(value, held.lower, held.upper)
    if room == 0:
        return "exactly on the limit, so no gauge settles it; ask the lead"

    def decides(with_it: Budget) -> bool:
        return decide(value, held.lower, held.upper, with_it.stated(rule.k), rule.edges) != UNDECIDED

    k = rule.k if rule.k is not None else Fraction(budget.factor())
    needed = (room / k) ** 2
    cut = _cut(room)
    outside = decide(value, held.lower, held.upper) != CONFORMING
    how_far = "below" if cut == room and (outside or rule.edges == STRICT) else "of at most"
    ways = [way for way in (_more_repeats(budget, needed, decides), _finer_gauge(budget, needed, unit, decides)) if way]
    how = f", for example {' or '.join(ways)}" if ways else ""
    return f"U {how_far} {with_unit(exact_text(cut, 0), unit)} would settle it{how}"


def _cut(room: Fraction) -> Fraction:
    """Return a size cut to two significant digits, never larger."""
    step = Fraction(1)
    while step > room / 10:
        step /= 10
    return room // step * step


def _more_repeats(budget: Budget, needed: Fraction, decides: Callable[[Budget], bool]) -> str:
    repeated = [part for part in budget.contributions if part.dof is not None]
    rest = sum((part.variance for part in budget.contributions if part.dof is None), Fraction(0))
    if not repeated or needed <= rest:
        return ""
    single = sum((part.variance * ((part.dof or 0) + 1) for part in repeated), Fraction(0))
    least = max(-(-single // (needed - rest)), min(part.dof or 0 for part in repeated) + 2)  # more than there are
    for count in range(least, min(least + _TRIES, _MOST_REPEATS + 1)):
        if decides(Budget(tuple(_repeated(part, count) for part in budget.contributions))):
            return f"{count} repeats in all"
    return ""


def _repeated(part: Contribution, count: int) -> Contribution:
    """Return a contribution as it would be with so many repeats of the same scatter."""
    if part.dof is None or part.dof + 1 >= count:
        return part
    return replace(part, variance=part.variance * (part.dof + 1) / count, dof=count - 1)


def _finer_gauge(budget: Budget, needed: Fraction, unit: str, decides: Callable[[Budget], bool]) -> str:
    shows = [(part.variance, part.step) for part in budget.contributions if part.step]
    rest = budget.variance - sum((variance for variance, _ in shows), Fraction(0))
    if needed <= rest or not shows:
        return ""
    per_step = sum((variance / step**2 for variance, step in shows), Fraction(0))
    step = round_down_to_125(root((needed - rest) / per_step))
    for _ in range(_TRIES):
        if step < max(old for _, old in shows) and decides(
            Budget(tuple(_shown_finer(part, step) for part in budget.contributions))
        ):
            return f"a gauge of resolution {with_unit(exact_text(step, 0), unit)}"
        step = round_down_to_125(step * Fraction(99, 100))
    return ""


def _shown_finer(part: Contribution, step: Fraction) -> Contribution:
    """Return a contribution as it would be from a gauge that shows `step`; one that shows finer already stays."""
    if part.step is None or part.step <= step:
        return part
    return replace(part, variance=part.variance * (step / part.step) ** 2, step=step)


def gauge_share(gauge: Gauge, limits: Bounds, rule: DecisionRule) -> Fraction | None:
    """Return what share of a two-sided tolerance can be called conforming with a gauge; None when one-sided."""
    if limits.lower is None or limits.upper is None:
        return None
    expanded = Budget(gauge.contributions(limits.unit)).stated(rule.k)
    return share_conforming(limits.lower, limits.upper, expanded)
