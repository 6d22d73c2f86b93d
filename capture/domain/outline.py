"""What a plan will ask for, in order, with the words to say; and what its gauges can decide."""

from __future__ import annotations

from dataclasses import dataclass

from capture.domain.decision import GUARD_BAND
from capture.domain.errors import LimitError
from capture.domain.gauges import coarse
from capture.domain.limits import bounds
from capture.domain.plan import Characteristic, InspectionPlan, Limits
from capture.domain.units import unit_spoken
from capture.domain.verdicts import gauge_share


@dataclass(frozen=True, slots=True)
class Asked:
    """One reading the plan asks for. `words` come before the value; `value` says how the value is called."""

    position: str
    characteristic: str
    words: str
    value: str
    limits: str
    repeats: int


def outline(plan: InspectionPlan) -> tuple[Asked, ...]:
    """Return every reading a plan asks for, in the order it is asked for."""
    return tuple(
        Asked(
            position=position.id,
            characteristic=one.id,
            words=f"{position.spoken} {one.spoken}".strip(),
            value=_value(one),
            limits=limits_text(one.limits, plan),
            repeats=one.repeats.count,
        )
        for position in plan.positions
        for one in plan.characteristics_at(position.id)
    )


def _value(one: Characteristic) -> str:
    if one.counted:
        return "a whole number"
    digits = "no digit" if one.decimals == 0 else f"{one.decimals} digit{'s' if one.decimals > 1 else ''}"
    sign = ", plus or minus" if one.signed else ""
    return f"{unit_spoken(one.unit)}, {digits} after the point{sign}".removeprefix(", ")


def limits_text(limits: Limits | None, plan: InspectionPlan) -> str:
    """Return stated limits with whose they are; "" when there are none."""
    if limits is None:
        return ""
    try:
        text = bounds(limits, {}).text
    except LimitError:
        rates = " to ".join(text for text in (limits.lower_text, limits.upper_text) if text)
        text = f"{rates} per {unit_spoken(limits.unit, plural=False)} of {plan.characteristic(limits.per or '').title}"
    return f"{text}; {limits.source}, {limits.standing}"


def gauge_notes(plan: InspectionPlan) -> tuple[str, ...]:
    """Return a line for each characteristic whose gauge is too coarse, and the share it can call conforming.

    To be said when the gauge is picked up, not after.
    """
    notes: list[str] = []
    for one in plan.characteristics:
        if one.gauge is None or one.limits is None or one.limits.per is not None:
            continue
        gauge, held, rule = plan.gauge(one.gauge), bounds(one.limits, {}), one.decision or plan.decision
        if held.lower is not None and held.upper is not None:
            said = coarse(gauge, held.upper - held.lower, held.unit, plan.gauge_ratio)
            notes += [f"{one.title}: {said}"] if said else []
        share = gauge_share(gauge, held, rule) if rule.kind == GUARD_BAND else None
        if share is not None:
            per_cent = share * 100 // 1
            notes.append(f"{one.title}: {gauge.title} can call {per_cent} per cent of the tolerance conforming")
    return tuple(notes)
