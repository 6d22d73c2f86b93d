"""Derived values: every rule through a plan's readings, with the sum written out."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from capture.domain.derived import compute, compute_set
from capture.domain.form import LESS_FLOAT, MORE_FLOAT
from capture.domain.plan import Derived, Position
from capture.domain.units import Quantity
from tests.cases.carry import rows


def rule(name: str, inputs: list[tuple[str, str]], unit: str = "in", **more: Any) -> Derived:
    return Derived("d", "d", name, ("g",), tuple(inputs), unit, None, **more)


def said(texts: list[str], unit: str = "in") -> dict[str, Quantity]:
    return {f"c{i}": Quantity(text, unit) for i, text in enumerate(texts, 1)}


def numbered(role: str, count: int, start: int = 1) -> list[tuple[str, str]]:
    return [(f"{role} {i + 1}", f"c{start + i}") for i in range(count)]


@pytest.mark.parametrize("row", rows("clearance", "tir"))
def test_runout_and_offset_through_a_plan(row: dict[str, Any]) -> None:
    readings = said(row["in"]["readings"], row["unit"])
    inputs = numbered("readings", len(readings))
    tir = compute(rule("runout", inputs, row["unit"]), readings)
    offset = compute(rule("offset", inputs, row["unit"]), readings)
    assert tir is not None and tir.value(row["unit"]) == Fraction(row["out"]["tir"])
    assert offset is not None and offset.value(row["unit"]) == Fraction(row["out"]["eccentricity"])


@pytest.mark.parametrize("row", rows("clearance", "form"))
def test_out_of_round_and_taper_through_a_plan(row: dict[str, Any]) -> None:
    planes = row["in"]["diameters"]
    readings = said([text for plane in planes for text in plane], row["unit"])
    inputs, number = [], 1
    for p, plane in enumerate(planes, 1):
        for a in range(1, len(plane) + 1):
            inputs.append((f"plane {p} angle {a}", f"c{number}"))
            number += 1
    for name, key in (("out-of-round", "out_of_round"), ("taper", "taper")):
        made = compute(rule(name, inputs, row["unit"]), readings)
        assert made is not None and made.value(row["unit"]) == Fraction(row["out"][key])


@pytest.mark.parametrize("row", rows("clearance", "shoe_set"))
def test_set_spread_names_the_shoe_that_is_furthest_out(row: dict[str, Any]) -> None:
    texts, unit = row["in"]["thickness"], row["unit"]
    positions = [Position(f"shoe-{i}", "shoe", i, f"shoe {i}") for i in range(1, len(texts) + 1)]
    readings = {place.id: Quantity(text, unit) for place, text in zip(positions, texts, strict=True)}
    derived = rule("set spread", [("part", "thickness")], unit)
    made = compute_set(derived, positions, readings)
    assert made is not None and made.value(unit) == Fraction(row["out"]["variation"])
    assert made.sources == tuple(readings)
    assert f"at shoe {row['out']['thickest']} - " in made.working(unit)
    assert f"at shoe {row['out']['thinnest']} = " in made.working(unit)
    assert "furthest out shoe" in made.working(unit)
    readings.popitem()
    assert compute_set(derived, positions, readings) is None
    assert compute(derived, {"thickness": Quantity("1", unit)}) is None


@pytest.mark.parametrize("row", rows("clearance", "shim"))
def test_float_and_shim_change_through_a_plan(row: dict[str, Any]) -> None:
    unit, out = row["unit"], row["out"]
    readings = {"t": Quantity(row["in"]["travel_without_shim"], unit), "s": Quantity(row["in"]["shim"], unit)}
    inputs = [("travel", "t"), ("shim", "s")]
    play = compute(rule("float", inputs, unit, sense=LESS_FLOAT), readings)
    assert play is not None and play.value(unit) == Fraction(out["float"])
    target = (("target", Quantity(row["in"]["target"], unit)),)
    change = compute(rule("shim change", inputs, unit, sense=LESS_FLOAT, constants=target), readings)
    assert change is not None and change.value(unit) == Fraction(out["change"])
    said_to = {"add": "add shim", "remove": "remove shim", "none": "leave the shim"}[out["action"]]
    assert said_to in change.working(unit)
    other = compute(rule("shim change", inputs, unit, sense=MORE_FLOAT, constants=target), readings)
    assert other is not None
    new = readings["s"].fraction + other.value(unit)
    assert readings["t"].fraction + new == target[0][1].fraction


@pytest.mark.parametrize("row", rows("clearance", "float_from_dial"))
def test_end_play_from_a_dial_through_a_plan(row: dict[str, Any]) -> None:
    texts = [row["in"]["reading_at_one_end"], row["in"]["reading_at_other_end"]]
    inputs = [("one_end", "c1"), ("other_end", "c2")]
    for order in (texts, texts[::-1]):
        made = compute(rule("end play", inputs, row["unit"]), said(order, row["unit"]))
        assert made is not None and made.value(row["unit"]) == Fraction(row["out"]["float"])


def test_the_sum_is_written_as_a_mechanic_would() -> None:
    ends = said(["-0.0085", "0.0065"])
    play = compute(rule("end play", [("one_end", "c1"), ("other_end", "c2")]), ends)
    assert play is not None and play.working("in") == "0.0065 - (-0.0085) = 0.0150 in"
    dial = said(["0.000", "0.003", "0.001"])
    half = compute(rule("offset", numbered("readings", 3)), dial)
    assert half is not None and half.working("in") == "(0.003 - 0.000) / 2 = 0.0015 in"
    pair = [("bore", "c1"), ("shaft", "c2")]
    tight = compute(rule("interference", pair), said(["2.0000", "2.0015"]))
    assert tight is not None and tight.working("in") == "2.0015 - 2.0000 = 0.0015 in"
    mixed = {"c1": Quantity("50.80", "mm"), "c2": Quantity("1.9990", "in")}
    fit = compute(rule("clearance", pair), mixed)
    assert fit is not None and fit.working("in") == "50.80 mm - 1.9990 in = 2.00 - 1.9990 = 0.0010 in"


def test_the_tightest_and_the_loosest_pair_are_named() -> None:
    readings = said(["2.0050", "2.0042", "2.0010", "2.0012"])
    inputs = numbered("bores", 2) + numbered("shafts", 2, 3)
    tight = compute(rule("tightest clearance", inputs), readings)
    loose = compute(rule("loosest clearance", inputs), readings)
    assert tight is not None and tight.working("in") == "pair 2: 2.0042 - 2.0012 = 0.0030 in"
    assert loose is not None and loose.working("in") == "pair 1: 2.0050 - 2.0010 = 0.0040 in"


names = ["clearance", "interference", "difference", "end play", "float"]
digits = st.from_regex(r"[1-9]\.[0-9]{1,4}", fullmatch=True)
ROLES = {"end play": ("one_end", "other_end"), "float": ("travel", "shim"), "difference": ("from", "less")}


@given(st.sampled_from(names), digits, digits)
def test_a_value_waits_for_all_its_inputs_and_then_names_them(name: str, a: str, b: str) -> None:
    first, second = ROLES.get(name, ("bore", "shaft"))
    derived = rule(name, [(first, "c1"), (second, "c2")], sense=LESS_FLOAT)
    readings = said([a, b])
    made = compute(derived, readings)
    assert made is not None and set(made.sources) == {"c1", "c2"}
    assert abs(made.value("in")) == abs(Fraction(a) - Fraction(b))
    assert made.value("mm") == made.value("in") * Fraction("25.4")
    for missing in readings:
        assert compute(derived, {key: value for key, value in readings.items() if key != missing}) is None


@given(digits, digits)
def test_interference_is_negative_clearance(a: str, b: str) -> None:
    inputs = [("bore", "c1"), ("shaft", "c2")]
    plus, minus = (compute(rule(name, inputs), said([a, b])) for name in ("clearance", "interference"))
    assert plus is not None and minus is not None and plus.value("in") == -minus.value("in")
