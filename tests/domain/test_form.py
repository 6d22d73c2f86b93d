"""Form, sets, shims and runout against the carried rows."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.domain import form
from tests.cases.carry import rows


def exact(texts: list[str]) -> list[Fraction]:
    return [Fraction(text) for text in texts]


@pytest.mark.parametrize("row", rows("clearance", "shim"))
def test_shim_to_add_or_remove(row: dict[str, Any]) -> None:
    travel, shim, target = (Fraction(row["in"][key]) for key in ("travel_without_shim", "shim", "target"))
    measured = form.float_from_travel(travel, shim)
    change = form.shim_change(measured, target, shim)
    assert measured == Fraction(row["out"]["float"])
    assert (change.action, change.new_shim) == (row["out"]["action"], Fraction(row["out"]["new_shim"]))
    assert change.amount == abs(Fraction(row["out"]["change"]))
    assert form.float_from_travel(travel, change.new_shim) == target


@pytest.mark.parametrize("row", rows("clearance", "shim"))
def test_shims_under_a_flange_go_the_other_way(row: dict[str, Any]) -> None:
    travel, shim, target = (Fraction(row["in"][key]) for key in ("travel_without_shim", "shim", "target"))
    measured = form.float_from_travel(travel, shim, form.MORE_FLOAT)
    change = form.shim_change(measured, target, shim, form.MORE_FLOAT)
    assert form.float_from_travel(travel, change.new_shim, form.MORE_FLOAT) == target
    assert change.action == ("remove" if measured > target else "add" if measured < target else "none")


@pytest.mark.parametrize("row", rows("clearance", "float_from_dial"))
def test_float_is_the_travel_of_the_dial(row: dict[str, Any]) -> None:
    ends = [Fraction(row["in"][f"reading_at_{which}_end"]) for which in ("one", "other")]
    assert form.float_from_dial(*ends) == form.float_from_dial(*reversed(ends)) == Fraction(row["out"]["float"])


@pytest.mark.parametrize("row", rows("clearance", "shoe_set"))
def test_set_spread_names_the_thinnest_and_the_thickest(row: dict[str, Any]) -> None:
    found = form.spread(exact(row["in"]["thickness"]))
    assert found.value == Fraction(row["out"]["variation"])
    assert abs(float(found.mean) - float(row["out"]["mean"])) <= row["tol"]
    assert (found.smallest + 1, found.largest + 1) == (row["out"]["thinnest"], row["out"]["thickest"])
    assert (found.value <= Fraction(row["in"]["limit"])) == row["out"]["within"]


@settings(max_examples=50)
@given(st.lists(st.fractions(0, 1, max_denominator=100), min_size=3, max_size=8), st.integers(0, 7))
def test_the_one_furthest_out_is_named(values: list[Fraction], index: int) -> None:
    index %= len(values)
    values[index] += 50
    found = form.spread(values)
    assert found.furthest == index == found.largest
    assert found.value == max(values) - min(values)


@pytest.mark.parametrize("row", rows("clearance", "tir"))
def test_runout_and_offset(row: dict[str, Any]) -> None:
    readings = exact(row["in"]["readings"])
    assert form.runout(readings) == Fraction(row["out"]["tir"])
    assert form.offset(readings) == Fraction(row["out"]["eccentricity"])


@pytest.mark.parametrize("row", rows("clearance", "first_harmonic"))
def test_first_harmonic_gives_size_and_direction_of_the_offset(row: dict[str, Any]) -> None:
    amplitude, angle = form.first_harmonic([Fraction(reading) for reading in row["in"]["readings"]])
    assert abs(amplitude - row["out"]["amplitude"]) <= row["tol"]
    assert abs(angle - row["out"]["angle_deg"]) <= row["tol"]


@pytest.mark.parametrize("row", rows("clearance", "form"))
def test_out_of_round_and_taper(row: dict[str, Any]) -> None:
    planes, out = [exact(plane) for plane in row["in"]["diameters"]], row["out"]
    assert form.out_of_round(planes) == Fraction(out["out_of_round"])
    assert form.out_of_round_by_plane(planes) == tuple(exact(out["out_of_round_by_plane"]))
    assert form.taper(planes) == Fraction(out["taper"])
    assert form.taper_by_angle(planes) == tuple(exact(out["taper_by_angle"]))
    every = [size for plane in planes for size in plane]
    assert (max(every), min(every)) == (Fraction(out["largest"]), Fraction(out["smallest"]))
    assert abs(float(sum(every) / len(every)) - float(out["mean"])) <= row["tol"]


@pytest.mark.parametrize("row", [one for one in rows("clearance", "hydro_limit") if one.values[0]["in"]])
def test_a_limit_by_rule_is_a_rate_of_a_length(row: dict[str, Any]) -> None:
    """The rules of the rows: 0.002 L / D, 0.000025 L, 10 and 20 per cent of the diametral clearance."""
    said = {key: Fraction(value) for key, value in row["in"].items()}
    rates = {
        "static-runout": lambda: Fraction("0.002") * said["shaft_length"] / said["runner_diameter"],
        "plumb": lambda: Fraction("0.000025") * said["shaft_length"],
        "seal-ring-concentricity": lambda: Fraction("0.10") * said["diametral_clearance"],
        "guide-bearing-concentricity": lambda: Fraction("0.20") * said["diametral_clearance"],
    }
    assert rates[row["id"]]() == Fraction(row["out"]["limit"])


def test_straightness_is_the_furthest_from_the_line_through_the_ends() -> None:
    """Row straightness (US Bureau of Reclamation, FIST 2-1; published): 0.003 in from the line through the ends."""
    places = exact(["0", "10", "20", "30"])
    assert form.straightness(exact(["0.000", "0.004", "0.005", "0.003"]), places) == Fraction("0.003")
    assert form.straightness(exact(["0.001", "0.002", "0.003", "0.004"]), places) == 0


def test_what_cannot_be_computed_is_refused() -> None:
    with pytest.raises(ValueError, match="at least two"):
        form.spread([Fraction(1)])
    with pytest.raises(ValueError, match="same angles"):
        form.taper([exact(["1", "2"]), exact(["1"])])
    with pytest.raises(ValueError, match="not known"):
        form.shim_change(Fraction(1), Fraction(1), Fraction(1), "either")
