"""Microphones: a sound card, or a sound file in its place.

All give frames of 512 samples (32 ms), int16, mono, 16 kHz, whatever the source's own rate.
"""

from __future__ import annotations

import queue
import time
from collections import deque
from collections.abc import Callable, Iterator
from importlib import import_module
from math import log10
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from hardware import _soundcard
from hardware._device import Device, DeviceBase
from hardware._resample import Resampler, resample
from hardware.errors import ClosedDevice, SourceUnreadable

RATE_HZ = 16_000
FRAME = 512
"""Samples in a frame: 32 ms."""

Samples = NDArray[np.int16]

QUIETEST_DBFS = -120.0
"""What the level meter shows for digital silence; 16 bits reach down to about -96."""

_HELD_S = 60
_METER_FRAMES = 16


class Microphone(Device, Protocol):
    """A source of frames."""

    @property
    def ended(self) -> bool:
        """Whether no frame will ever come again: a file was read to its end. Never true of a live device."""

    @property
    def level_dbfs(self) -> float:
        """Level of the last half second handed out, dB below full scale; `QUIETEST_DBFS` for silence."""

    def read(self, timeout_s: float) -> Samples | None:
        """Return the next frame, int16 (512,), or None when none came in time (s) or the source has ended.

        Raises:
            ClosedDevice: after `close()`.
            DeviceLost: the device stopped giving sound.
        """

    def frames(self) -> Iterator[Samples]:
        """Yield frames until the source ends or is closed."""


def level_dbfs(samples: Samples) -> float:
    """Return the root mean square level of samples in dB below full scale (a full-scale square wave is 0).

    >>> level_dbfs(np.full(512, 3277, dtype=np.int16))
    -20.0
    """
    if not len(samples):
        return QUIETEST_DBFS
    power = float(np.mean(np.square(samples.astype(np.float64) / 32768)))
    return QUIETEST_DBFS if power <= 0 else max(QUIETEST_DBFS, round(10 * log10(power), 1))


class MicrophoneBase(DeviceBase):
    """What every microphone shares: meter, closing, iteration. Subclasses give `_next` and `_release`."""

    KIND = "microphone"

    def __init__(self, name: str) -> None:
        super().__init__(name)
        self._recent: deque[Samples] = deque(maxlen=_METER_FRAMES)

    @property
    def ended(self) -> bool:
        """Whether no frame will ever come again."""
        return False

    @property
    def level_dbfs(self) -> float:
        """Level of the last half second handed out, dB below full scale."""
        return level_dbfs(np.concatenate(self._recent)) if self._recent else QUIETEST_DBFS

    def read(self, timeout_s: float) -> Samples | None:
        """Return the next frame or None; see `Microphone.read`."""
        self._must_be_open("reading")
        frame = self._next(timeout_s)
        if frame is not None:
            self._recent.append(frame)
        return frame

    def frames(self) -> Iterator[Samples]:
        """Yield frames until the source ends or is closed."""
        if self._closed:
            self.read(0)
        while not (self._closed or self.ended):
            try:
                frame = self.read(0.5)
            except ClosedDevice:
                return
            if frame is not None:
                yield frame

    def _next(self, timeout_s: float) -> Samples | None:
        raise NotImplementedError


class SoundcardMicrophone(MicrophoneBase):
    """A sound card's input through PortAudio (ALSA on the bench).

    Args:
        device: a device name or a part of one; None for the default device.
        rate_hz: rate to record at, Hz; None lets the card decide (16 kHz where it can). Other rates are resampled.
        lost_after_s: silence of the driver, not of the room, after which the device counts as lost, s.
        clock: seconds, monotonic; tests give their own.

    Raises:
        DeviceMissing: no such device, or it cannot be opened. `DriverMissing` when PortAudio is not installed.
    """

    def __init__(
        self,
        device: str | None = None,
        *,
        rate_hz: int | None = None,
        lost_after_s: float = 2.0,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        card = _soundcard.choose(device, "microphone", _soundcard.cards("microphone"))
        super().__init__(card.name)
        self._clock = clock
        self._lost_after_s = lost_after_s
        self._blocks: queue.Queue[Samples | None] = queue.Queue()
        self._held = np.zeros(0, dtype=np.int16)
        self._resampler: Resampler | None = None
        self._last_block_s = clock()
        self._came = self._taken = self._dropped = 0
        self._overflows = 0
        self.rate_hz = rate_hz or RATE_HZ
        self._stream = _soundcard.open_stream("microphone", card, rate_hz, 0.1, self._on_block)
        self.rate_hz = round(self._stream.samplerate)
        if self.rate_hz != RATE_HZ:
            self._resampler = Resampler(self.rate_hz, RATE_HZ)

    @property
    def dropped_s(self) -> float:
        """Seconds of sound thrown away because nobody read for a minute, or the driver ran over."""
        return self._dropped / self.rate_hz

    @property
    def overflows(self) -> int:
        """How often the driver said that it lost samples."""
        return self._overflows

    def _on_block(self, data: Any, frames: int, when: Any, flags: Any) -> None:
        """Take a block from PortAudio's thread; only copies and queues."""
        if flags and flags.input_overflow:
            self._overflows += 1
        self._last_block_s = self._clock()
        self._blocks.put(np.array(data[:, 0], dtype=np.int16))
        self._came += frames
        while self._came - self._taken - self._dropped > _HELD_S * self.rate_hz:
            try:
                oldest = self._blocks.get_nowait()
            except queue.Empty:
                return
            self._dropped += 0 if oldest is None else len(oldest)

    def _next(self, timeout_s: float) -> Samples | None:
        deadline = self._clock() + timeout_s
        while len(self._held) < FRAME:
            try:
                block = self._blocks.get(timeout=max(0.0, min(deadline - self._clock(), self._lost_after_s / 4)))
            except queue.Empty:
                silent_s = self._clock() - self._last_block_s
                if silent_s > self._lost_after_s:
                    raise _soundcard.lost("microphone", self._name, silent_s) from None
                if self._clock() >= deadline:
                    return None
                continue
            if block is None:
                return None
            self._taken += len(block)
            self._held = np.concatenate([self._held, self._resampler.push(block) if self._resampler else block])
        frame, self._held = self._held[:FRAME].copy(), self._held[FRAME:]
        return frame

    def _release(self) -> None:
        self._stream.close()
        self._blocks.put(None)


class WavMicrophone(MicrophoneBase):
    """A sound file (WAV or FLAC) in place of a microphone; several channels are mixed, other rates resampled.

    The last frame is filled up with silence.

    Args:
        path: the file.
        paced: give frames no faster than they would be spoken; False gives them as fast as they are read.
        clock, wait: seconds and how to wait for them; tests give their own.

    Raises:
        SourceUnreadable: the file is missing, empty or holds no sound that can be read.
    """

    def __init__(
        self,
        path: Path | str,
        *,
        paced: bool = False,
        clock: Callable[[], float] = time.monotonic,
        wait: Callable[[float], None] = time.sleep,
    ) -> None:
        super().__init__(f"file:{path}")
        samples = read_sound(path)
        self._frames = np.pad(samples, (0, -len(samples) % FRAME)).reshape(-1, FRAME)
        self._at = 0
        self._paced = paced
        self._clock, self._wait = clock, wait
        self._start_s = clock()

    @property
    def ended(self) -> bool:
        """Whether the file was read to its end."""
        return self._at >= len(self._frames)

    def _next(self, timeout_s: float) -> Samples | None:
        if self.ended:
            return None
        if self._paced:
            due_in_s = self._start_s + (self._at + 1) * FRAME / RATE_HZ - self._clock()
            if due_in_s > 0:
                self._wait(min(due_in_s, timeout_s))
                if due_in_s > timeout_s:
                    return None
        frame: Samples = self._frames[self._at].copy()
        self._at += 1
        return frame


def read_sound(path: Path | str, kind: str = "microphone") -> Samples:
    """Return a sound file as int16, shape (n,), mono, 16 kHz.

    Raises:
        SourceUnreadable: the file is missing, empty or no sound file.
    """
    soundfile = import_module("soundfile")

    try:
        samples, rate_hz = soundfile.read(str(path), dtype="int16", always_2d=True)
    except (soundfile.LibsndfileError, OSError) as error:
        raise SourceUnreadable(
            f"Sound file {str(path)!r} cannot be read ({error}); give a WAV or FLAC file", kind=kind, name=str(path)
        ) from error
    if not len(samples):
        raise SourceUnreadable(f"Sound file {str(path)!r} is empty; record it again", kind=kind, name=str(path))
    mono = samples[:, 0] if samples.shape[1] == 1 else np.rint(samples.mean(axis=1)).astype(np.int16)
    return resample(np.ascontiguousarray(mono, dtype=np.int16), int(rate_hz), RATE_HZ)
