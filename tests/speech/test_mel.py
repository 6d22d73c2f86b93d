"""Log-mel features against an independent implementation."""

from __future__ import annotations

import kaldi_native_fbank as knf  # type: ignore[import-untyped]  # it ships no types
import numpy as np
import pytest
from numpy.typing import NDArray

from capture.speech._mel import CHANNELS, HOP, log_mel, mel_filters
from capture.speech.voice import EspeakVoice


def _independent(audio: NDArray[np.float32]) -> NDArray[np.float64]:
    """Features by kaldi-native-fbank; its windows are centred half a step later, so the sound is moved by that."""
    bank = knf.OnlineWhisperFbank(knf.WhisperFeatureOptions())
    bank.accept_waveform(16_000, [0.0] * (HOP // 2) + audio.tolist())
    bank.input_finished()
    energy = np.stack([bank.get_frame(number) for number in range(bank.num_frames_ready)])
    log = np.log10(np.maximum(energy, 1e-10))
    return np.asarray((np.maximum(log, log.max() - 8.0) + 4.0) / 4.0, dtype=np.float64)


@pytest.mark.parametrize("kind", ["noise", "tone", "speech"])
def test_features_equal_those_of_an_independent_implementation(kind: str, voice: EspeakVoice) -> None:
    time = np.arange(32_000) / 16_000
    sounds = {
        "noise": np.random.default_rng(5).standard_normal(32_000) * 0.1,
        "tone": 0.3 * np.sin(2 * np.pi * 1000.0 * time),
        "speech": voice.speak("outboard shoe three")[:16_000] / 32768.0,
    }
    audio = sounds[kind].astype(np.float32)
    ours, theirs = log_mel(audio), _independent(audio)
    count = len(audio) // HOP
    assert ours.shape == (CHANNELS, count)
    inner = slice(3, count - 3)  # at the ends the two mirror the sound differently
    np.testing.assert_allclose(ours.T[inner], theirs[inner], atol=2e-3)


def test_each_filter_has_the_area_of_slaneys_normalisation() -> None:
    bank = mel_filters()
    assert bank.shape == (80, 201)
    assert (bank >= 0).all()
    areas = bank.sum(axis=1) * 40.0  # bins are 40 Hz apart
    assert abs(np.median(areas) - 1.0) < 0.05


def test_silence_gives_one_even_floor() -> None:
    features = log_mel(np.zeros(16_000, dtype=np.float32))
    assert (features == features[0, 0]).all()
