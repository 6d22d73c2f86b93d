"""Scoring through CTranslate2's public API alone: slower, for checking and for a model file of another format."""

from __future__ import annotations

from collections.abc import Sequence

import ctranslate2  # type: ignore[import-untyped]  # it ships no types
import numpy as np
from numpy.typing import NDArray

from capture.speech._search import Scores


class PublicApiScorer:
    """A `Scorer` that runs every hypothesis from its first token again at each step.

    `encoded`: the encoder's output for one utterance, shape (1, time, width).
    """

    def __init__(
        self, model: ctranslate2.models.Whisper, encoded: NDArray[np.float32], prompt: Sequence[int], vocabulary: int
    ) -> None:
        self._model = model
        self._encoded = encoded
        self._prompt = list(prompt)
        self._column = np.arange(vocabulary, dtype=np.int32)
        self._strings: list[list[int]] = [[]]
        self._normalisers: list[float] = []

    def start(self) -> Scores:
        """Run the prompt."""
        return self._run()

    def step(self, parents: Sequence[int], tokens: Sequence[int]) -> Scores:
        """Extend rows of the last scores by one token each."""
        self._strings = [[*self._strings[parent], token] for parent, token in zip(parents, tokens, strict=True)]
        return self._run()

    def normalisers(self, nodes: Sequence[int]) -> NDArray[np.float64]:
        """Return the log-sum-exp over the whole vocabulary for the rows asked for."""
        return np.asarray([self._normalisers[node] for node in nodes], dtype=np.float64)

    def _run(self) -> Scores:
        """Ask for the distribution after each string.

        The first logits that come back belong to the first token after the prompt's last start token, forced
        or not, so the ones wanted are at the string's length; and a new token is made only while there are
        fewer than half of `max_length`.
        """
        count, length = len(self._strings), len(self._strings[0])
        encoded = ctranslate2.StorageView.from_array(np.repeat(self._encoded, count, axis=0))
        results = self._model.generate(
            encoded,
            [self._prompt + string for string in self._strings],
            beam_size=1,
            max_length=max(2 * (length + 1), len(self._prompt) + length + 1),
            return_logits_vocab=True,
            suppress_blank=False,
            suppress_tokens=[],
        )
        logits = np.stack([np.array(result.logits[0][length]).reshape(-1) for result in results]).astype(np.float32)
        highest = logits.max(1, keepdims=True)
        sums = (np.log(np.exp(logits - highest).sum(1)) + highest[:, 0]).astype(np.float64)
        first = len(self._normalisers)
        self._normalisers.extend(sums.tolist())
        return Scores(logits, self._column, sums, first)
