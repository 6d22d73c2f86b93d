"""A scripted shift played to a real bench in virtual time.

`Shop` stands in for the room: it is the microphone (noise between calls, calls from files, the bench's
own voice mixed back in), the camera (pictures from files), the pedal and the loudspeaker. Its clock is
the count of samples it has given out. `Mechanic` follows the manifest as a person would: next thing once
the bench has fallen silent. After each step what the bench did is compared with the manifest.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from capture.app import FRAME, Bench, Step, read_sound
from capture.domain.events import quantity_of
from capture.domain.identifiers import parse
from capture.domain.record import Entry, InspectionRecord
from capture.errors import RehearsalError
from capture.speech.words import RATE_HZ, Samples

ECHO_GAIN = 0.25
"""How loud the bench's own voice comes back into its microphone (about -12 dB)."""
ECHO_DELAY = 480
"""Samples (30 ms) by which it comes back later."""
HUM_LEVEL = 60.0
"""Root mean square of the noise between calls, in int16 steps (about -55 dBFS)."""


@dataclass(frozen=True, slots=True)
class ShiftStep:
    """One step of the manifest: `kind` "say", "noise", "tag", "tags" or "pedal"; the rest as in the file."""

    number: int
    kind: str
    expect: str
    fields: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Shift:
    """A manifest: steps in order and what must be in the record at the end."""

    folder: Path
    plan_file: str
    job: str
    steps: tuple[ShiftStep, ...]
    expected: Mapping[str, Any]


def read_shift(folder: Path) -> Shift:
    """Read `shift.toml` in `folder`.

    Raises:
        RehearsalError: missing, not TOML, or a step of an unknown kind.
    """
    path = folder / "shift.toml"
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise RehearsalError(f"Shift {path} cannot be read ({error.strerror}); give the demo_audio folder") from None
    except tomllib.TOMLDecodeError as error:
        raise RehearsalError(f"Shift {path} is not TOML ({error}); mend the file") from None
    steps: list[ShiftStep] = []
    for number, fields in enumerate(data.get("step", []), 1):
        if fields.get("kind") not in ("say", "noise", "tag", "tags", "pedal"):
            raise RehearsalError(f"Step {number} of {path} has kind {fields.get('kind')!r}; use say, noise, tag, pedal")
        steps.append(ShiftStep(number, fields["kind"], fields.get("expect", ""), fields))
    expected = {key: value for key, value in data.items() if key.startswith("expected")}
    try:
        head = data["shift"]
        return Shift(folder, head["plan"], head["job"], tuple(steps), expected)
    except (KeyError, TypeError):
        raise RehearsalError(f"Shift {path} has no [shift] with plan and job; add them") from None


class Shop:
    """The room in virtual time; see the module."""

    def __init__(self, *, seed: int = 20) -> None:
        self._random = np.random.default_rng(seed)
        self._now = 0
        self._voice_until = 0
        self._coming = np.zeros(0, dtype=np.float32)  # what will reach the microphone, from now on
        self._pictures: list[NDArray[np.uint8]] = []
        self._picture_turn = 0
        self._hum = 0.0
        self.heard: list[Samples] = []  # the whole microphone stream
        self.spoken: list[tuple[int, Samples]] = []  # (start sample, sound) of the bench's own voice

    @property
    def now_s(self) -> float:
        """Virtual time."""
        return self._now / RATE_HZ

    # as a loudspeaker

    def play(self, samples: Samples) -> None:
        """Queue a sound of the bench; its echo will reach the microphone."""
        start = max(self._voice_until, self._now)
        self.spoken.append((start, samples))
        self._mix(samples, start - self._now + ECHO_DELAY, ECHO_GAIN)
        self._voice_until = start + len(samples)

    @property
    def is_playing(self) -> bool:
        """Whether the bench can still be heard."""
        return self._now < self._voice_until

    # as a room with people in it

    def speak(self, samples: Samples) -> float:
        """A person speaks, or something bangs, from now on; return when it will be over (s)."""
        self._mix(samples, 0, 1.0)
        return (self._now + len(samples)) / RATE_HZ

    def show(self, pictures: Sequence[NDArray[np.uint8]]) -> None:
        """Hold something in front of the camera; an empty list takes it away."""
        self._pictures = list(pictures)
        self._picture_turn = 0

    # as a microphone and a camera

    def frame(self) -> Samples:
        """Give the next 32 ms of the microphone and move time on."""
        if len(self._coming) < FRAME:
            self._coming = np.concatenate([self._coming, np.zeros(FRAME, dtype=np.float32)])
        white = self._random.standard_normal(FRAME).astype(np.float32)
        noise = np.empty(FRAME, dtype=np.float32)
        for i in range(FRAME):  # first-order low-pass: more rumble than hiss
            self._hum = 0.9 * self._hum + white[i]
            noise[i] = self._hum
        mixed = self._coming[:FRAME] + noise * (HUM_LEVEL * 0.436)  # 0.436: keeps the root mean square
        self._coming = self._coming[FRAME:]
        self._now += FRAME
        out: Samples = np.clip(np.round(mixed), -32768, 32767).astype(np.int16)
        self.heard.append(out)
        return out

    def picture(self) -> NDArray[np.uint8] | None:
        """Give the camera's next picture, None when nothing is held in view."""
        if not self._pictures:
            return None
        self._picture_turn += 1
        return self._pictures[(self._picture_turn - 1) % len(self._pictures)]

    def _mix(self, samples: Samples, offset: int, gain: float) -> None:
        end = offset + len(samples)
        if end > len(self._coming):
            self._coming = np.concatenate([self._coming, np.zeros(end - len(self._coming), dtype=np.float32)])
        self._coming[offset:end] += samples.astype(np.float32) * gain


@dataclass(slots=True)
class Mechanic:
    """Follows the manifest: starts the next step when the bench has been silent for a moment."""

    shop: Shop
    shift: Shift
    bench: Bench
    pause_s: float = 0.6
    answer_s: float = 1.4
    index: int = -1
    busy_until_s: float = 0.5
    quiet_since_s: float = 0.0

    def is_ready(self) -> bool:
        """Whether the bench has been silent long enough for the next step."""
        now = self.shop.now_s
        if self.shop.is_playing:
            self.quiet_since_s = now
            return False
        return now >= self.busy_until_s and now >= self.quiet_since_s + self.pause_s

    def next_step(self) -> ShiftStep | None:
        """Put down what was held in view and return the next step, None when there is none."""
        self.shop.show([])
        self.index += 1
        return self.shift.steps[self.index] if self.index < len(self.shift.steps) else None

    def act(self, step: ShiftStep) -> None:
        """Speak, show or tread as the step says."""
        folder, now = self.shift.folder, self.shop.now_s
        if step.kind in ("say", "noise"):
            self.busy_until_s = self.shop.speak(read_sound(folder / step.fields["file"])) + self.answer_s
        elif step.kind in ("tag", "tags"):
            self.shop.show([_read_picture(folder / name) for name in step.fields["frames"]])
            self.busy_until_s = now + 1.5
        else:
            self.bench.pedal_down()
            self.bench.pedal_up(was_long=step.fields.get("press") == "long")
            self.busy_until_s = now + 0.2


def _read_picture(path: Path) -> NDArray[np.uint8]:
    import cv2

    picture = cv2.imread(str(path), cv2.IMREAD_COLOR)
    if picture is None:
        raise RehearsalError(f"Picture {path} cannot be read; give a PNG or JPEG")
    return np.asarray(picture, dtype=np.uint8)


@dataclass(slots=True)
class Outcome:
    """What a played shift gave: `differences` is empty when all came out as the manifest says."""

    steps_played: int
    seconds: float
    differences: list[str] = field(default_factory=list)


def play(
    shop: Shop,
    bench: Bench,
    shift: Shift,
    seen: list[Step],
    *,
    begun: Callable[[ShiftStep], None] = lambda step: None,
) -> Outcome:
    """Play the shift to the bench and compare each step with the manifest.

    `seen` is the list the bench's watcher appends to.
    """
    mechanic = Mechanic(shop, shift, bench)
    outcome = Outcome(0, 0.0)
    current: ShiftStep | None = None
    mark = 0
    while True:
        if mechanic.is_ready():
            if current is not None:
                differences = compare(current, seen[mark:], bench)
                outcome.differences += [f"step {current.number}: {text}" for text in differences]
            current, mark = mechanic.next_step(), len(seen)
            if current is None:
                break
            outcome.steps_played += 1
            begun(current)
            mechanic.act(current)
        bench.hear(shop.frame())
        picture = shop.picture() if bench.frames % 8 == 0 else None
        if picture is not None:
            bench.see(picture)
    bench.finish()
    outcome.seconds = shop.now_s
    return outcome


def compare(step: ShiftStep, seen: Sequence[Step], bench: Bench) -> list[str]:
    """Return in words where the bench did something else than the step expects."""
    stored = [s for s in seen if s.kind == "stored"]
    said = [s for s in seen if s.kind == "said"]
    asked = [s for s in said if s.about == "asked again"]
    readbacks = [s for s in said if s.about == "readback"]
    kept = stored or readbacks
    word = step.expect.partition(" ")[0]
    came_out = {
        "proposal": lambda: not stored and _proposed(step, seen),
        "stored": lambda: bool(stored),
        "badge": lambda: _event_has(stored, "badge-read", "person", step.expect),
        "job": lambda: _event_has(stored, "job-opened", "job", step.expect),
        "bound": lambda: _event_has(stored, "tag-bound", "position", step.expect),
        "new": lambda: not stored and bench.session.loose_tag is not None,
        "in": lambda: not kept and not asked and bench.session.in_hand == step.expect.removeprefix("in hand "),
        "asked": lambda: not kept and any(a.reason == step.fields["reason"] for a in asked),
        "refused": lambda: not kept and any(step.expect.removeprefix("refused ") in a.text.lower() for a in asked),
        "ignored": lambda: not said and not stored,
        "not": lambda: not kept,
        "dropped": lambda: bool(said) and not kept and not asked and bench.session.proposal is None,
        "command": lambda: bool(said) and not stored and not asked,
    }.get(word)
    if came_out is None:
        return [f"nobody knows what expect = {step.expect!r} means; use one of the words in the manifest's head"]
    if came_out():
        return []
    did = "; ".join(f"{s.kind} {s.text}" for s in seen) or "nothing"
    return [f"wanted {step.expect!r} for {step.fields.get('words', step.kind)!r}; the bench did: {did}"]


def _event_has(stored: Sequence[Step], kind: str, name: str, expect: str) -> bool:
    wanted = expect.split()[-1]
    return any(s.event is not None and s.event.kind == kind and s.event.body[name] == wanted for s in stored)


def _proposed(step: ShiftStep, seen: Sequence[Step]) -> bool:
    fields = step.fields
    for proposal in (s.proposal for s in seen if s.proposal is not None):
        if "finding" in fields:
            same = (proposal.position, proposal.finding, proposal.severity) == (
                fields["position"],
                fields["finding"],
                fields.get("severity"),
            )
        else:
            same = proposal.quantity is not None and (
                proposal.position,
                proposal.characteristic,
                proposal.quantity.text,
                proposal.quantity.unit,
            ) == (fields["position"], fields["characteristic"], fields["value"], fields["unit"])
        if same:
            return True
    return False


def compare_record(shift: Shift, record: InspectionRecord) -> list[str]:
    """Return in words where the record differs from what the manifest expects, both ways."""
    wanted = shift.expected
    readings = {
        (r["position"], r["characteristic"]): (r["value"], r["unit"], r["verdict"], r.get("by"), r.get("corrects"))
        for r in wanted.get("expected_reading", [])
    }
    got = {(e.position, e.characteristic): _as_expected(e) for e in record.entries}
    differences = _differ("reading", readings, got)
    derived = {(d["position"], d["derived"]): (d["value"], d["verdict"]) for d in wanted.get("expected_derived", [])}
    got_derived = {(d.position, d.derived): (d.text, d.verdict.kind) for d in record.derived}
    differences += _differ("derived value", derived, got_derived)
    findings = {(f["position"], f["finding"]): f.get("severity") for f in wanted.get("expected_finding", [])}
    got_findings = {(f.position, f.finding): f.severity for f in record.findings}
    differences += _differ("finding", findings, got_findings)
    bindings = {b["position"]: parse(b["tag"]).id for b in wanted.get("expected_binding", [])}
    got_bindings = {position: parse(tag).id for position, tag in record.tags}
    return differences + _differ("tag", bindings, got_bindings)


def _as_expected(entry: Entry) -> tuple[str, str, str, str, str | None]:
    corrected = quantity_of(entry.history[-1]).text if entry.history else None
    return entry.quantity.text, entry.quantity.unit, entry.verdict.kind, entry.reading.body["by"], corrected


def _differ(noun: str, wanted: Mapping[Any, Any], got: Mapping[Any, Any]) -> list[str]:
    missing = [
        f"{noun} {key}: wanted {value}, the record has {got.get(key)}"
        for key, value in wanted.items()
        if value != got.get(key)
    ]
    extra = [f"{noun} {key}: the record has {got[key]}, not wanted" for key in got if key not in wanted]
    return missing + extra
