"""Vosk: light and streaming, for a bench whose English model has been put on it.

A phrase list only leans Vosk towards the grammar: what it puts out is a chain of listed words, often no listed
phrase. So every result goes through the grammar's automaton again, and partial results are never used.
"""

from __future__ import annotations

import json
import threading
from collections import OrderedDict
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from capture.errors import ModelError
from capture.speech._voskmodel import ADVICE, MODEL_VARIABLE, find_english_model, is_model
from capture.speech.trust import accepts
from capture.speech.words import RATE_HZ, Alternative, Hearing, Samples, SpokenGrammar, Utterance, WordAutomaton

UNKNOWN_WORDS = ("[unk]", "<UNK>", "<unk>")
"""Names that models have for a word they do not know, in the order they are tried."""

_PIECE = RATE_HZ // 4
_SILENCE_AROUND_S = 0.3
_LONGEST_PHRASE = 4
_MOST_PHRASES = 600
_GRAMMARS_KEPT = 8
_ERRORS_ONLY = -2


def phrases(automaton: WordAutomaton) -> list[str]:
    """Return what a phrase list can say of an automaton: its words, the pairs that may follow one another, and
    its shortest word strings.

    Vosk makes a bigram model of the list, so pairs carry nearly all that it can take in.
    """
    listed = dict.fromkeys(automaton.words)
    for row in automaton.arcs:
        for first, target in row.items():
            listed.update(dict.fromkeys(f"{first} {second}" for second in automaton.arcs[target]))
    listed.update(dict.fromkeys(_shortest(automaton)))
    return list(listed)


def _shortest(automaton: WordAutomaton) -> Iterator[str]:
    """Yield accepted word strings, shortest first, up to a length and a number."""
    found = 0
    level: list[tuple[int, tuple[str, ...]]] = [(0, ())]
    for _ in range(_LONGEST_PHRASE):
        longer = [(target, (*words, word)) for place, words in level for word, target in automaton.arcs[place].items()]
        level = longer[: 20 * _MOST_PHRASES]
        for place, words in level:
            if place in automaton.finals and found < _MOST_PHRASES:
                found += 1
                yield " ".join(words)


class VoskEngine:
    """A `Recogniser` by Vosk with a phrase list; gives confidences, no margin.

    Args:
        model_dir: directory of an unpacked model; None: an English one where `_voskmodel.places` says.
        unknown: the model's own word for words it does not know; None: found out.

    Raises: ModelError when there is no model, it cannot be loaded, or it has no such word.
    """

    name = "vosk"

    def __init__(self, model_dir: Path | None = None, unknown: str | None = None) -> None:
        found = model_dir or find_english_model()
        if found is None:
            raise ModelError(f"No English Vosk model was found; {ADVICE}")
        if not is_model(found):
            raise ModelError(f"Directory {found} is no Vosk model (no am/final.mdl or conf/model.conf); {ADVICE}")
        try:
            import vosk  # type: ignore[import-untyped]  # it ships no types
        except ImportError as error:
            raise ModelError(f"Vosk library cannot be loaded ({error}); install the package vosk") from None
        vosk.SetLogLevel(_ERRORS_ONLY)
        self._vosk = vosk
        try:
            self._model: Any = vosk.Model(str(found))
        except Exception as error:  # the library raises nothing narrower
            raise ModelError(f"Vosk model {found} cannot be loaded ({error}); unpack it again") from None
        self.model = f"vosk {found.parent.name}/{found.name}"
        self.unknown = self._unknown_word(found, unknown)
        self._lock = threading.Lock()
        self._recognisers: OrderedDict[str, Any] = OrderedDict()

    def _unknown_word(self, found: Path, wanted: str | None) -> str:
        for word in (wanted,) if wanted else UNKNOWN_WORDS:
            if self.knows(word):
                return word
        raise ModelError(
            f"Vosk model {found} has no unknown word {wanted or ' or '.join(UNKNOWN_WORDS)!r}; "
            f"name the model's own, or set {MODEL_VARIABLE} to another model"
        )

    def knows(self, word: str) -> bool:
        """Say whether the model has a word."""
        return bool(self._open_model().vosk_model_find_word(word) >= 0)

    def missing_words(self, grammar: SpokenGrammar) -> tuple[str, ...]:
        """Return the words of a grammar that the model lacks: it can never hear them."""
        return tuple(word for word in grammar.automaton.words if not self.knows(word))

    def recognise(self, utterance: Utterance, grammar: SpokenGrammar) -> Hearing:
        """Return what Vosk heard if the grammar accepts it, else a Hearing with no words."""
        silence = np.zeros(int(_SILENCE_AROUND_S * RATE_HZ), dtype=np.int16)
        stream = self.stream(grammar)
        for part in (silence, utterance.samples, silence):
            stream.push(part)
        return stream.finish(utterance.start_s, utterance.end_s)

    def stream(self, grammar: SpokenGrammar) -> VoskStream:
        """Return a stream to push one utterance's sound into while it is being said; one at a time."""
        with self._lock:
            recogniser = self._recognisers.get(grammar.key)
            if recogniser is None:
                recogniser = self._recognisers[grammar.key] = self._recogniser(grammar)
                if len(self._recognisers) > _GRAMMARS_KEPT:
                    self._recognisers.popitem(last=False)
            self._recognisers.move_to_end(grammar.key)
            recogniser.Reset()
        return VoskStream(recogniser, grammar, unknown=self.unknown, engine=self.name, model=self.model)

    def close(self) -> None:
        """Free the model; may be called twice."""
        with self._lock:
            self._recognisers.clear()
            self._model = None

    def _open_model(self) -> Any:
        if self._model is None:
            raise ModelError("Vosk engine is closed; open another one")
        return self._model

    def _recogniser(self, grammar: SpokenGrammar) -> Any:
        """A recogniser with a phrase list. Phrases with a word the model lacks are left out: Vosk would drop the
        word alone and take the rest of the phrase for whole."""
        model = self._open_model()
        known = {word for word in grammar.automaton.words if self.knows(word)}
        listed = [phrase for phrase in phrases(grammar.automaton) if known.issuperset(phrase.split())]
        recogniser = self._vosk.KaldiRecognizer(model, RATE_HZ, json.dumps([*listed, self.unknown], ensure_ascii=False))
        recogniser.SetWords(True)
        return recogniser


class VoskStream:
    """One utterance on its way through Vosk; only final results are ever used."""

    def __init__(self, recogniser: Any, grammar: SpokenGrammar, *, unknown: str, engine: str, model: str) -> None:
        self._recogniser = recogniser
        self._grammar = grammar
        self._unknown = unknown
        self._engine = engine
        self._model = model
        self._heard: list[tuple[str, float]] = []

    def push(self, samples: Samples) -> None:
        """Take the next sound, int16, shape (n,), 16 kHz."""
        for begin in range(0, len(samples), _PIECE):
            piece = samples[begin : begin + _PIECE].astype("<i2", copy=False).tobytes()
            if self._recogniser.AcceptWaveform(piece):
                self._take(self._recogniser.Result())

    def finish(self, start_s: float, end_s: float) -> Hearing:
        """Return the Hearing of all that was pushed.

        Args:
            start_s, end_s: of the speech in the microphone's stream.
        """
        self._take(self._recogniser.FinalResult())
        words = tuple(word for word, _ in self._heard if word != self._unknown)
        has_unknown = len(words) < len(self._heard)
        confidences = tuple(confidence for word, confidence in self._heard if word != self._unknown)
        inside = bool(words) and not has_unknown and accepts(self._grammar, words)
        return Hearing(
            words=words if inside else (),
            margin=None,
            score_per_word=None,
            engine=self._engine,
            model=self._model,
            start_s=start_s,
            end_s=end_s,
            alternatives=(Alternative(tuple(word for word, _ in self._heard), 0.0),) if self._heard else (),
            confidences=confidences if inside else (),
            has_unknown=has_unknown,
        )

    def _take(self, result: str) -> None:
        """Add the words of one final result; Vosk ends one inside an utterance at a long pause."""
        self._heard += [(each["word"], float(each["conf"])) for each in json.loads(result).get("result", [])]
