"""What the disk answered: "stored" and the verdict are said here, never before (promise 4)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from capture.conversation import gauges, stages
from capture.conversation.places import after_storing
from capture.conversation.state import Outcome, Session, say, sentence, tell
from capture.dialogue import Action, Show, Stored, StoreFailed, Tone
from capture.domain.events import AS_FOUND, Event, reading_stage
from capture.domain.plan import InspectionPlan
from capture.domain.record import IntervalEntry
from capture.domain.wear_since import WearEntry
from capture.language import readback


def stored(session: Session, stored: Stored) -> Outcome:
    """Take up an event that is on the disk."""
    event = stored.event
    session = replace(session, events=(*session.events, event))
    if event.kind == "badge-read":
        session = replace(session, person=event.body["person"])
        return tell(session, f"Badge {' '.join(event.body['person'])}.", Tone("stored"), kind="stored")
    if event.kind == "job-opened":
        return _opened(session, event, stored.at_s)
    if event.kind == "tag-bound":
        assert session.plan is not None  # a tag is bound only while a job is open
        place = readback.say_position(session.plan, event.body["position"])
        session = replace(session, loose_tag=None, in_hand=None, in_hand_tag=None, asked=(), context_s=stored.at_s)
        return tell(session, f"Bound to {place}.", Tone("stored"), kind="stored")
    if event.kind in ("reading-taken", "interval-taken"):
        return _reading_stored(session, event, stored.at_s)
    if event.kind == "finding-noted":
        return _finding_stored(session, event, stored.at_s)
    if event.kind == "gauge-checked":
        return gauges.checked(session, event, stored.at_s)
    answer = _STATEMENTS.get(event.kind)
    return answer(session, event, stored.at_s) if answer is not None else (session, ())


# kind of a statement -> what is done and said once it is on the disk
_STATEMENTS: dict[str, Callable[[Session, Event, float], Outcome]] = {
    "stage-entered": stages.entered,
}


def _opened(session: Session, event: Event, at_s: float) -> Outcome:
    plan = session.plans[event.body["job"]]
    session = replace(
        session, job=event.body["job"], plan=plan, in_hand=None, in_hand_tag=None, asked=(), context_s=at_s
    )
    session = replace(session, gauge=None, overdue="", part_heat=None, gauge_heat=None)
    shown = [Show(text, "caution") for text in plan.cautions]
    revision = " ".join(plan.revision[:4])
    text = (
        f"Job open. {plan.title}, revision {revision}. Cautions are on the screen. "
        "The maker's manual, local codes and licensed practice rule."
    )
    return tell(session, text, Tone("stored"), *shown, kind="stored")


def _reading_stored(session: Session, event: Event, at_s: float) -> Outcome:
    position, characteristic = event.body["position"], event.body["characteristic"]
    plan, record = session.plan, session.record()
    assert plan is not None and record is not None
    session = after_storing(session, position, at_s)
    spoken = ["Stored."]
    shown: list[Action] = [Tone("stored")]
    for entry in record.entries:
        if entry.position == position and entry.characteristic == characteristic and entry.verdict.kind != "no limits":
            spoken.append(entry.verdict.said)
            shown.append(Show(f"{position} {characteristic}: {entry.verdict.working}", "working"))
    for derived in record.derived:
        if event.sequence in derived.inputs and derived.verdict.kind != "no limits":
            spoken.append(derived.verdict.said)
            shown.append(Show(f"{derived.position} {derived.derived}: {derived.verdict.working}", "working"))
    for worn in record.wear if reading_stage(event) == AS_FOUND else ():
        if event.sequence in worn.inputs:
            spoken.append(_wear_said(plan, worn))
            shown.append(Show(f"{worn.position} {worn.of}: {worn.working}", "working"))
    for held in record.intervals:
        of_this = held.position == position and (held.characteristic == characteristic or _concerns(held, plan, event))
        if of_this and held.characteristic == characteristic and held.verdict.kind != "no limits":
            spoken.append(held.verdict.said)
        if of_this:
            shown.append(Show(f"{position} {held.characteristic}: {held.verdict.working}", "working"))
        if of_this and held.differs:
            spoken.append(held.differs)
    if session.asked:
        spoken.append(f"{plan.characteristic(session.asked[0]).title}?")
        spoken.append(gauges.asks_for(session, plan, session.asked[0]))
    session, said = say(session, " ".join(sentence(s) for s in spoken if s), "stored")
    return session, (*shown, said)


def _wear_said(plan: InspectionPlan, worn: WearEntry) -> str:
    """Return what is said of wear: of the reading itself, or of a value computed from it, then with its title."""
    title = next((one.title for one in plan.derived if one.id == worn.of), "")
    return f"{title}, {worn.said}" if title else worn.said


def _concerns(held: IntervalEntry, plan: InspectionPlan, event: Event) -> bool:
    """Whether an event is an input of the computed value that a directly measured one stands beside."""
    beside = plan.characteristic(held.characteristic).beside
    inputs = next((one.inputs for one in plan.derived if one.id == beside), ())
    return event.body["characteristic"] in (name for _, name in inputs)


def _finding_stored(session: Session, event: Event, at_s: float) -> Outcome:
    plan = session.plan
    assert plan is not None
    session = replace(session, proposal=None, storing=None, context_s=at_s)
    kind = next(f for f in plan.findings if f.id == event.body["finding"])
    answer = f" {kind.answer[:1].upper()}{kind.answer[1:]}." if kind.answer else ""
    return tell(session, f"Stored.{answer}", Tone("stored"), kind="stored")


def store_failed(session: Session, failed: StoreFailed) -> Outcome:
    """Nothing was written: a pending value stays pending and can be affirmed again."""
    pending = session.storing
    session = replace(session, storing=None, context_s=failed.at_s)
    if pending is not None:
        session = replace(session, proposal=replace(pending, ready_s=failed.at_s))
    what = "The value is still pending. Affirm to try again." if pending is not None else "Try again."
    return tell(session, f"Not stored. {failed.reason} {what}", Tone("refused"), kind="fault")
