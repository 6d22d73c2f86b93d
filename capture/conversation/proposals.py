"""What waits for an answer: read back from its kept text, confirmed by a person, then recorded."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from capture.conversation.state import Outcome, Session, say, sentence
from capture.dialogue import Action, Ignored, Proposal, Record, Show, SpeechEnded
from capture.domain.plan import InspectionPlan
from capture.domain.verdicts import check
from capture.language import readback


def _proposal_text(plan: InspectionPlan, proposal: Proposal) -> str:
    if proposal.quantity is not None and proposal.characteristic is not None:
        return readback.say_proposal(plan, proposal.position, proposal.characteristic, proposal.quantity)
    kind = next(f for f in plan.findings if f.id == proposal.finding)
    place = readback.say_position(plan, proposal.position)
    return f"{place}, {kind.spoken}{', ' + proposal.severity if proposal.severity else ''}"


def read_proposal(session: Session, proposal: Proposal, *before: Action) -> Outcome:
    """Read a proposal back from its kept text and wait for an answer to this readback alone."""
    assert session.plan is not None
    text = _proposal_text(session.plan, proposal)
    if proposal.replaces is not None:
        text = f"Correction. {text}"
    if proposal.wants_another:
        text = f"{text}. Unlikely for this part. Affirm once more to keep it"
    session, said = say(session, sentence(text), "readback")
    waiting = replace(proposal, readback=said.speech, ready_s=None)
    return replace(session, proposal=waiting), (*before, said)


def speech_ended(session: Session, ended: SpeechEnded) -> Outcome:
    pending = session.proposal
    if pending is None or pending.readback != ended.speech:
        return session, ()
    session = replace(session, proposal=replace(pending, ready_s=ended.at_s), context_s=ended.at_s)
    return session, (Show("waiting for affirm or negative", "ready"),)


def pedal(session: Session, at_s: float) -> Outcome:
    if session.paused or session.proposal is None:
        return session, (Ignored("pedal with nothing proposed"),)
    return affirm(session, at_s, "pedal", None)


def affirm(session: Session, start_s: float, how: str, words: str | None) -> Outcome:
    pending = session.proposal
    if pending is None or session.storing is not None:
        return session, (Ignored("affirm with nothing proposed"),)
    if pending.ready_s is None or start_s < pending.ready_s:
        return session, (Ignored("affirm before the readback ended"),)
    if _is_unlikely(session, pending) and not pending.wants_another:
        return read_proposal(session, replace(pending, wants_another=True))
    return replace(session, storing=pending), (_record_of(session, pending, how, words),)


def _is_unlikely(session: Session, proposal: Proposal) -> bool:
    """Whether a part of this size could not give the value; limits play no part in it."""
    if session.plan is None or proposal.quantity is None or proposal.characteristic is None:
        return False
    characteristic = session.plan.characteristic(proposal.characteristic)
    if characteristic.plausible is None:
        return False
    lower, upper = characteristic.plausible
    return not lower <= proposal.quantity.to_fraction(characteristic.unit) <= upper


def _record_of(session: Session, proposal: Proposal, how: str, words: str | None) -> Record:
    assert session.plan is not None and session.job is not None
    body: dict[str, Any] = {
        "job": session.job,
        "position": proposal.position,
        "replaces": proposal.replaces,
        "by": session.person or "",
        "confirmed_by": how,
        "words": proposal.words,
        "engine": proposal.engine,
        "model": proposal.model,
        "margin": None if proposal.margin is None else f"{proposal.margin:.2f}",
        "clip": proposal.clip,
        "plan_revision": session.plan.revision,
    }
    if proposal.quantity is None:
        return Record("finding-noted", body | {"finding": proposal.finding, "severity": proposal.severity})
    quantity = proposal.quantity
    record = session.record()
    others = record.readings_at(proposal.position) if record is not None else {}
    verdict = check(quantity, session.plan.characteristic(proposal.characteristic or ""), session.plan, others)
    body |= {
        "characteristic": proposal.characteristic,
        "quantity": {"text": quantity.text, "unit": quantity.unit},
        "confirmation_words": words,
        "tag": session.in_hand_tag,
        "verdict": verdict.kind,
        "working": verdict.working,
    }
    return Record("reading-taken", body)
