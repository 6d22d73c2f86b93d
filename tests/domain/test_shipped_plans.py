"""The plans we ship load, their examples hold, and the schema for editors takes them."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from capture.domain.decision import GUARD_BAND
from capture.domain.errors import PlanError
from capture.domain.examples import check_examples
from capture.domain.limits import bounds
from capture.domain.plan import InspectionPlan, load
from capture.domain.schema import plan_schema
from tests.domain.conftest import PLAN_TEXT

PLANS = sorted((Path(__file__).parents[2] / "capture" / "plans").glob("*.toml"))
SHIPPED = {
    "tilting-pad-thrust-bearing",
    "plain-sleeve-bearing",
    "oil-seal-rings",
    "pump-wear-rings",
    "rolling-bearing-seats",
    "cylinder-bore-and-piston",
    "gear-backlash",
}


def read(path: Path) -> InspectionPlan:
    return load(path.read_text(encoding="utf-8"), name=path.name)


def test_the_seven_plans_are_there() -> None:
    assert {path.stem for path in PLANS} >= SHIPPED
    assert all(read(path).id == path.stem for path in PLANS)


@pytest.mark.parametrize("path", PLANS, ids=lambda path: path.stem)
def test_every_worked_example_gives_what_it_says(path: Path) -> None:
    plan = read(path)
    results = check_examples(plan)
    assert len(results) >= 2
    assert [result.problem for result in results if result.problem] == []
    assert all(result.working for result in results)


@pytest.mark.parametrize("path", PLANS, ids=lambda path: path.stem)
def test_every_limit_says_whose_it_is_and_cautions_come_first(path: Path) -> None:
    plan = read(path)
    limits = [one.limits for one in plan.characteristics] + [one.limits for one in plan.derived]
    held = [one for one in limits if one is not None]
    assert held and all(one.source.strip() and one.standing for one in held)
    words = " ".join(plan.cautions).lower()
    assert len(plan.cautions) >= 3 and "maker" in words and ("isolate" in words or "lock" in words)
    text = path.read_text(encoding="utf-8").lower()
    assert "fit to run" not in text and "is safe" not in text


@pytest.mark.parametrize("path", PLANS, ids=lambda path: path.stem)
def test_the_plan_shows_what_share_of_each_tolerance_its_gauge_can_call_conforming(path: Path) -> None:
    from capture.domain.verdicts import gauge_share

    plan = read(path)
    for one in plan.characteristics:
        if one.gauge and one.limits and one.limits.per is None and (one.decision or plan.decision).kind == GUARD_BAND:
            share = gauge_share(plan.gauge(one.gauge), bounds(one.limits, {}), one.decision or plan.decision)
            assert share is None or 0 < share < 1, one.id


@pytest.mark.parametrize("path", PLANS, ids=lambda path: path.stem)
def test_the_schema_for_editors_takes_every_plan(path: Path) -> None:
    jsonschema = pytest.importorskip("jsonschema")
    data = tomllib.loads(path.read_text(encoding="utf-8"))
    validator = jsonschema.Draft202012Validator(plan_schema())
    assert [error.message for error in validator.iter_errors(data)] == []


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("schema = 1", "schema = 1\ncolour = 'red'"),
        ('unit = "in"\ndecimals = 3', 'unit = "inch"\ndecimals = 3'),
        ("decimals = 3", "decimals = 7"),
        ('lower = "1.246"', "lower = 1.246"),
        ('standing = "plan author"', 'standing = "hearsay"'),
        ('rule = "clearance"', 'rule = "gap"'),
        ('id = "outboard-shoe"', 'id = "Outboard Shoe"'),
        ("count = 3", "count = 0"),
    ],
)
def test_the_schema_refuses_what_it_can_see(old: str, new: str) -> None:
    jsonschema = pytest.importorskip("jsonschema")
    validator = jsonschema.Draft202012Validator(plan_schema())
    jsonschema.Draft202012Validator.check_schema(plan_schema())
    assert validator.is_valid(tomllib.loads(PLAN_TEXT))
    wrong = PLAN_TEXT.replace(old, new, 1)
    assert not validator.is_valid(tomllib.loads(wrong))
    with pytest.raises(PlanError):
        load(wrong)


EXAMPLE = """
[[example]]
id = "one"
of = "seal-clearance"
readings = { seal-bore = "5.5108", seal-shaft = "5.4999" }
value = "0.0109"
verdict = "conforming"
"""


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("", "", ""),
        ('"0.0109"', '"0.0110"', "says value 0.0110 but gives 0.0109"),
        ('"conforming"', '"undecided"', "says 'undecided' but gives 'conforming'"),
        (', seal-shaft = "5.4999"', "", "lacks readings for 'seal-clearance'"),
        ('"5.5108"', '"5.5108 kg"', "does not measure the same thing"),
    ],
)
def test_an_example_that_does_not_hold_is_named(old: str, new: str, message: str) -> None:
    (result,) = check_examples(load(PLAN_TEXT + EXAMPLE.replace(old, new, 1)))
    assert message in result.problem if message else result.problem == ""


GAUGE = """
[[gauge]]
id = "mike"
title = "micrometer"
unit = "in"
resolution = "0.001"
lower = "1"
upper = "2"
uncertainty = "0.0005"
due = "2026-03-31"
"""
SHOE = 'unit = "in"\ndecimals = 3\n'
HEAD = 'unit_system = "inch"\n'
LIMITS = 'limits = { lower = "1.246", upper = "1.254", source'


def changed(*changes: tuple[str, str], extra: str = "") -> str:
    text = PLAN_TEXT
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    return text + extra


def test_a_plan_may_name_gauges_repeats_decision_and_expansion() -> None:
    more = 'gauge = "mike"\nrepeats = { count = 2, at = ["top", "end"] }\n'
    more += 'temperature = { material = "carbon and low-alloy steel", within_degc = "2" }\n'
    decision = '\n[decision]\nrule = "guard band"\nedges = "strict"\nk = "2"\n'
    off = '\ndecision = { rule = "simple acceptance" }\ninputs = { bore'
    plan = load(changed((SHOE, SHOE + more), ("\ninputs = { bore", off), extra=GAUGE + decision))
    shoe = plan.characteristic("shoe-thickness")
    assert (plan.decision.kind, plan.decision.edges) == (GUARD_BAND, "strict") and plan.decision.k == 2
    assert (shoe.gauge, shoe.repeats.count, shoe.repeats.at) == ("mike", 2, ("top", "end"))
    assert shoe.expansion is not None and shoe.expansion.within_degc == 2
    assert plan.gauge("mike").due == "2026-03-31" and plan.gauge("mike").decimals == 3
    assert replace(plan, gauges=()).gauges == ()


@pytest.mark.parametrize(
    ("limits", "lower", "upper", "shown"),
    [
        (
            'nominal = "1.250", plus = "0.004", minus = "0.002"',
            "1.248",
            "1.254",
            "1.248 to 1.254 in (1.250 +0.004 -0.002)",
        ),
        ('nominal = "1.250", plus_minus = "0.004"', "1.246", "1.254", "1.246 to 1.254 in (1.250 +-0.004)"),
        (
            'nominal = "1.250", plus = "0.004", minus = "-0.001"',
            "1.251",
            "1.254",
            "1.251 to 1.254 in (1.250 +0.004 +0.001)",
        ),
        ('nominal = "1.250", plus = "0", minus = "0.002"', "1.248", "1.250", "1.248 to 1.250 in (1.250 0 -0.002)"),
        (
            'nominal = "1.250", plus = "-0.001", minus = "0.003"',
            "1.247",
            "1.249",
            "1.247 to 1.249 in (1.250 -0.001 -0.003)",
        ),
    ],
)
def test_limits_as_nominal_with_plus_and_minus(limits: str, lower: str, upper: str, shown: str) -> None:
    from fractions import Fraction

    plan = load(changed((LIMITS, f"limits = {{ {limits}, source")))
    held = plan.characteristic("shoe-thickness").limits
    assert held is not None and (held.lower, held.upper) == (Fraction(lower), Fraction(upper))
    assert bounds(held, {}).text == shown


def test_limits_by_iso_code_in_inches_are_exact() -> None:
    from fractions import Fraction

    plan = load(changed((LIMITS, 'limits = { nominal = "25", code = "g6", source')))
    held = plan.characteristic("shoe-thickness").limits
    assert held is not None and held.lower == Fraction("24.980") / Fraction("25.4")
    assert bounds(held, {}, "mm").upper == Fraction("24.993") and held.stated == "25 g6"
    text = PLAN_TEXT[: PLAN_TEXT.index("[derived.limits]")]
    fit = '[derived.limits]\nnominal = "60"\ncode = "H7/g6"\nsource = "ISO 286-1"\nstanding = "standard"\n'
    derived = load(text + fit).derived_by_id("seal-clearance").limits
    assert derived is not None
    assert bounds(derived, {}, "mm").lower == Fraction("0.010") and bounds(derived, {}, "mm").upper == Fraction("0.059")


WIDER: list[tuple[list[tuple[str, str]], str, str]] = [
    ([(LIMITS, 'limits = { nominal = "1.25", plus_minus = "-0.1", source')], "", "without a sign"),
    ([(LIMITS, 'limits = { nominal = "1.25", plus = "-0.1", minus = "0.05", source')], "", "plus -0.1 below minus"),
    ([(LIMITS, 'limits = { nominal = "1.25", plus = "0.1", source')], "", "lacks 'minus'"),
    ([(LIMITS, 'limits = { nominal = "25", code = "z6", source')], "", "'z6'"),
    ([(LIMITS, 'limits = { nominal = "25", code = "H7/g6", source')], "", "give one member"),
    ([(LIMITS, 'limits = { nominal = "251", code = "H7", source')], "", "outside the ISO 286 table"),
    ([(LIMITS, 'limits = { lower = "1", code = "H7", source')], "", "limits of both kinds"),
    ([(SHOE, SHOE + 'gauge = "mike"\n')], "", "names gauge 'mike'"),
    ([(SHOE, 'unit = "in"\ndecimals = 4\ngauge = "mike"\n')], GAUGE, "gauge 'mike' shows 3"),
    ([(SHOE, 'unit = "mm"\ndecimals = 3\ngauge = "mike"\n')], GAUGE, "reads 'in'"),
    ([], GAUGE + GAUGE, "which another has"),
    ([], GAUGE.replace('"0.001"', '"0"'), "above zero"),
    ([], GAUGE.replace('lower = "1"', 'lower = "3"'), "lower 3 above upper 2"),
    ([], GAUGE.replace("2026-03-31", "31.3.2026"), "write it as 2026-03-31"),
    ([(SHOE, SHOE + "repeats = { count = 0 }\n")], "", "whole number from 1 to 20"),
    ([(SHOE, SHOE + 'repeats = { count = 3, at = ["top"] }\n')], "", "1 places for 3 repeats"),
    ([(SHOE, SHOE + 'temperature = { material = "wood" }\n')], "", "material = 'wood'"),
    ([(SHOE, SHOE + "counted = true\n")], "", "decimals = 3"),
    ([(SHOE, SHOE + 'beside = "seal-clearance"\n')], "", "not computed there"),
    ([], '\n[decision]\nrule = "guard band"\n', "names no gauge"),
    ([], '\n[decision]\nrule = "coin"\n', "use one of simple acceptance, guard band"),
    ([], '\n[decision]\nrule = "simple acceptance"\nmethod = "rounding"\n', "needs round_to"),
    ([], '\n[decision]\nrule = "simple acceptance"\nround_to = "0.1"\n', "needs round_to"),
    ([], '\n[decision]\nrule = "simple acceptance"\nk = "0"\n', "above zero"),
    ([], '\n[gauging]\nratio = "3"\n', "at least four"),
    ([], EXAMPLE.replace('"seal-clearance"', '"gap"'), "of = 'gap'"),
    ([], EXAMPLE.replace("seal-bore", "bore"), "reading 'bore'"),
    ([], EXAMPLE.replace('"5.5108"', '"five"'), "has reading 'five'"),
    ([], EXAMPLE.replace('"conforming"', '"good"'), "verdict = 'good'"),
    ([('rule = "clearance"', 'rule = "shim change"')], "", "lacks 'travel'"),
    ([('rule = "clearance"', 'rule = "float"'), ('{ bore = "seal-bore", shaft =', '{ travel = "seal-bore", shim =')],
     "", "lacks 'sense'"),
    ([('rule = "clearance"', 'rule = "runout"')], "", "lacks 'readings'"),
    ([('rule = "clearance"', 'rule = "taper"')], "", "lacks 'planes'"),
    ([('rule = "clearance"', 'rule = "taper"'), ('{ bore = "seal-bore", shaft = "seal-shaft" }', '{ planes = "x" }')],
     "", "has no planes"),
    ([('{ bore = "seal-bore", shaft = "seal-shaft" }', '{ planes = [["seal-bore"], ["seal-bore", "seal-shaft"]] }'),
      ('rule = "clearance"', 'rule = "taper"')], "", "unlike length"),
    ([('{ bore = "seal-bore", shaft = "seal-shaft" }', '{ readings = ["seal-bore"] }'),
      ('rule = "clearance"', 'rule = "runout"')], "", "do not pair"),
]  # fmt: skip


@pytest.mark.parametrize(("changes", "extra", "message"), WIDER, ids=[message for _, _, message in WIDER])
def test_a_wrong_part_of_a_wider_plan_is_one_clear_error(
    changes: list[tuple[str, str]], extra: str, message: str
) -> None:
    with pytest.raises(PlanError) as caught:
        load(changed(*changes, extra=extra), name="demo.toml")
    text = str(caught.value)
    assert message in text and text.startswith("demo.toml") and "\n" not in text
    assert caught.value.remedy or ";" in text


def test_plan_schema_is_plain_json() -> None:
    import json

    shown: Any = json.loads(json.dumps(plan_schema()))
    assert shown["properties"]["characteristic"]["items"]["additionalProperties"] is False


@pytest.mark.parametrize(
    ("reading", "kind"), [("86.0", "nonconforming above"), ("77.0", "conforming"), ("59.0", "conforming")]
)
def test_a_plus_or_minus_in_degrees_is_a_difference(reading: str, kind: str) -> None:
    """Case C12 of the public reports (hgrecco/pint issue 294), from the plan's own text."""
    from capture.domain.units import Quantity
    from capture.domain.verdicts import check

    oil = """
[[characteristic]]
id = "oil"
title = "oil temperature"
spoken = "oil"
groups = ["inboard-seal-ring"]
unit = "degC"
decimals = 1
limits = { nominal = "20", plus_minus = "5", source = "constructed", standing = "plan author" }
"""
    plan = load(PLAN_TEXT + oil)
    verdict = check(Quantity(reading, "degF"), plan.characteristic("oil"), plan, {})
    assert verdict.kind == kind and "15 to 25 degC (20 +-5" in verdict.working


def test_the_format_is_described_whole() -> None:
    from capture.domain.derived import RULES

    text = (PLANS[0].parent / "FORMAT.md").read_text(encoding="utf-8")
    schema = plan_schema()["properties"]
    named: set[str] = set(RULES)
    for part in schema.values():
        one = part.get("items", part)
        named |= set(one.get("properties", {}))
        named |= {key for inner in one.get("properties", {}).values() for key in inner.get("properties", {})}
    assert [name for name in sorted(named) if name not in text] == []
