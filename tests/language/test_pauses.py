"""When a pause is inside a number: the endpoint waits, and what never comes is asked for."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.domain.plan import InspectionPlan
from capture.language.grammar import Grammar
from capture.language.meaning import Listening, NotUnderstood
from tests.language.conftest import follow, one_part_plan


@pytest.mark.parametrize(
    "words",
    [
        "outboard",
        "outboard shoe",
        "outboard shoe three one",
        "outboard shoe three one point",
        "outboard shoe three one point two",  # C07: "one point two ... four eight", pause at 1.9 s
        "outboard shoe three one point two four",
        "one point two",
        "one two four eight",  # its unit may follow
        "correction",
        "correction one point two",
        "outboard shoe three one point two four eight correction one point",
        "three and",
        "what is",
    ],
)
def test_a_pause_inside_a_call_is_waited_for(shoe_grammar: Grammar, words: str) -> None:
    assert shoe_grammar.is_open_number(words.split())


@pytest.mark.parametrize(
    "words",
    [
        "",
        "outboard shoe three",
        "outboard shoe three one point two four eight",
        "outboard shoe three one point two four eight zero",
        "one point two four eight inches",
        "one point two inches",
        "three thou",
        "one point two disregard",
        "outboard shoe three light scoring",
        "affirm",
        "bearing one point two",
        "outboard shoe three one point two [unk]",
    ],
)
def test_a_pause_after_a_whole_or_a_broken_call_ends_it(shoe_grammar: Grammar, words: str) -> None:
    assert not shoe_grammar.is_open_number(words.split())


def test_a_check_of_the_gauge_in_hand_waits_for_the_gauge_s_digits(inch_plan: InspectionPlan) -> None:
    grammar = Grammar.build(inch_plan, Listening("open", gauge=("in", 4)))
    assert grammar.is_open_number("zero check zero point zero zero one".split())
    assert not grammar.is_open_number("zero check zero point zero zero zero one".split())
    assert grammar.is_open_number("standard one inch reads".split())


@given(choices=st.lists(st.integers(0, 400), max_size=14))
def test_whatever_is_acted_on_is_not_open_and_whatever_is_open_is_asked(choices: list[int]) -> None:
    plan = one_part_plan("in", 3, True, "inch")
    grammar = Grammar.build(plan, Listening("open", "shim-pack", ("size",)))
    words = follow(grammar.automaton, choices)
    if grammar.is_open_number(words):
        assert isinstance(grammar.interpret(words), NotUnderstood)
    for end in range(1, len(words)):
        begun = grammar.automaton.walk(words[:end])
        assert begun in grammar.automaton.finals or grammar.is_open_number(words[:end])
