"""Conversion is exact, in both directions, for every unit; a temperature and a difference are not mixed."""

from __future__ import annotations

import itertools
from decimal import Decimal, localcontext
from fractions import Fraction
from typing import Any

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.domain.errors import DomainError, QuantityError, UnitError
from capture.domain.units import UNIT_NAMES, Quantity, convert, ends, exact_text, factor, unit_spoken
from tests.cases.carry import rows

# the pack's words for a unit -> our name
OURS = {
    "inch": "in",
    "foot": "ft",
    "millimetre": "mm",
    "metre": "m",
    "mil": "thou",
    "thou": "thou",
    "tenth (of a thou)": "tenth",
    "microinch": "uin",
    "micrometre": "um",
    "micron": "um",
    "nanometre": "nm",
    "hundredth (metric shop)": "hundredth mm",
    "kelvin": "K",
    "degC": "degC",
    "degF": "degF",
}
DIFFERENCE = {"degC": "delta degC", "degF": "delta degF", "K": "K"}
registry: Any = pint.UnitRegistry(non_int_type=Fraction, cache_folder=None)
KINDS = [
    ["in", "ft", "thou", "tenth", "uin", "mm", "hundredth mm", "tenth mm", "um", "nm", "m"],
    ["degC", "degF", "K"],
    ["delta degC", "delta degF"],
    ["N*m", "lbf*ft"],
    ["kg", "lb"],
    ["deg"],
    ["1"],
]
SAME_KIND = [pair for kind in KINDS for pair in itertools.product(kind, kind)]


def true_value(out: dict[str, Any], key: str) -> Fraction:
    return Fraction(out.get("fraction", out[key]))


@pytest.mark.parametrize("row", rows("units", "factor"))
def test_factor_is_exactly_the_published_one(row: dict[str, Any]) -> None:
    assert factor(OURS[row["in"]["from"]], OURS[row["in"]["to"]]) == true_value(row["out"], "factor")
    assert abs(true_value(row["out"], "factor") - Fraction(row["out"]["factor"])) <= Fraction(str(row["tol"]))


@pytest.mark.parametrize("row", rows("units", "length"))
def test_length_converts_to_exactly_the_published_value(row: dict[str, Any]) -> None:
    said = Quantity(row["in"]["value"], OURS[row["in"]["from"]])
    assert said.to_fraction(OURS[row["in"]["to"]]) == Fraction(row["out"]["value"])


@pytest.mark.parametrize("row", rows("units", "temperature_reading"))
def test_a_temperature_converts_as_a_temperature(row: dict[str, Any]) -> None:
    said = Quantity(row["in"]["value"], OURS[row["in"]["from"]])
    assert said.to_fraction(OURS[row["in"]["to"]]) == true_value(row["out"], "value")


@pytest.mark.parametrize("row", rows("units", "temperature_difference"))
def test_a_temperature_difference_converts_without_an_offset(row: dict[str, Any]) -> None:
    unit, to = OURS[row["in"]["from"]], OURS[row["in"]["to"]]
    assert factor(unit, to) * Fraction(row["in"]["value"]) == true_value(row["out"], "value")
    if to != "K":
        said = Quantity(row["in"]["value"], DIFFERENCE[unit])
        assert said.to_fraction(DIFFERENCE[to]) == true_value(row["out"], "value")


@pytest.mark.parametrize("row", rows("units", "expansion_unit"))
def test_an_expansion_coefficient_converts_by_the_inverse_difference(row: dict[str, Any]) -> None:
    unit, to = (row["in"][end].removeprefix("1/") for end in ("from", "to"))
    assert Fraction(row["in"]["value"]) / factor(unit, to) == Fraction(row["out"]["value"])


def test_every_unit_name_belongs_to_one_kind_and_has_words() -> None:
    assert sorted(itertools.chain(*KINDS)) == sorted(UNIT_NAMES)
    assert all(unit_spoken(unit) and unit_spoken(unit, plural=False) for unit in UNIT_NAMES if unit != "1")


@pytest.mark.parametrize(("unit", "to"), SAME_KIND)
def test_factor_equals_pints_own_by_fractions(unit: str, to: str) -> None:
    names = {"in": "inch", "ft": "foot", "tenth": "thou", "uin": "microinch", "um": "micrometer", "nm": "nanometer"}
    names |= {"hundredth mm": "millimeter", "tenth mm": "millimeter", "m": "meter", "mm": "millimeter"}
    names |= {"degC": "delta_degC", "degF": "delta_degF", "K": "kelvin"}
    names |= {"delta degC": "delta_degC", "delta degF": "delta_degF"}
    names |= {"N*m": "newton * meter", "lbf*ft": "force_pound * foot", "1": "dimensionless"}
    part = {"tenth": 10, "hundredth mm": 100, "tenth mm": 10}
    one = registry.Quantity(Fraction(1, part.get(unit, 1)), names.get(unit, unit))
    theirs = Fraction(one.to(names.get(to, to)).magnitude) * part.get(to, 1)
    assert factor(unit, to) == theirs
    assert isinstance(factor(unit, to), Fraction)


def test_the_pound_foot_is_exact() -> None:
    """0.45359237 kg (1959) x 9.80665 m/s2 (3rd CGPM) x 0.3048 m (1959)."""
    assert factor("lbf*ft", "N*m") == Fraction("0.45359237") * Fraction("9.80665") * Fraction("0.3048")


@pytest.mark.parametrize(
    ("unit", "to"),
    [
        (a, b)
        for one, other in itertools.permutations(KINDS, 2)
        for a, b in itertools.product(one, other)
        if "K" not in (a, b) and not {a, b} <= {"degC", "degF", "delta degC", "delta degF"}
    ],
)
def test_units_of_two_kinds_are_refused(unit: str, to: str) -> None:
    with pytest.raises(UnitError, match="does not measure the same thing"):
        factor(unit, to)


@pytest.mark.parametrize(("unit", "to"), [("degC", "delta degC"), ("delta degF", "degF"), ("delta degC", "K")])
def test_a_reading_of_a_temperature_is_never_taken_for_a_difference(unit: str, to: str) -> None:
    with pytest.raises(UnitError, match="does not measure the same thing"):
        convert(Fraction(20), unit, to)


@pytest.mark.parametrize("unit", ["", "inch", "IN", "furlong"])
def test_an_unknown_unit_is_refused_by_name(unit: str) -> None:
    with pytest.raises(UnitError) as caught:
        Quantity("1", unit)
    assert repr(unit) in str(caught.value)
    with pytest.raises(UnitError):
        convert(Fraction(1), unit, unit)


NOT_NUMBERS = ["", "NaN", "nan", "Infinity", "-inf", "1e3", "1,25", "1.", ".5", "+1", "--1", "01", " 1", "1 ", "1_0"]


@pytest.mark.parametrize("text", [*NOT_NUMBERS, "١.٢", "1.2.3", "1\n", "0x10", "9" * 25])
def test_a_text_that_is_no_number_off_a_gauge_is_refused(text: str) -> None:
    """Case C13 of the public reports: NaN and infinity never become a value."""
    with pytest.raises(QuantityError):
        Quantity(text, "in")


digits = st.from_regex(r"-?(0|[1-9][0-9]{0,6})(\.[0-9]{1,6})?", fullmatch=True)


@given(digits, st.sampled_from(SAME_KIND))
def test_converting_and_back_is_identity(text: str, pair: tuple[str, str]) -> None:
    unit, to = pair
    value = Quantity(text, unit).to_fraction(to)
    assert convert(value, to, unit) == Fraction(text)


@given(digits)
def test_a_quantity_keeps_the_digits_as_said(text: str) -> None:
    said = Quantity(text, "mm")
    assert said.text == text and str(said) == f"{text} mm"
    assert said.fraction == Fraction(Decimal(text))
    assert said.places == (len(text) - text.index(".") - 1 if "." in text else 0)


@given(digits)
def test_inch_to_millimetre_agrees_with_decimal_arithmetic(text: str) -> None:
    with localcontext() as context:
        context.prec = 60
        assert Quantity(text, "in").to_fraction("mm") == Fraction(Decimal(text) * Decimal("25.4"))


@given(digits, st.integers(0, 8))
def test_an_exact_value_is_printed_whole(text: str, places: int) -> None:
    shown = exact_text(Fraction(text), places)
    assert Fraction(shown) == Fraction(text)
    assert len(shown.partition(".")[2]) >= places
    assert not shown.startswith("-0") or Fraction(shown) != 0


@given(st.fractions(max_denominator=1000), st.integers(0, 6))
def test_a_value_that_does_not_end_is_marked_and_near(value: Fraction, places: int) -> None:
    shown = exact_text(value, places)
    assert shown.startswith("~") == (not ends(value))
    half_a_step = 0 if ends(value) else Fraction(1, 2 * 10 ** (places + 3))
    assert abs(Fraction(shown.removeprefix("~")) - value) <= half_a_step


@given(st.fractions(max_denominator=10**6))
def test_ends_is_what_decimal_division_finds(value: Fraction) -> None:
    with localcontext() as context:
        context.prec = 60
        quotient = Decimal(value.numerator) / Decimal(value.denominator)
    assert ends(value) == (Fraction(quotient) == value)


def test_errors_are_one_line_with_thing_value_and_remedy() -> None:
    with pytest.raises(DomainError) as caught:
        factor("mm", "kg")
    assert str(caught.value) == "Unit 'mm' does not measure the same thing as 'kg'; use a unit that converts to 'kg'"
    assert (caught.value.thing, caught.value.value) == ("unit", "mm")
