"""Drives the dialogue in tests: says words, shows tags, treads the pedal, keeps events in memory.

The disk is a list here and speech takes one second of the test's own clock; engines and devices have their
own tests. Not a test module.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
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
GAUGE_PLAN = """\
schema = 1

[plan]
id = "gauged"
title = "Collar, shoes and rings, gauged"
machine = "Aldermoor Weir, unit 2"
unit_system = "inch"

[[caution]]
text = "Isolate the machine first."

[[gauge]]
id = "shoe-micrometer"
title = "micrometer one to two inches"
unit = "in"
resolution = "0.001"
lower = "1"
upper = "2"
due = "2026-03-31"

[[gauge]]
id = "collar-dial"
title = "dial indicator"
unit = "in"
resolution = "0.0005"
lower = "-0.5"
upper = "0.5"

[[gauge]]
id = "fine-gauge"
title = "fine bore gauge"
unit = "in"
resolution = "0.00005"
lower = "5"
upper = "6"

[[gauge]]
id = "rule"
title = "steel rule"
unit = "in"
resolution = "0.01"

[[group]]
id = "outboard-shoe"
spoken = "outboard shoe"
count = 3

[[group]]
id = "thrust-collar"
spoken = "thrust collar"

[[group]]
id = "seal-ring"
spoken = "seal ring"
count = 2

[[characteristic]]
id = "shoe-thickness"
title = "shoe thickness"
spoken = "thickness"
groups = ["outboard-shoe"]
unit = "in"
decimals = 3
gauge = "shoe-micrometer"
limits = { lower = "1.246", upper = "1.254", source = "invented for the test", standing = "plan author" }
temperature = { material = "carbon and low-alloy steel" }

[[characteristic]]
id = "collar-runout"
title = "collar runout"
spoken = "runout"
groups = ["thrust-collar"]
unit = "in"
decimals = 4
signed = true
gauge = "collar-dial"

[[characteristic]]
id = "seal-bore"
title = "seal ring bore"
spoken = "bore"
groups = ["seal-ring"]
unit = "in"
decimals = 4

[[characteristic]]
id = "seal-shaft"
title = "shaft under the seal ring"
spoken = "shaft"
groups = ["seal-ring"]
unit = "in"
decimals = 4

[[characteristic]]
id = "seal-gap"
title = "seal ring clearance by feeler"
spoken = "gap"
groups = ["seal-ring"]
unit = "thou"
decimals = 0
beside = "seal-clearance"
limits = { lower = "3", upper = "6", source = "invented for the test", standing = "plan author" }

[[derived]]
id = "seal-clearance"
title = "seal ring clearance"
rule = "clearance"
groups = ["seal-ring"]
unit = "thou"
inputs = { bore = "seal-bore", shaft = "seal-shaft" }
"""
"""The demo's parts with gauges: one named and overdue from April on, one with a zero, one finer than the plan wants."""


def demo_plan() -> InspectionPlan:
    """Return the demo's inspection plan."""
    return load(PLAN.read_text(encoding="utf-8"), name="plan.toml")


def gauge_plan(*swaps: tuple[str, str]) -> InspectionPlan:
    """Return the plan with gauges; `swaps`: texts of it and what stands in their place."""
    text = GAUGE_PLAN
    for old, new in swaps:
        assert old in text, old
        text = text.replace(old, new)
    return load(text, name="gauges.toml")


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
    today: date | None = None  # what the bench's clock says, when it can be believed

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
        self.give(TagSeen(tag(kind, id_), "QR Code", self.now_s, self.today))

    def tread(self) -> None:
        """A short press of the pedal."""
        self.now_s += 0.5
        self.give(PedalPressed(self.now_s))

    def open_job(self) -> Talk:
        """Badge and job tag."""
        self.show("B", "RK")
        self.show("J", JOB)
        return self

    def affirm(self, words: str) -> None:
        """Somebody calls `words` and affirms the readback."""
        self.say(words)
        self.say("affirm")

    @property
    def readings(self) -> list[tuple[str, str, str]]:
        """(position, value, unit) of the reading events on disk, in order."""
        taken = [e.body for e in self.events if e.kind == "reading-taken"]
        return [(b["position"], b["quantity"]["text"], b["quantity"]["unit"]) for b in taken]

    @property
    def text(self) -> str:
        """All that was said to the last input."""
        return " ".join(say.text for say in self.said)
