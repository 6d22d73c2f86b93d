"""What the bench says of a value, and that it hears the same value when it is said back."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.domain.plan import InspectionPlan
from capture.domain.units import UNIT_NAMES, Quantity
from capture.language.grammar import Grammar
from capture.language.meaning import Listening, SpokenReading
from capture.language.readback import say_exact, say_position, say_proposal, say_quantity
from tests.language.conftest import one_part_plan

METRIC = ("mm", "um", "hundredth mm", "tenth mm", "nm", "m")


@pytest.mark.parametrize(
    ("quantity", "said"),
    [
        (Quantity("1.248", "in"), "one point two four eight inches"),
        (Quantity("1.280", "in"), "one point two eight zero inches"),
        (Quantity("-0.002", "in"), "minus zero point zero zero two inches"),
        (Quantity("3.5", "thou"), "three point five thou"),
        (Quantity("1", "in"), "one inch"),
        (Quantity("2", "tenth"), "two tenths of a thou"),
        (Quantity("2", "tenth mm"), "two tenths of a millimetre"),
        (Quantity("25", "um"), "two five microns"),
        (Quantity("7", "1"), "seven"),
    ],
)
def test_a_quantity_is_said_digit_by_digit_with_sign_and_unit_as_words(quantity: Quantity, said: str) -> None:
    assert say_quantity(quantity) == said


def test_a_derived_value_that_does_not_end_is_said_as_about() -> None:
    assert say_exact(Fraction(-1, 400), "in", 4) == "minus zero point zero zero two five inches"
    assert say_exact(Fraction(1, 3), "in", 1) == "about zero point three three three three inches"


def test_a_proposal_names_the_characteristic_where_there_are_several(inch_plan: InspectionPlan) -> None:
    value = Quantity("1.248", "in")
    one = say_proposal(inch_plan, "outboard-shoe-3", "shoe-thickness", value)
    several = say_proposal(inch_plan, "inboard-seal-ring-1", "seal-bore", value)
    assert one == "outboard shoe three, one point two four eight inches"
    assert several == "inboard seal ring one bore, one point two four eight inches"
    assert say_position(inch_plan, "thrust-collar") == "thrust collar"


@st.composite
def _quantities(draw: st.DrawFn, unit: str) -> Quantity:
    sign = draw(st.sampled_from(["", "-"]))
    whole = str(draw(st.integers(0, 9999)))
    after = draw(st.text("0123456789", max_size=6))
    return Quantity(f"{sign}{whole}.{after}" if after else f"{sign}{whole}", unit)


@pytest.mark.parametrize("unit", [unit for unit in UNIT_NAMES if unit not in ("1", "tenth mm")])
@settings(max_examples=20)
@given(data=st.data())
def test_a_value_read_back_and_said_again_is_the_same_quantity(unit: str, data: st.DataObject) -> None:
    quantity = data.draw(_quantities(unit))
    plan = one_part_plan(unit, quantity.places, True, "metric" if unit in METRIC else "inch")
    grammar = Grammar.build(plan, Listening("open"))
    said = say_proposal(plan, "shim-pack", "size", quantity)
    assert grammar.interpret(said.split()) == SpokenReading("shim-pack", "size", quantity)


@settings(max_examples=20)
@given(data=st.data())
def test_a_count_without_a_unit_is_the_same_quantity_with_a_point(data: st.DataObject) -> None:
    quantity = data.draw(_quantities("1").filter(lambda one: one.places > 0))
    plan = one_part_plan("1", quantity.places, True, "metric")
    said = say_proposal(plan, "shim-pack", "size", quantity)
    assert Grammar.build(plan, Listening("open")).interpret(said.split()) == SpokenReading(
        "shim-pack", "size", quantity
    )


@settings(max_examples=20)
@given(tenths=st.integers(1, 999))
def test_tenths_of_a_millimetre_said_again_are_the_same_length_in_millimetres(tenths: int) -> None:
    """Said in full they mean millimetres (row u093 of the table), so the unit differs and the size does not."""
    plan = one_part_plan("mm", 1, False, "metric")
    said = say_proposal(plan, "shim-pack", "size", Quantity(str(tenths), "tenth mm"))
    meaning = Grammar.build(plan, Listening("open")).interpret(said.split())
    assert isinstance(meaning, SpokenReading)
    assert meaning.quantity.unit == "mm"
    assert meaning.quantity.fraction == Fraction(tenths, 10)
