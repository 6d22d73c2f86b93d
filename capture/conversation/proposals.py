"""What waits for an answer: read back from its kept text, confirmed by a person, then recorded."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from capture.conversation.state import Outcome, Session, capital, not_confirmed, say, sentence, tell
from capture.dialogue import Action, GaugeCheck, Heard, Ignored, Proposal, Record, Show, SpeechEnded, Statement, Tone
from capture.domain.events import quantity_of
from capture.domain.plan import Characteristic, InspectionPlan
from capture.domain.units import Quantity
from capture.domain.verdicts import Temperatures, Verdict, check
from capture.language import readback


def _check_text(plan: InspectionPlan, done: GaugeCheck) -> str:
    title = plan.gauge(done.gauge).title
    if done.reading is None or done.standard is None:
        return f"{title}, {'dropped' if done.result == 'dropped' else 'found bad'}"
    on = "zero check" if done.standard.fraction == 0 else f"standard {readback.say_quantity(done.standard)}, reads"
    return f"{title}, {on}, {readback.say_quantity(done.reading)}"


def propose(session: Session, heard: Heard, statement: Statement, position: str = "") -> Outcome:
    """Read a statement back and wait for an answer; `position`: of the part it is about, "" of none."""
    if session.proposal is not None:
        return not_confirmed(session, session.proposal)
    proposal = Proposal(
        position=position,
        characteristic=None,
        quantity=None,
        finding=None,
        severity=None,
        replaces=None,
        words=heard.hearing.text,
        engine=heard.hearing.engine,
        model=heard.hearing.model,
        margin=heard.hearing.margin,
        clip=heard.clip,
        readback=0,
        statement=statement,
    )
    return read_proposal(session, proposal, Tone("heard"))


def _proposal_text(plan: InspectionPlan, proposal: Proposal) -> str:
    if proposal.statement is not None:
        return proposal.statement.text
    if proposal.check is not None:
        return _check_text(plan, proposal.check)
    if proposal.temperature_of is not None and proposal.quantity is not None:
        return f"{proposal.temperature_of} temperature, {readback.say_quantity(proposal.quantity)}"
    if proposal.is_interval and proposal.characteristic is not None:
        goes, does_not = proposal.goes, proposal.does_not
        return readback.say_interval(plan, proposal.position, proposal.characteristic, goes, does_not)
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
        text = f"{'Again' if proposal.is_again else 'Correction'}. {capital(text) if proposal.is_again else text}"
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
    if pending.temperature_of is not None:
        return _keep_temperature(session, pending, start_s)
    return replace(session, storing=pending), (_record_of(session, pending, how, words),)


def _keep_temperature(session: Session, pending: Proposal, at_s: float) -> Outcome:
    """Keep a temperature for the readings that follow; it is stored with each of them."""
    if pending.temperature_of == "part":
        session = replace(session, part_heat=pending.quantity)
    else:
        session = replace(session, gauge_heat=pending.quantity)
    session = replace(session, proposal=None, context_s=at_s)
    return tell(session, f"Kept for the readings that follow, {pending.temperature_of} temperature.", Tone("heard"))


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
    if proposal.check is not None:
        return _check_record(session, proposal.check, proposal.words)
    body: dict[str, Any] = {
        "job": session.job,
        "by": session.person or "",
        "confirmed_by": how,
        "words": proposal.words,
        "engine": proposal.engine,
        "model": proposal.model,
        "margin": None if proposal.margin is None else f"{proposal.margin:.2f}",
        "clip": proposal.clip,
        "plan_revision": session.plan.revision,
    }
    if proposal.statement is not None:
        return Record(proposal.statement.kind, body | dict(proposal.statement.body))
    body |= {"position": proposal.position, "replaces": proposal.replaces}
    if proposal.is_interval:
        ends = {"goes": _plain(proposal.goes), "does_not": _plain(proposal.does_not), "gauge": proposal.gauge}
        return Record("interval-taken", body | ends | {"characteristic": proposal.characteristic})
    if proposal.quantity is None:
        return Record("finding-noted", body | {"finding": proposal.finding, "severity": proposal.severity})
    quantity = proposal.quantity
    one = session.plan.characteristic(proposal.characteristic or "")
    heats = _temperatures(session, one)
    verdict = _verdict(session, proposal, one, quantity, heats)
    body |= {
        "characteristic": proposal.characteristic,
        "quantity": {"text": quantity.text, "unit": quantity.unit},
        "confirmation_words": words,
        "tag": session.in_hand_tag,
        "gauge": proposal.gauge,
        "temperature": _plain(heats.part) if heats is not None else None,
        "gauge_temperature": _plain(heats.gauge) if heats is not None else None,
        "verdict": verdict.kind,
        "working": verdict.working,
    }
    return Record("reading-taken", body)


def _check_record(session: Session, done: GaugeCheck, words: str) -> Record:
    body = {
        "gauge": done.gauge,
        "result": done.result,
        "by": session.person or "",
        "standard": _plain(done.standard),
        "reading": _plain(done.reading),
        "words": words,
    }
    return Record("gauge-checked", body)


def _plain(quantity: Quantity | None) -> dict[str, str] | None:
    return None if quantity is None else {"text": quantity.text, "unit": quantity.unit}


def _temperatures(session: Session, one: Characteristic) -> Temperatures | None:
    """Return the temperatures that belong to a reading: called, and the plan refers the length to 20 degC."""
    if one.expansion is None or session.part_heat is None:
        return None
    return Temperatures(session.part_heat, session.gauge_heat)


def _verdict(
    session: Session, proposal: Proposal, one: Characteristic, quantity: Quantity, heats: Temperatures | None
) -> Verdict:
    """Check a reading with what was read before it at its place and position."""
    assert session.plan is not None
    record = session.record()
    others = record.readings_at(proposal.position) if record is not None else {}
    entries = record.entries if record is not None else ()
    before = [
        quantity_of(event)
        for entry in entries
        if (entry.position, entry.characteristic) == (proposal.position, one.id)
        for event in entry.repeats
        if event.sequence != proposal.replaces
    ]
    kept = before[max(0, len(before) - one.repeats.count + 1) :] if one.repeats.count > 1 else []
    return check(quantity, one, session.plan, others, repeats=(*kept, quantity), temperatures=heats)
