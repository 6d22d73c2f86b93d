"""What the dialogue knows, and how it speaks: shared by every part of the conversation."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from capture.dialogue import Action, Proposal, Say, Tone
from capture.domain.events import Event
from capture.domain.plan import InspectionPlan
from capture.domain.record import InspectionRecord, fold
from capture.language.grammar import Grammar
from capture.language.meaning import Listening
from capture.speech.words import Floors


@dataclass(frozen=True, slots=True)
class Session:
    """Everything the dialogue knows. Start with `Session(plans=...)`: job id -> plan."""

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

    def listening(self) -> Listening:
        """Return what may be heard now; the only thing of this state that hearing may know."""
        if self.plan is None:
            return Listening("closed")
        if self.paused:
            return Listening("paused")
        if self.proposal is not None:
            named = (self.proposal.characteristic,) if self.proposal.characteristic else ()
            return Listening("answer", self.proposal.position, named)
        return Listening("open", self.in_hand, self.asked)

    def grammar(self) -> Grammar:
        """Return the grammar in force."""
        return Grammar.build(self.plan, self.listening())

    def record(self) -> InspectionRecord | None:
        """Fold what was stored for the open job."""
        return fold(self.events).get(self.job) if self.job is not None else None

    def of_job(self, kind: str) -> tuple[Event, ...]:
        """Return the open job's events of one kind, oldest first."""
        return tuple(e for e in self.events if e.kind == kind and e.body["job"] == self.job)

    def bindings(self) -> dict[str, str]:
        """Return tag -> position of the open job."""
        return {e.body["tag"]: e.body["position"] for e in self.of_job("tag-bound")}


Outcome = tuple[Session, tuple[Action, ...]]


def say(session: Session, text: str, kind: str = "told") -> tuple[Session, Say]:
    said = Say(text, session.next_speech, kind)
    return replace(session, next_speech=session.next_speech + 1, last_said=text), said


def tell(session: Session, text: str, *before: Action, kind: str = "told") -> Outcome:
    session, said = say(session, text, kind)
    return session, (*before, said)


def ask_again(session: Session, detail: str, reason: str) -> Outcome:
    """Refuse what was heard, say why in a few words; what was asked before stays asked."""
    said = Say(f"{detail[:1].upper()}{detail[1:]}. Say again.", session.next_speech, "asked again", reason)
    return replace(session, next_speech=session.next_speech + 1), (Tone("refused"), said)


def sentence(text: str) -> str:
    return text[:1].upper() + (text[1:] if text.endswith((".", "?")) else f"{text[1:]}.")


def last_reading(session: Session) -> Event | None:
    return next(reversed(session.of_job("reading-taken")), None)


def current(session: Session, position: str, characteristic: str) -> Event | None:
    """Return the reading in force at a place, None when it has none."""
    here = (position, characteristic)
    readings = reversed(session.of_job("reading-taken"))
    return next((e for e in readings if (e.body["position"], e.body["characteristic"]) == here), None)
