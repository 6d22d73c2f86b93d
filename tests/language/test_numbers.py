"""Spoken numbers against the outside table: values, what must be asked, what the project has decided."""

from __future__ import annotations

import re
from fractions import Fraction
from functools import lru_cache
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.domain.units import Quantity
from capture.language.automaton import Automaton, compile_transducer
from capture.language.grammar import Grammar
from capture.language.meaning import REASONS, Listening, NotUnderstood, SpokenCommand, SpokenReading
from capture.language.numbers import DECISIONS, ValueForms, read_typed, read_value, value
from capture.language.readback import say_quantity
from capture.language.values import ValueRule
from tests.cases.carry import REFERENCE, written
from tests.language import oracle
from tests.language.carry import PACK, TABLE, rows
from tests.language.conftest import follow, one_part_plan

FRACTIONS = "fractions of an inch are read, not yet listened for at a bench"
NOT_HEARD_AT_A_BENCH: dict[str, str] = {
    "u066": "ten thousandths sound like tens and thousandths: read only",
    "u067": "ten thousandths sound like tens and thousandths: read only",
    **dict.fromkeys(("u074", "u075", "u076", "u081", "u082", "u083", "u084", "u085", "u086"), FRACTIONS),
    "u077": "feet are read only",
    "u080": "a sum with plus is read only",
    "u106": '"at" before an angle is read only',
}
"""Utterance rows whose words a bench does not listen for in this version; `read_value` reads every one."""

ASKED_BECAUSE: dict[str, str] = {
    "q01": "no point",
    "q02": "unfinished",
    "q03": "no digits",
    "q04": "nothing heard",
    "q05": "two points",
    "q06": "no point",
    "q07": "no point",
    "q08": "no point",
    "q09": "not in the grammar",
    "q10": "decimals",
    "q11": "decimals",
    "q12": "two points",
    "q13": "unfinished",
    "q14": "unfinished",
    "q15": "unit",
    "q16": "unit",
    "q17": "unit",
    "q18": "no digits",
    "q19": "not in the grammar",
    "q20": "not in the grammar",
    "q21": "not in the grammar",
    "q22": "not in the grammar",
    "q23": "not in the grammar",
    "q24": "not in the grammar",
    "q25": "not in the grammar",
    "q26": "not in the grammar",
    "q27": "not in the grammar",
    "q28": "no digits",
    "q29": "not in the grammar",
    "q30": "unit",
    "q31": "unit",
    "q32": "no digits",
    "q33": "no digits",
    "q34": "unknown word",
    "q35": "no point",
    "q36": "not in the grammar",
    "q37": "no point",
    "q38": "no point",
    "q39": "two points",
    "q40": "not in the grammar",
    "q41": "not in the grammar",
    "q42": "decimals",
    "q43": "not in the grammar",
    "q44": "unknown word",
    "q45": "unknown word",
    "q46": "not in the grammar",
    "q47": "not in the grammar",
    "q48": "no digits",
    "q49": "unfinished",
    "q50": "no point",
}

SYSTEMS: dict[str, tuple[str | None, ...]] = {
    "any": ("inch", "metric", None),
    "inch": ("inch",),
    "metric": ("metric",),
    "unknown": (None,),
}


def _params(array: str) -> list[Any]:
    return [pytest.param(row, id=row["id"]) for row in rows(array)]


def _words(row: dict[str, Any]) -> list[str]:
    words: list[str] = row["in"]["text"].split()
    return words


def _is_signed(row: dict[str, Any]) -> bool:
    return _words(row)[:1] in (["minus"], ["plus"])


def test_the_carried_table_is_the_outside_one() -> None:
    if not REFERENCE.exists():
        pytest.skip("../shared is not here: the carried table cannot be compared with its source")
    assert TABLE.read_text(encoding="utf-8") == written(PACK)


@pytest.mark.parametrize("row", _params("utterance"))
def test_an_utterance_gives_exactly_its_value_unit_and_decimals_in_its_context(row: dict[str, Any]) -> None:
    out = row["out"]
    for unit_system in SYSTEMS[row["in"]["context"]]:
        unit = out["base_unit"] or ("mm" if unit_system == "metric" else "in")
        decimals = 0 if row["id"] == "u022" else None  # "zero" alone: where the gauge shows no decimals
        wanted = Quantity(out["said"], out["said_unit"] or unit)
        assert read_value(_words(row), unit_system, _is_signed(row), unit=unit, decimals=decimals) == wanted
        if out["base_unit"]:
            assert wanted.to_fraction(unit) == Quantity(out["base"], unit).fraction
        if "places" in out:
            assert wanted.places == out["places"]


def _bench_grammar(row: dict[str, Any]) -> tuple[Grammar, Quantity]:
    """Return a bench that measures what the row speaks of, with as many decimals as the row needs."""
    out = row["out"]
    unit = "uin" if out["said_unit"] == "uin" else out["base_unit"] or "in"
    wanted = Quantity(out["said"], out["said_unit"] or unit)
    decimals = wanted.places if wanted.unit == unit else Quantity(out["base"], unit).places
    plan = one_part_plan(unit, decimals, _is_signed(row), "metric" if unit == "mm" else "inch")
    return Grammar.build(plan, Listening("open")), wanted


@pytest.mark.parametrize("row", _params("utterance"))
def test_a_bench_hears_the_utterance_or_the_list_says_why_not(row: dict[str, Any]) -> None:
    grammar, wanted = _bench_grammar(row)
    meaning = grammar.interpret(["shim", "pack", *_words(row)])
    if row["id"] in NOT_HEARD_AT_A_BENCH:
        assert isinstance(meaning, NotUnderstood)
    else:
        assert meaning == SpokenReading("shim-pack", "size", wanted)


def test_the_count_of_utterances_covered_and_not_covered_is_as_stated() -> None:
    everything = rows("utterance")
    heard = [row["id"] for row in everything if row["id"] not in NOT_HEARD_AT_A_BENCH]
    assert (len(heard), len(NOT_HEARD_AT_A_BENCH), len(everything)) == (93, 14, 107)
    assert set(NOT_HEARD_AT_A_BENCH) < {row["id"] for row in everything}


@pytest.mark.parametrize("row", _params("must_ask"))
def test_what_must_be_asked_gives_no_value_with_any_gauge(row: dict[str, Any]) -> None:
    for unit_system in SYSTEMS[row["in"]["context"]]:
        for unit in ("in", "mm", "deg"):
            for decimals in (None, 0, 3, 4):
                for wide in (True, False):
                    meaning = read_value(_words(row), unit_system, True, unit=unit, decimals=decimals, wide=wide)
                    assert isinstance(meaning, NotUnderstood), (unit_system, unit, decimals, wide, meaning)


@pytest.mark.parametrize("row", _params("must_ask"))
def test_what_must_be_asked_is_asked_with_its_reason_in_few_words(row: dict[str, Any]) -> None:
    unit_system = SYSTEMS[row["in"]["context"]][0]
    meaning = read_value(_words(row), unit_system, True, unit="in", decimals=3)
    assert isinstance(meaning, NotUnderstood)
    assert meaning.reason == ASKED_BECAUSE[row["id"]]
    assert 0 < len(meaning.detail.split()) <= 13


def test_every_row_to_be_asked_has_its_reason_listed() -> None:
    assert set(ASKED_BECAUSE) == {row["id"] for row in rows("must_ask")}


def _decisions() -> dict[str, str]:
    found = re.findall(r"^\| (p\d\d) \| ([^|]+) \| ([^|]+) \|", DECISIONS, flags=re.MULTILINE)
    said = {row["id"]: row["in"]["text"] for row in rows("policy")}
    assert {one: text for one, text, _ in found} == said
    return {one: decided for one, _, decided in found}


@pytest.mark.parametrize("row", _params("policy"))
def test_what_is_used_two_ways_is_taken_as_decided(row: dict[str, Any]) -> None:
    decided = _decisions()[row["id"]]
    gauges = [("in", 3), ("in", 4), ("mm", 3), ("mm", 2), ("deg", 0), ("in", 0), ("thou", 0)]
    got = {read_value(_words(row), "inch", True, unit=unit, decimals=decimals) for unit, decimals in gauges}
    values = {str(each) for each in got if isinstance(each, Quantity)}
    if decided == "ask":
        assert values == set()
    elif decided == "6":
        assert values == {"6 in", "6 deg", "6 thou"}
    else:
        assert values == ({decided} if " " in decided else {f"{decided} in", f"{decided} mm"})


def test_a_value_taken_by_decision_is_read_back_as_it_was_understood() -> None:
    assert say_quantity(Quantity("1248", "thou")) == "one two four eight thou"
    assert say_quantity(Quantity("1.050", "in")) == "one point zero five zero inches"


@pytest.mark.parametrize("row", _params("digit"))
def test_a_digit_is_known_in_its_radio_forms_and_not_in_its_homophones(row: dict[str, Any]) -> None:
    for heard in [*row["out"]["heard"], row["out"]["itu"]]:
        meaning = read_value(["one", "point", heard, "five"], "inch", False, decimals=2)
        if heard in ("won", "to", "for", "ate"):
            assert isinstance(meaning, NotUnderstood) and meaning.reason == "unknown word"
        else:
            assert meaning == Quantity(f"1.{row['in']['digit']}5", "in")


@pytest.mark.parametrize(
    ("said", "text"),
    [
        ("decimal", "one decimal two five"),
        ("point", "one point two five"),
        ("hundred", "one hundred and one point two five"),
        ("thousand", "one thousand and one point two five"),
    ],
)
def test_a_number_word_is_known(said: str, text: str) -> None:
    assert said in {row["id"] for row in rows("number_word")}
    whole = {"hundred": "101", "thousand": "1001"}.get(said, "1")
    assert read_value(text.split(), "inch", False, decimals=2) == Quantity(f"{whole}.25", "in")


def test_the_readback_keeps_the_rules_of_radio_numbers() -> None:
    rules = {row["id"]: row for row in rows("number_rule")}
    assert say_quantity(Quantity("1478", "1")) == rules["digit-by-digit"]["out"]["spoken"]
    assert say_quantity(Quantity("0", "1")) == rules["zero-not-oh"]["out"]["spoken"]


CONTROL: dict[str, tuple[str, str, Any]] = {
    # row -> mode, gauge decimals are three unless the value is in half thou
    "k1": ("open", "3", Quantity("1.249", "in")),
    "k2": ("open", "3", "disregard"),
    "k3": ("open", "3", Quantity("5.001", "in")),
    "k4": ("open", "4", Quantity("2.5", "thou")),
    "k5": ("answer", "3", Quantity("1.249", "in")),
    "k6": ("answer", "3", "affirm"),
    "k7": ("answer", "3", Quantity("1.249", "in")),
    "k8": ("answer", "3", "say again"),
    "k9": ("open", "3", "two meanings"),
}


@pytest.mark.parametrize("row", _params("with_control"))
def test_a_control_word_beside_a_value_does_what_its_row_says(row: dict[str, Any]) -> None:
    mode, decimals, wanted = CONTROL[row["id"]]
    plan = one_part_plan("in", int(decimals), False, "inch")
    grammar = Grammar.build(plan, Listening(mode, "shim-pack", ("size",)))
    meaning = grammar.interpret(_words(row))
    if isinstance(wanted, Quantity):
        assert meaning == SpokenReading(None, None, wanted, is_correction=mode == "answer")
    elif wanted == "two meanings":
        assert isinstance(meaning, NotUnderstood) and meaning.reason == wanted
    else:
        assert meaning == SpokenCommand(wanted)


def test_every_row_with_a_control_word_is_tried() -> None:
    assert set(CONTROL) == {row["id"] for row in rows("with_control")}


def test_tens_of_thousandths_after_a_hundred_are_asked_because_they_say_two_sizes() -> None:
    meaning = read_value("one hundred ten thousandths".split(), "inch", False)
    assert isinstance(meaning, NotUnderstood) and meaning.reason == "two meanings"
    assert read_value("one hundred and ten thousandths".split(), "inch", False) == Quantity("110", "thou")


@pytest.mark.parametrize(
    "forms",
    [
        *[ValueForms(unit, unit_system) for unit in ("in", "mm") for unit_system in ("inch", "metric", None)],
        *[ValueForms("in", unit_system, wide=True) for unit_system in ("inch", "metric", None)],
        *[ValueForms(unit, "inch") for unit in ("uin", "ft", "deg", "degC", "degF", "N*m", "1")],
        ValueForms("deg", "inch", wide=True),
    ],
    ids=str,
)
def test_every_accepted_value_has_one_meaning(forms: ValueForms) -> None:
    assert compile_transducer(value(forms)).ambiguities() == []


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        # C05, kind of fault: a whole number, a space and a fraction are multiplied instead of added.
        # Source: hgrecco/pint issue 34, input our own
        ("1 1/8 inch", Quantity("1.125", "in")),
        ("1.248", Quantity("1.248", "in")),
        ("1.250 in", Quantity("1.250", "in")),
        (".125", Quantity("0.125", "in")),
        ("3 thou", Quantity("3", "thou")),
    ],
)
def test_a_typed_value_keeps_its_digits(text: str, wanted: Quantity) -> None:
    assert read_typed(text, ValueRule("in", 3, signed=False)) == wanted


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("", "not in the grammar"),
        ("1.2.3", "not in the grammar"),
        ("1,248", "not in the grammar"),
        ("NaN", "not in the grammar"),
        ("1e3", "unit"),
        ("1 1/7 inch", "not in the grammar"),
        ("9/8 inch", "not in the grammar"),
        ("1/0", "not in the grammar"),
        ("1.28", "decimals"),
        ("-1.248", "sign not allowed"),
        ("31.750 mm", "unit"),
        ("1.248 parsec", "unit"),
        ("1 1/64 in", "decimals"),
        ("\u0661.\u0662\u0664\u0668", "not in the grammar"),
    ],
)
def test_a_typed_value_that_the_gauge_cannot_show_is_refused(text: str, reason: str) -> None:
    meaning = read_typed(text, ValueRule("in", 3, signed=False))
    assert isinstance(meaning, NotUnderstood) and meaning.reason == reason


_wide = ValueForms("in", "inch", wide=True)


@settings(max_examples=300)
@given(choices=st.lists(st.integers(0, 400), max_size=12), odd=st.text(max_size=5), cut=st.integers(0, 12))
def test_no_value_that_is_read_raises(choices: list[int], odd: str, cut: int) -> None:
    words = list(follow(compiled_wide(), choices))
    for said in (words, [*words[:cut], odd, *words[cut:]], words[:cut], words[cut:]):
        for decimals in (None, 3):
            meaning = read_value(said, "inch", True, decimals=decimals)
            assert isinstance(meaning, Quantity) or (meaning.reason in REASONS and meaning.detail)


@settings(max_examples=400)
@given(choices=st.lists(st.integers(0, 400), max_size=12), unit=st.sampled_from(["in", "mm"]))
def test_whatever_is_read_is_what_a_second_reading_finds(choices: list[int], unit: str) -> None:
    """Decimals left open and every sign allowed, so that nearly every string the automaton accepts has a value."""
    unit_system = "inch" if unit == "in" else "metric"
    words = follow(compiled_bench(unit, unit_system), choices)
    meaning = read_value(words, unit_system, True, unit=unit, decimals=None, wide=False)
    if isinstance(meaning, Quantity):
        assert (meaning.text, meaning.unit) == oracle.said(" ".join(words), unit)
    else:
        assert meaning.reason in ("no point", "unit", "unfinished", "decimals", "two meanings")


@lru_cache(maxsize=2)
def compiled_bench(unit: str, unit_system: str) -> Automaton:
    return compile_transducer(value(ValueForms(unit, unit_system))).automaton


@lru_cache(maxsize=1)
def compiled_wide() -> Automaton:
    return compile_transducer(value(_wide)).automaton


@given(text=st.text(alphabet='0123456789./ -+inmthou"\u2212\u00b5', max_size=14), signed=st.booleans())
def test_no_typed_text_raises_and_what_is_taken_holds_its_digits(text: str, signed: bool) -> None:
    meaning = read_typed(text, ValueRule("in", None, signed))
    if isinstance(meaning, Quantity) and "/" not in text:
        typed = re.findall("[0-9]*[.]?[0-9]+", text)
        assert len(typed) == 1
        assert Fraction(typed[0]) == abs(meaning.fraction)
        assert (meaning.fraction < 0) <= signed
