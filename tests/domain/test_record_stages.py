"""As found and as left are kept apart in the record, with their own verdicts, derived values and what is left."""

from __future__ import annotations

import pytest

from capture.domain.errors import PlanError
from capture.domain.events import AS_FOUND, AS_LEFT
from capture.domain.plan import load
from capture.domain.record import Entry, fold
from capture.domain.units import Quantity
from capture.domain.verdicts import CONFORMING, NONCONFORMING_ABOVE, NONCONFORMING_BELOW
from tests.domain.conftest import PLAN_TEXT, Shift

RING = "inboard-seal-ring"
THICK, BORE = "shoe-thickness", "seal-bore"


def asked_as_left(*characteristics: str) -> str:
    """Return the plan's text with these characteristics asked for as left."""
    text = PLAN_TEXT
    for one in characteristics:
        text = text.replace(f'id = "{one}"\n', f'id = "{one}"\nas_left = true\n', 1)
    return text


def test_a_reading_as_left_stands_beside_the_one_as_found_each_with_its_verdict(shift: Shift) -> None:
    shift.open()
    found = shift.read("outboard-shoe-1", THICK, "1.260")
    left = shift.read("outboard-shoe-1", THICK, "1.250", stage=AS_LEFT)
    record = fold(shift.events)["J1"]
    got = [(one.stage, one.reading, one.verdict.kind, one.history) for one in record.entries]
    assert got == [(AS_FOUND, found, NONCONFORMING_ABOVE, ()), (AS_LEFT, left, CONFORMING, ())]
    assert record.readings_at("outboard-shoe-1") == {THICK: Quantity("1.260", "in")}
    assert record.readings_at("outboard-shoe-1", AS_LEFT) == {THICK: Quantity("1.250", "in")}
    one = record.entry("outboard-shoe-1", THICK, AS_LEFT)
    assert isinstance(one, Entry) and one.reading == left
    assert record.entry("outboard-shoe-2", THICK, AS_LEFT) is None


def test_a_reading_that_says_as_found_is_the_same_as_one_that_says_nothing(shift: Shift) -> None:
    shift.open()
    shift.read("outboard-shoe-1", THICK, "1.260")
    shift.read("outboard-shoe-1", THICK, "1.250", stage=AS_FOUND)
    (entry,) = fold(shift.events)["J1"].entries
    assert entry.quantity.text == "1.250" and len(entry.history) == 1


def test_a_correction_as_left_leaves_the_reading_as_found_alone(shift: Shift) -> None:
    shift.open()
    shift.read("outboard-shoe-1", THICK, "1.260")
    wrong = shift.read("outboard-shoe-1", THICK, "1.205", stage=AS_LEFT)
    shift.read("outboard-shoe-1", THICK, "1.250", stage=AS_LEFT, replaces=wrong.sequence)
    found, left = fold(shift.events)["J1"].entries
    assert (found.quantity.text, found.history) == ("1.260", ())
    assert (left.quantity.text, left.history) == ("1.250", (wrong,))


def test_what_the_plan_asks_for_as_left_is_listed_apart_until_it_is_read_so(shift: Shift) -> None:
    text = asked_as_left(THICK)
    shift.open(text=text)
    shoes = tuple((f"outboard-shoe-{n}", THICK) for n in (1, 2, 3))
    record = fold(shift.events)["J1"]
    assert record.left_as_left == record.left_at(AS_LEFT) == shoes
    assert record.left_at(AS_FOUND) == record.left == (*shoes, (RING, BORE), (RING, "seal-shaft"))
    shift.read("outboard-shoe-1", THICK, "1.260", plan_text=text)
    assert fold(shift.events)["J1"].left_as_left == shoes
    shift.read("outboard-shoe-1", THICK, "1.250", plan_text=text, stage=AS_LEFT)
    assert fold(shift.events)["J1"].left_as_left == shoes[1:]


def test_a_plan_that_asks_for_nothing_as_left_has_nothing_left_to_read_so(shift: Shift) -> None:
    shift.open()
    assert fold(shift.events)["J1"].left_as_left == ()


def test_a_derived_value_is_computed_for_each_stage_from_its_own_readings(shift: Shift) -> None:
    text = asked_as_left(BORE, "seal-shaft")
    shift.open(text=text)
    shift.read(RING, BORE, "5.5108", plan_text=text)
    shift.read(RING, "seal-shaft", "5.4999", plan_text=text)
    bore = shift.read(RING, BORE, "5.5008", plan_text=text, stage=AS_LEFT)
    (only,) = fold(shift.events)["J1"].derived
    assert (only.stage, only.text, only.verdict.kind) == (AS_FOUND, "0.0109", CONFORMING)
    shaft = shift.read(RING, "seal-shaft", "5.4999", plan_text=text, stage=AS_LEFT)
    found, left = fold(shift.events)["J1"].derived
    assert found == only
    assert (left.stage, left.text, left.verdict.kind) == (AS_LEFT, "0.0009", NONCONFORMING_BELOW)
    assert left.inputs == (bore.sequence, shaft.sequence) and "as found" not in left.verdict.working


def test_an_input_the_plan_does_not_ask_for_as_left_stands_as_found_and_the_working_says_so(shift: Shift) -> None:
    text = asked_as_left(BORE)
    shift.open(text=text)
    shift.read(RING, BORE, "5.5008", plan_text=text)
    shaft = shift.read(RING, "seal-shaft", "5.4999", plan_text=text)
    assert [one.stage for one in fold(shift.events)["J1"].derived] == [AS_FOUND]
    bore = shift.read(RING, BORE, "5.5108", plan_text=text, stage=AS_LEFT)
    left = fold(shift.events)["J1"].derived[1]
    assert (left.stage, left.text, left.inputs) == (AS_LEFT, "0.0109", (bore.sequence, shaft.sequence))
    assert left.verdict.working.endswith(f"; as found: {RING} seal-shaft")
    shift.read(RING, "seal-shaft", "5.4989", plan_text=text, stage=AS_LEFT)
    assert fold(shift.events)["J1"].derived[1].text == "0.0119"


def test_a_reading_in_doubt_as_left_is_asked_for_again_as_left_only(shift: Shift) -> None:
    text = asked_as_left(THICK)
    shift.open(text=text)
    shift.read("outboard-shoe-1", THICK, "1.250", plan_text=text, gauge="mike")
    shift.add("gauge-checked", gauge="mike", result="good", by="TM")
    shift.read("outboard-shoe-1", THICK, "1.250", plan_text=text, gauge="mike", stage=AS_LEFT)
    shift.add("gauge-checked", gauge="mike", result="bad", by="TM")
    record = fold(shift.events)["J1"]
    slot = ("outboard-shoe-1", THICK)
    assert slot in record.left_as_left and slot not in record.left
    assert [bool(one.doubt) for one in record.entries] == [False, True]


def test_whether_a_characteristic_is_read_as_left_is_a_truth_value() -> None:
    assert load(asked_as_left(THICK)).characteristic(THICK).as_left
    assert not load(PLAN_TEXT).characteristic(THICK).as_left
    with pytest.raises(PlanError, match="as_left"):
        load(PLAN_TEXT.replace(f'id = "{THICK}"', f'id = "{THICK}"\nas_left = "yes"'))
