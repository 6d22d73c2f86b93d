"""What the dialogue knows, and how it speaks: shared by every part of the conversation."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from capture.dialogue import Action, Proposal, Say, Tone
from capture.domain.events import Event, quantity_of
from capture.domain.gauges import Gauge
from capture.domain.plan import Characteristic, InspectionPlan
from capture.domain.record import InspectionRecord, fold
from capture.domain.stages import stage_of
from capture.domain.units import Quantity
from capture.language import readback
from capture.language.grammar import Grammar
from capture.language.meaning import Listening
from capture.speech.words import Floors


@dataclass(frozen=True, slots=True)
class Session:
    """Everything the dialogue knows. Start with `Session(plans=...)`: job id -> plan.

    `earlier`: job id -> the earlier overhauls it is opened with, as the event carries them.

    `gauge`: the plan's gauge in hand, since `gauge_s`; `overdue` says why its calibration bars it, "" when it does
    not. `part_heat`, `gauge_heat`: temperatures called once, kept for the readings that follow in this job.
    """

    plans: Mapping[str, InspectionPlan]
    person: str | None = None
    job: str | None = None
    plan: InspectionPlan | None = None
    in_hand: str | None = None
    in_hand_tag: str | None = None
    asked: tuple[str, ...] = ()
    loose_tag: tuple[str, str] | None = None
    proposal: Proposal | None = None
    storing: Proposal | None = None
    paused: bool = False
    context_s: float = 0.0
    next_speech: int = 1
    last_said: str = "Nothing was said yet."
    events: tuple[Event, ...] = ()
    floors: Floors = field(default_factory=Floors)
    gauge: str | None = None
    gauge_s: float = 0.0
    overdue: str = ""
    part_heat: Quantity | None = None
    gauge_heat: Quantity | None = None
    earlier: Mapping[str, Sequence[Mapping[str, Any]]] = field(default_factory=dict)

    def listening(self) -> Listening:
        """Return what may be heard now; the only thing of this state that hearing may know."""
        if self.plan is None:
            return Listening("closed")
        stage = self.stage
        if self.paused:
            return Listening("paused", stage=stage)
        held = self.gauge_in_hand()
        decimals = decimals_by(held, self.plan) if held is not None else ()
        pending = self.proposal
        if pending is not None:
            named = (pending.characteristic,) if pending.characteristic and not pending.is_interval else ()
            return Listening("answer", pending.position or None, named, decimals=decimals, stage=stage)
        shows = (held.unit, held.decimals) if held is not None else None
        return Listening("open", self.in_hand, self.asked, shows, decimals, stage)

    @property
    def stage(self) -> str:
        """The stage of the overhaul the open job is in; "measure" without a job."""
        if self.plan is None or len(self.plan.stages) == 1:
            return self.plan.stages[0] if self.plan is not None else "measure"
        return stage_of(self.of_job("stage-entered"), self.plan.stages)

    def grammar(self) -> Grammar:
        """Return the grammar in force."""
        return Grammar.build(self.plan, self.listening())

    def record(self) -> InspectionRecord | None:
        """Fold what was stored for the open job."""
        return _folded(self.events, self.job) if self.job is not None else None

    def of_job(self, kind: str) -> tuple[Event, ...]:
        """Return the open job's events of one kind, oldest first."""
        return tuple(e for e in self.events if e.kind == kind and e.body["job"] == self.job)

    def bindings(self) -> dict[str, str]:
        """Return tag -> position of the open job."""
        return {e.body["tag"]: e.body["position"] for e in self.of_job("tag-bound")}

    def gauge_in_hand(self) -> Gauge | None:
        """Return the gauge in hand, None without one."""
        return self.plan.gauge(self.gauge) if self.plan is not None and self.gauge is not None else None


Outcome = tuple[Session, tuple[Action, ...]]

_last_fold: list[tuple[tuple[Event, ...], str, InspectionRecord | None]] = []


def _folded(events: tuple[Event, ...], job: str) -> InspectionRecord | None:
    """Fold a job, or give back the last fold of the very same events: one call asks for it several times.

    Other jobs' events are left out; a gauge's checks belong to no job and stay.
    """
    if not _last_fold or _last_fold[0][0] is not events or _last_fold[0][1] != job:
        of_job = (event for event in events if event.body.get("job", job) == job)
        _last_fold[:] = [(events, job, fold(of_job).get(job))]
    return _last_fold[0][2]


def reads(gauge: Gauge, characteristic: Characteristic) -> bool:
    """Whether a reading of the characteristic is taken with this gauge when it is in hand.

    The gauge the plan names for it; where it names none, any of the plan's that reads its unit and shows no fewer
    digits than the plan wants.
    """
    if characteristic.gauge is not None or characteristic.counted:
        return characteristic.gauge == gauge.id
    return gauge.unit == characteristic.unit and gauge.decimals >= characteristic.decimals


def decimals_by(gauge: Gauge, plan: InspectionPlan) -> tuple[tuple[str, int], ...]:
    """Return the digits after the point that may be called with the gauge in hand, where the plan has others."""
    read = (one for one in plan.characteristics if reads(gauge, one))
    return tuple((one.id, gauge.decimals) for one in read if one.decimals != gauge.decimals)


def say(session: Session, text: str, kind: str = "told") -> tuple[Session, Say]:
    """Number a text to be spoken."""
    said = Say(text, session.next_speech, kind)
    return replace(session, next_speech=session.next_speech + 1, last_said=text), said


def tell(session: Session, text: str, *before: Action, kind: str = "told") -> Outcome:
    """Say a text after other actions."""
    session, said = say(session, text, kind)
    return session, (*before, said)


def refuse(session: Session, text: str, reason: str) -> Outcome:
    """Refuse what was called with the whole of what is said; what was asked before stays asked."""
    said = Say(text, session.next_speech, "asked again", reason)
    return replace(session, next_speech=session.next_speech + 1), (Tone("refused"), said)


def ask_again(session: Session, detail: str, reason: str) -> Outcome:
    """Refuse what was heard, say why in a few words, and ask for it again."""
    return refuse(session, f"{capital(detail)}. Say again.", reason)


def not_confirmed(session: Session, pending: Proposal) -> Outcome:
    """Refuse whatever would drop a proposal silently."""
    return ask_again(
        session, f"{pending_name(session, pending)} is not confirmed yet, affirm or negative first", "not confirmed yet"
    )


def pending_name(session: Session, pending: Proposal) -> str:
    """Return what a proposal is called: its place, the gauge or the temperature."""
    assert session.plan is not None  # nothing is proposed without a plan
    if pending.check is not None:
        return session.plan.gauge(pending.check.gauge).title
    if pending.temperature_of is not None:
        return f"{pending.temperature_of} temperature"
    if pending.statement is not None and not pending.position:
        return pending.statement.text
    return readback.say_position(session.plan, pending.position)


def capital(text: str) -> str:
    """Return the text with a capital."""
    return text[:1].upper() + text[1:]


def sentence(text: str) -> str:
    """Return the text with a capital and a stop."""
    return capital(text if text.endswith((".", "?")) else f"{text}.")


def last_reading(session: Session) -> Event | None:
    """Return the job's last reading or interval, None before the first."""
    taken = (*session.of_job("reading-taken"), *session.of_job("interval-taken"))
    return max(taken, key=lambda event: event.sequence, default=None)


def current(session: Session, position: str, characteristic: str) -> Event | None:
    """Return the last reading or interval at a place, None when it has none."""
    here = (position, characteristic)
    taken = (*session.of_job("reading-taken"), *session.of_job("interval-taken"))
    at_place = (e for e in taken if (e.body["position"], e.body["characteristic"]) == here)
    return max(at_place, key=lambda event: event.sequence, default=None)


def say_value(event: Event) -> str:
    """Return the value of a stored reading or interval as words."""
    if event.kind == "reading-taken":
        return readback.say_quantity(quantity_of(event))
    ends = ((event.body["goes"], "goes"), (event.body["does_not"], "does not"))
    said = [f"{readback.say_quantity(Quantity(end['text'], end['unit']))} {word}" for end, word in ends if end]
    return ", ".join(said)


def wanted_at(session: Session, position: str) -> list[Characteristic]:
    """Return what is still to be read at a position, in plan order: not yet read, or left in doubt by its gauge."""
    record = session.record()
    if session.plan is None or record is None:
        return []
    return [one for one in session.plan.characteristics_at(position) if (position, one.id) in record.left]
