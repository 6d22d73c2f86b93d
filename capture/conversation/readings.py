"""Called values, intervals and findings: where they belong, and whether they may be proposed."""

from __future__ import annotations

from dataclasses import dataclass, replace

from capture.conversation import gauges
from capture.conversation.proposals import read_proposal
from capture.conversation.state import (
    Outcome,
    Session,
    ask_again,
    current,
    last_reading,
    not_confirmed,
    reads,
    refuse,
    say_value,
    tell,
    wanted_at,
)
from capture.dialogue import Heard, Proposal, Tone
from capture.domain.plan import InspectionPlan
from capture.language import readback
from capture.language.meaning import SpokenFinding, SpokenInterval, SpokenReading


@dataclass(frozen=True, slots=True)
class _Place:
    position: str
    characteristic: str


def reading(session: Session, spoken: SpokenReading, heard: Heard) -> Outcome:
    """Propose a called value, or say why not."""
    plan = session.plan
    if plan is None:
        return tell(session, "No job is open. Show a job tag.", Tone("refused"), kind="asked again")
    place = _place(session, plan, spoken, heard)
    if not isinstance(place, _Place):
        return place
    proposal = _at_place(session, plan, place, spoken, heard)
    if not isinstance(proposal, Proposal):
        return proposal
    refused = gauges.refusal(session, plan, plan.characteristic(place.characteristic), spoken.quantity)
    if refused is not None:
        return refuse(session, *refused)
    held = session.gauge_in_hand()
    used = held is not None and reads(held, plan.characteristic(place.characteristic))
    if used and heard.hearing.start_s < session.gauge_s:
        return ask_again(session, "the gauge changed while you spoke", "gauge changed")
    proposal = replace(proposal, quantity=spoken.quantity, gauge=session.gauge if used else None)
    return read_proposal(session, proposal, Tone("heard"))


def interval(session: Session, spoken: SpokenInterval, heard: Heard) -> Outcome:
    """Propose what goes and what does not, or say why not."""
    plan = session.plan
    if plan is None:
        return tell(session, "No job is open. Show a job tag.", Tone("refused"), kind="asked again")
    place = _place(session, plan, spoken, heard)
    if not isinstance(place, _Place):
        return place
    goes, does_not = spoken.goes, spoken.does_not
    unit = plan.characteristic(place.characteristic).unit
    if goes is not None and does_not is not None and goes.to_fraction(unit) >= does_not.to_fraction(unit):
        return ask_again(session, "what goes must be smaller than what does not", "empty interval")
    proposal = _at_place(session, plan, place, spoken, heard)
    if not isinstance(proposal, Proposal):
        return proposal
    return read_proposal(session, replace(proposal, goes=goes, does_not=does_not), Tone("heard"))


def _place(
    session: Session, plan: InspectionPlan, spoken: SpokenReading | SpokenInterval, heard: Heard
) -> _Place | Outcome:
    """Return where a call belongs, or the question about it."""
    named = spoken.position is not None
    if not named and heard.hearing.start_s < session.context_s:
        return ask_again(session, "the part changed while you spoke", "part changed")
    pending = session.proposal
    last = last_reading(session)
    position, characteristic = spoken.position, spoken.characteristic
    if position is None:
        if pending is not None:
            position = pending.position
        elif spoken.is_correction and session.in_hand is None and last is not None:
            position, characteristic = last.body["position"], characteristic or last.body["characteristic"]
        else:
            position = session.in_hand
    if position is None:
        return ask_again(session, "no part was named", "no part")
    if pending is not None and position != pending.position:
        return not_confirmed(session, pending)
    if session.in_hand_tag is not None and session.in_hand is not None and position != session.in_hand:
        held, called = readback.say_position(plan, session.in_hand), readback.say_position(plan, position)
        return ask_again(session, f"the tag in hand is {held}, not {called}", "wrong position")
    if characteristic is None:
        here = plan.characteristics_at(position)
        if pending is not None and pending.characteristic is not None:
            characteristic = pending.characteristic
        elif len(session.asked) == 1 and not named:
            characteristic = session.asked[0]
        elif len(here) == 1:
            characteristic = here[0].id
        else:
            return ask_again(session, f"which one, {' or '.join(c.spoken for c in here)}", "which one")
    if pending is not None and characteristic != pending.characteristic:
        return not_confirmed(session, pending)
    return _Place(position, characteristic)


def _at_place(
    session: Session, plan: InspectionPlan, place: _Place, spoken: SpokenReading | SpokenInterval, heard: Heard
) -> Proposal | Outcome:
    """Return a proposal without its value, or why nothing may be proposed there."""
    existing = current(session, place.position, place.characteristic)
    pending = session.proposal
    corrects_stored = spoken.is_correction or (pending is not None and pending.replaces is not None)
    is_wanted = any(one.id == place.characteristic for one in wanted_at(session, place.position))
    name = readback.say_position(plan, place.position)
    if existing is not None and not corrects_stored and not is_wanted:
        why = f"{name} already has {say_value(existing)}, say correction to change it"
        return ask_again(session, why, "has a reading")
    if existing is None and spoken.is_correction and pending is None:
        return ask_again(session, f"{name} has no reading to correct", "nothing to correct")
    kind = "interval-taken" if isinstance(spoken, SpokenInterval) else "reading-taken"
    if existing is not None and existing.kind != kind:
        return ask_again(session, f"{name} has {say_value(existing)}, correct it in the same way", "another kind")
    doubtful = _in_doubt(session, place) if not corrects_stored else None
    if pending is not None and pending.is_again and pending.characteristic == place.characteristic:
        doubtful = pending.replaces
    replaced = doubtful if doubtful is not None or existing is None or not corrects_stored else existing.sequence
    return Proposal(
        position=place.position,
        characteristic=place.characteristic,
        quantity=None,
        finding=None,
        severity=None,
        replaces=replaced,
        words=heard.hearing.text,
        engine=heard.hearing.engine,
        model=heard.hearing.model,
        margin=heard.hearing.margin,
        clip=heard.clip,
        readback=0,
        is_again=doubtful is not None,
    )


def _in_doubt(session: Session, place: _Place) -> int | None:
    """Return the sequence of the oldest reading at a place that its gauge leaves in doubt, None when none is."""
    record = session.record()
    if record is None:
        return None
    doubts, slot = gauges.doubts(session), (place.position, place.characteristic)
    here = (one for one in record.entries if (one.position, one.characteristic) == slot)
    return next((event.sequence for entry in here for event in entry.repeats if event.sequence in doubts), None)


def finding(session: Session, spoken: SpokenFinding, heard: Heard) -> Outcome:
    """Propose a condition that was seen, or say why not."""
    plan = session.plan
    if plan is None:
        return tell(session, "No job is open. Show a job tag.", Tone("refused"), kind="asked again")
    if session.proposal is not None:
        return not_confirmed(session, session.proposal)
    position = spoken.position or session.in_hand
    if position is None:
        return ask_again(session, "no part was named", "no part")
    if spoken.position is None and heard.hearing.start_s < session.context_s:
        return ask_again(session, "the part changed while you spoke", "part changed")
    if session.in_hand_tag is not None and session.in_hand is not None and position != session.in_hand:
        held, called = readback.say_position(plan, session.in_hand), readback.say_position(plan, position)
        return ask_again(session, f"the tag in hand is {held}, not {called}", "wrong position")
    proposal = Proposal(
        position=position,
        characteristic=None,
        quantity=None,
        finding=spoken.finding,
        severity=spoken.severity,
        replaces=None,
        words=heard.hearing.text,
        engine=heard.hearing.engine,
        model=heard.hearing.model,
        margin=heard.hearing.margin,
        clip=heard.clip,
        readback=0,
    )
    return read_proposal(session, proposal, Tone("heard"))
