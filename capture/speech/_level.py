"""Levels of int16 audio."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from capture.speech.words import RATE_HZ, Samples

FULL_SCALE = 32768.0
SILENCE_DBFS = -120.0
DEAD_AFTER_S = 2.0
CLIPPED_SHARE = 0.001
_CLIP_AT = 32_700
_BLOCK = 400
_ACTIVE_WITHIN_DB = 30.0
_WANTED_DBFS = -23.0
_MOST_GAIN_DB = 30.0


def level_dbfs(samples: Samples) -> float:
    """Return the RMS level in dB below full scale; `SILENCE_DBFS` for no signal at all.

    >>> level_dbfs(np.full(512, 16384, dtype=np.int16))
    -6.0
    """
    if not len(samples):
        return SILENCE_DBFS
    rms = float(np.sqrt(np.mean(samples.astype(np.float64) ** 2))) / FULL_SCALE
    return round(max(SILENCE_DBFS, 20.0 * math.log10(rms)), 1) if rms > 0.0 else SILENCE_DBFS


def is_clipped(samples: Samples) -> bool:
    """Say whether more than one sample in a thousand is at the end of the scale.

    >>> is_clipped(np.full(512, 32767, dtype=np.int16)), is_clipped(np.zeros(512, dtype=np.int16))
    (True, False)
    """
    if not len(samples):
        return False
    return float(np.mean(np.abs(samples.astype(np.int32)) >= _CLIP_AT)) > CLIPPED_SHARE


def is_dead(samples: Samples) -> bool:
    """Say whether two seconds or more hold one unchanging value: no live microphone does.

    >>> is_dead(np.zeros(32_000, dtype=np.int16)), is_dead(np.zeros(16_000, dtype=np.int16))
    (True, False)
    """
    return len(samples) >= DEAD_AFTER_S * RATE_HZ and bool((samples == samples[0]).all())


def levelled(samples: Samples) -> NDArray[np.float32]:
    """Return the audio as -1 .. 1 with the speech in it brought to one level.

    The level is that of the 25 ms blocks within 30 dB of the loudest one; never amplified by more than
    30 dB, so that silence stays silence, and never beyond full scale.
    """
    audio: NDArray[np.float32] = samples.astype(np.float32) / np.float32(FULL_SCALE)
    count = len(audio) // _BLOCK
    if not count:
        return audio
    audio -= audio.mean()
    power = (audio[: count * _BLOCK].reshape(count, _BLOCK) ** 2).mean(1)
    active = float(power[power >= power.max() * 10.0 ** (-_ACTIVE_WITHIN_DB / 10.0)].mean())
    if active <= 0.0:
        return audio
    gain = min(10.0 ** (_WANTED_DBFS / 20.0) / math.sqrt(active), 10.0 ** (_MOST_GAIN_DB / 20.0))
    gain = min(gain, 1.0 / float(np.abs(audio).max()))
    audio *= np.float32(gain)
    return audio
