"""Correction to 20 degC and hot clearance against the carried rows."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.domain import thermal
from capture.domain.errors import LimitError
from capture.domain.units import Quantity, convert
from tests.cases.carry import rows


@pytest.mark.parametrize("row", rows("thermal", "reference"))
def test_the_reference_temperature_is_twenty_degrees(row: dict[str, Any]) -> None:
    assert thermal.REFERENCE_DEGC == Fraction(row["out"]["temperature"])
    assert convert(thermal.REFERENCE_DEGC, "degC", "degF") == Fraction(row["out"]["in_degF"])


@pytest.mark.parametrize("row", rows("thermal", "coefficient"))
def test_coefficients_are_the_published_ones_with_their_range(row: dict[str, Any]) -> None:
    material = row["in"]["material"]
    assert thermal.coefficient(material) == Fraction(str(row["out"]["alpha_1e6"]))
    low, high = (Fraction(text) for text in thermal.COEFFICIENTS[material][1:])
    assert [low, high] == [Fraction(str(end)) for end in row["range"]]
    assert low <= thermal.coefficient(material) <= high


@pytest.mark.parametrize("row", rows("thermal", "correction"))
def test_a_length_is_corrected_to_twenty_degrees(row: dict[str, Any]) -> None:
    said, out = row["in"], row["out"]
    degc = [convert(Fraction(said[key]), said["t_unit"], "degC") for key in ("t_work", "t_instrument") if key in said]
    alphas = [Fraction(said[key]) for key in ("alpha_work", "alpha_instrument") if key in said]
    tolerance = Fraction(str(row["tol"]))
    terms = [term for pair in zip(degc, alphas, strict=True) for term in pair]
    full = thermal.to_reference(Fraction(said["reading"]), *terms)
    first = thermal.to_reference_first_order(Fraction(said["reading"]), *terms)
    assert abs(full - Fraction(out["L20"])) <= tolerance
    assert abs(first - Fraction(out["L20_first_order"])) <= tolerance
    assert abs(full - Fraction(said["reading"]) - Fraction(out["correction"])) <= tolerance


@pytest.mark.parametrize("row", rows("thermal", "hot_clearance"))
def test_hot_clearance_is_the_published_one_inside_its_interval(row: dict[str, Any]) -> None:
    said = {key: Fraction(value) for key, value in row["in"].items()}
    args = (said["bore20"], said["alpha_bore"], said["shaft20"], said["alpha_shaft"], said["t"])
    value = thermal.hot_clearance(*args)
    assert abs(value - Fraction(row["out"]["clearance"])) <= Fraction(str(row["tol"]))
    bore, shaft = (Quantity(row["in"][key], "mm") for key in ("bore20", "shaft20"))
    held = thermal.hot_clearance_interval(
        bore, said["alpha_bore"], said["t"], shaft, said["alpha_shaft"], said["t"], "mm"
    )
    assert held.nominal == value and held.lower < value < held.upper
    assert held.unit == "mm" and " to " in held.text


@given(st.fractions(-40, 200, max_denominator=10), st.fractions(5, 25, max_denominator=10), st.integers(-10, 10))
def test_correcting_undoes_the_growth(degc: Fraction, alpha: Fraction, share: int) -> None:
    length = Fraction("127.0000")
    assert thermal.to_reference(length * thermal.grown(alpha, degc), degc, alpha) == length
    assert thermal.to_reference(length, degc, alpha, degc, alpha) == length
    interval = thermal.hot_clearance_interval(
        Quantity("50.05", "mm"), alpha, degc, Quantity("50", "mm"), alpha, degc, "mm"
    )
    other = thermal.hot_clearance(
        Fraction("50.05"), alpha * (1 + Fraction(share, 100)), Fraction(50), alpha * (1 - Fraction(share, 100)), degc
    )
    assert interval.lower <= other <= interval.upper


def test_an_unknown_material_is_named() -> None:
    with pytest.raises(LimitError, match="'unobtainium'"):
        thermal.coefficient("unobtainium")
