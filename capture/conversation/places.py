"""The part in hand: taken up by tag or by name, asked for what it lacks, let go when nothing more is asked."""

from __future__ import annotations

from dataclasses import replace

from capture.conversation import gauges
from capture.conversation.state import Outcome, Session, ask_again, not_confirmed, sentence, tell, wanted_at
from capture.language import readback


def take_in_hand(
    session: Session, position: str, tag: str | None, at_s: float, characteristic: str | None
) -> Outcome:
    """Make a position the one in hand and ask for the first value it lacks."""
    plan = session.plan
    assert plan is not None
    if session.proposal is not None:
        return not_confirmed(session, session.proposal)
    if tag is None and session.in_hand_tag is not None and session.in_hand != position:
        held, called = (readback.say_position(plan, p) for p in (session.in_hand or "", position))
        return ask_again(session, f"the tag in hand is {held}, not {called}", "wrong position")
    wanted = wanted_at(session, position)
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
    if not wanted:
        return tell(session, f"{place} All its readings are taken.")
    return tell(session, f"{place} {wanted[0].title}? {gauges.asks_for(session, plan, wanted[0].id)}".rstrip())


def after_storing(session: Session, position: str, at_s: float) -> Session:
    """Let go of the part when nothing more is asked at its position; else ask for its next value."""
    session = replace(session, proposal=None, storing=None, context_s=at_s)
    if session.in_hand != position:
        return session
    wanted = wanted_at(session, position)
    if wanted:
        return replace(session, asked=(wanted[0].id,))
    return replace(session, in_hand=None, in_hand_tag=None, asked=())
