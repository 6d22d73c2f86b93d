"""What goes into the dialogue and what comes out: plain frozen data.

Times are seconds of the microphone's stream.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from capture.domain.events import Event
from capture.domain.units import Quantity
from capture.speech.words import Hearing

# ---- inputs ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Heard:
    """An utterance was recognised; `clip` is the digest of its kept audio."""

    hearing: Hearing
    clip: str | None = None


@dataclass(frozen=True, slots=True)
class Typed:
    """A line from the keyboard, in the words a person would say."""

    text: str
    at_s: float


@dataclass(frozen=True, slots=True)
class SpokenOver:
    """Somebody spoke while the bench was speaking; nothing of it was kept."""

    at_s: float


@dataclass(frozen=True, slots=True)
class TagSeen:
    """A tag was read twice alike. `text` is the raw payload; `today` None when the clock cannot be believed."""

    text: str
    symbology: str
    at_s: float
    today: date | None = None


@dataclass(frozen=True, slots=True)
class TagsRefused:
    """The camera saw something that may not count ("two tags in view")."""

    reason: str
    at_s: float


@dataclass(frozen=True, slots=True)
class PedalPressed:
    """A short press of the pedal that began at `at_s`."""

    at_s: float


@dataclass(frozen=True, slots=True)
class PedalHeld:
    """A long press: drop what is pending."""

    at_s: float


@dataclass(frozen=True, slots=True)
class SpeechEnded:
    """The bench finished saying `speech` at `at_s`."""

    speech: int
    at_s: float


@dataclass(frozen=True, slots=True)
class Stored:
    """An event is on the disk."""

    event: Event
    at_s: float


@dataclass(frozen=True, slots=True)
class StoreFailed:
    """Nothing was written; `reason` in few words to speak."""

    reason: str
    at_s: float


@dataclass(frozen=True, slots=True)
class Fault:
    """A device failed; `reason` in few words to speak and show."""

    reason: str
    at_s: float


Input = (
    Heard
    | Typed
    | SpokenOver
    | TagSeen
    | TagsRefused
    | PedalPressed
    | PedalHeld
    | SpeechEnded
    | Stored
    | StoreFailed
    | Fault
)


# ---- actions -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Say:
    """Speak `text`; `speech` numbers it so that its end can be told. `kind`: "readback", "asked again", "stored"
    (verdicts included), "told" or "fault". `reason`: why it asks again, in one fixed word or two."""

    text: str
    speech: int
    kind: str = "told"
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Tone:
    """Sound a tone: "ready", "heard", "stored", "refused"."""

    kind: str


@dataclass(frozen=True, slots=True)
class Record:
    """Append an event; the answer is `Stored` or `StoreFailed`."""

    kind: str
    body: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Show:
    """Put a line on the screen. `kind`: "working", "caution", "ready" (an answer counts from now on), "left" or
    "told"."""

    text: str
    kind: str = "told"


@dataclass(frozen=True, slots=True)
class Ignored:
    """Nothing happens; said to the watcher only, so that a rehearsal can check it."""

    reason: str


Action = Say | Tone | Record | Show | Ignored


# ---- what waits -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class GaugeCheck:
    """A gauge held against its standard, or dropped, or called bad. `result`: "good", "bad" or "dropped"."""

    gauge: str
    result: str
    standard: Quantity | None = None
    reading: Quantity | None = None


@dataclass(frozen=True, slots=True)
class Statement:
    """Something said that becomes an event of `kind` once it was read back and affirmed.

    `body`: the fields of the kind beyond `events.SAID`; `text`: what is read back.
    """

    kind: str
    body: Mapping[str, Any]
    text: str


@dataclass(frozen=True, slots=True)
class Proposal:
    """What was understood and waits for a person's answer; not yet a reading.

    `quantity` for a reading, `finding` / `severity` for a finding, `goes` / `does_not` for an interval, `check` for a
    gauge, `temperature_of` ("part", "gauge") with `quantity` for a temperature, `statement` for all else; `position`
    is "" where no part is meant.
    `replaces`: the sequence it corrects, or reads anew when `is_again`. `gauge`: what it was read with.
    `readback`: the speech that reads it back; `ready_s`: when that ended, None while it is still being said.
    `wants_another`: the value is physically unlikely and one more affirm was asked for.
    """

    position: str
    characteristic: str | None
    quantity: Quantity | None
    finding: str | None
    severity: str | None
    replaces: int | None
    words: str
    engine: str
    model: str
    margin: float | None
    clip: str | None
    readback: int
    ready_s: float | None = None
    wants_another: bool = False
    gauge: str | None = None
    is_again: bool = False
    goes: Quantity | None = None
    does_not: Quantity | None = None
    check: GaugeCheck | None = None
    temperature_of: str | None = None
    statement: Statement | None = None

    @property
    def is_interval(self) -> bool:
        """Whether it is what goes and what does not."""
        return self.goes is not None or self.does_not is not None
