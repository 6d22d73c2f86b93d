"""Changing a stream's rate, against scipy."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hardware._resample import Resampler, resample
from tests.hardware.virtual_sound import likeness

RATES = [(48_000, 16_000), (44_100, 16_000), (8_000, 16_000), (22_050, 16_000), (16_000, 44_100), (96_000, 16_000)]


@pytest.mark.parametrize(("from_hz", "to_hz"), RATES)
def test_a_tone_keeps_its_pitch_level_and_place(from_hz: int, to_hz: int) -> None:
    tone = np.rint(10_000 * np.sin(2 * np.pi * 997 * np.arange(from_hz) / from_hz)).astype(np.int16)
    out = resample(tone, from_hz, to_hz)
    want = 10_000 * np.sin(2 * np.pi * 997 * np.arange(to_hz) / to_hz)
    assert len(out) == to_hz
    middle = slice(to_hz // 10, -to_hz // 10)
    assert np.abs(out[middle] - want[middle]).max() < 5


@pytest.mark.parametrize(("from_hz", "to_hz"), RATES)
def test_noise_comes_out_as_scipy_makes_it(from_hz: int, to_hz: int) -> None:
    signal = pytest.importorskip("scipy.signal")
    random = np.random.default_rng(3)
    low = signal.firwin(301, 3000, fs=from_hz)
    noise = np.convolve(random.normal(size=from_hz // 2), low, "same")
    noise = np.rint(8000 * noise / np.abs(noise).max()).astype(np.int16)
    ours = resample(noise, from_hz, to_hz)
    theirs = signal.resample_poly(noise.astype(float), to_hz, from_hz)
    assert likeness(ours, np.rint(theirs).astype(np.int16)) > 0.9999


def test_what_lies_above_the_new_half_rate_does_not_fold_back() -> None:
    tone = np.rint(20_000 * np.sin(2 * np.pi * 9_500 * np.arange(48_000) / 48_000)).astype(np.int16)
    out = resample(tone, 48_000, 16_000)[1000:-1000]
    assert np.abs(out).max() < 20


@settings(deadline=None, max_examples=25)
@given(st.lists(st.integers(0, 700), max_size=8), st.sampled_from(RATES))
def test_how_the_stream_is_cut_into_blocks_leaves_no_trace(cuts: list[int], rates: tuple[int, int]) -> None:
    noise = np.random.default_rng(5).integers(-3000, 3000, 3000).astype(np.int16)
    whole = Resampler(*rates).push(noise)
    resampler = Resampler(*rates)
    places = sorted({0, 3000, *(min(cut * 4, 3000) for cut in cuts)})
    parts = [resampler.push(noise[a:b]) for a, b in zip(places, places[1:], strict=False)]
    assert np.array_equal(np.concatenate(parts), whole)


def test_equal_rates_change_nothing() -> None:
    noise = np.arange(100, dtype=np.int16)
    assert np.array_equal(resample(noise, 16_000, 16_000), noise)


def test_a_rate_of_zero_is_named() -> None:
    with pytest.raises(ValueError, match="Resampler from_hz is 0; it must be over 0"):
        Resampler(0, 16_000)
