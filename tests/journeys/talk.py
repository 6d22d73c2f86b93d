"""Drives the dialogue in tests: says words, shows tags, treads the pedal, keeps events in memory.

The disk is a list here and speech takes one second of the test's own clock; engines and devices have their
own tests. Not a test module.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from capture.dialogue import (
    Action,
    Heard,
    Ignored,
    Input,
    PedalPressed,
    Record,
    Say,
    SpeechEnded,
    Stored,
    StoreFailed,
    TagSeen,
    Typed,
)
from capture.domain.events import FIRST_PREVIOUS, Event, checked_body
from capture.domain.identifiers import TagText, to_text
from capture.domain.plan import InspectionPlan, load
from capture.session import Session, handle
from capture.speech.words import Hearing

PLAN = Path(__file__).parents[2] / "demo_audio" / "plan.toml"
JOB = "AW2-THRUST"


def demo_plan() -> InspectionPlan:
    """Return the demo's inspection plan."""
    return load(PLAN.read_text(encoding="utf-8"), name="plan.toml")


def tag(kind: str, id_: str) -> str:
    """Return a tag's text with its check character."""
    return to_text(TagText(kind, id_))


@dataclass
class Talk:
    """One conversation. `events`: what is on the disk; `said`, `ignored`: since the last input."""

    session: Session = field(default_factory=lambda: Session(plans={JOB: demo_plan()}))
    now_s: float = 1.0
    events: list[Event] = field(default_factory=list)
    said: list[Say] = field(default_factory=list)
    ignored: list[str] = field(default_factory=list)
    actions: list[Action] = field(default_factory=list)
    disk_is_full: bool = False
    ends_speech: bool = True

    def give(self, given: Input) -> None:
        """Hand one input over and carry out what follows, as the bench program does."""
        self.said, self.ignored, self.actions = [], [], []
        self._step(given)
        if self.ends_speech:
            self.end_speech()

    def _step(self, given: Input) -> None:
        self.session, actions = handle(self.session, given)
        self.actions += actions
        for action in actions:
            if isinstance(action, Say):
                self.said.append(action)
            elif isinstance(action, Ignored):
                self.ignored.append(action.reason)
            elif isinstance(action, Record):
                self._step(self._append(action))

    def _append(self, record: Record) -> Stored | StoreFailed:
        if self.disk_is_full:
            return StoreFailed("The disk is full.", self.now_s)
        previous = self.events[-1].hash if self.events else FIRST_PREVIOUS
        body = checked_body(record.kind, record.body)
        event = Event(
            "bench-1", len(self.events) + 1, "2026-03-02T07:30:00.000Z", False, record.kind, body, previous
        )
        self.events.append(event)
        return Stored(event, self.now_s)

    def end_speech(self) -> None:
        """All that was said has been heard."""
        self.now_s += 1.0
        for say in self.said:
            self._step(SpeechEnded(say.speech, self.now_s))

    def say(self, words: str, *, margin: float = 9.0, score: float = -0.2, start_s: float | None = None) -> None:
        """Somebody speaks `words` and is heard as such."""
        start = self.now_s + 0.1 if start_s is None else start_s
        self.now_s = max(self.now_s, start) + 1.0
        heard = tuple(words.split())
        self.give(Heard(Hearing(heard, margin, score, "scripted", "none", start, self.now_s), clip="0" * 64))

    def type(self, text: str) -> None:
        """Somebody types a line."""
        self.now_s += 1.0
        self.give(Typed(text, self.now_s))

    def show(self, kind: str, id_: str) -> None:
        """Somebody shows a tag to the camera."""
        self.now_s += 1.0
        self.give(TagSeen(tag(kind, id_), "QR Code", self.now_s))

    def tread(self) -> None:
        """A short press of the pedal."""
        self.now_s += 0.5
        self.give(PedalPressed(self.now_s))

    def open_job(self) -> Talk:
        """Badge and job tag."""
        self.show("B", "RK")
        self.show("J", JOB)
        return self

    @property
    def readings(self) -> list[tuple[str, str, str]]:
        """(position, value, unit) of the reading events on disk, in order."""
        taken = [e.body for e in self.events if e.kind == "reading-taken"]
        return [(b["position"], b["quantity"]["text"], b["quantity"]["unit"]) for b in taken]

    @property
    def text(self) -> str:
        """All that was said to the last input."""
        return " ".join(say.text for say in self.said)
