"""The part in hand: taken up by tag or by name, asked for what it lacks, let go when nothing more is asked."""

from __future__ import annotations

from dataclasses import replace

from capture.conversation.state import Outcome, Session, ask_again, current, sentence, tell
from capture.domain.plan import InspectionPlan
from capture.language import readback


def take_in_hand(
    session: Session, position: str, tag: str | None, at_s: float, characteristic: str | None
) -> Outcome:
    """Make a position the one in hand and ask for the first value it lacks."""
    plan = session.plan
    assert plan is not None
    if session.proposal is not None:
        place = readback.say_position(plan, session.proposal.position)
        return ask_again(session, f"{place} is not confirmed yet, affirm or negative first", "not confirmed yet")
    if tag is None and session.in_hand_tag is not None and session.in_hand != position:
        held, called = (readback.say_position(plan, p) for p in (session.in_hand or "", position))
        return ask_again(session, f"the tag in hand is {held}, not {called}", "wrong position")
    wanted = [c for c in plan.characteristics_at(position) if current(session, position, c.id) is None]
    if characteristic is not None:
        wanted = [c for c in plan.characteristics_at(position) if c.id == characteristic]
    if tag is None and session.in_hand == position:
        tag = session.in_hand_tag
    session = replace(
        session,
        in_hand=position,
        in_hand_tag=tag,
        loose_tag=None,
        asked=(wanted[0].id,) if wanted else (),
        context_s=at_s,
    )
    place = sentence(readback.say_position(plan, position))
    return tell(session, f"{place} {wanted[0].title}?" if wanted else f"{place} All its readings are taken.")


def after_storing(session: Session, plan: InspectionPlan, position: str, at_s: float) -> Session:
    """Let go of the part when nothing more is asked at its position; else ask for its next value."""
    session = replace(session, proposal=None, storing=None, context_s=at_s)
    if session.in_hand != position:
        return session
    wanted = [c.id for c in plan.characteristics_at(position) if current(session, position, c.id) is None]
    if wanted:
        return replace(session, asked=(wanted[0],))
    return replace(session, in_hand=None, in_hand_tag=None, asked=())
