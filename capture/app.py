"""One bench: devices in, one loop, log and voice out. The only place where capture meets hardware.

`Bench` is driven by microphone frames, whose count is its only clock, so the same program runs live and
in a rehearsal in virtual time. Everything that decides is in `session`; this carries inputs to it and
its actions out.
"""

from __future__ import annotations

import hashlib
import os
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from capture import dialogue as talk
from capture.barcode import TagRead, TagRefusal, TagWatcher
from capture.domain.events import Event
from capture.domain.identifiers import is_ours
from capture.errors import AudioError, StoreError
from capture.session import Session, handle
from capture.speech.endpoint import Endpointer, SpokenOver
from capture.speech.voice import tone
from capture.speech.words import RATE_HZ, Hearing, Recogniser, Samples, Utterance
from capture.store.eventlog import EventLog, sync_folder

FRAME = 512
"""Samples in one frame: 32 ms."""


class Voice(Protocol):
    """Text to sound."""

    def speak(self, text: str) -> Samples:
        """Return the spoken text, int16, 16 kHz."""


class Speaker(Protocol):
    """A loudspeaker or earpiece; `hardware.speaker` and the fakes fit."""

    def play(self, samples: Samples) -> None:
        """Start playing; sounds queue."""

    @property
    def is_playing(self) -> bool:
        """Whether anything is still to be heard."""


@dataclass(frozen=True, slots=True)
class Step:
    """One thing that happened, told to whoever watches. `kind`: "heard", "tag", "typed", "pedal", "said",
    "stored", "shown", "ignored", "not stored". `about`: what a said text is, see `session.Say.kind`;
    `proposal`: what is pending after a readback was begun."""

    at_s: float
    kind: str
    text: str
    event: Event | None = None
    hearing: Hearing | None = None
    about: str = ""
    reason: str = ""
    proposal: talk.Proposal | None = None


class ClipStore:
    """Keeps utterance audio as FLAC named by its digest, written and synced before the event that names it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise StoreError(f"Folder {folder} cannot be made ({error.strerror}); give another place") from None

    def keep(self, samples: Samples) -> str:
        """Write the clip, return the SHA-256 of its samples' bytes.

        Raises:
            StoreError: the disk did not take it.
        """
        import soundfile  # type: ignore[import-untyped]

        digest = hashlib.sha256(samples.astype("<i2").tobytes()).hexdigest()
        path = self.folder / f"{digest}.flac"
        if path.exists():
            return digest
        part = path.with_suffix(".part")
        try:
            with open(part, "wb") as file:
                soundfile.write(file, samples, RATE_HZ, format="FLAC", subtype="PCM_16")
                file.flush()
                os.fsync(file.fileno())
            os.replace(part, path)
            sync_folder(self.folder)
        except (OSError, soundfile.SoundFileError) as error:
            part.unlink(missing_ok=True)
            raise StoreError(f"Clip {digest[:12]} was not written ({error}); make room or check the disk") from None
        return digest


class Bench:
    """A running bench.

    Args:
        session: where to start; see `session.restore`.
        clock: returns (ISO 8601 UTC text, whether the clock could be believed).
        watch: called with every `Step`.
    """

    def __init__(
        self,
        *,
        session: Session,
        log: EventLog,
        clips: ClipStore,
        recogniser: Recogniser,
        endpointer: Endpointer,
        voice: Voice,
        speaker: Speaker,
        clock: Callable[[], tuple[str, bool]],
        watch: Callable[[Step], None],
    ) -> None:
        self.session = session
        self._log = log
        self._clips = clips
        self._recogniser = recogniser
        self._endpointer = endpointer
        self._voice = voice
        self._speaker = speaker
        self._clock = clock
        self._watch = watch
        self._tags = TagWatcher()
        self.frames = 0
        self._inbox: deque[talk.Input] = deque()
        self._sounding: deque[int] = deque()  # speeches handed to the speaker, in order
        self._pedal_down_s: float | None = None
        self._pedal_answers = False

    @property
    def now_s(self) -> float:
        """Stream time: samples heard over the rate."""
        return self.frames * FRAME / RATE_HZ

    @property
    def is_speaking(self) -> bool:
        """Whether the bench's own voice or tones can still be heard."""
        return self._speaker.is_playing

    # ---- what comes in

    def hear(self, frame: Samples) -> None:
        """Take one microphone frame and do all that follows from it."""
        own_voice = self._speaker.is_playing
        if not own_voice:
            self._end_of_speech()
        talking = self._pedal_down_s is not None and not self._pedal_answers
        pedal = True if talking else None
        for cut in self._endpointer.push(frame, own_voice=own_voice, pedal=pedal):
            self._take(cut)
        self.frames += 1
        self._run()

    def see(self, picture: NDArray[np.uint8]) -> None:
        """Take one camera picture."""
        found = self._tags.see(picture, self.now_s)
        if isinstance(found, TagRead):
            self._tell("tag", f"{found.symbology}: {found.text}")
            self.give(talk.TagSeen(found.text, found.symbology, self.now_s, self._today()))
        elif isinstance(found, TagRefusal):
            self._tell("tag", f"refused: {found.reason}")
            self.give(talk.TagsRefused(found.reason, self.now_s))

    def pedal_down(self) -> None:
        """The pedal is down: an answer while something is proposed, else the start of a call. Saying so twice is
        harmless."""
        if self._pedal_down_s is not None:
            return
        self._pedal_down_s = self.now_s
        self._pedal_answers = self.session.proposal is not None

    def pedal_up(self, *, was_long: bool) -> None:
        """The pedal came up; a long press drops what is pending."""
        if self._pedal_down_s is None:
            return
        down_s, self._pedal_down_s = self._pedal_down_s, None
        if self._pedal_answers:
            self._tell("pedal", "long press" if was_long else "press")
            self.give(talk.PedalHeld(down_s) if was_long else talk.PedalPressed(down_s))

    def type(self, text: str) -> None:
        """Take a typed line in place of a call, or a tag's text as a wired scanner types it."""
        if is_ours(text.strip()):
            self._tell("tag", f"typed: {text.strip()}")
            self.give(talk.TagSeen(text.strip(), "typed", self.now_s, self._today()))
            return
        self._tell("typed", text)
        self.give(talk.Typed(text, self.now_s))

    def give(self, given: talk.Input) -> None:
        """Hand an input to the session and do what it answers."""
        self._inbox.append(given)
        self._run()

    def finish(self) -> None:
        """The stream ended: take what is still open."""
        for cut in self._endpointer.flush():
            self._take(cut)
        self._run()

    # ---- inside

    def _take(self, cut: Utterance | SpokenOver) -> None:
        if isinstance(cut, SpokenOver):
            self._tell("heard", "(spoken over the bench's own voice)")
            self._inbox.append(talk.SpokenOver(cut.end_s))
            return
        hearing = self._recogniser.recognise(cut, self.session.grammar())
        self._tell("heard", hearing.text or "(nothing in the grammar)", hearing=hearing)
        clip: str | None = None
        if hearing.words:
            try:
                clip = self._clips.keep(cut.samples)
            except StoreError as error:
                self._tell("not stored", str(error))
                self._inbox.append(talk.Fault("The disk takes no audio. Type or stop.", self.now_s))
                return
        self._inbox.append(talk.Heard(hearing, clip))

    def _run(self) -> None:
        while self._inbox:
            self.session, actions = handle(self.session, self._inbox.popleft())
            for action in actions:
                self._do(action)

    def _do(self, action: talk.Action) -> None:
        match action:
            case talk.Say():
                pending = self.session.proposal if action.kind == "readback" else None
                about, reason = action.kind, action.reason
                self._watch(Step(self.now_s, "said", action.text, about=about, reason=reason, proposal=pending))
                self._speaker.play(self._voice.speak(action.text))
                self._sounding.append(action.speech)
            case talk.Tone():
                self._speaker.play(tone(action.kind))
            case talk.Record():
                self._record(action)
            case talk.Show():
                self._tell("shown", action.text)
            case talk.Ignored():
                self._tell("ignored", action.reason)

    def _record(self, action: talk.Record) -> None:
        at, synchronised = self._clock()
        try:
            event = self._log.append(action.kind, action.body, at=at, clock_synchronised=synchronised)
        except StoreError as error:
            self._tell("not stored", str(error))
            self._inbox.append(talk.StoreFailed("The disk did not take it.", self.now_s))
            return
        self._tell("stored", f"event {event.sequence}, {event.kind}", event=event)
        self._inbox.append(talk.Stored(event, self.now_s))

    def _today(self) -> date | None:
        """Return the date, None while the clock cannot be believed."""
        at, synchronised = self._clock()
        return date.fromisoformat(at[:10]) if synchronised else None

    def _end_of_speech(self) -> None:
        """Everything handed to the speaker has been heard: tell the session which texts ended."""
        while self._sounding:
            self._inbox.append(talk.SpeechEnded(self._sounding.popleft(), self.now_s))

    def _tell(self, kind: str, text: str, *, event: Event | None = None, hearing: Hearing | None = None) -> None:
        self._watch(Step(self.now_s, kind, text, event, hearing))


def read_sound(path: Path) -> Samples:
    """Read a sound file as int16 mono 16 kHz.

    Raises:
        AudioError: the file is missing, not audio, or of another rate or channel count.
    """
    import soundfile

    try:
        samples, rate = soundfile.read(path, dtype="int16")
    except (OSError, soundfile.SoundFileError) as error:
        raise AudioError(f"Sound file {path} cannot be read ({error}); give a FLAC or WAV file") from None
    if rate != RATE_HZ or samples.ndim != 1:
        channels = 1 if samples.ndim == 1 else samples.shape[1]
        raise AudioError(f"Sound file {path} has {rate} Hz and {channels} channel(s); make it {RATE_HZ} Hz mono")
    return np.asarray(samples, dtype=np.int16)
