"""Promise 2: swap limits, what is plausible and what was read before, and hearing stays byte for byte the same."""

from __future__ import annotations

import re
from fractions import Fraction
from functools import cache
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.app import read_sound
from capture.domain.plan import InspectionPlan, load
from capture.language.grammar import Grammar
from capture.language.meaning import Listening
from capture.speech.recogniser import open_recogniser
from capture.speech.words import Hearing, Utterance
from tests.journeys.talk import PLAN, Talk

CALL = PLAN.parent / "audio"
STATES = (
    Listening("open"),
    Listening("open", "outboard-shoe-3", ("shoe-thickness",)),
    Listening("answer", "inboard-seal-ring-1", ("seal-bore",)),
)


def swapped(numbers: list[Fraction]) -> InspectionPlan:
    """Return the demo plan with other limits, rates and plausible sizes, in the order they stand in."""
    left = sorted(numbers)

    def pair(match: re.Match[str]) -> str:
        lower, upper = (str(float(left.pop(0))) for _ in range(2))
        return f'{match[1]} = "{lower}", {match[2]} = "{upper}"'

    text = PLAN.read_text(encoding="utf-8")
    text = re.sub(r'(lower(?:_rate)?) = "[^"]*", (upper(?:_rate)?) = "[^"]*"', pair, text)
    return load(text, name="swapped.toml")


@cache
def plain_plan() -> InspectionPlan:
    return load(PLAN.read_text(encoding="utf-8"), name="plan.toml")


@settings(max_examples=40, deadline=None)
@given(st.lists(st.integers(1, 99_999), min_size=20, max_size=20, unique=True))
def test_limits_and_plausible_sizes_change_neither_key_nor_automaton_nor_prompt(numbers: list[int]) -> None:
    other = swapped([Fraction(n, 8) for n in numbers])
    assert other.revision != plain_plan().revision
    for listening in STATES:
        ours, theirs = Grammar.build(plain_plan(), listening), Grammar.build(other, listening)
        assert (ours.key, ours.prompt) == (theirs.key, theirs.prompt)
        assert (ours.automaton.arcs, ours.automaton.finals) == (theirs.automaton.arcs, theirs.automaton.finals)


@settings(max_examples=30, deadline=None)
@given(st.lists(st.integers(1000, 1499), min_size=1, max_size=5))
def test_what_was_read_before_changes_nothing_that_hearing_is_given(thousandths: list[int]) -> None:
    before = Talk().open_job()
    empty = before.session.grammar().key
    for number, value in enumerate(thousandths, 1):
        before.type(f"outboard shoe {number} {value // 1000}.{value % 1000:03d}")
        before.type("affirm")
    assert len(before.readings) == len(thousandths)
    assert before.session.grammar().key == empty


@pytest.mark.slow
def test_real_audio_is_heard_alike_whatever_the_limits_are() -> None:
    """The called values lie inside the limits of one plan and far outside those of the other."""
    other = swapped([Fraction(n) for n in range(900, 920)])
    recogniser = open_recogniser("whisper")
    try:
        for sound in sorted(Path(CALL).glob("*-shoe-*.flac"))[:4]:
            utterance = Utterance(read_sound(sound), 0.0, 2.0)
            heard: list[Hearing] = []
            for plan in (plain_plan(), other):
                heard.append(recogniser.recognise(utterance, Grammar.build(plan, Listening("open"))))
            assert heard[0] == heard[1]
    finally:
        recogniser.close()
