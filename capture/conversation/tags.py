"""Tags shown to the camera: badge, job, part and place."""

from __future__ import annotations

from dataclasses import replace

from capture.conversation.gauges import pick_up
from capture.conversation.places import take_in_hand
from capture.conversation.state import Outcome, Session, ask_again, not_confirmed, tell
from capture.dialogue import Ignored, Record, TagSeen, Tone
from capture.domain import identifiers
from capture.domain.errors import IdentifierError
from capture.domain.plan import InspectionPlan
from capture.language import readback


def tag(session: Session, seen: TagSeen) -> Outcome:
    """Do what a tag is for; a tag never drops a proposal."""
    if session.paused:
        return session, (Ignored("standing by"),)
    if session.storing is not None:
        return session, (Ignored("storing"),)
    try:
        tag = identifiers.parse(seen.text)
    except IdentifierError:
        return tell(session, "Not one of our tags.", Tone("refused"), kind="asked again")
    if session.proposal is not None:
        return not_confirmed(session, session.proposal)
    if tag.kind == "B":
        return session, (Record("badge-read", {"person": tag.id, "raw": seen.text}),)
    if tag.kind == "J":
        return _job_tag(session, tag.id)
    if session.plan is None or session.job is None:
        return tell(session, "No job is open. Show a job tag.", Tone("refused"), kind="asked again")
    if tag.kind == "P":
        return _part_tag(session, seen)
    if tag.kind == "L":
        return _place_tag(session, session.plan, tag.id, seen)
    if tag.kind == "G" and session.plan.gauges:
        return pick_up(session, session.plan, tag.id, seen)
    return tell(session, "This tag has no use here yet.", Tone("refused"), kind="asked again")


def _job_tag(session: Session, job: str) -> Outcome:
    if session.person is None:
        return tell(session, "Show your badge first.", Tone("refused"), kind="asked again")
    plan = session.plans.get(job)
    if plan is None:
        return tell(session, "No plan for this job on this bench.", Tone("refused"), kind="asked again")
    if session.job == job:
        return tell(session, "This job is open.")
    body = {
        "job": job,
        "by": session.person,
        "plan_id": plan.id,
        "plan_revision": plan.revision,
        "plan_text": plan.text,
        "earlier": session.earlier.get(job),
    }
    return session, (Record("job-opened", body),)


def _part_tag(session: Session, seen: TagSeen) -> Outcome:
    position = session.bindings().get(seen.text)
    if position is None:
        session = replace(
            session,
            loose_tag=(seen.text, seen.symbology),
            in_hand=None,
            in_hand_tag=None,
            asked=(),
            context_s=seen.at_s,
        )
        return tell(session, "New part. Show its place tag.")
    return take_in_hand(session, position, seen.text, seen.at_s, None)


def _place_tag(session: Session, plan: InspectionPlan, place_id: str, seen: TagSeen) -> Outcome:
    known = {p.id.upper(): p.id for p in plan.positions}
    position = known.get(place_id)
    if position is None:
        return tell(session, "This place is not in the plan.", Tone("refused"), kind="asked again")
    place = readback.say_position(plan, position)
    if session.loose_tag is None:
        if session.in_hand_tag is not None and session.in_hand != position:
            held = readback.say_position(plan, session.in_hand or "")
            return ask_again(session, f"the part in hand belongs to {held}, this is {place}", "wrong position")
        return take_in_hand(session, position, None, seen.at_s, None)
    if position in session.bindings().values():
        return ask_again(session, f"{place} has another tag already", "has a tag")
    tag, symbology = session.loose_tag
    body = {"job": session.job, "tag": tag, "symbology": symbology, "position": position, "by": session.person or ""}
    return session, (Record("tag-bound", body),)
