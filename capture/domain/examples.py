"""Worked examples inside a plan: each says what its readings must give, and is run before the plan is used."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from capture.domain.derived import SET_SPREAD, compute, compute_set
from capture.domain.errors import DomainError
from capture.domain.plan import Derived, Example, InspectionPlan
from capture.domain.units import Quantity, exact_text
from capture.domain.verdicts import Verdict, check, check_derived, check_set


@dataclass(frozen=True, slots=True)
class ExampleResult:
    """What an example gave. `problem` is "" when it gave what it says, else one line naming both."""

    example: str
    verdict: str
    working: str
    problem: str


def check_examples(plan: InspectionPlan) -> tuple[ExampleResult, ...]:
    """Run every example of a plan, in plan order."""
    return tuple(_run(example, plan) for example in plan.examples)


def _run(example: Example, plan: InspectionPlan) -> ExampleResult:
    place = f"Example {example.id!r}"
    try:
        verdict, value = _verdict(example, plan)
    except DomainError as error:
        return ExampleResult(example.id, "", "", f"{place}: {error}")
    if verdict is None:
        return ExampleResult(example.id, "", "", f"{place} lacks readings for {example.of!r}; add them")
    problem = ""
    if verdict.kind != example.verdict:
        problem = f"{place} says {example.verdict!r} but gives {verdict.kind!r}: {verdict.working}"
    elif example.value and (value is None or value != Fraction(example.value)):
        shown = "nothing" if value is None else exact_text(value, 0)
        problem = f"{place} says value {example.value} but gives {shown}: {verdict.working}"
    return ExampleResult(example.id, verdict.kind, verdict.working, problem)


def _verdict(example: Example, plan: InspectionPlan) -> tuple[Verdict | None, Fraction | None]:
    readings = dict(example.readings)
    derived = next((one for one in plan.derived if one.id == example.of), None)
    if derived is None:
        one = plan.characteristic(example.of)
        said = [quantity for name, quantity in example.readings if name == example.of]
        if not said:
            return None, None
        verdict = check(said[-1], one, plan, readings, repeats=said)
        return verdict, said[-1].to_fraction(one.unit) if len(said) == 1 else None
    if derived.rule == SET_SPREAD:
        return _set(derived, [quantity for _, quantity in example.readings], plan)
    made = compute(derived, readings)
    return check_derived(derived, plan, readings), made.value(derived.unit) if made else None


def _set(derived: Derived, said: list[Quantity], plan: InspectionPlan) -> tuple[Verdict | None, Fraction | None]:
    """Readings of a set are those of its first group, in order of position."""
    positions = plan.positions_of(derived.groups[0])
    readings = {position.id: quantity for position, quantity in zip(positions, said, strict=False)}
    made = compute_set(derived, positions, readings)
    verdict = check_set(derived, plan, derived.groups[0], readings)
    return verdict, made.value(derived.unit) if made else None
