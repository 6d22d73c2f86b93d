"""Whether a hearing may be acted on: pure, and separate from every engine."""

from __future__ import annotations

from dataclasses import dataclass

from capture.speech.words import Floors, Hearing, SpokenGrammar


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why a hearing may not be acted on; `reason` is one of `capture.language.meaning.REASONS`.

    `detail`: a few words to speak.
    """

    reason: str
    detail: str


def judge(hearing: Hearing, floors: Floors, grammar: SpokenGrammar) -> Refusal | None:
    """Return why a hearing must be refused, or None when it may be interpreted.

    `floors.extra` gives a score-per-word floor of its own to whole word strings (control words); figures that
    the engine does not give are not judged, but an engine must give a margin and a score, or confidences.
    """
    if hearing.has_unknown:
        return Refusal("unknown word", "a word I do not know")
    if not hearing.words:
        return Refusal("nothing heard", "nothing I know")
    if not accepts(grammar, hearing.words):
        return Refusal("not in the grammar", "not a call I know")
    return _judge_figures(hearing, floors)


def _judge_figures(hearing: Hearing, floors: Floors) -> Refusal | None:
    has_scores = hearing.margin is not None and hearing.score_per_word is not None
    if not has_scores and len(hearing.confidences) != len(hearing.words):
        return Refusal("weak score", "not sure I heard that")
    score_floor = floors.extra.get(hearing.text, floors.score_per_word)
    if hearing.score_per_word is not None and not hearing.score_per_word >= score_floor:
        return Refusal("weak score", "not sure I heard that")
    if any(not confidence >= floors.confidence for confidence in hearing.confidences):
        return Refusal("weak score", "not sure I heard that")
    if hearing.margin is not None and not hearing.margin >= floors.margin:
        return Refusal("weak margin", "could be one thing or another")
    return None


def accepts(grammar: SpokenGrammar, words: tuple[str, ...]) -> bool:
    """Say whether a word string is in the grammar."""
    place: int | None = 0
    for word in words:
        place = grammar.automaton.arcs[place].get(word) if place is not None else None
    return place is not None and place in grammar.automaton.finals
