"""Beam search over a token automaton with scores that are exact where it matters.

A score is the natural log of the probability of a token string and its end, normalised over the whole
vocabulary. To normalise each candidate so would cost more than all the rest of the decoder, so the search
runs on ceilings (normalised over a short list of tokens: never below the true score) and the hypotheses that
decide the outcome are then normalised over everything.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from capture.speech._tokens import State, TokenAutomaton, Words

Floats = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Scores:
    """What may follow each live hypothesis.

    `logits`: shape (rows, columns); `column`: token id -> column, -1 where a token has none; `ceiling`: shape
    (rows,), a log-sum-exp over some of the vocabulary, so at most the true one; `first_node`: number of row 0
    (rows are numbered through the whole search).
    """

    logits: Floats
    column: NDArray[np.int32]
    ceiling: NDArray[np.float64]
    first_node: int


class Scorer(Protocol):
    """A decoder on one utterance."""

    def start(self) -> Scores:
        """Return the scores of what may come first: one row."""

    def step(self, parents: Sequence[int], tokens: Sequence[int]) -> Scores:
        """Extend rows of the last scores by one token each; return one row for each."""

    def normalisers(self, nodes: Sequence[int]) -> NDArray[np.float64]:
        """Return the log-sum-exp over the whole vocabulary for rows by their number."""


@dataclass(frozen=True, slots=True)
class SearchSettings:
    """Limits of the search: hypotheses kept, nats behind the best to be dropped, tokens, bonus a word.

    `exact_within`: hypotheses so close to the best (nats) are normalised over the whole vocabulary.
    """

    beam: int = 10
    window: float = 7.0
    most_tokens: int = 48
    word_bonus: float = 0.8
    exact_within: float = 3.0


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """Words with their score (nats, end included) and rank (score plus the bonus of its words)."""

    words: Words
    score: float
    rank: float


@dataclass(frozen=True, slots=True)
class Outcome:
    """Hypotheses best first; `dropped_gap`: how far (nats) the nearest dropped rival was behind when dropped.

    At most the search's window: it looks no further.
    """

    hypotheses: tuple[Hypothesis, ...]
    dropped_gap: float


@dataclass(frozen=True, slots=True)
class _Path:
    """A token string on its way.

    `row`: where the decoder stands after it; paths that spell different words with the same tokens share one.
    `logits`: sum of its raw logits; `ceiling`: upper bound of its score; `nodes`: the rows its tokens were
    taken from; `ranks`: ceiling plus bonus after each token.
    """

    row: int
    state: State
    words: Words
    logits: float
    ceiling: float
    nodes: tuple[int, ...]
    ranks: tuple[float, ...]

    @property
    def rank(self) -> float:
        return self.ranks[-1] if self.ranks else 0.0


class _Candidate(NamedTuple):
    rank: float
    path: _Path
    token: int
    state: State
    words: Words
    logit: float
    ceiling: float


def search(scorer: Scorer, automaton: TokenAutomaton, end: int, settings: SearchSettings) -> Outcome:
    """Return the word strings of the automaton that the scorer likes best.

    Args:
        end: the end-of-text token; a hypothesis ends only there.
    """
    live = [_Path(0, automaton.start, (), 0.0, 0.0, (), ())]
    ended: dict[Words, list[_Path]] = {}
    dropped: list[float] = []
    best_ended = -math.inf
    scores = scorer.start()
    for _ in range(settings.most_tokens):
        for path in live:
            if path.words and automaton.is_final(path.state):
                whole = _ended(path, scores, end, settings)
                ended.setdefault(path.words, []).append(whole)
                best_ended = max(best_ended, whole.rank)
        candidates = sorted(_candidates(live, scores, automaton, settings), key=lambda each: -each.rank)
        floor = max(best_ended, candidates[0].rank if candidates else -math.inf) - settings.window
        rows, live, best_dropped = _kept(candidates, floor, scores, settings)
        dropped.append(best_dropped)
        if not rows:
            break
        scores = scorer.step([row for row, _ in rows], [token for _, token in rows])
    return _settle(scorer, ended, dropped, settings)


def _kept(
    candidates: Sequence[_Candidate], floor: float, scores: Scores, settings: SearchSettings
) -> tuple[list[tuple[int, int]], list[_Path], float]:
    """Return the decoder's next rows (parent, token), the paths on them, and the rank of the best one dropped."""
    rows: dict[tuple[int, int], int] = {}
    live: list[_Path] = []
    best_dropped = -math.inf
    for candidate in candidates:
        key = (candidate.path.row, candidate.token)
        if candidate.rank > floor and (key in rows or len(rows) < settings.beam):
            live.append(_extended(rows.setdefault(key, len(rows)), scores, candidate))
        else:
            best_dropped = max(best_dropped, candidate.rank)
    return list(rows), live, best_dropped


def _ended(path: _Path, scores: Scores, end: int, settings: SearchSettings) -> _Path:
    logit = float(scores.logits[path.row, scores.column[end]])
    ceiling = path.ceiling + logit - float(scores.ceiling[path.row])
    rank = ceiling + settings.word_bonus * len(path.words)
    nodes = (*path.nodes, scores.first_node + path.row)
    return _Path(path.row, path.state, path.words, path.logits + logit, ceiling, nodes, (*path.ranks, rank))


def _extended(row: int, scores: Scores, candidate: _Candidate) -> _Path:
    path = candidate.path
    return _Path(
        row,
        candidate.state,
        candidate.words,
        path.logits + candidate.logit,
        candidate.ceiling,
        (*path.nodes, scores.first_node + path.row),
        (*path.ranks, candidate.rank),
    )


def _candidates(
    live: Sequence[_Path], scores: Scores, automaton: TokenAutomaton, settings: SearchSettings
) -> Iterator[_Candidate]:
    """Yield the likeliest ways to go on from each live path, at most a beam from each."""
    for path in live:
        tokens = automaton.tokens(path.state)
        if not len(tokens):
            continue
        logits = scores.logits[path.row, scores.column[tokens]]
        if len(tokens) > settings.beam:
            likeliest = np.argpartition(-logits, settings.beam)[: settings.beam + 1]
            tokens, logits = tokens[likeliest], logits[likeliest]
        for token, logit in zip(tokens.tolist(), logits.tolist(), strict=True):
            ceiling = path.ceiling + logit - float(scores.ceiling[path.row])
            for state, words in automaton.follow(path.state, token):
                said = path.words + words
                rank = ceiling + settings.word_bonus * len(said)
                yield _Candidate(rank, path, token, state, said, logit, ceiling)


def _settle(
    scorer: Scorer, ended: Mapping[Words, Sequence[_Path]], dropped: Sequence[float], settings: SearchSettings
) -> Outcome:
    """Normalise what decides over the whole vocabulary, add up the paths of equal words, and sort."""
    if not ended:
        return Outcome((), settings.window)
    best = max(path.rank for paths in ended.values() for path in paths)
    near = [path for paths in ended.values() for path in paths if path.rank > best - settings.exact_within]
    nodes = sorted({node for path in near for node in path.nodes})
    normaliser = dict(zip(nodes, scorer.normalisers(nodes).tolist(), strict=True))
    exact = {id(path): path.logits - sum(normaliser[node] for node in path.nodes) for path in near}
    hypotheses = []
    for words, paths in ended.items():
        score = float(np.logaddexp.reduce([exact.get(id(path), path.ceiling) for path in paths]))
        hypotheses.append(Hypothesis(words, score, score + settings.word_bonus * len(words)))
    hypotheses.sort(key=lambda hypothesis: -hypothesis.rank)
    winner = max(ended[hypotheses[0].words], key=lambda path: exact.get(id(path), path.ceiling))
    gaps = [winner.ranks[min(step, len(winner.ranks) - 1)] - rank for step, rank in enumerate(dropped)]
    return Outcome(tuple(hypotheses), min(*gaps, settings.window))


@dataclass(frozen=True, slots=True)
class Choice:
    """The likeliest meaning: `best` is its likeliest hypothesis, `margin` its lead (nats) over any other meaning.

    The margin is also bounded by what the search dropped, so it is finite even without a rival.
    """

    best: Hypothesis
    margin: float


def choose(outcome: Outcome, meaning: Callable[[Words], Hashable]) -> Choice | None:
    """Return the likeliest meaning, None when there is no hypothesis.

    Word strings of one meaning ("oh" and "zero") support each other: their ranks are added up as probabilities. Of
    these the words are then taken by score alone: the bonus that keeps words from being dropped must not turn
    "fifteen" into "one five".
    """
    groups: dict[Hashable, list[Hypothesis]] = {}
    for hypothesis in outcome.hypotheses:
        groups.setdefault(meaning(hypothesis.words), []).append(hypothesis)
    ranked = sorted((_mass(group), number, group) for number, group in enumerate(groups.values()))
    if not ranked:
        return None
    mass, _, group = ranked[-1]
    lead = mass - ranked[-2][0] if len(ranked) > 1 else math.inf
    return Choice(max(group, key=lambda each: each.score), min(lead, outcome.dropped_gap))


def _mass(group: Sequence[Hypothesis]) -> float:
    return float(np.logaddexp.reduce([each.rank for each in group]))
