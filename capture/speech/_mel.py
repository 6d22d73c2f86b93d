"""Log-mel features as Whisper wants them, with numpy alone.

Source: Radford et al. 2022, "Robust Speech Recognition via Large-Scale Weak Supervision", section 2.2:
16 kHz, 25 ms windows every 10 ms, 80 mel channels; the mel scale and the area normalisation are those
of Slaney, Auditory Toolbox (1998).
"""

from __future__ import annotations

import functools

import numpy as np
from numpy.typing import NDArray

from capture.speech.words import RATE_HZ

CHANNELS = 80
WINDOW = 400
HOP = 160

Floats = NDArray[np.float32]


def _hz_to_mel(hz: Floats) -> Floats:
    """Slaney's scale: linear below 1 kHz, then 27 steps to each factor 6.4."""
    linear = hz / np.float32(200.0 / 3.0)
    log = 15.0 + 27.0 * np.log(np.maximum(hz, 1e-3) / 1000.0) / np.log(6.4)
    return np.where(hz < 1000.0, linear, log).astype(np.float32)


def _mel_to_hz(mel: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.where(mel < 15.0, mel * (200.0 / 3.0), 1000.0 * np.exp(np.log(6.4) * (mel - 15.0) / 27.0))


@functools.cache
def mel_filters() -> Floats:
    """Return the filter bank, shape (`CHANNELS`, `WINDOW` // 2 + 1), each triangle of area 2 / width."""
    highest = float(_hz_to_mel(np.array([RATE_HZ / 2], dtype=np.float32))[0])
    edges = _mel_to_hz(np.linspace(0.0, highest, CHANNELS + 2))
    bins = np.fft.rfftfreq(WINDOW, 1.0 / RATE_HZ)
    rising = (bins[None, :] - edges[:-2, None]) / (edges[1:-1] - edges[:-2])[:, None]
    falling = (edges[2:, None] - bins[None, :]) / (edges[2:] - edges[1:-1])[:, None]
    triangles = np.maximum(0.0, np.minimum(rising, falling))
    return (triangles * (2.0 / (edges[2:] - edges[:-2]))[:, None]).astype(np.float32)


def log_mel(audio: Floats) -> Floats:
    """Return features of shape (`CHANNELS`, len(audio) // `HOP`), scaled to about -1 .. 1.5.

    Args:
        audio: shape (n,), -1 .. 1, 16 kHz; at least one window long.
    """
    padded = np.pad(audio, WINDOW // 2, mode="reflect")
    count = len(audio) // HOP
    windows = np.lib.stride_tricks.sliding_window_view(padded, WINDOW)[: count * HOP : HOP]
    shape = np.hanning(WINDOW + 1)[:-1].astype(np.float32)
    spectrum = np.fft.rfft(windows * shape, axis=1)
    power = (spectrum.real**2 + spectrum.imag**2).astype(np.float32)
    log = np.log10(np.maximum(power @ mel_filters().T, 1e-10)).T
    log = np.maximum(log, log.max() - 8.0)
    return np.ascontiguousarray((log + 4.0) / 4.0, dtype=np.float32)
