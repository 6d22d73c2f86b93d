"""Rounding happens once, to a step, by a named rule."""

from __future__ import annotations

from decimal import ROUND_HALF_EVEN, ROUND_HALF_UP, Decimal, localcontext
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.domain.rounding import MODES, decimals_of, round_down_to_125, round_to, round_up
from capture.domain.units import Quantity, exact_text, factor
from tests.cases.carry import rows
from tests.domain.test_units import OURS


@pytest.mark.parametrize("row", rows("rounding", "round"))
def test_rounding_gives_the_published_digits(row: dict[str, Any]) -> None:
    value, step = Fraction(row["in"]["value"]), Fraction(row["in"]["step"])
    rounded = round_to(value, step, row["in"]["mode"])
    assert exact_text(rounded, decimals_of(step)) == row["out"]["value"]


@pytest.mark.parametrize("row", rows("rounding", "once_only"))
def test_rounding_once_is_not_rounding_twice(row: dict[str, Any]) -> None:
    value, step, via = (Fraction(row["in"][key]) for key in ("value", "step", "via"))
    assert round_to(value, step, row["mode"]) == Fraction(row["out"]["value"])
    assert round_to(round_to(value, via, row["mode"]), step, row["mode"]) == Fraction(row["out"]["wrong"])


@pytest.mark.parametrize("row", rows("units", "length_rounded"))
def test_a_converted_length_is_rounded_only_for_show(row: dict[str, Any]) -> None:
    unit, to = (OURS[row["in"][end]] for end in ("from", "to"))
    value = Quantity(row["in"]["value"], unit).to_fraction(to)
    assert value == Fraction(row["out"]["fraction"]) == Fraction(row["in"]["value"]) * factor(unit, to)
    step = Fraction(row["in"]["step"])
    assert exact_text(round_to(value, step), decimals_of(step)) == row["out"]["value"]


decimals = st.decimals(-(10**6), 10**6, places=7)


@given(decimals, st.sampled_from(["1", "0.1", "0.001", "0.00001"]), st.sampled_from(MODES))
def test_rounding_agrees_with_decimal_quantize(value: Decimal, step: str, mode: str) -> None:
    theirs = {"half_even": ROUND_HALF_EVEN, "half_up": ROUND_HALF_UP}[mode]
    with localcontext() as context:
        context.prec = 50
        assert round_to(Fraction(value), Fraction(step), mode) == Fraction(value.quantize(Decimal(step), theirs))


@given(st.fractions(min_value=Fraction(1, 10**6), max_value=10**6), st.integers(1, 4))
def test_rounding_up_never_makes_an_uncertainty_smaller(value: Fraction, digits: int) -> None:
    rounded = round_up(value, digits)
    assert value <= rounded <= value * (1 + Fraction(10, 10**digits))
    assert len(exact_text(rounded, 0).replace(".", "").strip("0")) <= digits


@given(st.fractions(min_value=Fraction(1, 10**6), max_value=10**6))
def test_the_step_of_a_better_gauge_is_one_that_is_sold(value: Fraction) -> None:
    step = round_down_to_125(value)
    assert step <= value < step * Fraction(5, 2)
    assert exact_text(step, 0).replace(".", "").strip("0") in ("1", "2", "5")


def test_a_step_or_mode_that_makes_no_sense_is_refused() -> None:
    for call in (
        lambda: round_to(Fraction(1), Fraction(0)),
        lambda: round_to(Fraction(1), Fraction(1), "half_odd"),
        lambda: round_down_to_125(Fraction(0)),
        lambda: decimals_of(Fraction(1, 3)),
    ):
        with pytest.raises(ValueError, match="must be|not known|does not end"):
            call()
    assert round_up(Fraction(0)) == 0
