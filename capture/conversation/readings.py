"""Called values and findings: where they belong, and whether they may be proposed."""

from __future__ import annotations

from capture.conversation.proposals import read_proposal
from capture.conversation.state import Outcome, Session, ask_again, current, last_reading, tell
from capture.dialogue import Heard, Proposal, Tone
from capture.domain.events import quantity_of
from capture.domain.plan import InspectionPlan
from capture.language import readback
from capture.language.meaning import SpokenFinding, SpokenReading


def reading(session: Session, spoken: SpokenReading, heard: Heard) -> Outcome:
    plan = session.plan
    if plan is None:
        return tell(session, "No job is open. Show a job tag.", Tone("refused"), kind="asked again")
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
        place = readback.say_position(plan, pending.position)
        return ask_again(session, f"{place} is not confirmed yet, affirm or negative first", "not confirmed yet")
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
    return _propose_reading(session, plan, position, characteristic, spoken, heard)


def _propose_reading(
    session: Session,
    plan: InspectionPlan,
    position: str,
    characteristic: str,
    spoken: SpokenReading,
    heard: Heard,
) -> Outcome:
    existing = current(session, position, characteristic)
    pending = session.proposal
    corrects_stored = spoken.is_correction or (pending is not None and pending.replaces is not None)
    if existing is not None and not corrects_stored:
        place = readback.say_position(plan, position)
        value = readback.say_quantity(quantity_of(existing))
        return ask_again(session, f"{place} already has {value}, say correction to change it", "has a reading")
    if existing is None and spoken.is_correction and pending is None:
        place = readback.say_position(plan, position)
        return ask_again(session, f"{place} has no reading to correct", "nothing to correct")
    proposal = Proposal(
        position=position,
        characteristic=characteristic,
        quantity=spoken.quantity,
        finding=None,
        severity=None,
        replaces=existing.sequence if existing is not None else None,
        words=heard.hearing.text,
        engine=heard.hearing.engine,
        model=heard.hearing.model,
        margin=heard.hearing.margin,
        clip=heard.clip,
        readback=0,
    )
    return read_proposal(session, proposal, Tone("heard"))


def finding(session: Session, spoken: SpokenFinding, heard: Heard) -> Outcome:
    plan = session.plan
    if plan is None:
        return tell(session, "No job is open. Show a job tag.", Tone("refused"), kind="asked again")
    if session.proposal is not None:
        place = readback.say_position(plan, session.proposal.position)
        return ask_again(session, f"{place} is not confirmed yet, affirm or negative first", "not confirmed yet")
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
