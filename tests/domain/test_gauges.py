"""Gauge truth: range, steps, decimals, coarseness, and what a bad gauge leaves in doubt."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.domain.errors import QuantityError
from capture.domain.gauges import (
    Gauge,
    calibration_due,
    check_reading,
    coarse,
    in_both_units,
    in_doubt,
    ratio_to,
    zero_error,
)
from capture.domain.record import fold
from capture.domain.units import Quantity
from tests.domain.conftest import Shift

MIKE = Gauge("mike", "micrometer", "in", Fraction("0.0005"), Fraction(1), Fraction(2), due="2026-03-31")


@pytest.mark.parametrize("text", ["1.0000", "1.2485", "2.0000"])
def test_what_a_gauge_can_show_is_taken(text: str) -> None:
    check_reading(MIKE, Quantity(text, "in"))
    assert MIKE.decimals == 4


@pytest.mark.parametrize(
    ("text", "unit", "message"),
    [
        ("0.9995", "in", "outside the range"),
        ("2.0005", "in", "outside the range"),
        ("1.248", "in", "has 3 decimals; gauge 'mike' shows 4"),
        ("1.24850", "in", "has 5 decimals"),
        ("1.2487", "in", "between the steps"),
        ("31.70", "mm", "between the steps"),
        ("60", "mm", "outside the range"),
    ],
)
def test_what_a_gauge_cannot_show_is_refused(text: str, unit: str, message: str) -> None:
    with pytest.raises(QuantityError, match=message):
        check_reading(MIKE, Quantity(text, unit))


def test_a_gauge_too_coarse_for_the_tolerance_is_said() -> None:
    assert coarse(MIKE, Fraction("0.005"), "in") == ""
    assert ratio_to(MIKE, Fraction("0.127"), "mm") == 10
    said = coarse(MIKE, Fraction("0.004"), "in")
    assert said == "micrometer is coarse here: 0.004 in of tolerance holds 8 of its steps, 10 wanted"
    assert "below four to one" in coarse(MIKE, Fraction("0.0015"), "in")
    assert "below four to one" not in coarse(MIKE, Fraction("0.002"), "in")
    assert coarse(MIKE, Fraction("0.002"), "in", Fraction(4)) == ""


def test_calibration_is_due_on_its_day() -> None:
    assert calibration_due(MIKE, date(2026, 3, 30)) == ""
    assert "was due" in calibration_due(MIKE, date(2026, 3, 31))
    assert "no calibration date" in calibration_due(replace(MIKE, due=""), date(2026, 1, 1))


def test_a_zero_check_gives_the_signed_error_beyond_what_is_allowed() -> None:
    standard = Quantity("1.0000", "in")
    assert zero_error(Quantity("1.0005", "in"), standard, Fraction("0.0005"), "in") is None
    assert zero_error(Quantity("0.9990", "in"), standard, Fraction("0.0005"), "in") == Fraction("-0.001")


READS, GOOD, BAD, DROPPED = "reads", "good", "bad", "dropped"
# what happens, in order; which events (counting from 1, after the job is opened) end in doubt
COURSES = [
    ([READS, GOOD], []),
    ([READS, BAD], [1]),
    ([GOOD, READS, READS, BAD], [2, 3]),
    ([READS, GOOD, READS, BAD], [3]),
    ([READS, BAD, READS, GOOD, READS], [1, 3]),
    ([READS, DROPPED], [1]),
    ([READS, DROPPED, READS], [1, 3]),
    ([READS, DROPPED, READS, GOOD], []),
    ([READS, DROPPED, READS, BAD], [1, 3]),
    ([READS, BAD, DROPPED, GOOD], [1]),
]


@pytest.mark.parametrize(("course", "doubted"), COURSES)
def test_a_bad_gauge_marks_what_it_read_since_its_last_good_check(course: list[str], doubted: list[int]) -> None:
    shift = Shift()
    shift.open()
    for what in course:
        if what == READS:
            shift.read("outboard-shoe-1", "shoe-thickness", "1.250", gauge="mike")
            continue
        shift.add("gauge-checked", gauge="mike", result=what, by="TM")
    marks = in_doubt(shift.events)
    assert sorted(sequence - 1 for _, sequence in marks) == doubted


def test_another_gauge_is_not_blamed_and_the_reading_is_asked_for_again(shift: Shift) -> None:
    shift.open()
    shift.read("outboard-shoe-1", "shoe-thickness", "1.250", gauge="mike")
    shift.read("outboard-shoe-2", "shoe-thickness", "1.250", gauge="other")
    shift.add("gauge-checked", gauge="mike", result="bad", by="TM")
    record = fold(shift.events)["J1"]
    assert [entry.doubt for entry in record.entries] == ["gauge 'mike' was found bad", ""]
    assert ("outboard-shoe-1", "shoe-thickness") in record.left
    assert ("outboard-shoe-2", "shoe-thickness") not in record.left
    shift.read("outboard-shoe-1", "shoe-thickness", "1.251", gauge="other")
    again = fold(shift.events)["J1"]
    assert again.entries[0].doubt == "" and ("outboard-shoe-1", "shoe-thickness") not in again.left


@pytest.mark.parametrize(
    ("text", "unit", "to", "resolution", "shown"),
    [
        ("1.250", "in", "mm", "0.001", "31.75 mm"),
        ("1.2485", "in", "mm", "0.0001", "31.712 mm"),
        ("31.75", "mm", "in", "0.01", "1.2500 in"),
        ("31.712", "mm", "in", "0.001", "1.24850 in"),
        ("68.0", "degF", "degC", "0.1", "20.00 degC"),
    ],
)
def test_a_reading_is_shown_in_the_other_unit_with_the_digits_it_has(
    text: str, unit: str, to: str, resolution: str, shown: str
) -> None:
    assert in_both_units(Quantity(text, unit), to, Fraction(resolution)) == shown


@given(st.integers(2000, 4000))
def test_every_step_of_the_gauge_is_a_reading_and_none_between(steps: int) -> None:
    value = steps * MIKE.resolution
    text = f"{float(value):.4f}"
    check_reading(MIKE, Quantity(text, "in"))
    with pytest.raises(QuantityError):
        check_reading(MIKE, Quantity(f"{float(value + Fraction('0.0002')):.4f}", "in"))
