"""Decision rules against the carried rows, both edge readings; probability against scipy."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm  # type: ignore[import-untyped]

from capture.domain.decision import (
    CONFORMING,
    INCLUSIVE,
    NONCONFORMING_ABOVE,
    NONCONFORMING_BELOW,
    STRICT,
    UNDECIDED,
    decide,
    guard_factor,
    probability,
    room_to,
    share_conforming,
)
from tests.cases.carry import rows

WORDS = {
    CONFORMING: "conforms",
    UNDECIDED: "cannot be decided",
    NONCONFORMING_BELOW: "does not conform",
    NONCONFORMING_ABOVE: "does not conform",
}


def number(row: dict[str, Any], key: str) -> Fraction | None:
    return Fraction(row["in"][key]) if key in row["in"] else None


@pytest.mark.parametrize("row", rows("decision", "guard_band"))
@pytest.mark.parametrize(("edges", "out"), [(INCLUSIVE, "verdict"), (STRICT, "verdict_strict")])
def test_guard_band_verdict_on_both_readings_of_the_edge(row: dict[str, Any], edges: str, out: str) -> None:
    value, expanded = Fraction(row["in"]["value"]), Fraction(row["in"]["U"])
    kind = decide(value, number(row, "lsl"), number(row, "usl"), expanded, edges)
    assert WORDS[kind] == row["out"][out]


@pytest.mark.parametrize("row", rows("decision", "simple"))
def test_simple_acceptance_takes_the_limits_as_they_are(row: dict[str, Any]) -> None:
    kind = decide(Fraction(row["in"]["value"]), number(row, "lsl"), number(row, "usl"))
    assert (kind == CONFORMING) == row["out"]["accept"]
    assert kind != UNDECIDED


@pytest.mark.parametrize("row", rows("decision", "probability"))
def test_probability_of_conformity_is_the_published_one(row: dict[str, Any]) -> None:
    said = row["in"]
    p = probability(said["value"], said["u"], said.get("tl"), said.get("tu"))
    assert abs(p - row["out"]["p"]) <= row["tol"]


@pytest.mark.parametrize("row", rows("decision", "guard_factor"))
def test_guard_factor_is_the_normal_quantile(row: dict[str, Any]) -> None:
    assert abs(guard_factor(row["in"]["probability"]) - row["out"]["z"]) <= row["tol"]


sizes = st.floats(-100, 100)


@given(sizes, st.floats(0.01, 10), sizes, st.floats(0, 50))
def test_probability_agrees_with_scipy(value: float, standard: float, lower: float, width: float) -> None:
    upper = lower + width
    theirs = norm.cdf(upper, value, standard) - norm.cdf(lower, value, standard)
    assert probability(value, standard, lower, upper) == pytest.approx(float(theirs), abs=1e-12)
    assert probability(value, standard, None, upper) == pytest.approx(
        float(norm.cdf(upper, value, standard)), abs=1e-12
    )
    assert probability(value, standard, lower, None) == pytest.approx(float(norm.sf(lower, value, standard)), abs=1e-12)


def test_without_uncertainty_the_probability_is_one_or_nothing() -> None:
    assert [probability(v, 0.0, 1.0, 2.0) for v in (0.9, 1.0, 2.0, 2.1)] == [0.0, 1.0, 1.0, 0.0]


def test_without_limits_every_size_is_within_them() -> None:
    assert probability(5.0, 1.0, None, None) == 1.0


def test_probability_keeps_its_digits_far_outside() -> None:
    assert probability(20.0, 1.0, None, 8.0) == pytest.approx(float(norm.cdf(-12.0)), rel=1e-9, abs=0)
    assert probability(20.0, 1.0, 0.0, 8.0) == pytest.approx(float(norm.cdf(-12.0)), rel=1e-9, abs=0)
    assert probability(0.0, 1.0, 12.0, 20.0) == pytest.approx(float(norm.sf(12.0)), rel=1e-9, abs=0)


exact = st.fractions(-10, 10, max_denominator=1000)
spans = st.fractions(0, 5, max_denominator=1000)


@given(exact, exact, spans, spans)
def test_a_nonconforming_result_conforms_at_no_larger_uncertainty(
    value: Fraction, lower: Fraction, width: Fraction, expanded: Fraction
) -> None:
    upper = lower + width
    kind = decide(value, lower, upper, expanded)
    simple = decide(value, lower, upper)
    if kind != UNDECIDED:
        assert kind == simple
    if decide(value, lower, upper, expanded, STRICT) == CONFORMING:
        assert kind == CONFORMING


@given(exact, exact, spans, spans, spans, spans)
def test_widening_a_limit_never_turns_conforming_into_anything_else(
    value: Fraction, lower: Fraction, width: Fraction, expanded: Fraction, less: Fraction, more: Fraction
) -> None:
    upper = lower + width
    for edges in (INCLUSIVE, STRICT):
        if decide(value, lower, upper, expanded, edges) == CONFORMING:
            assert decide(value, lower - less, upper + more, expanded, edges) == CONFORMING
            assert decide(value, None, upper + more, expanded, edges) == CONFORMING


@given(exact, exact, spans)
def test_an_uncertainty_no_larger_than_the_room_decides(value: Fraction, lower: Fraction, width: Fraction) -> None:
    upper = lower + width
    room = room_to(value, lower, upper)
    assert decide(value, lower, upper, room, INCLUSIVE) != UNDECIDED or not lower <= value <= upper
    assert decide(value, lower, upper, room * 2 + 1) == UNDECIDED


@given(spans, spans)
def test_the_share_that_can_be_called_conforming_is_what_the_guard_bands_leave(
    width: Fraction, expanded: Fraction
) -> None:
    share = share_conforming(Fraction(0), width, expanded)
    assert 0 <= share <= 1
    assert share_conforming(Fraction(7), 7 + width, expanded) == share
    if width > 2 * expanded:
        assert share * width == width - 2 * expanded
        assert decide(expanded, Fraction(0), width, expanded) == CONFORMING
    else:
        assert share == 0


def test_a_negative_uncertainty_is_refused() -> None:
    with pytest.raises(ValueError, match="must not be below zero"):
        decide(Fraction(1), None, Fraction(2), Fraction(-1))


def test_the_words_that_plans_and_records_hold_are_these() -> None:
    """Another word here would leave every plan and every stored verdict behind."""
    from capture.domain import decision, verdicts

    assert (decision.SIMPLE, decision.GUARD_BAND) == ("simple acceptance", "guard band")
    assert (decision.INCLUSIVE, decision.STRICT) == ("inclusive", "strict")
    assert (decision.ABSOLUTE, decision.ROUNDING) == ("absolute", "rounding")
    assert verdicts.KINDS == ("conforming", "nonconforming below", "nonconforming above", "undecided", "no limits")
    plain = decision.DecisionRule()
    assert (plain.kind, plain.edges, plain.method, plain.mode) == (
        "simple acceptance", "inclusive", "absolute", "half_even"
    )  # fmt: skip


def test_a_result_on_its_limit_is_as_likely_in_as_out() -> None:
    from capture.domain.decision import probability

    assert probability(1.0, 0.25, 1.0, 100.0) == pytest.approx(0.5)
    assert probability(0.5, 0.25, 1.0, 1.5) == pytest.approx(norm.cdf(4) - norm.cdf(2), rel=1e-9, abs=0)
    assert probability(-7.0, 1.0, 1.0, 2.0) == pytest.approx(norm.sf(8) - norm.sf(9), rel=1e-9, abs=0)
    assert probability(9.0, 1.0, 1.0, 2.0) == pytest.approx(norm.cdf(-7) - norm.cdf(-8), rel=1e-9, abs=0)
