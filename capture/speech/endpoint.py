"""Cut utterances out of the microphone's stream, and keep the bench's own voice out of them.

Pure, given the voice activity: no clock, no device. Time is the number of samples pushed so far.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from capture.errors import AudioError
from capture.speech._level import DEAD_AFTER_S, is_clipped, is_dead, level_dbfs
from capture.speech.words import RATE_HZ, Samples, Utterance

__all__ = [
    "DEAD_AFTER_S",
    "FRAME",
    "EndpointSettings",
    "Endpointer",
    "SpokenOver",
    "is_clipped",
    "is_dead",
    "level_dbfs",
]

FRAME = 512
"""Samples in a frame (32 ms at 16 kHz)."""
FRAME_S = FRAME / RATE_HZ


@dataclass(frozen=True, slots=True)
class SpokenOver:
    """Somebody spoke while the bench spoke, and went on: nothing of it may count, but it must be asked again.

    `start_s`, `end_s`: of the speech in the stream.
    """

    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class EndpointSettings:
    """Rules of cutting, in seconds unless named otherwise.

    `speech_at`, `silence_at`: probability at which speech begins, and below which a frame is silence.
    `least_speech_s`: less speech than this is a knock. `trailing_silence_s`: so much silence ends an utterance.
    `pre_roll_s`, `post_roll_s`: kept before and after the speech (the voice activity is up to 0.36 s late on soft
    beginnings of single words by people, 0.13 s in nineteen of twenty). `longest_s`: an utterance is cut off there.
    `held_before_s`: of a pedal held before anything is said, so much is kept.
    `own_voice_tail_s`: what starts so soon after the bench's own voice is taken for its echo.
    `echo_s`: what runs on past the own voice for longer is somebody speaking, not echo.
    `echo_gap_s`: so much silence after the own voice ends its echo.
    `broken_into_s`: so much speech that the bench then spoke into is told, not dropped.
    """

    speech_at: float = 0.5
    silence_at: float = 0.35
    least_speech_s: float = 0.09
    trailing_silence_s: float = 0.7
    pre_roll_s: float = 0.4
    post_roll_s: float = 0.3
    longest_s: float = 12.0
    held_before_s: float = 1.5
    own_voice_tail_s: float = 0.15
    echo_s: float = 0.4
    echo_gap_s: float = 0.1
    broken_into_s: float = 0.3


@dataclass(slots=True)
class _Stretch:
    """Speech going on. Numbers are of frames; `first` and `last` are its first and last frame with speech.

    `tainted`: it began under the bench's own voice, or the bench began to speak during it; `broken_into`: the
    latter, after more than a word had been said. `cut`: it ran into
    the longest allowed and its utterance is out; the rest, until a pause, is nobody's. `held`: by the pedal.
    """

    first: int
    last: int
    spoken: int = 1
    tainted: bool = False
    broken_into: bool = False
    cut: bool = False
    held: bool = False


@dataclass(slots=True)
class _Own:
    """When the bench last spoke: number of the first frame after it; -1 never."""

    speaking: bool = False
    over_at: int = -1


@dataclass(slots=True)
class Endpointer:
    """Frames in, utterances out.

    Args:
        vad: frame -> probability of speech, 0 to 1; called once for each frame, in order.
    """

    vad: Callable[[Samples], float]
    settings: EndpointSettings = field(default_factory=EndpointSettings)
    _kept: deque[Samples] = field(default_factory=deque, init=False)
    _kept_from: int = field(default=0, init=False)
    _now: int = field(default=0, init=False)
    _used_until: int = field(default=0, init=False)
    _stretch: _Stretch | None = field(default=None, init=False)
    _own: _Own = field(default_factory=_Own, init=False)
    _pedal: bool | None = field(default=None, init=False)
    _pedal_at: int = field(default=0, init=False)

    @property
    def time_s(self) -> float:
        """Seconds of stream pushed so far."""
        return self._now * FRAME_S

    @property
    def is_hearing_speech(self) -> bool:
        """Whether an utterance is going on (own voice and its echo do not count)."""
        return self._stretch is not None and not self._stretch.tainted and not self._stretch.cut

    def push(self, frame: Samples, *, own_voice: bool, pedal: bool | None = None) -> list[Utterance | SpokenOver]:
        """Take the next frame; return what ended with it.

        Args:
            frame: int16, shape (512,).
            own_voice: whether the bench's speaker was on during any of it.
            pedal: None: voice activity decides; True or False: held or not, and only that decides.

        Raises: AudioError when the frame is not of that shape.
        """
        if frame.shape != (FRAME,):
            raise AudioError(f"Audio frame has shape {frame.shape}; it must be ({FRAME},)")
        found: list[Utterance | SpokenOver] = []
        if (pedal is None) != (self._pedal is None):
            found += self._finish("pedal")
        self._keep(frame)
        self._note_own_voice(own_voice)
        probability = self.vad(frame)
        if pedal is None:
            found += self._by_voice(probability)
        else:
            found += self._by_pedal(probability, pedal)
        self._pedal = pedal
        self._now += 1
        return found

    def flush(self) -> list[Utterance | SpokenOver]:
        """End the stream: return what was still going on."""
        return self._finish("stream")

    def _frames(self, seconds: float) -> int:
        return max(1, round(seconds / FRAME_S))

    def _keep(self, frame: Samples) -> None:
        self._kept.append(frame.copy())
        begins = self._now
        if self._stretch is not None and not (self._stretch.tainted or self._stretch.cut):
            begins = self._stretch.first
        if self._pedal:
            begins = min(begins, max(self._pedal_at, begins - self._frames(self.settings.held_before_s)))
        earliest = begins - self._frames(self.settings.pre_roll_s)
        while self._kept_from < earliest:
            self._kept.popleft()
            self._kept_from += 1

    def _note_own_voice(self, own_voice: bool) -> None:
        self._own.speaking = own_voice
        if own_voice:
            self._own.over_at = self._now + 1
            stretch = self._stretch
            if stretch is not None and not stretch.tainted:
                stretch.tainted = True
                stretch.broken_into = stretch.spoken >= self._frames(self.settings.broken_into_s)

    def _is_guarded(self) -> bool:
        """Whether what starts in this frame starts under the own voice or in its tail."""
        if self._own.over_at < 0:
            return False
        return self._now < self._own.over_at + self._frames(self.settings.own_voice_tail_s)

    def _by_voice(self, probability: float) -> list[Utterance | SpokenOver]:
        stretch, settings = self._stretch, self.settings
        if stretch is None:
            if probability >= settings.speech_at:
                self._stretch = _Stretch(self._now, self._now, tainted=self._is_guarded())
            return []
        if probability >= settings.silence_at:
            stretch.last = self._now
            stretch.spoken += probability >= settings.speech_at
            if self._now + 1 - stretch.first >= self._frames(settings.longest_s) and not stretch.cut:
                return self._cut_off(stretch)
            return []
        silent = self._now - stretch.last
        if stretch.tainted and not self._own.speaking and not self._ran_on(stretch):
            return self._finish("silence") if silent >= self._frames(settings.echo_gap_s) else []
        return self._finish("silence") if silent >= self._frames(settings.trailing_silence_s) else []

    def _by_pedal(self, probability: float, held: bool) -> list[Utterance | SpokenOver]:
        found: list[Utterance | SpokenOver] = []
        if held and not self._pedal:
            self._pedal_at = self._now
            self._stretch = None
        if held:
            self._hold(probability)
            stretch = self._stretch
            if stretch is not None and not stretch.cut:
                if self._now + 1 - stretch.first >= self._frames(self.settings.longest_s):
                    found += self._cut_off(stretch)
        elif self._pedal:
            found += self._finish("pedal")
        return found

    def _hold(self, probability: float) -> None:
        """Note speech while the pedal is held; a hold that began under the own voice is tainted whole."""
        stretch, spoken = self._stretch, probability >= self.settings.speech_at
        if stretch is None:
            if spoken:
                began = self._own.over_at >= 0 and self._pedal_at < self._own.over_at
                self._stretch = _Stretch(self._now, self._now, tainted=began or self._is_guarded(), held=True)
        elif spoken:
            stretch.last = self._now
            stretch.spoken += 1

    def _ran_on(self, stretch: _Stretch) -> bool:
        """Whether tainted speech went on past the own voice for longer than echo does."""
        return (stretch.last + 1 - self._own.over_at) * FRAME_S > self.settings.echo_s

    def _cut_off(self, stretch: _Stretch) -> list[Utterance | SpokenOver]:
        """Put out what has become too long; the rest, until a pause, is left out."""
        found = self._put_out(stretch, "length")
        stretch.cut = True
        return found

    def _finish(self, ended_by: str) -> list[Utterance | SpokenOver]:
        stretch, self._stretch = self._stretch, None
        if stretch is None or stretch.cut:
            return []
        return self._put_out(stretch, ended_by)

    def _put_out(self, stretch: _Stretch, ended_by: str) -> list[Utterance | SpokenOver]:
        start_s, end_s = stretch.first * FRAME_S, (stretch.last + 1) * FRAME_S
        if stretch.tainted:
            is_speech = stretch.broken_into or self._ran_on(stretch)
            return [SpokenOver(start_s, end_s)] if is_speech else []
        if stretch.spoken < self._frames(self.settings.least_speech_s):
            return []
        begin, end = self._bounds(stretch, ended_by)
        frames = [self._kept[number - self._kept_from] for number in range(begin, end)]
        self._used_until = end
        return [Utterance(np.concatenate(frames), start_s, end_s, ended_by)]

    def _bounds(self, stretch: _Stretch, ended_by: str) -> tuple[int, int]:
        """First frame and the one after the last: with pre-roll and post-roll, never into the own voice."""
        first, last = stretch.first, stretch.last
        if stretch.held:
            earliest = stretch.first - self._frames(self.settings.held_before_s)
            first, last = max(earliest, min(first, self._pedal_at)), self._now - 1
        begin = first - self._frames(self.settings.pre_roll_s)
        begin = max(begin, self._kept_from, self._own.over_at, self._used_until)
        if stretch.held:
            return begin, last + 1
        newest = self._kept_from + len(self._kept)
        return begin, min(newest, last + 1 + self._frames(self.settings.post_roll_s))
