"""The automaton over tokens spells exactly the word strings of the grammar."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.language.automaton import alt, opt, phrase, seq
from capture.speech._tokens import State, TokenAutomaton, Vocabulary, Words
from capture.speech.whisper import find_model
from tests.speech.support import SmallGrammar, job_grammar, words

VOCABULARY = Vocabulary(find_model() / "tokenizer.json")
JOB = job_grammar()
TOKENS = TokenAutomaton(JOB.automaton, VOCABULARY)


def spelled(text: str, automaton: TokenAutomaton = TOKENS) -> set[Words]:
    """All word strings that a written text stands for."""
    here: set[tuple[State, Words]] = {(automaton.start, ())}
    for token in VOCABULARY.encode(text):
        here = {
            (after, said + more)
            for state, said in here
            if token in automaton.tokens(state)
            for after, more in automaton.follow(state, token)
        }
    return {said for state, said in here if automaton.is_final(state)}


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (" outboard shoe three", "outboard shoe three"),
        (" Outboard Shoe Three.", "outboard shoe three"),
        (" outboard shoe 3, 1.248", "outboard shoe three one point two four eight"),
        (" outboard shoe 3 one point two four eight.", "outboard shoe three one point two four eight"),
        (" thrust collar 49 thou", "thrust collar forty nine thou"),
        (" minus 0.0035", "minus zero point zero zero three five"),
        (" -0.0035", "minus zero point zero zero three five"),
        (" .125", "point one two five"),
        (" forty-nine thou", "forty nine thou"),
        (" 100 thou", "one hundred thou"),
        (" Say again", "say again"),
    ],
)
def test_written_forms_are_read_as_the_words_they_stand_for(text: str, said: str) -> None:
    assert tuple(said.split()) in spelled(text)


@pytest.mark.parametrize(
    "text",
    [" outboard", " outboard shoe", " outboard shoe 9", " shoe three", "", " outboard shoe three 1.", " one two", "."],
)
def test_a_text_outside_the_grammar_spells_nothing(text: str) -> None:
    assert spelled(text) == set()


def test_a_numeral_may_be_read_in_every_way_that_the_grammar_allows() -> None:
    assert spelled(" 14.5") == {tuple("fourteen point five".split()), tuple("one four point five".split())}
    assert spelled(" 14 thou") == {tuple("fourteen thou".split())}


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 2**32))
def test_every_token_path_to_an_end_spells_words_that_the_grammar_accepts(seed: int) -> None:
    chance = random.Random(seed)
    state = TOKENS.start
    said: Words = ()
    ends = 0
    for _ in range(40):
        if TOKENS.is_final(state):
            ends += 1
            assert JOB.automaton.accepts(said)
        steps = [step for token in TOKENS.tokens(state).tolist() for step in TOKENS.follow(state, token)]
        if not steps:
            break
        state, more = chance.choice(steps)
        said += more
        assert JOB.automaton.walk(said) == state.place
    assert ends or said


def test_every_token_a_path_can_take_is_among_the_tokens_used() -> None:
    used = set(TOKENS.tokens_used.tolist())
    state = TOKENS.start
    for token in VOCABULARY.encode(" outboard shoe 3, minus 1.248"):
        assert set(TOKENS.tokens(state).tolist()) <= used
        (state, _), *_rest = TOKENS.follow(state, token)


def test_us_spellings_and_abbreviations_of_units_are_read() -> None:
    grammar = SmallGrammar(seq(words("two", "three"), opt(alt(phrase("millimetres"), phrase("microns")))))
    automaton = TokenAutomaton(grammar.automaton, VOCABULARY)
    for text in (" two millimetres", " two millimeters", " 2 mm", " Two Millimetres."):
        assert spelled(text, automaton) == {("two", "millimetres")}
