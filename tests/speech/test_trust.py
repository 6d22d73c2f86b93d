"""What may be acted on."""

from __future__ import annotations

import dataclasses
import math

import pytest

from capture.language.meaning import REASONS
from capture.speech.trust import judge
from capture.speech.words import Floors, Hearing
from tests.speech.support import job_grammar

GRAMMAR = job_grammar()
GOOD = Hearing(("thrust", "collar"), 5.0, -0.4, "whisper", "tiny", 0.0, 1.0)
FLOORS = Floors()


def _reason(hearing: Hearing, floors: Floors = FLOORS) -> str | None:
    refusal = judge(hearing, floors, GRAMMAR)
    assert refusal is None or (refusal.reason in REASONS and refusal.detail)
    return refusal.reason if refusal else None


def test_a_clear_hearing_inside_the_grammar_is_accepted() -> None:
    assert _reason(GOOD) is None


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"has_unknown": True}, "unknown word"),
        ({"words": ()}, "nothing heard"),
        ({"words": ("thrust",)}, "not in the grammar"),
        ({"words": ("hello",)}, "not in the grammar"),
        ({"margin": 1.99}, "weak margin"),
        ({"margin": math.nan}, "weak margin"),
        ({"score_per_word": -1.91}, "weak score"),
        ({"score_per_word": math.nan}, "weak score"),
        ({"confidences": (0.9, 0.59)}, "weak score"),
        ({"margin": None, "score_per_word": None}, "weak score"),
        ({"margin": None, "score_per_word": None, "confidences": (0.9,)}, "weak score"),
    ],
)
def test_each_doubt_alone_is_enough_to_refuse(change: dict[str, object], reason: str) -> None:
    assert _reason(dataclasses.replace(GOOD, **change)) == reason  # type: ignore[arg-type]


@pytest.mark.parametrize("change", [{"margin": 2.0}, {"score_per_word": -1.9}, {"confidences": (0.6, 0.6)}])
def test_a_figure_at_its_floor_is_accepted(change: dict[str, object]) -> None:
    assert _reason(dataclasses.replace(GOOD, **change)) is None  # type: ignore[arg-type]


def test_confidences_of_every_word_stand_in_for_margin_and_score() -> None:
    heard = dataclasses.replace(GOOD, margin=None, score_per_word=None, confidences=(0.9, 0.8))
    assert _reason(heard) is None


def test_a_control_word_can_have_a_floor_of_its_own() -> None:
    affirm = dataclasses.replace(GOOD, words=("affirm",), score_per_word=-1.5)
    assert _reason(affirm) is None
    assert _reason(affirm, Floors(extra={"affirm": -1.0})) == "weak score"
    assert _reason(dataclasses.replace(affirm, words=("skip",)), Floors(extra={"affirm": -1.0})) is None
