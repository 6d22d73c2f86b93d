"""Gauges: picked up by tag, held against their standard, dropped or found bad, and what they may read."""

from __future__ import annotations

from dataclasses import replace

from capture.conversation.proposals import read_proposal
from capture.conversation.state import (
    Outcome,
    Session,
    capital,
    not_confirmed,
    reads,
    refuse,
    tell,
    wanted_at,
)
from capture.dialogue import Action, GaugeCheck, Heard, Proposal, Show, TagSeen, Tone
from capture.domain.errors import QuantityError
from capture.domain.events import Event
from capture.domain.gauges import Gauge, calibration_due, check_reading, coarse, in_doubt, ratio_to, zero_error
from capture.domain.plan import Characteristic, InspectionPlan
from capture.domain.record import Entry
from capture.domain.spoken import digit_words
from capture.domain.units import Quantity, exact_text, unit_spoken
from capture.language import readback
from capture.language.meaning import SpokenGaugeCheck, SpokenTemperature

_NAMED = 3  # so many doubtful readings are named aloud; all are on the screen


# ---- picked up


def pick_up(session: Session, plan: InspectionPlan, tag_id: str, seen: TagSeen) -> Outcome:
    """Take a gauge in hand: say what it is, what bars it, where it is too coarse, and that it wants its check."""
    put_down = _unchecked_text(session, session.gauge_in_hand())
    gauge = next((one for one in plan.gauges if one.id.upper() == tag_id), None)
    if gauge is None:
        session = replace(session, gauge=None, gauge_s=seen.at_s, overdue="")
        return refuse(session, "This gauge is not in the plan. No gauge is in hand.", "unknown gauge")
    again = session.gauge == gauge.id
    overdue = calibration_due(gauge, seen.today) if gauge.due and seen.today is not None else ""
    session = replace(session, gauge=gauge.id, gauge_s=seen.at_s, context_s=seen.at_s, overdue=overdue)
    said = [] if again or not put_down else [put_down]
    said.append(f"{capital(gauge.title)}, steps of {readback.say_exact(gauge.resolution, gauge.unit, 0)}.")
    barred = why_barred(session, gauge)
    said += [f"{barred}."] if barred else [] if seen.today or not gauge.due else ["The clock is not known."]
    said += ["No calibration date is known."] if not gauge.due else []
    too_coarse = _coarse(plan, gauge)
    said += [text for text, _ in too_coarse]
    if not barred and not _is_checked(session, gauge):
        said.append("Zero check?" if _has_zero(gauge) else "Standard check?")
    if session.asked and not barred:
        said.append(question(plan, session.asked[0]))
    shown = [Show(line, "working") for _, line in too_coarse]
    if not gauge.due or not seen.today:
        shown.append(Show(f"{gauge.title}: calibration is not checked, {_why_unchecked(gauge)}", "told"))
    before: list[Action] = [Tone("refused")] if barred else []
    return tell(session, " ".join(said), *before, *shown, kind="asked again" if barred else "told")


def _why_unchecked(gauge: Gauge) -> str:
    return f"it is due on {gauge.due} and the clock is not known" if gauge.due else "the plan has no date for it"


def question(plan: InspectionPlan, characteristic: str) -> str:
    """Return the question for a value."""
    return f"{capital(plan.characteristic(characteristic).title)}?"


def _coarse(plan: InspectionPlan, gauge: Gauge) -> list[tuple[str, str]]:
    """Return (words, line of working) for each two-sided tolerance that holds too few steps of a gauge."""
    found: list[tuple[str, str]] = []
    for one in plan.characteristics:
        limits = one.limits
        if limits is None or limits.lower is None or limits.upper is None or not reads(gauge, one):
            continue
        tolerance = limits.upper - limits.lower
        line = coarse(gauge, tolerance, limits.unit, plan.gauge_ratio)
        if line:
            steps = int(ratio_to(gauge, tolerance, limits.unit))
            wanted = exact_text(plan.gauge_ratio, 0)
            words = f"Too coarse for {one.title}: its tolerance holds {steps} steps, {wanted} wanted."
            found.append((words, f"{one.title}: {line}"))
    return found


# ---- its checks


def _has_zero(gauge: Gauge) -> bool:
    return (gauge.lower is None or gauge.lower <= 0) and (gauge.upper is None or gauge.upper >= 0)


def _checks(session: Session, gauge: str) -> list[Event]:
    return [e for e in session.events if e.kind == "gauge-checked" and e.body["gauge"] == gauge]


def _is_checked(session: Session, gauge: Gauge) -> bool:
    """Whether its last check was good and is of this job's time."""
    opened = max((e.sequence for e in session.of_job("job-opened")), default=0)
    last = next(reversed(_checks(session, gauge.id)), None)
    return last is not None and last.body["result"] == "good" and last.sequence > opened


def why_barred(session: Session, gauge: Gauge) -> str:
    """Return why the gauge may read nothing now, "" when it may."""
    if session.gauge == gauge.id and session.overdue:
        return session.overdue
    last = next(reversed(_checks(session, gauge.id)), None)
    if last is None or last.body["result"] == "good":
        return ""
    what = "was dropped" if last.body["result"] == "dropped" else "was found bad"
    return f"{capital(gauge.title)} {what}, check it first"


def unchecked(session: Session, gauge: Gauge) -> int:
    """Return how many readings of the open job the gauge took since its last check."""
    last = max((e.sequence for e in _checks(session, gauge.id)), default=0)
    taken = session.of_job("reading-taken")
    return sum(e.sequence > last and e.body["gauge"] == gauge.id for e in taken)


def _unchecked_text(session: Session, gauge: Gauge | None) -> str:
    """Return what to say of a gauge that is put down without a check after use."""
    count = unchecked(session, gauge) if gauge is not None else 0
    if gauge is None or not count:
        return ""
    return f"{capital(gauge.title)} took {count} {_readings(count)} and is not checked after use."


def _readings(count: int) -> str:
    return "reading" if count == 1 else "readings"


def zero_check(session: Session, spoken: SpokenGaugeCheck, heard: Heard) -> Outcome:
    """Propose what the gauge in hand shows on its standard; good within one of its steps."""
    gauge = session.gauge_in_hand()
    if gauge is None:
        return refuse(session, "No gauge is in hand. Show its tag.", "no gauge")
    if session.proposal is not None:
        return not_confirmed(session, session.proposal)
    if heard.hearing.start_s < session.gauge_s:
        return refuse(session, "The gauge changed while you spoke. Say again.", "gauge changed")
    standard = spoken.standard or Quantity("0", gauge.unit)
    if spoken.standard is None and not _has_zero(gauge):
        return refuse(session, "This gauge shows no zero. Say standard, its size, reads, and the value.", "no zero")
    off = zero_error(spoken.reading, standard, gauge.resolution, gauge.unit)
    check = GaugeCheck(gauge.id, "good" if off is None else "bad", standard, spoken.reading)
    return read_proposal(session, _proposal(heard, check=check), Tone("heard"))


def call_out(session: Session, result: str, heard: Heard) -> Outcome:
    """Propose that the gauge in hand was dropped or is bad."""
    gauge = session.gauge_in_hand()
    if gauge is None:
        return refuse(session, "No gauge is in hand. Show its tag.", "no gauge")
    if session.proposal is not None:
        return not_confirmed(session, session.proposal)
    if heard.hearing.start_s < session.gauge_s:
        return refuse(session, "The gauge changed while you spoke. Say again.", "gauge changed")
    return read_proposal(session, _proposal(heard, check=GaugeCheck(gauge.id, result)), Tone("heard"))


def temperature(session: Session, spoken: SpokenTemperature, heard: Heard) -> Outcome:
    """Propose a temperature that is kept for the readings that follow."""
    if session.proposal is not None:
        return not_confirmed(session, session.proposal)
    proposal = replace(_proposal(heard), quantity=spoken.quantity, temperature_of=spoken.of)
    return read_proposal(session, proposal, Tone("heard"))


def _proposal(heard: Heard, check: GaugeCheck | None = None) -> Proposal:
    hearing = heard.hearing
    return Proposal(
        position="",
        characteristic=None,
        quantity=None,
        finding=None,
        severity=None,
        replaces=None,
        words=hearing.text,
        engine=hearing.engine,
        model=hearing.model,
        margin=hearing.margin,
        clip=heard.clip,
        readback=0,
        check=check,
    )


# ---- what it may read


def refusal(session: Session, plan: InspectionPlan, one: Characteristic, value: Quantity) -> tuple[str, str] | None:
    """Return what to say, and the reason, when the value cannot have come from the gauge in hand; None when it can."""
    held = session.gauge_in_hand()
    if one.gauge is not None and held is None:
        return f"Which gauge? Show the tag of the {plan.gauge(one.gauge).title}.", "no gauge"
    if held is None:
        return None
    if not reads(held, one):
        if one.gauge is not None:
            wanted = plan.gauge(one.gauge).title
            return f"{capital(one.title)} wants the {wanted}, the {held.title} is in hand.", "wrong gauge"
        if held.unit == one.unit and not one.counted:
            return f"The {held.title} shows too few digits for {one.title}. Take another gauge.", "wrong gauge"
        return None
    barred = why_barred(session, held)
    if barred:
        return f"{barred}.", "gauge barred"
    return _not_shown(held, value)


def _not_shown(gauge: Gauge, value: Quantity) -> tuple[str, str] | None:
    """Return why the gauge cannot have shown a value; a count is taken with the digits the gauge shows."""
    own = value.to_fraction(gauge.unit)
    try:
        check_reading(gauge, Quantity(exact_text(own, gauge.decimals), gauge.unit))
    except QuantityError:
        below = gauge.lower is not None and own < gauge.lower
        if below or (gauge.upper is not None and own > gauge.upper):
            return f"Outside the range of the {gauge.title}, {_range(gauge)}.", "out of range"
        step = readback.say_exact(gauge.resolution, gauge.unit, 0)
        return f"Between the steps of the {gauge.title}, it shows steps of {step}. Say again.", "between steps"
    return None


def _range(gauge: Gauge) -> str:
    ends = ("from", gauge.lower), ("to", gauge.upper)
    said = [f"{word} {digit_words(exact_text(end, 0))}" for word, end in ends if end is not None]
    return f"{' '.join(said)} {unit_spoken(gauge.unit)}"


def asks_for(session: Session, plan: InspectionPlan, characteristic: str) -> str:
    """Return the question for a gauge that the next value wants and that is not in hand, "" when none is wanted."""
    one = plan.characteristic(characteristic)
    if one.gauge is None or one.gauge == session.gauge:
        return ""
    return f"Which gauge? Show the tag of the {plan.gauge(one.gauge).title}."


# ---- what the disk answered


def checked(session: Session, event: Event, at_s: float) -> Outcome:
    """Say what a stored check comes to; what it leaves in doubt is named and asked for again."""
    plan = session.plan
    assert plan is not None  # a gauge is checked only while a job is open
    gauge = plan.gauge(event.body["gauge"])
    result = event.body["result"]
    session = replace(session, proposal=None, storing=None, context_s=at_s)
    if result == "bad":
        session = replace(session, gauge=None, overdue="")
    if session.in_hand is not None:
        session = replace(session, asked=tuple(one.id for one in wanted_at(session, session.in_hand)[:1]))
    doubtful = [one for one in _doubtful(session) if one.reading.body["gauge"] == gauge.id]
    if result == "good":
        said = ["Stored. The gauge is good, within one step."]
        said += [f"{_count(doubtful)} still in doubt from before."] if doubtful else []
    elif result == "bad":
        said = ["Stored. The gauge is bad. Put it aside."]
    else:
        said = ["Stored. Check the gauge before it reads again."]
    if result != "good":
        said.append(_listed(session, plan, doubtful))
        said += _elsewhere(session, gauge)
    shown = [Show(f"{one.position} {one.characteristic}: {one.doubt}, read it again", "left") for one in doubtful]
    return tell(session, " ".join(said), Tone("stored"), *shown, kind="stored")


def _doubtful(session: Session) -> list[Entry]:
    record = session.record()
    return [one for one in record.entries if one.doubt] if record is not None else []


def doubts(session: Session) -> frozenset[int]:
    """Return the sequences of the readings that a gauge leaves in doubt."""
    return frozenset(sequence for _, sequence in in_doubt(session.events))


def _count(doubtful: list[Entry]) -> str:
    return f"{len(doubtful)} {_readings(len(doubtful))}"


def _listed(session: Session, plan: InspectionPlan, doubtful: list[Entry]) -> str:
    if not doubtful:
        return "No reading of this job is in doubt."
    names = [readback.say_characteristic(plan, one.position, one.characteristic) for one in doubtful]
    more = f", and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
    return f"{_count(doubtful)} in doubt, to be read again: {', '.join(names[:_NAMED])}{more}."


def _elsewhere(session: Session, gauge: Gauge) -> list[str]:
    """Return what to say of readings in other jobs of this bench that the gauge leaves in doubt."""
    marks = in_doubt(session.events)
    others = [e for e in session.events if (e.bench, e.sequence) in marks and e.body["gauge"] == gauge.id]
    count = sum(e.body["job"] != session.job for e in others)
    return [f"{count} {_readings(count)} of other jobs too."] if count else []


def doubt_text(session: Session) -> str:
    """Return how many of the readings left are asked for again, and why; "" when none is."""
    record = session.record()
    left = record.left if record is not None else ()
    doubtful = [one for one in _doubtful(session) if (one.position, one.characteristic) in left]
    if not doubtful or session.plan is None:
        return ""
    titles = {
        one.reading.body["gauge"]: session.plan.gauge(one.reading.body["gauge"]).title
        for one in doubtful
        if any(gauge.id == one.reading.body["gauge"] for gauge in session.plan.gauges)
    }
    return f"{len(doubtful)} of them again, taken with the {' and the '.join(titles.values()) or 'gauge in doubt'}"


def after_use(session: Session) -> str:
    """Return which gauges still want their check after use, "" when none does."""
    plan = session.plan
    wanted = [one.title for one in plan.gauges if unchecked(session, one)] if plan is not None else []
    return f"Check after use: {', '.join(wanted)}." if wanted else ""
