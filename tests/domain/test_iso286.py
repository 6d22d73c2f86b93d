"""ISO 286 by code against the carried rows, and the tables against their own formulae."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import pytest

from capture.domain.errors import LimitError
from capture.domain.iso286 import GRADES, MULTIPLES, SHAFTS, STEPS, fit, step_index, tolerance_class
from tests.cases.carry import rows, table


@pytest.mark.parametrize("row", rows("iso286", "multiple"))
def test_grade_is_a_multiple_of_the_tolerance_unit(row: dict[str, Any]) -> None:
    assert MULTIPLES[row["in"]["grade"]] == row["out"]["multiple"]


@pytest.mark.parametrize("row", rows("iso286", "grade"))
def test_grade_table_is_the_published_one(row: dict[str, Any]) -> None:
    index = STEPS.index((row["in"]["over"], row["in"]["up_to"]))
    assert {f"IT{grade}": GRADES[grade][index] for grade in GRADES}.items() <= row["out"].items()


@pytest.mark.parametrize("row", rows("iso286", "grade"))
def test_grade_table_is_near_its_formula(row: dict[str, Any]) -> None:
    """i = 0.45 D^(1/3) + 0.001 D, D the geometric mean of the step (1 and 3 for the first); ISO 286-1:1988, annex A."""
    over, up_to = row["in"]["over"] or 1, row["in"]["up_to"]
    d = (over * up_to) ** 0.5
    i = 0.45 * d ** (1 / 3) + 0.001 * d
    assert abs(i - row["out"]["i"]) <= row["tol"]
    index = STEPS.index((row["in"]["over"], up_to))
    for grade, multiple in MULTIPLES.items():
        allowed = 0.17 if over == 1 else 0.05  # the first step departs from the formula
        assert abs(GRADES[grade][index] - multiple * i) <= max(1.0, allowed * multiple * i), grade


@pytest.mark.parametrize("row", rows("iso286", "step"))
def test_a_size_on_a_step_belongs_below_it(row: dict[str, Any]) -> None:
    assert STEPS[step_index(Fraction(row["in"]["size"]))] == (row["out"]["over"], row["out"]["up_to"])


@pytest.mark.parametrize("row", rows("iso286", "deviation"))
def test_fundamental_deviations_are_the_published_ones(row: dict[str, Any]) -> None:
    size = Fraction(row["in"]["up_to"])
    for letter, value in row["out"].items():
        made = tolerance_class(size, f"{letter}6")
        assert (made.lower if letter in "Hknp" else made.upper) == value, letter


@pytest.mark.parametrize("row", rows("iso286", "deviation")[1:])  # the first step departs from the formulae
def test_shaft_deviations_are_near_their_formulae(row: dict[str, Any]) -> None:
    """f 5.5 D^0.41, g 2.5 D^0.34, k 0.6 D^(1/3), n 5 D^0.34; ISO 286-1:1988, annex A, table 13."""
    over, up_to = row["in"]["over"], row["in"]["up_to"]
    d, out = (over * up_to) ** 0.5, row["out"]
    formulae = {"f": -5.5 * d**0.41, "g": -2.5 * d**0.34, "k": 0.6 * d ** (1 / 3), "n": 5 * d**0.34}
    for letter, value in formulae.items():
        assert abs(out[letter] - value) <= max(1.02, 0.07 * abs(value)), letter


@pytest.mark.parametrize("row", rows("iso286", "fit"))
def test_fit_by_code_gives_both_members_and_the_clearances(row: dict[str, Any]) -> None:
    pair, out = fit(Fraction(row["in"]["size"]), row["in"]["fit"]), row["out"]
    assert [pair.hole.lower, pair.hole.upper] == out["hole"]
    assert [pair.shaft.lower, pair.shaft.upper] == out["shaft"]
    assert (pair.least, pair.most, pair.kind) == (out["clearance_min"], out["clearance_max"], out["kind"])


@pytest.mark.parametrize("row", rows("iso286", "limits"))
def test_limits_of_size_are_exact(row: dict[str, Any]) -> None:
    size = Fraction(row["in"]["size"])
    low, high = tolerance_class(size, row["in"]["class"]).limits(size)
    assert (low, high) == (Fraction(row["out"]["low"]), Fraction(row["out"]["high"]))


def test_m_is_the_difference_of_two_grades_but_for_the_first_step() -> None:
    """ISO 286-1:1988, annex A: the deviation of m is IT7 - IT6; the first step is 2 in the table (from memory)."""
    for index, (_, up_to) in enumerate(STEPS[1:], 1):
        assert tolerance_class(Fraction(up_to), "m6").lower == GRADES[7][index] - GRADES[6][index]
    assert tolerance_class(Fraction(3), "m6").lower == 2


def test_js_lies_evenly_about_nominal() -> None:
    made = tolerance_class(Fraction(60), "js7")
    assert (made.lower, made.upper) == (Fraction(-15), Fraction(15))
    assert tolerance_class(Fraction(60), "JS7").is_hole and not made.is_hole


@pytest.mark.parametrize("code", ["", "H", "7", "H4", "H12", "z6", "G7", "k8", "H 7", "h6/H7", "H7/g6", "hh6"])
def test_a_class_outside_the_table_is_never_guessed(code: str) -> None:
    with pytest.raises(LimitError):
        tolerance_class(Fraction(25), code)


@pytest.mark.parametrize("code", ["g6/H7", "H7", "H7/H7", "H7/g6/g6"])
def test_a_fit_is_a_hole_over_a_shaft(code: str) -> None:
    with pytest.raises(LimitError):
        fit(Fraction(25), code)


@pytest.mark.parametrize("size", ["0", "-3", "250.001", "500"])
def test_a_size_outside_the_table_is_refused(size: str) -> None:
    with pytest.raises(LimitError, match="outside the ISO 286 table"):
        tolerance_class(Fraction(size), "H7")


def test_every_letter_is_in_a_carried_row_or_checked_above() -> None:
    carried = {letter for row in table("iso286")["deviation"] for letter in row["out"]}
    assert carried | {"m", "js"} == {*SHAFTS, "H"}
