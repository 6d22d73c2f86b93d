"""Wear and the dates a limit would be reached: a range from three overhauls, never one date."""

from __future__ import annotations

from datetime import date, timedelta
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.domain.errors import LimitError
from capture.domain.wear import limit_reached, wear

HISTORY = [
    (date(2021, 1, 1), Fraction("0.010")),
    (date(2022, 1, 1), Fraction("0.011")),
    (date(2023, 1, 1), Fraction("0.013")),
]


def test_wear_is_as_found_minus_as_left() -> None:
    assert wear(Fraction("0.010"), Fraction("0.0125")) == Fraction("0.0025")


def test_three_overhauls_give_a_range_of_dates() -> None:
    found = limit_reached(HISTORY, Fraction("0.015"))
    assert found.earliest == date(2024, 1, 1) and found.latest == date(2024, 12, 31)
    assert "not a service life" in found.working


@pytest.mark.parametrize("count", [0, 1, 2])
def test_no_date_from_fewer_than_three_overhauls(count: int) -> None:
    with pytest.raises(LimitError, match="No date is projected"):
        limit_reached(HISTORY[:count], Fraction("0.015"))


def test_overhauls_out_of_order_are_refused() -> None:
    with pytest.raises(LimitError, match="order of date"):
        limit_reached([HISTORY[0], HISTORY[2], HISTORY[1]], Fraction("0.015"))
    with pytest.raises(LimitError, match="order of date"):
        limit_reached([HISTORY[0], HISTORY[0], HISTORY[1]], Fraction("0.015"))


def test_a_size_that_does_not_move_towards_the_limit_gives_no_date() -> None:
    still = [(day, Fraction(1)) for day, _ in HISTORY]
    assert limit_reached(still, Fraction(2)).earliest is None
    away = [(day, -size) for day, size in HISTORY]
    assert limit_reached(away, Fraction(2)).latest is None
    mixed = [*HISTORY[:2], (HISTORY[2][0], Fraction("0.0105"))]
    found = limit_reached(mixed, Fraction("0.015"))
    assert found.earliest is not None and found.latest is None


def test_a_limit_already_reached_is_today() -> None:
    found = limit_reached(HISTORY, Fraction("0.013"))
    assert found.earliest == found.latest == date(2023, 1, 1)


@given(st.lists(st.integers(1, 50), min_size=2, max_size=5), st.integers(1, 500))
def test_steady_and_unsteady_wear_stay_within_the_range(steps: list[int], to_go: int) -> None:
    history, size, day = [(date(2000, 1, 1), Fraction(0))], Fraction(0), date(2000, 1, 1)
    for step in steps:
        size, day = size + step, day + timedelta(days=365)
        history.append((day, size))
    found = limit_reached(history, size + to_go)
    assert found.earliest is not None and found.latest is not None
    steady = day + timedelta(days=round(Fraction(to_go * 365 * len(steps), sum(steps))))
    assert found.earliest - timedelta(days=1) <= steady <= found.latest + timedelta(days=1)
