"""What is said of gauges, feelers and temperatures: meaning, and only where plan and state have them."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from capture.domain.plan import InspectionPlan
from capture.domain.units import Quantity
from capture.language.grammar import Grammar
from capture.language.meaning import (
    Listening,
    Meaning,
    NotUnderstood,
    SpokenCommand,
    SpokenGaugeCheck,
    SpokenInterval,
    SpokenReading,
    SpokenTemperature,
)
from capture.language.readback import say_interval
from capture.language.vocabulary import spoken_plan
from tests.language.conftest import one_part_plan, real_plan

OPEN = Listening("open")


def _feeler_plan() -> InspectionPlan:
    plan = one_part_plan("thou", 0, False, "inch")
    return replace(plan, characteristics=(replace(plan.characteristics[0], beside="clearance"),))


def _heard(plan: InspectionPlan, words: str, listening: Listening = OPEN) -> Meaning:
    return Grammar.build(plan, listening).interpret(words.split())


def _thou(text: str) -> Quantity:
    return Quantity(text, "thou")


# ---- the gauge in hand


@pytest.mark.parametrize(
    ("words", "meaning"),
    [
        ("zero check zero point zero zero one", SpokenGaugeCheck(None, Quantity("0.001", "in"))),
        ("zero check minus zero point zero zero one", SpokenGaugeCheck(None, Quantity("-0.001", "in"))),
        ("zero check zero", SpokenGaugeCheck(None, Quantity("0", "in"))),
        ("zero check minus two thou", SpokenGaugeCheck(None, Quantity("-2", "thou"))),
        ("zero check oh point zero niner one", SpokenGaugeCheck(None, Quantity("0.091", "in"))),
        ("standard one point zero zero zero reads one point zero zero one",
         SpokenGaugeCheck(Quantity("1.000", "in"), Quantity("1.001", "in"))),
        ("standard one inch reads one point zero zero one",
         SpokenGaugeCheck(Quantity("1", "in"), Quantity("1.001", "in"))),
        ("gauge dropped", SpokenCommand("gauge dropped")),
        ("gauge bad", SpokenCommand("gauge bad")),
    ],
)  # fmt: skip
def test_with_a_gauge_in_hand_a_call_means(inch_plan: InspectionPlan, words: str, meaning: Any) -> None:
    assert _heard(inch_plan, words, Listening("open", gauge=("in", 3))) == meaning


@pytest.mark.parametrize(
    ("words", "reason"),
    [
        ("zero check", "unfinished"),
        ("zero check four", "no point"),
        ("zero check zero point zero zero", "decimals"),
        ("zero check zero point zero zero one millimetres", "unit"),
        ("standard one point zero zero zero", "unfinished"),
        ("standard one reads one point zero zero one", "no point"),
    ],
)
def test_half_a_check_or_one_with_other_digits_is_asked_again(
    inch_plan: InspectionPlan, words: str, reason: str
) -> None:
    meaning = _heard(inch_plan, words, Listening("open", gauge=("in", 3)))
    assert isinstance(meaning, NotUnderstood) and meaning.reason == reason


@pytest.mark.parametrize("words", ["zero check zero point zero zero one", "gauge dropped", "gauge bad"])
def test_without_a_gauge_in_hand_none_of_it_is_taken(inch_plan: InspectionPlan, words: str) -> None:
    assert isinstance(_heard(inch_plan, words), NotUnderstood)


def test_what_is_said_of_a_gauge_is_no_answer_to_a_readback(inch_plan: InspectionPlan) -> None:
    answer = Listening("answer", "outboard-shoe-3", ("shoe-thickness",), ("in", 3))
    assert isinstance(_heard(inch_plan, "gauge bad", answer), NotUnderstood)


def test_the_gauge_in_hand_sets_the_decimals_of_what_it_reads_and_of_nothing_else(inch_plan: InspectionPlan) -> None:
    listening = Listening("open", decimals=(("shoe-thickness", 4),))
    value = SpokenReading("outboard-shoe-3", "shoe-thickness", Quantity("1.2480", "in"))
    assert _heard(inch_plan, "outboard shoe three one point two four eight zero", listening) == value
    short = _heard(inch_plan, "outboard shoe three one point two four eight", listening)
    assert short == NotUnderstood("decimals", "three digits after the point, four wanted")
    runout = SpokenReading("thrust-collar", "runout", Quantity("0.002", "in"))
    assert _heard(inch_plan, "thrust collar runout zero point zero zero two", listening) == runout


def test_a_gauge_that_shows_what_the_plan_says_changes_nothing_that_is_heard(inch_plan: InspectionPlan) -> None:
    same = Listening("open", decimals=(("shoe-thickness", 3),))
    assert Grammar.build(inch_plan, same).key == Grammar.build(inch_plan, OPEN).key


# ---- what goes and what does not


@pytest.mark.parametrize(
    ("words", "goes", "does_not"),
    [
        ("shim pack four goes five does not", "4", "5"),
        ("shim pack size four goes and five does not go", "4", "5"),
        ("shim pack four thou goes", "4", None),
        ("shim pack twelve does not", None, "12"),
    ],
)
def test_an_interval_means_what_was_said(words: str, goes: str | None, does_not: str | None) -> None:
    ends = (_thou(goes) if goes else None, _thou(does_not) if does_not else None)
    assert _heard(_feeler_plan(), words) == SpokenInterval("shim-pack", "size", *ends)


def test_an_interval_of_the_part_in_hand_may_leave_out_its_name() -> None:
    asked = Listening("open", "shim-pack", ("size",))
    said = "four goes five does not"
    assert _heard(_feeler_plan(), said, asked) == SpokenInterval(None, None, _thou("4"), _thou("5"))
    corrected = _heard(_feeler_plan(), f"correction {said}", asked)
    assert corrected == SpokenInterval(None, None, _thou("4"), _thou("5"), is_correction=True)


@pytest.mark.parametrize("said", ["goes five does not", "four goes five", "four goes five goes"])
def test_a_broken_interval_is_asked_again(said: str) -> None:
    assert isinstance(_heard(_feeler_plan(), f"shim pack {said}"), NotUnderstood)


def test_feelers_are_heard_only_for_what_stands_beside_a_computed_clearance() -> None:
    plain = one_part_plan("thou", 0, False, "inch")
    assert isinstance(_heard(plain, "shim pack four goes five does not"), NotUnderstood)
    assert "goes" not in Grammar.build(plain, OPEN).automaton.words


def test_every_feeler_call_has_one_meaning() -> None:
    for listening in (OPEN, Listening("open", "shim-pack", ("size",))):
        assert Grammar.build(_feeler_plan(), listening).transducer.ambiguities() == []


def test_two_ways_to_say_one_interval_are_one_meaning_for_the_margin() -> None:
    grammar = Grammar.build(_feeler_plan(), Listening("open", "shim-pack", ("size",)))
    with_name = grammar.meaning_key(tuple("shim pack four goes five does not".split()))
    assert with_name == grammar.meaning_key(tuple("fower goes fife does not go".split()))
    assert with_name != grammar.meaning_key(tuple("four goes six does not".split()))


def test_an_interval_is_read_back_with_both_ends() -> None:
    said = say_interval(_feeler_plan(), "shim-pack", "size", _thou("4"), _thou("5"))
    assert said == "shim pack, four thou goes, five thou does not"


# ---- temperatures


@pytest.mark.parametrize(
    ("words", "of", "text", "unit"),
    [
        ("part temperature twenty one point five degrees", "part", "21.5", "degC"),
        ("gauge temperature twenty degrees celsius", "gauge", "20", "degC"),
        ("part temperature seventy degrees fahrenheit", "part", "70", "degF"),
        ("part temperature minus five degrees", "part", "-5", "degC"),
    ],
)
def test_a_temperature_means_what_was_said(words: str, of: str, text: str, unit: str) -> None:
    plan = real_plan("capture/plans/rolling-bearing-seats.toml")
    assert _heard(plan, words) == SpokenTemperature(of, Quantity(text, unit))


def test_a_temperature_without_degrees_is_asked_again() -> None:
    plan = real_plan("capture/plans/rolling-bearing-seats.toml")
    meaning = _heard(plan, "part temperature twenty one")
    assert isinstance(meaning, NotUnderstood) and meaning.reason == "no point"


def test_degrees_alone_are_those_of_the_plan_s_units() -> None:
    plan = replace(real_plan("capture/plans/rolling-bearing-seats.toml"), unit_system="inch", revision="inch")
    assert _heard(plan, "part temperature seventy degrees") == SpokenTemperature("part", Quantity("70", "degF"))


def test_a_plan_without_corrections_to_twenty_degrees_listens_for_no_temperature(inch_plan: InspectionPlan) -> None:
    assert not spoken_plan(inch_plan).takes_temperatures
    assert isinstance(_heard(inch_plan, "part temperature twenty one point five degrees"), NotUnderstood)
