"""Limits and clearances: exact, inclusive, the same in every unit."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.domain.clearance import clearance, interference, radial
from capture.domain.errors import LimitError, UnitError
from capture.domain.limits import ABOVE, BELOW, WITHIN, Bounds, bounds, compare
from capture.domain.plan import Characteristic, Derived, InspectionPlan, Limits
from capture.domain.units import Quantity, exact_text
from capture.domain.verdicts import (
    CONFORMING,
    NO_LIMITS,
    NONCONFORMING_ABOVE,
    NONCONFORMING_BELOW,
    UNDECIDED,
    check,
    check_derived,
    derived_value,
)
from tests.cases.carry import rows

digits = st.from_regex(r"(0|[1-9][0-9]{0,3})\.[0-9]{1,4}", fullmatch=True)


def absolute(unit: str, lower: str | None, upper: str | None) -> Limits:
    low, high = (None if text is None else Fraction(text) for text in (lower, upper))
    return Limits(unit, low, high, "constructed", "plan author", lower_text=lower or "", upper_text=upper or "")


def measured(unit: str, limits: Limits | None) -> Characteristic:
    return Characteristic("size", "size", "size", ("g",), unit, 3, False, limits, None)


def rated(unit: str, low: str, high: str) -> Derived:
    limits = Limits(
        unit=unit,
        lower=None,
        upper=None,
        source="rule of thumb",
        standing="common practice",
        lower_rate=Fraction(low),
        upper_rate=Fraction(high),
        per="shaft",
        lower_text=low,
        upper_text=high,
    )
    return Derived("fit", "fit", "clearance", ("g",), (("bore", "bore"), ("shaft", "shaft")), unit, limits)


@pytest.mark.parametrize("row", rows("clearance", "diametral"))
def test_clearance_is_bore_minus_shaft(row: dict[str, Any]) -> None:
    said, unit = row["in"], row["unit"]
    bore, shaft = (Quantity(said[part], said.get(f"{part}_unit", unit)) for part in ("bore", "journal"))
    value = clearance(bore, shaft, row["unit"])
    assert value == Fraction(row["out"]["diametral"])
    assert radial(value) == Fraction(row["out"]["radial"])
    assert interference(bore, shaft, row["unit"]) == -value
    assert exact_text(value, max(bore.places, shaft.places)) == row["out"]["diametral"]


VERDICTS = {"within": CONFORMING, "below": NONCONFORMING_BELOW, "above": NONCONFORMING_ABOVE}


@pytest.mark.parametrize("row", rows("clearance", "per_diameter"))
def test_rate_per_diameter_gives_the_published_limits_and_verdict(row: dict[str, Any], plan: InspectionPlan) -> None:
    unit, said = row["unit"], row["in"]
    shaft = Quantity(said["diameter"], unit)
    derived = rated(unit, said["low_rate"], said["high_rate"])
    assert derived.limits is not None
    held = bounds(derived.limits, {"shaft": shaft})
    assert (held.lower, held.upper) == (Fraction(row["out"]["low"]), Fraction(row["out"]["high"]))
    bore = Quantity(exact_text(shaft.fraction + Fraction(said["clearance"]), 0), unit)
    verdict = check_derived(derived, plan, {"bore": bore, "shaft": shaft})
    assert verdict is not None and verdict.kind == VERDICTS[row["out"]["verdict"]]
    feeler = replace(measured(unit, derived.limits), signed=True)
    assert check(Quantity(said["clearance"], unit), feeler, plan, {"shaft": shaft}).kind == verdict.kind


EDGES = [
    ("1.245", NONCONFORMING_BELOW, "0.001"),
    ("1.246", CONFORMING, None),
    ("1.247", CONFORMING, None),
    ("1.253", CONFORMING, None),
    ("1.254", CONFORMING, None),
    ("1.255", NONCONFORMING_ABOVE, "0.001"),
]


@pytest.mark.parametrize(("text", "kind", "by"), EDGES)
def test_both_limits_and_one_step_either_side(text: str, kind: str, by: str | None, plan: InspectionPlan) -> None:
    verdict = check(Quantity(text, "in"), plan.characteristic("shoe-thickness"), plan, {})
    assert verdict.kind == kind
    assert verdict.by == (None if by is None else Fraction(by))


def test_a_one_sided_limit_leaves_the_other_side_open(plan: InspectionPlan) -> None:
    least, most = measured("in", absolute("in", "1.0", None)), measured("in", absolute("in", None, "1.0"))
    kinds = [check(Quantity(text, "in"), one, plan, {}).kind for one in (least, most) for text in ("0.9", "1.0", "1.1")]
    assert kinds == [NONCONFORMING_BELOW, CONFORMING, CONFORMING, CONFORMING, CONFORMING, NONCONFORMING_ABOVE]
    assert "at least 1.0 in" in check(Quantity("1.1", "in"), least, plan, {}).working


# Case C10 of the public reports (hgrecco/pint issue 1945): a reading on a limit falls outside by conversion.
CONVERTED = [
    ("31.75", "mm", "1.250", "1.254", "in", CONFORMING),
    ("9.525", "mm", "0.375", "0.380", "in", CONFORMING),
    ("1.249", "in", "1.247", "1.249", "in", CONFORMING),
    ("1.250", "in", "31.75", "31.80", "mm", CONFORMING),
    ("1250", "thou", "31.75", "31.75", "mm", CONFORMING),
    ("31.74999", "mm", "1.250", "1.254", "in", NONCONFORMING_BELOW),
    ("31.85161", "mm", "1.250", "1.254", "in", NONCONFORMING_ABOVE),
]


@pytest.mark.parametrize(("text", "unit", "lower", "upper", "limit_unit", "kind"), CONVERTED)
def test_a_reading_on_a_limit_conforms_in_whatever_unit(
    text: str, unit: str, lower: str, upper: str, limit_unit: str, kind: str, plan: InspectionPlan
) -> None:
    said = Quantity(text, unit)
    assert check(said, measured(limit_unit, absolute(limit_unit, lower, upper)), plan, {}).kind == kind


def test_a_tie_is_never_rounded_into_the_limits(plan: InspectionPlan) -> None:
    """Case C11 of the public reports (python/cpython issue 94946)."""
    verdict = check(Quantity("1.2525", "in"), measured("in", absolute("in", "1.248", "1.252")), plan, {})
    assert (verdict.kind, verdict.by) == (NONCONFORMING_ABOVE, Fraction("0.0005"))


@pytest.mark.parametrize(
    ("reading", "kind", "by"),
    [
        ("86.0", NONCONFORMING_ABOVE, Fraction(5)),
        ("77.0", CONFORMING, None),
        ("77.1", NONCONFORMING_ABOVE, Fraction(1, 18)),
        ("59.0", CONFORMING, None),
        ("58.9", NONCONFORMING_BELOW, Fraction(1, 18)),
    ],
)
def test_a_temperature_tolerance_is_a_difference(
    reading: str, kind: str, by: Fraction | None, plan: InspectionPlan
) -> None:
    """Case C12 of the public reports (hgrecco/pint issues 294 and 1387): 20 plus or minus 5 degC is 59 to 77 degF."""
    limits = absolute("degC", "15", "25")
    assert bounds(limits, {}, "degF").lower == 59 and bounds(limits, {}, "degF").upper == 77
    verdict = check(Quantity(reading, "degF"), measured("degC", limits), plan, {})
    assert verdict.kind == kind
    if by is not None:
        assert verdict.by is not None
        assert verdict.by * (Fraction(5, 9) if verdict.unit == "degF" else 1) == by


def test_a_reading_of_another_kind_is_refused(plan: InspectionPlan) -> None:
    with pytest.raises(UnitError):
        check(Quantity("1.25", "kg"), plan.characteristic("shoe-thickness"), plan, {})
    with pytest.raises(UnitError):
        check(Quantity("1.25", "kg"), plan.characteristic("seal-bore"), plan, {})


def test_mixed_units_give_an_exact_clearance_and_working_that_ends(plan: InspectionPlan) -> None:
    readings = {"seal-bore": Quantity("139.97", "mm"), "seal-shaft": Quantity("5.4999", "in")}
    derived = plan.derived_by_id("seal-clearance")
    verdict = check_derived(derived, plan, readings)
    assert derived_value(derived, readings) == Fraction("139.97") / Fraction("25.4") - Fraction("5.4999")
    assert verdict is not None and verdict.kind == CONFORMING
    assert verdict.working.startswith("139.97 mm - 5.4999 in = 139.97 - 139.69746 = 0.27254 mm; limits 0.06984873 to ")


def test_the_working_can_be_checked_by_hand(plan: InspectionPlan) -> None:
    readings = {"seal-bore": Quantity("5.5108", "in"), "seal-shaft": Quantity("5.4999", "in")}
    verdict = check_derived(plan.derived_by_id("seal-clearance"), plan, readings)
    assert verdict is not None
    assert verdict.working == (
        "5.5108 - 5.4999 = 0.0109 in; limits 0.00274995 to 0.0109998 in (0.0005 to 0.002 per inch of 5.4999 in; "
        "rule of thumb for oil seal rings, common practice); within the stated limits, uncertainty not considered"
    )
    assert verdict.said == "within the stated limits, uncertainty not considered"
    assert verdict.limits_text == "0.00274995 to 0.0109998 in (0.0005 to 0.002 per inch of 5.4999 in)"


def test_the_working_of_a_nonconforming_reading_says_by_how_much(plan: InspectionPlan) -> None:
    verdict = check(Quantity("1.244", "in"), plan.characteristic("shoe-thickness"), plan, {})
    assert verdict.working == (
        "1.244 in; limits 1.246 to 1.254 in (invented for the demo, plan author); "
        "outside the stated limits, below by 0.002 in, uncertainty not considered"
    )
    assert verdict.said == "outside the stated limits, below by zero point zero zero two inches"
    assert (verdict.source, verdict.standing) == ("invented for the demo", "plan author")


def test_interference_is_below_a_clearance_limit(plan: InspectionPlan) -> None:
    readings = {"seal-bore": Quantity("5.4990", "in"), "seal-shaft": Quantity("5.5000", "in")}
    verdict = check_derived(plan.derived_by_id("seal-clearance"), plan, readings)
    assert verdict is not None and verdict.kind == NONCONFORMING_BELOW
    assert verdict.working.startswith("5.4990 - 5.5000 = -0.0010 in;")


def test_a_derived_value_waits_for_both_inputs(plan: InspectionPlan) -> None:
    derived = plan.derived_by_id("seal-clearance")
    for readings in ({}, {"seal-bore": Quantity("5.5", "in")}, {"seal-shaft": Quantity("5.5", "in")}):
        assert check_derived(derived, plan, readings) is None and derived_value(derived, readings) is None


def test_a_rate_waits_for_its_diameter(plan: InspectionPlan) -> None:
    derived = plan.derived_by_id("seal-clearance")
    feeler = measured("in", derived.limits)
    verdict = check(Quantity("0.005", "in"), feeler, plan, {})
    assert verdict.kind == UNDECIDED and "wait for the reading of seal ring shaft diameter" in verdict.working
    assert derived.limits is not None
    with pytest.raises(LimitError):
        bounds(derived.limits, {})
    for wrong in ("0", "-5.5"):
        with pytest.raises(LimitError, match="measure it again"):
            bounds(derived.limits, {"seal-shaft": Quantity(wrong, "in")})


def test_a_characteristic_without_limits_says_so(plan: InspectionPlan) -> None:
    verdict = check(Quantity("5.5108", "in"), plan.characteristic("seal-bore"), plan, {})
    assert (verdict.kind, verdict.working) == (NO_LIMITS, "5.5108 in; no limits stated in the plan")


@given(digits, digits, digits, st.sampled_from(["in", "mm", "thou", "um", "ft"]))
def test_a_verdict_never_changes_with_the_unit_it_is_computed_in(value: str, a: str, b: str, unit: str) -> None:
    lower, upper = sorted((a, b), key=Fraction)
    limits = absolute("in", lower, upper)
    there = bounds(limits, {}, unit)
    assert compare(Quantity(value, "in").to_fraction(unit), there)[0] == compare(Fraction(value), bounds(limits, {}))[0]


@given(*[st.fractions(max_denominator=1000) for _ in range(5)])
def test_widening_a_limit_never_turns_conforming_into_nonconforming(
    value: Fraction, a: Fraction, b: Fraction, less: Fraction, more: Fraction
) -> None:
    lower, upper = min(a, b), max(a, b)
    wide = Bounds("in", lower - abs(less), upper + abs(more), "")
    if compare(value, Bounds("in", lower, upper, ""))[0] == WITHIN:
        assert compare(value, wide)[0] == WITHIN
        assert compare(value, replace(wide, lower=None))[0] == WITHIN
        assert compare(value, replace(wide, upper=None))[0] == WITHIN


@given(st.fractions(max_denominator=1000), st.fractions(max_denominator=1000), st.fractions(max_denominator=1000))
def test_by_is_the_distance_from_the_limit_that_is_passed(value: Fraction, a: Fraction, b: Fraction) -> None:
    lower, upper = min(a, b), max(a, b)
    where, by = compare(value, Bounds("in", lower, upper, ""))
    assert (where == WITHIN) == (lower <= value <= upper) == (by is None)
    if by is not None:
        assert by > 0 and value == (lower - by if where == BELOW else upper + by)
        assert where in (BELOW, ABOVE)
