"""Levels, clipping and a dead microphone."""

from __future__ import annotations

import numpy as np
import pytest

from capture.speech._level import levelled
from capture.speech.endpoint import is_clipped, is_dead, level_dbfs
from tests.speech.support import quiet, shop_noise


def test_a_sine_of_full_scale_is_three_decibels_below_full_scale() -> None:
    sine = np.asarray(np.round(32767 * np.sin(2 * np.pi * 500 * np.arange(16_000) / 16_000)), dtype=np.int16)
    assert level_dbfs(sine) == pytest.approx(-3.0, abs=0.05)
    assert level_dbfs(np.asarray(sine // 10, dtype=np.int16)) == pytest.approx(-23.0, abs=0.1)
    assert level_dbfs(np.zeros(512, dtype=np.int16)) == level_dbfs(np.zeros(0, dtype=np.int16)) == -120.0


def test_only_two_seconds_of_one_value_are_a_dead_microphone() -> None:
    assert is_dead(np.zeros(32_000, dtype=np.int16))
    assert is_dead(np.full(40_000, -3, dtype=np.int16))
    assert not is_dead(np.zeros(31_999, dtype=np.int16))
    assert not is_dead(np.zeros(0, dtype=np.int16))
    assert not is_dead(quiet(3.0, level=2))


def test_clipping_is_noticed_and_loudness_alone_is_not_clipping() -> None:
    loud = shop_noise(1.0, level=3000)
    assert not is_clipped(loud)
    assert is_clipped(np.asarray(np.clip(loud.astype(int) * 20, -32768, 32767), dtype=np.int16))
    assert is_clipped(np.full(100, -32768, dtype=np.int16))
    assert not is_clipped(np.zeros(0, dtype=np.int16))


def test_levelling_brings_loud_and_soft_speech_to_one_level_and_leaves_silence_silent() -> None:
    sound = shop_noise(1.0, level=2000)
    loud, soft = levelled(sound), levelled(np.asarray(sound // 8, dtype=np.int16))
    assert np.abs(loud - soft).max() < 0.02
    assert np.abs(levelled(quiet(1.0, level=1))).max() < 0.01
    assert not levelled(np.zeros(1000, dtype=np.int16)).any()
    assert np.abs(levelled(np.asarray([32767, -32768] * 500, dtype=np.int16))).max() <= 1.0
    assert len(levelled(np.zeros(0, dtype=np.int16))) == 0
