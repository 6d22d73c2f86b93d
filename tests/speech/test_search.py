"""The beam search against plain enumeration, on a decoder small enough to enumerate."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.language.automaton import repeat
from capture.speech._search import Hypothesis, Outcome, Scores, SearchSettings, choose, search
from capture.speech._tokens import State, TokenAutomaton, Vocabulary, Words
from capture.speech.whisper import find_model
from tests.speech.support import SmallGrammar, words

VOCABULARY = Vocabulary(find_model() / "tokenizer.json")
SHORT = SmallGrammar(repeat(words("shoe", "outboard"), 1, 3))  # one token and two
AUTOMATON = TokenAutomaton(SHORT.automaton, VOCABULARY)
SIZE = 51_864
WIDE = SearchSettings(beam=3000, window=60.0, exact_within=60.0)


class InventedScorer:
    """A decoder whose distributions depend on the tokens so far, at random but the same every time.

    `lowered`: how far its ceilings lie below the true normaliser.
    """

    def __init__(self, key: int, *, lowered: float = 0.0) -> None:
        self.key = key
        self.lowered = lowered
        self.strings: list[tuple[int, ...]] = [()]
        self.sums: list[float] = []
        self.column = np.full(SIZE, -1, dtype=np.int32)
        texts = (" shoe", " Shoe", " outboard", " Outboard", "shoe", "outboard")
        spelled = [token for text in texts for token in VOCABULARY.encode(text)]
        marks = [VOCABULARY.end, VOCABULARY.full_stop, VOCABULARY.comma, VOCABULARY.hyphen]
        self.known = np.unique([*spelled, *marks, 0])
        self.column[self.known] = np.arange(len(self.known))

    def logits(self, string: tuple[int, ...]) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        return np.random.default_rng([self.key, *string]).normal(0.0, 3.0, len(self.known))

    def log_probability(self, string: tuple[int, ...], token: int) -> float:
        logits = self.logits(string)
        return float(logits[self.column[token]] - np.logaddexp.reduce(logits))

    def start(self) -> Scores:
        return self._scores()

    def step(self, parents: Sequence[int], tokens: Sequence[int]) -> Scores:
        self.strings = [(*self.strings[parent], token) for parent, token in zip(parents, tokens, strict=True)]
        return self._scores()

    def normalisers(self, nodes: Sequence[int]) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        return np.array([self.sums[node] for node in nodes])

    def _scores(self) -> Scores:
        logits = np.stack([self.logits(string) for string in self.strings])
        sums = np.logaddexp.reduce(logits, axis=1)
        first = len(self.sums)
        self.sums.extend(sums.tolist())
        return Scores(logits.astype(np.float32), self.column, sums - self.lowered, first)


def enumerated(scorer: InventedScorer) -> dict[Words, float]:
    """Score every word string by adding up every token path that spells it."""
    found: dict[Words, list[float]] = {}
    todo: list[tuple[State, tuple[int, ...], Words, float]] = [(AUTOMATON.start, (), (), 0.0)]
    while todo:
        state, string, said, score = todo.pop()
        if said and AUTOMATON.is_final(state):
            found.setdefault(said, []).append(score + scorer.log_probability(string, VOCABULARY.end))
        for token in AUTOMATON.tokens(state).tolist():
            reached = scorer.log_probability(string, token) + score
            if reached > -34.0:  # what is further away adds nothing that could be seen
                for after, more in AUTOMATON.follow(state, token):
                    todo.append((after, (*string, token), said + more, reached))
    return {said: float(np.logaddexp.reduce(scores)) for said, scores in found.items()}


@pytest.mark.parametrize("key", [1, 2, 3])
def test_the_search_finds_what_enumeration_finds_with_the_same_scores(key: int) -> None:
    true = enumerated(InventedScorer(key))
    found = search(InventedScorer(key), AUTOMATON, VOCABULARY.end, WIDE)
    best = sorted(true, key=lambda said: -(true[said] + 0.8 * len(said)))[:5]
    assert [each.words for each in found.hypotheses[:5]] == best
    for each in found.hypotheses[:5]:
        assert each.score == pytest.approx(true[each.words], abs=1e-3)
        assert each.rank == pytest.approx(each.score + 0.8 * len(each.words))


def test_ceilings_steer_the_search_but_the_scores_given_are_exact() -> None:
    plain = search(InventedScorer(7), AUTOMATON, VOCABULARY.end, WIDE)
    lowered = search(InventedScorer(7, lowered=0.5), AUTOMATON, VOCABULARY.end, WIDE)
    assert [each.words for each in lowered.hypotheses[:5]] == [each.words for each in plain.hypotheses[:5]]
    for ours, exact in zip(lowered.hypotheses[:5], plain.hypotheses[:5], strict=True):
        assert ours.score == pytest.approx(exact.score, abs=1e-6)


@settings(max_examples=25, deadline=None)
@given(key=st.integers(0, 10_000))
def test_a_narrow_beam_never_claims_more_margin_than_a_wide_one_by_what_it_dropped(key: int) -> None:
    narrow = search(InventedScorer(key), AUTOMATON, VOCABULARY.end, SearchSettings(beam=3))
    if narrow.hypotheses:
        choice = choose(narrow, lambda said: said)
        assert choice is not None and choice.margin <= narrow.dropped_gap


def test_the_bonus_of_a_word_ranks_longer_strings_higher() -> None:
    lengths = [
        len(search(InventedScorer(11), AUTOMATON, VOCABULARY.end, SearchSettings(word_bonus=bonus)).hypotheses[0].words)
        for bonus in (-20.0, 0.8, 20.0)
    ]
    assert lengths == sorted(lengths)
    assert (lengths[0], lengths[-1]) == (1, 3)


def test_margin_is_the_lead_over_the_best_of_another_meaning() -> None:
    outcome = search(InventedScorer(3), AUTOMATON, VOCABULARY.end, WIDE)
    first, second, third = outcome.hypotheses[:3]
    plain = choose(outcome, lambda said: said)
    assert plain is not None
    assert plain.best == first
    assert plain.margin == pytest.approx(first.rank - second.rank)
    together = {first.words: 0, second.words: 0}
    joined = choose(outcome, lambda said: together.get(said, said))
    assert joined is not None
    assert joined.margin == pytest.approx(np.logaddexp(first.rank, second.rank) - third.rank)
    assert choose(Outcome((), math.inf), lambda said: said) is None


def test_words_of_one_meaning_win_together_over_a_likelier_single_rival() -> None:
    zero, oh, two = (
        Hypothesis((text,), score, score + 0.8) for text, score in (("zero", -2.0), ("oh", -2.1), ("two", -1.9))
    )
    outcome = Outcome((two, zero, oh), math.inf)
    alone, folded = (choose(outcome, key) for key in (lambda said: said, lambda said: said == ("two",)))
    assert alone is not None and alone.best == two
    assert folded is not None and folded.best == zero
    assert folded.margin == pytest.approx(np.logaddexp(-2.0, -2.1) + 1.9)


def test_of_one_meaning_the_likeliest_words_are_chosen_without_the_bonus() -> None:
    outcome = search(InventedScorer(3), AUTOMATON, VOCABULARY.end, WIDE)
    alike = choose(outcome, lambda said: 0)
    assert alike is not None
    assert alike.best == max(outcome.hypotheses, key=lambda each: each.score)
    assert alike.margin == outcome.dropped_gap


def test_nothing_is_found_where_the_grammar_cannot_end_in_time() -> None:
    assert search(InventedScorer(1), AUTOMATON, VOCABULARY.end, SearchSettings(most_tokens=1)).hypotheses == ()


def test_no_word_string_is_listed_twice() -> None:
    outcome = search(InventedScorer(2), AUTOMATON, VOCABULARY.end, WIDE)
    for one, other in itertools.pairwise(sorted(each.words for each in outcome.hypotheses)):
        assert one != other


def test_a_margin_is_finite_even_when_there_is_no_rival() -> None:
    lonely = TokenAutomaton(SmallGrammar(words("shoe")).automaton, VOCABULARY)
    choice = choose(search(InventedScorer(5), lonely, VOCABULARY.end, SearchSettings()), lambda said: said)
    assert choice is not None
    assert choice.margin <= SearchSettings().window
