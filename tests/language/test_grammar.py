"""The grammar of calls: modes, meaning, one meaning for every string, nothing of limits, nothing made up."""

from __future__ import annotations

import ast
import re
from dataclasses import fields, replace
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.domain.plan import InspectionPlan, Limits, load
from capture.domain.units import Quantity
from capture.language import grammar as grammar_module
from capture.language import vocabulary
from capture.language.grammar import Grammar
from capture.language.meaning import (
    REASONS,
    Listening,
    NotUnderstood,
    SpokenCommand,
    SpokenFinding,
    SpokenPosition,
    SpokenReading,
)
from capture.language.prompt import made_up_value
from capture.language.readback import say_proposal
from capture.language.vocabulary import COMMANDS_BY_MODE, SpokenCharacteristic, SpokenPlan, spoken_plan
from capture.speech.words import SpokenGrammar
from tests.language import oracle
from tests.language.carry import rows
from tests.language.conftest import (
    MANY_SHOES,
    PLAN_NAMES,
    REPOSITORY,
    distinct_grammars,
    follow,
    one_part_plan,
    real_plan,
    ways_from_the_start,
    ways_to_an_end,
)

SHOE = Listening("open", "outboard-shoe-3", ("shoe-thickness",))
ANSWER = Listening("answer", "outboard-shoe-3", ("shoe-thickness",))


def _reading(text: str, unit: str = "in", **more: Any) -> SpokenReading:
    position = more.pop("position", "outboard-shoe-3")
    return SpokenReading(position, more.pop("characteristic", "shoe-thickness"), Quantity(text, unit), **more)


# --- cases from public reports (../shared/cases/public-reports.toml; inputs our own)


@pytest.mark.parametrize(
    ("case", "words", "digits", "readback"),
    [
        # C01 number.oh, kind of text2digits pull request 58
        ("C01", "outboard shoe three one point two oh eight", "1.208", "one point two zero eight"),
        # C02 number.digit-count, kind of vosk-api issue 1934: the last zero is said
        ("C02", "outboard shoe three one point two eight zero", "1.280", "one point two eight zero"),
    ],
)
def test_a_public_case_gives_its_value_and_readback(
    inch_plan: InspectionPlan, shoe_grammar: Grammar, case: str, words: str, digits: str, readback: str
) -> None:
    meaning = shoe_grammar.interpret(words.split())
    assert meaning == _reading(digits), case
    said = say_proposal(inch_plan, "outboard-shoe-3", "shoe-thickness", Quantity(digits, "in"))
    assert said == f"outboard shoe three, {readback} inches"


@pytest.mark.parametrize(
    ("case", "words", "reason"),
    [
        # C02: two digits where three are shown are never padded
        ("C02", "outboard shoe three one point two eight", "decimals"),
        # C03 number.arithmetic, kind of w2n issue 45 and words-to-numbers issue 27
        ("C03", "outboard shoe three one two four eight", "no point"),
        ("C03", "outboard shoe three one point two forty eight", "decimals"),
        # C04 number.sign, kind of quantulum3 issue 210
        ("C04", "outboard shoe three minus one point two four eight", "sign not allowed"),
        # C06 engine.forced-match, kind of vosk-api issue 741: an unknown mark is never dropped
        ("C06", "outboard shoe three one point two [unk] eight", "unknown word"),
        ("C06", "outboard shoe three one point two <UNK> eight", "unknown word"),
        # C07 engine.not-final, kind of vosk-android-demo issue 214: half a call, and its other half
        ("C07", "outboard shoe three one point two four [unk]", "unknown word"),
        ("C07", "outboard shoe three one point two", "decimals"),
        ("C07", "four eight", "no point"),
        ("C07", "outboard shoe three one point", "unfinished"),
    ],
)
def test_a_public_case_is_asked_again(shoe_grammar: Grammar, case: str, words: str, reason: str) -> None:
    meaning = shoe_grammar.interpret(words.split())
    assert isinstance(meaning, NotUnderstood), case
    assert meaning.reason == reason


def test_a_sign_is_kept_on_a_signed_characteristic(inch_plan: InspectionPlan) -> None:
    """C04: "runout minus zero point zero zero two" is -0.002 and is read back with its sign."""
    grammar = Grammar.build(inch_plan, Listening("open", "thrust-collar", ("runout",)))
    meaning = grammar.interpret("runout minus zero point zero zero two".split())
    assert meaning == SpokenReading(None, "runout", Quantity("-0.002", "in"))
    said = say_proposal(inch_plan, "thrust-collar", "runout", Quantity("-0.002", "in"))
    assert said == "thrust collar runout, minus zero point zero zero two inches"


def test_the_words_handed_to_an_engine_hold_digits_point_and_sign(shoe_grammar: Grammar) -> None:
    """C06: the phrase list of an engine is made of these words; its own unknown word is the engine's to add."""
    wanted = "zero oh one two three four five six seven eight nine point minus"
    assert set(wanted.split()) <= set(shoe_grammar.automaton.words)


def test_digits_of_a_serial_number_are_no_reading(shoe_grammar: Grammar) -> None:
    """C03: "serial seven two five" is not 14, not 725 of anything: serial numbers are not called in this version."""
    meaning = shoe_grammar.interpret("serial seven two five".split())
    assert isinstance(meaning, NotUnderstood) and meaning.reason == "unknown word"


# --- forms of a call


@pytest.mark.parametrize(
    ("words", "meaning"),
    [
        ("outboard shoe three one point two four eight", _reading("1.248")),
        ("outboard shoe three thickness one point two four eight inches", _reading("1.248")),
        ("outboard shoe tree one decimal two fower ait", _reading("1.248")),
        ("outboard shoe three twelve hundred and forty eight thou", _reading("1248", "thou")),
        ("outboard shoe three one inch two hundred and forty eight thou", _reading("1.248")),
        ("inboard shoe eight zero point niner fife oh", _reading("0.950", position="inboard-shoe-8")),
        ("one point two four eight", _reading("1.248", position=None, characteristic=None)),
        ("thickness one point two four eight", _reading("1.248", position=None)),
        ("correction one point two four nine",
         _reading("1.249", position=None, characteristic=None, is_correction=True)),
        ("correction outboard shoe two one point two four nine",
         _reading("1.249", position="outboard-shoe-2", is_correction=True)),
        ("inboard seal ring two bore seven point zero zero six five",
         _reading("7.0065", position="inboard-seal-ring-2", characteristic="seal-bore")),
        ("inboard seal ring two shaft seven point zero zero one zero",
         _reading("7.0010", position="inboard-seal-ring-2", characteristic="seal-shaft")),
        ("thrust collar temperature twenty point five degrees",
         _reading("20.5", "degC", position="thrust-collar", characteristic="heat")),
        ("outboard shoe three", SpokenPosition("outboard-shoe-3")),
        ("outboard shoe three thickness", SpokenPosition("outboard-shoe-3", "shoe-thickness")),
        ("thrust collar runout", SpokenPosition("thrust-collar", "runout")),
        ("outboard shoe three scoring", SpokenFinding("outboard-shoe-3", "scoring", None)),
        ("outboard shoe three scoring heavy", SpokenFinding("outboard-shoe-3", "scoring", "heavy")),
        ("outboard shoe three light scoring", SpokenFinding("outboard-shoe-3", "scoring", "light")),
        ("light scoring", SpokenFinding(None, "scoring", "light")),
        ("machining marks gone", SpokenFinding(None, "marks-gone", None)),
        ("what is left", SpokenCommand("what is left")),
        ("affirm", SpokenCommand("affirm")),
    ],
)  # fmt: skip
def test_a_call_in_an_open_job_means(shoe_grammar: Grammar, words: str, meaning: Any) -> None:
    assert shoe_grammar.interpret(words.split()) == meaning


@pytest.mark.parametrize(
    ("words", "reason", "detail"),
    [
        ("", "nothing heard", "nothing heard"),
        ("bearing", "unknown word", "the word bearing is not known here"),
        ("outboard shoe", "unfinished", "nothing after shoe"),
        ("outboard shoe nine", "not in the grammar", "nine does not fit after shoe"),
        ("outboard shoe three one", "no point", "no point heard, say the whole value"),
        ("three", "unfinished", "three alone is no value, say the whole of it"),
        ("one point two four", "decimals", "two digits after the point, three wanted"),
        ("one point two four eight zero", "decimals", "four digits after the point, three wanted"),
        ("three and a half thou", "decimals", "finer than the gauge shows, three digits after the point"),
        ("three and a half", "unit", "say the unit"),
        ("plus one point two four eight", "sign not allowed", "plus does not belong here"),
        ("one point two four eight millimetres", "unit", "millimetres heard, inches wanted"),
        ("one point two four eight thou", "decimals", "three digits after the point, none wanted"),
        ("inboard seal ring two seven point zero zero six five", "two meanings", "bore or shaft, say which"),
        ("negative one point two four nine", "not in the grammar",
         "negative is no sign; say minus, or correction and the value"),
        ("no one point two four nine", "not in the grammar",
         "no is no sign; say minus, or correction and the value"),
        ("yes", "not in the grammar", "yes is not taken now"),
        ("bore seven point zero zero six five", "not in the grammar", "bore is not taken now"),
        ("one point two four eight one point two four nine", "two points", "two points heard, say one value"),
        ("three thou four", "unfinished", "four alone is no value, say the whole of it"),
        ("three thou thickness", "not in the grammar", "thickness does not fit after thou"),
    ],
)  # fmt: skip
def test_a_call_that_may_not_be_acted_on_says_why(shoe_grammar: Grammar, words: str, reason: str, detail: str) -> None:
    assert shoe_grammar.interpret(words.split()) == NotUnderstood(reason, detail)


def test_a_position_with_several_characteristics_takes_the_one_that_was_asked(inch_plan: InspectionPlan) -> None:
    asked = Grammar.build(inch_plan, Listening("open", "inboard-seal-ring-2", ("seal-bore",)))
    here = asked.interpret("inboard seal ring two seven point zero zero six five".split())
    assert here == _reading("7.0065", position="inboard-seal-ring-2", characteristic="seal-bore")
    there = asked.interpret("inboard seal ring one seven point zero zero six five".split())
    assert isinstance(there, NotUnderstood) and there.reason == "two meanings"


@pytest.mark.parametrize("words", ["one point two four eight", "thickness one point two four eight", "light scoring"])
def test_what_leaves_out_the_part_is_refused_without_a_part_in_hand(inch_plan: InspectionPlan, words: str) -> None:
    meaning = Grammar.build(inch_plan, Listening("open")).interpret(words.split())
    assert isinstance(meaning, NotUnderstood) and meaning.reason == "not in the grammar"


def test_a_bare_value_is_taken_only_when_it_was_asked_for(inch_plan: InspectionPlan) -> None:
    in_hand = Grammar.build(inch_plan, Listening("open", "outboard-shoe-3"))
    assert isinstance(in_hand.interpret("one point two four eight".split()), NotUnderstood)
    assert in_hand.interpret("thickness one point two four eight".split()) == _reading("1.248", position=None)


def test_no_state_takes_a_single_digit_by_itself() -> None:
    for name in ("inch plan", "metric plan"):
        for grammar in distinct_grammars(name):
            for digit in (word for names in vocabulary.DIGITS for word in names):
                assert not grammar.automaton.accepts([digit])


@pytest.mark.parametrize(
    ("words", "meaning"),
    [
        ("affirm", SpokenCommand("affirm")),
        ("yes", SpokenCommand("affirm")),
        ("negative", SpokenCommand("negative")),
        ("no", SpokenCommand("negative")),
        ("say again", SpokenCommand("say again")),
        ("disregard", SpokenCommand("disregard")),
        ("stand by", SpokenCommand("stand by")),
        ("correction one point two four nine",
         SpokenReading(None, None, Quantity("1.249", "in"), is_correction=True)),
        ("negative one point two four nine",
         SpokenReading(None, None, Quantity("1.249", "in"), is_correction=True)),
        ("outboard shoe two one point two four nine", _reading("1.249", position="outboard-shoe-2")),
        ("correction outboard shoe two one point two four nine",
         _reading("1.249", position="outboard-shoe-2", is_correction=True)),
    ],
)  # fmt: skip
def test_an_answer_to_a_readback_means(inch_plan: InspectionPlan, words: str, meaning: Any) -> None:
    assert Grammar.build(inch_plan, ANSWER).interpret(words.split()) == meaning


@pytest.mark.parametrize(
    "words", ["one point two four nine", "no five thou", "what is left", "light scoring", "yes yes"]
)
def test_anything_else_is_no_answer(inch_plan: InspectionPlan, words: str) -> None:
    assert isinstance(Grammar.build(inch_plan, ANSWER).interpret(words.split()), NotUnderstood)


def test_a_negative_before_a_value_never_makes_it_negative(inch_plan: InspectionPlan) -> None:
    grammar = Grammar.build(inch_plan, Listening("answer", "thrust-collar", ("runout",)))
    meaning = grammar.interpret("negative zero point zero zero two".split())
    assert meaning == SpokenReading(None, None, Quantity("0.002", "in"), is_correction=True)


@pytest.mark.parametrize("mode", list(COMMANDS_BY_MODE))
def test_each_mode_hears_its_control_words_and_no_others(inch_plan: InspectionPlan, mode: str) -> None:
    grammar = Grammar.build(inch_plan, Listening(mode))
    for name in vocabulary.COMMANDS:
        meaning = grammar.interpret(name.split())
        assert (meaning == SpokenCommand(name)) == (name in COMMANDS_BY_MODE[mode])


def test_a_paused_bench_hears_only_the_word_to_carry_on(inch_plan: InspectionPlan) -> None:
    assert Grammar.build(inch_plan, Listening("paused")).automaton.words == ("carry", "on")


NOT_OURS = ("correct", "confirm", "roger", "wilco", "acknowledge", "verify", "wrong", "figures", "over", "out", "break",
            "cancel", "wait", "speak-slower", "i-spell", "words-twice")  # fmt: skip


def test_a_control_word_that_is_not_ours_does_nothing(inch_plan: InspectionPlan) -> None:
    words = {row["id"]: row["in"]["word"] for row in rows("control_word")}
    assert set(words) == {*NOT_OURS, "affirm", "negative", "correction", "disregard", "say-again", "i-say-again",
                          "read-back", "stand-by"}  # fmt: skip
    for listening in (Listening("closed"), Listening("paused"), SHOE, ANSWER):
        grammar = Grammar.build(inch_plan, listening)
        for name in NOT_OURS:
            assert isinstance(grammar.interpret(words[name].split()), NotUnderstood)


def test_an_unknown_mode_is_named() -> None:
    with pytest.raises(ValueError, match="'asleep' is not known; use one of closed, open, answer, paused"):
        Grammar.build(None, Listening("asleep"))


def test_without_a_job_only_control_words_are_heard() -> None:
    for mode in COMMANDS_BY_MODE:
        grammar = Grammar.build(None, Listening(mode))
        assert isinstance(grammar.interpret("outboard shoe three one point two four eight".split()), NotUnderstood)
        assert grammar.automaton.accepts(COMMANDS_BY_MODE[mode][0].split())


# --- one object: what is accepted is what is understood


@pytest.mark.parametrize("name", PLAN_NAMES)
def test_every_accepted_call_of_a_plan_has_exactly_one_meaning(name: str) -> None:
    for grammar in distinct_grammars(name):
        assert grammar.transducer.ambiguities() == [], grammar.listening


def test_the_numbers_of_more_than_twenty_parts_that_run_into_the_value_are_asked() -> None:
    plan = load(MANY_SHOES, name="many shoes")
    grammar = Grammar.build(plan, Listening("open"))
    witnesses = grammar.transducer.ambiguities(most=1000)
    assert ("outboard", "shoe", "twenty", "two") in witnesses
    for words in witnesses:
        meaning = grammar.interpret(words)
        assert isinstance(meaning, SpokenPosition | NotUnderstood)
    assert grammar.interpret("outboard shoe twenty two".split()) == SpokenPosition("outboard-shoe-22")
    for value in ("point five zero zero", "zero point five zero zero"):  # 2.500 at 20, 0.500 at 22; 20.500 at 20
        two_ways = grammar.interpret(f"outboard shoe twenty two {value}".split())
        assert two_ways == NotUnderstood("two meanings", "say thickness between the part and the value")
    one_way = grammar.interpret("outboard shoe twenty two thickness zero point five zero zero".split())
    assert one_way == _reading("0.500", position="outboard-shoe-22")


_choices = st.lists(st.integers(0, 400), max_size=14)


@given(choices=_choices, cut=st.integers(0, 14), odd=st.sampled_from(["point", "oh", "thou", "minus", "shoe", "kelp"]))
def test_the_automaton_accepts_a_string_exactly_when_it_has_a_meaning(
    shoe_grammar: Grammar, choices: list[int], cut: int, odd: str
) -> None:
    words = follow(shoe_grammar.automaton, choices)
    assert shoe_grammar.transducer.outputs(words)
    broken = (*words[:cut], odd, *words[cut:])
    assert shoe_grammar.automaton.accepts(broken) == bool(shoe_grammar.transducer.outputs(broken))


@given(choices=_choices)
def test_a_meaning_key_can_be_compared_and_is_equal_for_equal_meanings(
    shoe_grammar: Grammar, choices: list[int]
) -> None:
    words = follow(shoe_grammar.automaton, choices)
    otherwise = tuple({"oh": "zero", "nought": "zero", "niner": "nine", "decimal": "point"}.get(w, w) for w in words)
    if shoe_grammar.automaton.accepts(otherwise):
        assert shoe_grammar.meaning_key(words) == shoe_grammar.meaning_key(otherwise)
    assert hash(shoe_grammar.meaning_key(words)) is not None


def test_the_part_in_hand_said_or_left_out_is_one_meaning(shoe_grammar: Grammar) -> None:
    short = shoe_grammar.meaning_key(("one", "point", "two", "four", "eight"))
    assert short == shoe_grammar.meaning_key(tuple("outboard shoe three one point two four eight".split()))
    assert short != shoe_grammar.meaning_key(tuple("outboard shoe two one point two four eight".split()))
    assert short != shoe_grammar.meaning_key(tuple("one point two four nine".split()))
    assert short != shoe_grammar.meaning_key(tuple("one point two four".split()))


def test_a_grammar_is_what_the_engines_expect(shoe_grammar: Grammar) -> None:
    engines_view: SpokenGrammar = shoe_grammar
    assert engines_view.automaton.words
    assert re.fullmatch("[0-9a-f]{64}", engines_view.key)


ASKED_ONLY = "millimetre millimetres micron microns micrometre micrometres fahrenheit f".split()
"""Heard so that another unit is noticed; never taken at an inch gauge or a thermometer in degrees Celsius."""

LONGER_CALLS = (
    "thrust collar temperature twenty point five degrees c",
    "thrust collar temperature twenty point five degrees celsius",
    "thrust collar runout point oh oh one i say again point oh oh one",
)


def test_every_word_of_the_vocabulary_does_something(inch_plan: InspectionPlan) -> None:
    """Each word of each state occurs in a call that is acted on, or is listed as heard to be asked."""
    useful: set[str] = set()
    words: set[str] = set()
    for position, asked in (
        ("outboard-shoe-3", "shoe-thickness"),
        ("inboard-seal-ring-1", "seal-bore"),
        ("thrust-collar", "runout"),
        ("thrust-collar", "heat"),
    ):
        for mode in ("open", "answer"):
            grammar = Grammar.build(inch_plan, Listening(mode, position, (asked,)))
            words |= set(grammar.automaton.words)
            useful |= _words_acted_on(grammar)
            for call in LONGER_CALLS:
                if not isinstance(grammar.interpret(call.split()), NotUnderstood):
                    useful |= set(call.split())
    assert words - useful == set(ASKED_ONLY)


def _words_acted_on(grammar: Grammar) -> set[str]:
    """Go once over every arc of the automaton by a shortest way in and a short way out."""
    automaton = grammar.automaton
    start, end = ways_from_the_start(automaton), ways_to_an_end(automaton)
    found: set[str] = set()
    for state, row in enumerate(automaton.arcs):
        for word, to in row.items():
            call = [*start[state], word]
            if len(call) > 1 and {"disregard", "correction", "again"} & {*call[1:]} and call != ["say", "again"]:
                continue  # after a value: what was said before it is dropped, not acted on
            for _ in range(8):  # on to the first end that is acted on
                if to in automaton.finals and not isinstance(grammar.interpret(call), NotUnderstood):
                    found |= {*call}
                    break
                onward = end.get(to) or next((w for w in ("zero", "thou", "inches") if w in automaton.arcs[to]), None)
                if onward is None:
                    break
                call.append(onward)
                to = automaton.arcs[to][onward]
    return found


# --- promise 2


def test_the_spoken_plan_has_no_field_for_anything_that_hearing_must_not_see() -> None:
    assert {one.name for one in fields(SpokenCharacteristic)} == {
        "id", "spoken", "groups", "unit", "decimals", "signed", "by_feeler",
    }  # fmt: skip
    assert {one.name for one in fields(SpokenPlan)} == {
        "unit_system", "positions", "characteristics", "findings", "takes_temperatures", "stages",
    }  # fmt: skip


def test_no_module_of_the_language_reads_a_limit_a_nominal_or_a_plausible_value() -> None:
    forbidden = {"limits", "nominal", "plausible", "lower_limit", "upper_limit", "lower_rate", "upper_rate", "text_of"}
    for path in sorted((REPOSITORY / "capture" / "language").glob("*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        read = {node.attr for node in ast.walk(tree) if isinstance(node, ast.Attribute)}
        assert not read & forbidden, path.name


_fractions = st.fractions(min_value=-500, max_value=500, max_denominator=10_000)
_maybe_limits = st.one_of(
    st.none(),
    st.builds(
        lambda lower, width: Limits("in", lower, lower + abs(width), "made up by the test", "plan author"),
        _fractions,
        _fractions,
    ),
)
_maybe_plausible = st.one_of(st.none(), st.tuples(_fractions, _fractions))


def _swapped(plan: InspectionPlan, data: st.DataObject) -> InspectionPlan:
    """Return the plan with other limits, plausible values and derived characteristics, and so another revision."""
    return replace(
        plan,
        text=data.draw(st.text(max_size=20)),
        revision=data.draw(st.text("0123456789abcdef", min_size=12, max_size=12)),
        derived=(),
        characteristics=tuple(
            replace(one, limits=data.draw(_maybe_limits), plausible=data.draw(_maybe_plausible))
            for one in plan.characteristics
        ),
    )


@given(data=st.data())
def test_what_may_be_known_by_ear_is_the_same_whatever_the_limits(
    inch_plan: InspectionPlan, data: st.DataObject
) -> None:
    assert spoken_plan(_swapped(inch_plan, data)) == spoken_plan(inch_plan)


@settings(max_examples=10)
@given(data=st.data())
def test_limits_and_plausible_values_change_nothing_that_hearing_is_given(
    inch_plan: InspectionPlan, data: st.DataObject
) -> None:
    """Promise 2: key, automaton and prompt stay byte for byte the same."""
    listening = data.draw(st.sampled_from([SHOE, ANSWER, Listening("open", "thrust-collar", ("runout",))]))
    swapped = _swapped(inch_plan, data)
    before = Grammar.build(inch_plan, listening)
    grammar_module._grammar.cache_clear()
    grammar_module._language.cache_clear()
    after = Grammar.build(swapped, listening)
    assert after is not before
    assert after.key == before.key
    assert after.prompt.encode() == before.prompt.encode()
    assert (after.automaton.arcs, after.automaton.finals) == (before.automaton.arcs, before.automaton.finals)


def test_another_number_of_decimals_does_change_the_prompt(inch_plan: InspectionPlan) -> None:
    """So that the property above is not empty: what hearing may know does reach the key."""
    finer = replace(inch_plan, characteristics=tuple(replace(one, decimals=4) for one in inch_plan.characteristics))
    assert Grammar.build(finer, SHOE).key != Grammar.build(inch_plan, SHOE).key


def test_the_state_of_a_session_that_hearing_may_know_has_no_value_in_it() -> None:
    assert {one.name for one in fields(Listening)} == {
        "mode", "position", "characteristics", "gauge", "decimals", "stage",
    }  # fmt: skip


# --- the prompt


@pytest.mark.parametrize("name", PLAN_NAMES)
def test_a_prompt_is_one_run_of_words_of_the_vocabulary(name: str) -> None:
    open_words = set(Grammar.build(real_plan(name), Listening("open")).automaton.words)
    for grammar in distinct_grammars(name):
        words = grammar.prompt.split()
        assert grammar.prompt == " ".join(words)
        assert all(each.isalpha() and each.islower() for each in words)
        assert set(words) <= set(grammar.automaton.words) | open_words
        if grammar.listening.mode in ("open", "answer"):
            assert 20 <= len(words) <= 70
        if grammar.listening.mode != "paused":
            assert isinstance(grammar.interpret(words), NotUnderstood)


def test_the_made_up_values_of_a_prompt_are_the_same_for_every_plan() -> None:
    """C08 (kind of faster-whisper issue 1356): a hint holds names and made-up digits, never a value of the job."""
    other_names = load(METRIC_WITH_OTHER_NAMES, name="other names")
    digits = set(oracle.DIGIT) | {"point", "minus"}
    runs = [
        [each for each in Grammar.build(plan, Listening("answer")).prompt.split() if each in digits - {"one", "two"}]
        for plan in (one_part_plan("mm", 2, False, "metric"), other_names)
    ]
    assert runs[0] == runs[1]
    assert made_up_value(3, 0) == made_up_value(3, 4) != made_up_value(3, 1)


METRIC_WITH_OTHER_NAMES = """\
schema = 1

[plan]
id = "other-names"
title = "Other names"
machine = "pump 9"
unit_system = "metric"

[[caution]]
text = "Isolate the machine first."

[[group]]
id = "sleeve"
spoken = "bearing sleeve"

[[characteristic]]
id = "wall"
title = "Wall"
spoken = "wall"
groups = ["sleeve"]
unit = "mm"
decimals = 2
limits = { lower = "4.38", upper = "4.39", source = "invented for the test", standing = "plan author" }
"""


# --- nothing made up, nothing raised


@settings(max_examples=300)
@given(choices=_choices)
def test_a_value_is_the_one_that_was_said_by_a_second_reading(choices: list[int]) -> None:
    """Walk the automaton at random; a reading must agree with an independent reading of the words."""
    plan = one_part_plan("in", 4, True, "inch")
    grammar = Grammar.build(plan, Listening("open", "shim-pack", ("size",)))
    words = follow(grammar.automaton, choices)
    meaning = grammar.interpret(words)
    if isinstance(meaning, SpokenReading):
        assert (meaning.quantity.text, meaning.quantity.unit) == oracle.said(_last_value(words), "in")


def _last_value(words: tuple[str, ...]) -> str:
    text = re.sub(r"^(correction )?(shim pack )?(size )?", "", " ".join(words))
    return re.split(r" (?:correction|i say again) ", text)[-1]


VALUE_STARTS = ("shim pack ", "size ", "correction ", "", "shim pack size ")
VALUE_WORDS = ("zero oh one two three four five six seven eight nine niner ten twelve twenty forty hundred thousand "
               "point and a half quarter thou tenths inches minus double").split()  # fmt: skip


@settings(max_examples=400)
@given(start=st.sampled_from(VALUE_STARTS), words=st.lists(st.sampled_from(VALUE_WORDS), min_size=1, max_size=7))
def test_random_number_words_never_give_a_value_that_was_not_said(start: str, words: list[str]) -> None:
    plan = one_part_plan("in", 3, True, "inch")
    grammar = Grammar.build(plan, Listening("open", "shim-pack", ("size",)))
    said = (*start.split(), *words)
    meaning = grammar.interpret(said)
    if isinstance(meaning, SpokenReading):
        assert (meaning.quantity.text, meaning.quantity.unit) == oracle.said(_last_value(said), "in")
        assert meaning.quantity.to_fraction("in") * 1000 % 1 == Fraction(0)


_any_word = st.one_of(
    st.text(max_size=8),
    st.sampled_from(
        ["outboard", "shoe", "three", "one", "point", "two", "thou", "correction", "[unk]", "<UNK>", "", "oh"]
    ),
)


@settings(max_examples=300)
@given(words=st.lists(_any_word, max_size=12), listening=st.sampled_from([SHOE, ANSWER, Listening("closed")]))
def test_no_word_string_raises_and_every_refusal_says_why(
    inch_plan: InspectionPlan, words: list[str], listening: Listening
) -> None:
    meaning = Grammar.build(inch_plan, listening).interpret(words)
    if isinstance(meaning, NotUnderstood):
        assert meaning.reason in REASONS
        assert 0 < len(meaning.detail.split()) <= 16


def test_a_very_long_word_string_is_refused(shoe_grammar: Grammar) -> None:
    words = "outboard shoe three one point two four eight".split() + ["correction", "one", "point", "two"] * 300
    assert isinstance(shoe_grammar.interpret(words), NotUnderstood)


def test_a_state_is_built_once_and_kept() -> None:
    plan = load(
        METRIC_WITH_OTHER_NAMES.replace('spoken = "bearing sleeve"', 'spoken = "sleeve"\ncount = 25'), name="25"
    )
    listening = Listening("open", "sleeve-7", ("wall",))
    first = Grammar.build(plan, listening)
    assert Grammar.build(plan, listening) is first
    neighbour = Grammar.build(plan, Listening("open", "sleeve-8", ("wall",)))
    assert neighbour.key == first.key and neighbour.automaton is first.automaton
