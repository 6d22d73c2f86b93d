"""What crosses from sound to words: plain frozen data.

Times are seconds of the microphone's stream since it was opened (its sample count over its rate),
never a wall clock.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

RATE_HZ = 16_000
"""Every frame, clip and utterance in the program: mono, int16, 16 kHz."""

Samples = NDArray[np.int16]


@dataclass(frozen=True, slots=True, eq=False)
class Utterance:
    """One stretch of speech cut out of the stream.

    `samples`: int16, shape (n,), `RATE_HZ`, with some pre-roll; `start_s`, `end_s`: where speech began
    and ended in the stream (without pre-roll and trailing silence); `ended_by`: "silence", "pedal",
    "length" (ran into the longest allowed) or "stream" (the source ended).
    """

    samples: Samples
    start_s: float
    end_s: float
    ended_by: str = "silence"


@dataclass(frozen=True, slots=True)
class Alternative:
    """A hypothesis: words and the natural log of its score summed over its tokens, end included."""

    words: tuple[str, ...]
    score: float


@dataclass(frozen=True, slots=True)
class Hearing:
    """What an engine made of one utterance.

    `words`: best hypothesis inside the grammar, () when nothing was found there.
    `margin`: best score minus the best of another meaning, in nats; None when the engine has no such
    figure. `score_per_word`: best score over (words + 1), in nats; None likewise. `confidences`: one per
    word, 0 to 1, where the engine gives them. `alternatives`: best first, the chosen one included.
    `has_unknown`: the engine marked a word it does not know. `engine`, `model`: names with version or
    digest, kept as evidence. `start_s`, `end_s`: of the speech in the stream.
    """

    words: tuple[str, ...]
    margin: float | None
    score_per_word: float | None
    engine: str
    model: str
    start_s: float
    end_s: float
    alternatives: tuple[Alternative, ...] = ()
    confidences: tuple[float, ...] = ()
    has_unknown: bool = False

    @property
    def text(self) -> str:
        """The words in one line."""
        return " ".join(self.words)


class WordAutomaton(Protocol):
    """A deterministic automaton over words; states are small integers, 0 is the start."""

    @property
    def arcs(self) -> tuple[Mapping[str, int], ...]:
        """For each state, word -> next state."""

    @property
    def finals(self) -> frozenset[int]:
        """States in which a word string may end."""

    @property
    def words(self) -> tuple[str, ...]:
        """Every word that occurs, sorted."""


class SpokenGrammar(Protocol):
    """What an engine needs to know of a grammar; `capture.language.grammar.Grammar` is one.

    Nothing in it may depend on limits, nominals or earlier values (promise 2).
    """

    @property
    def key(self) -> str:
        """Digest of the automaton and prompt; equal keys hear alike."""

    @property
    def automaton(self) -> WordAutomaton:
        """All word strings that may be accepted."""

    @property
    def prompt(self) -> str:
        """Sample phrases of the vocabulary with made-up values, one run, no punctuation."""

    def meaning_key(self, words: tuple[str, ...]) -> Hashable:
        """Return a value equal for word strings of one meaning ("oh" and "zero"); words must be accepted."""


class Recogniser(Protocol):
    """A speech engine held to a grammar."""

    @property
    def name(self) -> str:
        """Engine name, for evidence and messages."""

    @property
    def model(self) -> str:
        """Model name with a digest or version, for evidence."""

    def recognise(self, utterance: Utterance, grammar: SpokenGrammar) -> Hearing:
        """Return the best word string inside the grammar, or a Hearing with no words."""

    def close(self) -> None:
        """Free the model; may be called twice."""


@dataclass(frozen=True, slots=True)
class Floors:
    """What a hearing must reach to be acted on, in nats.

    Defaults are those measured on the shared speech pack (margin 2.0, score over words + 1 of -1.9).
    """

    margin: float = 2.0
    score_per_word: float = -1.9
    confidence: float = 0.6
    extra: Mapping[str, float] = field(default_factory=dict)
