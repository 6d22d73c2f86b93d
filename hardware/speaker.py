"""Speakers: a sound card's output. The fake that writes a sound file is in `fakes`."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from hardware import _soundcard
from hardware._device import Device, DeviceBase
from hardware._resample import resample

RATE_HZ = 16_000

LATENCY_S = 0.2
"""Asked of the card, s: at 0.1 a busy processor was heard as gaps in what is spoken."""

Samples = NDArray[np.int16]


class Speaker(Device, Protocol):
    """A place to play samples."""

    @property
    def is_playing(self) -> bool:
        """Whether anything given to `play` is still to be heard, the card's own delay included."""

    def play(self, samples: Samples) -> None:
        """Play after what is playing already; returns at once.

        Args:
            samples: int16, shape (n,), mono, 16 kHz.

        Raises:
            ClosedDevice: after `close()`.
            DeviceLost: the device stopped taking sound.
        """

    def stop(self) -> None:
        """Fall silent and forget what waits."""


class SpeakerBase(DeviceBase):
    """What every speaker shares. Subclasses give `_play`, `stop` and `_release`."""

    KIND = "speaker"

    @property
    def is_playing(self) -> bool:
        """Whether anything given to `play` is still to be heard."""
        return False

    def play(self, samples: Samples) -> None:
        """Play after what is playing already; see `Speaker.play`."""
        self._must_be_open("playing")
        self._play(samples)

    def stop(self) -> None:
        """Fall silent and forget what waits."""

    def close(self) -> None:
        """Fall silent and let go of the device; may be called twice."""
        if not self.closed:
            self.stop()
        super().close()

    def _play(self, samples: Samples) -> None:
        raise NotImplementedError


class SoundcardSpeaker(SpeakerBase):
    """A sound card's output through PortAudio (ALSA on the bench).

    Args:
        device: a device name or a part of one; None for the default device.
        rate_hz: rate to play at, Hz; None lets the card decide (16 kHz where it can). Other rates are resampled.
        lost_after_s: how long the driver may ask for no sound while some waits before the device counts as lost, s.
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
        card = _soundcard.choose(device, "speaker", _soundcard.cards("speaker"))
        super().__init__(card.name)
        self._clock = clock
        self._lost_after_s = lost_after_s
        self._lock = threading.Lock()
        self._waiting: deque[Samples] = deque()
        self._last_block_s = clock()
        self._heard_at_s = clock()
        self._latency_s = 0.0
        self.rate_hz = rate_hz or RATE_HZ
        self._stream = _soundcard.open_stream("speaker", card, rate_hz, LATENCY_S, self._on_block)
        self.rate_hz = round(self._stream.samplerate)
        self._latency_s = self._stream.latency

    @property
    def is_playing(self) -> bool:
        """Whether anything given to `play` is still to be heard, the card's own delay included."""
        with self._lock:
            return bool(self._waiting) or self._clock() < self._heard_at_s

    def _on_block(self, data: Any, frames: int, when: Any, flags: Any) -> None:
        """Fill PortAudio's block with what waits, then silence."""
        filled = 0
        with self._lock:
            self._last_block_s = self._clock()
            while filled < frames and self._waiting:
                clip = self._waiting.popleft()
                part = clip[: frames - filled]
                data[filled : filled + len(part)] = part[:, None]
                filled += len(part)
                if len(part) < len(clip):
                    self._waiting.appendleft(clip[len(part) :])
            if filled:
                self._heard_at_s = self._last_block_s + self._latency_s + filled / self.rate_hz
        data[filled:] = 0

    def _play(self, samples: Samples) -> None:
        clip = resample(samples, RATE_HZ, self.rate_hz)
        with self._lock:
            silent_s = self._clock() - self._last_block_s
            if silent_s > self._lost_after_s:
                self._waiting.clear()
                raise _soundcard.lost("speaker", self._name, silent_s)
            if len(clip):
                self._waiting.append(clip)

    def stop(self) -> None:
        """Fall silent and forget what waits; what the card already took (about `LATENCY_S`) is still heard."""
        with self._lock:
            self._waiting.clear()

    def _release(self) -> None:
        self._stream.close()
