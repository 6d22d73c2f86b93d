"""The combinators, the deterministic automaton and the proof that meaning is single-valued."""

from __future__ import annotations

from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.language.automaton import (
    Expr,
    alt,
    built,
    compile_transducer,
    emit,
    opt,
    phrase,
    repeat,
    seq,
    word,
)

WORDS = ("a", "b", "c")


def _expressions() -> st.SearchStrategy[Expr]:
    """Random languages over three words; loops only around what is not empty."""
    leaf = st.one_of(
        st.builds(lambda text, out: word(text, out), st.sampled_from(WORDS), st.sampled_from("xyz")),
        st.builds(lambda text: word(text), st.sampled_from(WORDS)),
        st.builds(lambda out: emit(out), st.sampled_from("xyz")),
    )
    return st.recursive(
        leaf,
        lambda inner: st.one_of(
            st.builds(lambda a, b: seq(a, b), inner, inner),
            st.builds(lambda a, b: alt(a, b), inner, inner),
            st.builds(opt, inner),
            st.builds(lambda a: repeat(a, 1, 2), inner),
            st.builds(built, inner),
        ),
        max_leaves=6,
    )


def _short_strings(most: int = 4) -> list[tuple[str, ...]]:
    return [words for length in range(most + 1) for words in product(WORDS, repeat=length)]


@given(_expressions())
def test_the_automaton_accepts_exactly_what_the_transducer_gives_a_meaning(expr: Expr) -> None:
    transducer = compile_transducer(expr)
    for words in _short_strings():
        assert transducer.automaton.accepts(words) == bool(transducer.outputs(words))


@given(_expressions())
def test_the_proof_finds_an_ambiguity_whenever_a_short_string_has_two_meanings(expr: Expr) -> None:
    transducer = compile_transducer(expr)
    doubled = [words for words in _short_strings() if len(transducer.outputs(words)) > 1]
    witnesses = transducer.ambiguities()
    assert bool(witnesses) >= bool(doubled)
    assert all(len(transducer.outputs(words)) > 1 for words in witnesses)


@given(_expressions())
def test_building_a_part_beforehand_changes_neither_words_nor_meaning(expr: Expr) -> None:
    plain, ahead = compile_transducer(expr), compile_transducer(built(expr))
    assert plain.automaton.digest == ahead.automaton.digest
    for words in _short_strings(3):
        assert plain.outputs(words) == ahead.outputs(words)


@pytest.mark.parametrize(
    ("expr", "witness"),
    [
        (alt(word("a", "x"), word("a", "y")), ("a",)),
        # the difference shows only at the end
        (alt(seq(word("a", "x"), word("b")), seq(word("a"), word("b", "y"))), ("a", "b")),
        # twenty two point: twenty, two point or twenty two, point
        (
            seq(phrase("shoe"), alt(word("twenty", "20"), phrase("twenty two", "22")), opt(word("two", "2"))),
            ("shoe", "twenty", "two"),
        ),
        # only in the loop
        (seq(word("c"), alt(word("a", "x"), phrase("a b a", "y")), opt(phrase("b a", "x"))), ("c", "a", "b", "a")),
    ],
)
def test_an_ambiguity_is_shown_by_a_word_string(expr: Expr, witness: tuple[str, ...]) -> None:
    assert witness in compile_transducer(expr).ambiguities()


def test_a_late_symbol_is_no_ambiguity() -> None:
    expr = alt(seq(word("a"), word("b", "x", "y")), seq(word("a", "x"), word("b", "y"), opt(word("c", "z"))))
    assert compile_transducer(expr).ambiguities() == []


def test_the_automaton_is_minimal_and_numbered_by_its_language_alone() -> None:
    one = compile_transducer(alt(phrase("a c"), phrase("b c")))
    other = compile_transducer(seq(alt(word("b", "x"), word("a")), word("c")))
    assert one.automaton.arcs == other.automaton.arcs
    assert one.automaton.digest == other.automaton.digest
    assert len(one.automaton.arcs) == 3
    assert one.automaton.words == ("a", "b", "c")


def test_the_empty_language_accepts_nothing() -> None:
    nothing = compile_transducer(alt())
    assert not nothing.automaton.finals
    assert nothing.outputs([]) == frozenset()
    assert nothing.ambiguities() == []
