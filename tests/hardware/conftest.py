"""Fixtures of the device tests."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from hardware import _soundcard
from tests.hardware import virtual_sound
from tests.hardware.virtual_sound import VirtualSound
from tests.tools import needs


@pytest.fixture(scope="session")
def virtual_card() -> Iterator[VirtualSound]:
    """A virtual sound card that lives as long as the test session; skipped where it cannot be made."""
    missing = virtual_sound.missing()
    if missing:
        needs.leave_out(missing)
    # A short path of its own: a socket's path may not be longer than 107 characters.
    with tempfile.TemporaryDirectory(prefix="sound-") as folder, VirtualSound.start(Path(folder)) as sound:
        yield sound


@pytest.fixture
def sound(virtual_card: VirtualSound) -> Iterator[VirtualSound]:
    """The virtual sound card, with this process's ALSA pointed at it."""
    with virtual_card.environment():
        yield virtual_card


@pytest.fixture(scope="session")
def speechlike() -> NDArray[np.int16]:
    """One second of noise between 300 and 3000 Hz that swells like syllables; the same every time."""
    random = np.random.default_rng(7)
    spectrum = np.fft.rfft(random.normal(size=16_000))
    hz = np.fft.rfftfreq(16_000, 1 / 16_000)
    spectrum[(hz < 300) | (hz > 3000)] = 0
    noise = np.fft.irfft(spectrum)
    swell = 0.6 + 0.4 * np.sin(2 * np.pi * 4 * np.arange(16_000) / 16_000)
    spoken: NDArray[np.int16] = np.rint(6000 * swell * noise / np.abs(noise).max()).astype(np.int16)
    return spoken


class Clock:
    """Seconds that pass when told to."""

    def __init__(self) -> None:
        self.now_s = 100.0

    def __call__(self) -> float:
        return self.now_s

    def wait(self, for_s: float) -> None:
        """Let time pass."""
        self.now_s += for_s


@pytest.fixture
def clock() -> Clock:
    """A clock of the test's own."""
    return Clock()


class DeadStream:
    """A PortAudio stream whose driver falls silent; `callback` is the driver's side of it."""

    def __init__(self, rate_hz: int) -> None:
        self.samplerate, self.channels, self.latency, self.active = float(rate_hz), 1, 0.1, True
        self.callback: Any = None
        self.closes = 0

    def close(self, ignore_errors: bool = True) -> None:
        self.closes += 1


@pytest.fixture
def dead_stream(monkeypatch: pytest.MonkeyPatch) -> DeadStream:
    """Sound card streams that the test drives itself."""
    stream = DeadStream(16_000)

    def open_stream(kind: str, card: Any, rate_hz: int | None, latency_s: float, callback: Any) -> DeadStream:
        stream.callback = callback
        return stream

    monkeypatch.setattr(_soundcard, "cards", lambda kind: [_soundcard.Card(0, "usb", 1, 1, 16_000)])
    monkeypatch.setattr(_soundcard, "open_stream", open_stream)
    return stream
