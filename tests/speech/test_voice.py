"""The bench's own voice."""

from __future__ import annotations

import itertools
import subprocess
from typing import Any

import numpy as np
import pytest
from scipy.signal import resample_poly  # type: ignore[import-untyped]  # it ships no types

from capture.errors import VoiceError
from capture.speech import voice as voice_module
from capture.speech.voice import TONES, EspeakVoice, resampled, tone
from capture.speech.whisper import WhisperEngine
from tests.speech.support import job_grammar, utterance


def test_what_the_bench_says_can_be_understood(whisper: WhisperEngine) -> None:
    spoken = EspeakVoice().speak("outboard shoe three, one point two four eight")
    heard = whisper.recognise(utterance(spoken), job_grammar())
    assert heard.text == "outboard shoe three one point two four eight"


def test_speech_is_sound_of_the_length_one_expects() -> None:
    spoken = EspeakVoice().speak("one point two four eight inches")
    assert spoken.dtype == np.int16
    assert 1.0 < len(spoken) / 16_000 < 4.0
    assert 2_000 < np.abs(spoken.astype(int)).max() <= 32_767
    slow = EspeakVoice(rate_wpm=100).speak("one point two four eight inches")
    assert len(slow) > 1.2 * len(spoken)


def test_a_text_said_again_is_not_made_again(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = EspeakVoice()
    first = bench.speak("say again")

    def never(*_args: Any, **_named: Any) -> None:
        raise AssertionError("espeak-ng was called again")

    monkeypatch.setattr(subprocess, "run", never)
    assert bench.speak("say  again ") is first
    with pytest.raises(ValueError):
        first[0] = 1


def test_text_that_looks_like_an_option_is_spoken_not_obeyed() -> None:
    assert len(EspeakVoice().speak("--help")) > 4_000
    assert len(EspeakVoice().speak(" ")) == 0


def test_a_missing_program_or_an_unknown_voice_is_named_with_the_remedy(monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(VoiceError, match=r"voice 'xx-voice'.*check it with: espeak-ng"):
        EspeakVoice("xx-voice").speak("hello")
    monkeypatch.setattr(voice_module, "COMMAND", "no-such-program")
    with pytest.raises(VoiceError, match=r"'no-such-program' is not installed; install the system package espeak-ng"):
        EspeakVoice()


def test_each_tone_differs_from_every_other_in_pitch_and_in_rhythm() -> None:
    assert set(TONES) >= {"ready", "heard", "stored", "refused"}
    for one, other in itertools.combinations(TONES, 2):
        pitches = [{pitch for pitch, _, _ in TONES[kind]} for kind in (one, other)]
        rhythms = [[(length, pause) for _, length, pause in TONES[kind]] for kind in (one, other)]
        assert pitches[0] != pitches[1]
        assert rhythms[0] != rhythms[1]
    for kind in TONES:
        sound = tone(kind)
        assert sound.dtype == np.int16
        assert 0.1 < len(sound) / 16_000 < 1.0
        assert abs(int(sound[0])) < 300 and abs(int(sound[-1])) < 300  # no click
    strongest = np.fft.rfft(tone("refused")[:2560].astype(float))
    assert abs(int(np.abs(strongest).argmax()) * 16_000 / 2560 - 220.0) < 10.0


def test_an_unknown_tone_is_named() -> None:
    with pytest.raises(VoiceError, match=r"Tone 'bell' is not known; it must be one of ready, heard, stored, refused"):
        tone("bell")


@pytest.mark.parametrize(("rate_hz", "to_hz"), [(22_050, 16_000), (44_100, 16_000), (8_000, 16_000), (48_000, 16_000)])
def test_resampling_agrees_with_an_independent_resampler(rate_hz: int, to_hz: int) -> None:
    time = np.arange(rate_hz) / rate_hz
    sound = sum(3000 * np.sin(2 * np.pi * pitch * time) for pitch in (220, 1000, 2900))
    ours = resampled(np.asarray(np.round(sound), dtype=np.int16), rate_hz, to_hz)
    common = int(np.gcd(rate_hz, to_hz))
    theirs = resample_poly(np.asarray(sound), to_hz // common, rate_hz // common, window=("kaiser", 9.0))
    assert len(ours) == to_hz
    inner = slice(200, to_hz - 200)
    assert np.abs(ours[inner] - theirs[inner]).max() < 0.01 * 9000


def test_resampling_down_leaves_no_alias_of_what_the_lower_rate_cannot_hold() -> None:
    time = np.arange(22_050) / 22_050
    too_high = np.asarray(10_000 * np.sin(2 * np.pi * 9_500 * time), dtype=np.int16)
    left = resampled(too_high, 22_050)[500:-500].astype(float)
    assert 20 * np.log10(np.sqrt((left**2).mean()) / (10_000 / 2**0.5)) < -50
