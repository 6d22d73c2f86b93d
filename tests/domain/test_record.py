"""The record is what the events add up to, the same wherever they are folded."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from capture.domain.events import Event
from capture.domain.record import fold
from capture.domain.units import Quantity
from capture.domain.verdicts import CONFORMING, NO_LIMITS, NONCONFORMING_ABOVE, NONCONFORMING_BELOW, UNDECIDED
from tests.domain.conftest import PLAN_TEXT, Shift

RING = "inboard-seal-ring"


def test_an_opened_job_lists_what_is_left_in_plan_order(shift: Shift) -> None:
    shift.open()
    record = fold(shift.events)["J1"]
    shoes = [(f"outboard-shoe-{n}", "shoe-thickness") for n in (1, 2, 3)]
    assert list(record.left) == [*shoes, (RING, "seal-bore"), (RING, "seal-shaft")]
    assert (record.machine, record.people, record.entries, record.derived) == ("unit 2", ("RK",), (), ())


def test_a_reading_becomes_an_entry_with_its_verdict(shift: Shift) -> None:
    shift.open()
    event = shift.read("outboard-shoe-2", "shoe-thickness", "1.250")
    record = fold(shift.events)["J1"]
    (entry,) = record.entries
    assert (entry.position, entry.reading, entry.history) == ("outboard-shoe-2", event, ())
    assert entry.quantity == Quantity("1.250", "in") and entry.verdict.kind == CONFORMING
    assert ("outboard-shoe-2", "shoe-thickness") not in record.left and len(record.left) == 4
    assert record.people == ("RK", "TM")


def test_a_correction_replaces_and_the_history_is_kept(shift: Shift) -> None:
    shift.open()
    first = shift.read("outboard-shoe-2", "shoe-thickness", "1.205")
    second = shift.read("outboard-shoe-2", "shoe-thickness", "1.255", replaces=first.sequence)
    third = shift.read("outboard-shoe-2", "shoe-thickness", "1.250", replaces=second.sequence)
    (entry,) = fold(shift.events)["J1"].entries
    assert entry.reading == third and entry.history == (first, second)
    assert entry.verdict.kind == CONFORMING
    before = fold(shift.events[:-1])["J1"].entries[0]
    assert before.verdict.kind == NONCONFORMING_ABOVE and before.history == (first,)


def test_a_correction_to_another_position_moves_the_reading(shift: Shift) -> None:
    shift.open()
    wrong = shift.read("outboard-shoe-2", "shoe-thickness", "1.250")
    right = shift.read("outboard-shoe-3", "shoe-thickness", "1.250", replaces=wrong.sequence)
    record = fold(shift.events)["J1"]
    (entry,) = record.entries
    assert (entry.position, entry.reading, entry.history) == ("outboard-shoe-3", right, (wrong,))
    assert ("outboard-shoe-2", "shoe-thickness") in record.left


def test_a_second_reading_without_replaces_supersedes_and_keeps_the_first(shift: Shift) -> None:
    shift.open()
    first = shift.read("outboard-shoe-2", "shoe-thickness", "1.250")
    second = shift.read("outboard-shoe-2", "shoe-thickness", "1.251")
    (entry,) = fold(shift.events)["J1"].entries
    assert (entry.reading, entry.history) == (second, (first,))


def test_a_derived_value_is_there_as_soon_as_its_inputs_are_and_names_them(shift: Shift) -> None:
    shift.open()
    shaft = shift.read(RING, "seal-shaft", "5.4999")
    assert fold(shift.events)["J1"].derived == ()
    bore = shift.read(RING, "seal-bore", "5.5108")
    (derived,) = fold(shift.events)["J1"].derived
    assert (derived.position, derived.derived, derived.text) == (RING, "seal-clearance", "0.0109")
    assert derived.value == Fraction("0.0109") and derived.unit == "in"
    assert derived.inputs == (bore.sequence, shaft.sequence)
    assert derived.verdict.kind == CONFORMING


def test_a_derived_value_is_recomputed_when_an_input_is_corrected(shift: Shift) -> None:
    shift.open()
    shaft = shift.read(RING, "seal-shaft", "5.4999")
    bore = shift.read(RING, "seal-bore", "5.5108")
    again = shift.read(RING, "seal-bore", "5.5008", replaces=bore.sequence)
    (derived,) = fold(shift.events)["J1"].derived
    assert (derived.text, derived.inputs) == ("0.0009", (again.sequence, shaft.sequence))
    assert derived.verdict.kind == NONCONFORMING_BELOW


def test_an_input_moved_away_takes_the_derived_value_with_it(shift: Shift) -> None:
    shift.open()
    shift.read(RING, "seal-shaft", "5.4999")
    bore = shift.read(RING, "seal-bore", "5.5108")
    shift.read("outboard-shoe-1", "shoe-thickness", "1.250", replaces=bore.sequence)
    assert fold(shift.events)["J1"].derived == ()


def test_the_verdict_comes_from_the_plan_text_not_from_what_the_event_claims(shift: Shift) -> None:
    shift.open()
    shift.read("outboard-shoe-1", "shoe-thickness", "1.300", verdict="conforming", working="trust me")
    (entry,) = fold(shift.events)["J1"].entries
    assert entry.verdict.kind == NONCONFORMING_ABOVE


def test_findings_are_kept_with_the_plans_answer_and_a_correction_replaces(shift: Shift) -> None:
    shift.open()
    light = shift.find("outboard-shoe-3", "scoring", "light")
    heavy = shift.find("outboard-shoe-3", "scoring", "heavy", replaces=light.sequence)
    (finding,) = fold(shift.events)["J1"].findings
    assert (finding.severity, finding.answer, finding.event, finding.history) == (
        "heavy",
        "ask the lead",
        heavy,
        (light,),
    )


def test_tags_and_cautions_are_listed(shift: Shift) -> None:
    shift.open()
    for tag in ("BC1:P:A:1", "BC1:P:B:2"):
        shift.add("tag-bound", job="J1", tag=tag, symbology="QR Code", position="outboard-shoe-1", by="RK")
    shift.add("caution-acknowledged", job="J1", caution="Isolate the machine first.", by="TM", confirmed_by="pedal")
    record = fold(shift.events)["J1"]
    assert record.tags == (("outboard-shoe-1", "BC1:P:B:2"),)
    assert record.cautions == (("Isolate the machine first.", "TM"),)


def test_jobs_are_kept_apart_and_unopened_ones_left_out(shift: Shift) -> None:
    shift.add("badge-read", person="RK", raw="BC1:B:RK:0")
    shift.read("outboard-shoe-1", "shoe-thickness", "1.300", job="J9")
    shift.open("J1")
    shift.open("J2")
    shift.read("outboard-shoe-1", "shoe-thickness", "1.250", job="J2")
    records = fold(shift.events)
    assert list(records) == ["J1", "J2"]
    assert records["J1"].entries == () and len(records["J2"].entries) == 1


def test_what_the_plan_does_not_have_is_shown_without_a_verdict(shift: Shift) -> None:
    shift.open()
    shift.read("outboard-shoe-1", "bore-of-another-plan", "1.300")
    shift.read("outboard-shoe-1", "shoe-thickness", "1.3", unit="kg")
    verdicts = [entry.verdict for entry in fold(shift.events)["J1"].entries]
    assert [verdict.kind for verdict in verdicts] == [NO_LIMITS, NO_LIMITS]
    assert "has no characteristic" in verdicts[1].working and "does not measure the same" in verdicts[0].working


def test_a_plan_that_cannot_be_read_is_said_and_loses_no_reading(shift: Shift) -> None:
    text = PLAN_TEXT.replace("schema = 1", "schema = 99")
    shift.open(text=text)
    shift.read("outboard-shoe-1", "shoe-thickness", "1.250", plan_text=text)
    record = fold(shift.events)["J1"]
    assert "schema = 99" in record.problem
    assert [entry.quantity.text for entry in record.entries] == ["1.250"]
    assert record.entries[0].verdict.kind == NO_LIMITS and "schema = 99" in record.entries[0].verdict.working


def test_order_is_the_benchs_sequence_and_doubles_count_once(shift: Shift) -> None:
    shift.open()
    first = shift.read("outboard-shoe-2", "shoe-thickness", "1.205")
    shift.read("outboard-shoe-2", "shoe-thickness", "1.250", replaces=first.sequence)
    shift.read(RING, "seal-bore", "5.5108")
    straight = fold(shift.events)
    assert fold(reversed(shift.events)) == straight
    assert fold([*shift.events, *shift.events]) == straight


readings = st.lists(
    st.tuples(
        st.sampled_from(["outboard-shoe-1", "outboard-shoe-2", RING]),
        st.sampled_from(["shoe-thickness", "seal-bore", "seal-shaft"]),
        st.sampled_from(["1.245", "1.250", "5.5108", "5.4999"]),
        st.none() | st.integers(1, 12),
    ),
    max_size=10,
)


@given(readings)
def test_any_log_folds_to_one_record_and_no_reading_is_lost(calls: list[tuple[str, str, str, int | None]]) -> None:
    shift = Shift()
    shift.open()
    made = [shift.read(p, c, text, replaces=replaces) for p, c, text, replaces in calls]
    record = fold(shift.events)["J1"]
    assert fold(reversed(shift.events))["J1"] == record
    seen = {event.sequence for entry in record.entries for event in (entry.reading, *entry.history)}
    assert seen == {event.sequence for event in made}
    assert len({(entry.position, entry.characteristic) for entry in record.entries}) == len(record.entries)
    if made:
        assert made[-1] in [entry.reading for entry in record.entries]


WIDE_TEXT = (
    PLAN_TEXT.replace("decimals = 3\n", "decimals = 3\nrepeats = { count = 2 }\n", 1)
    + """
[[characteristic]]
id = "ring-feeler"
title = "ring clearance by feeler"
spoken = "feeler"
groups = ["inboard-seal-ring"]
unit = "in"
decimals = 4
beside = "seal-clearance"

[[derived]]
id = "shoe-spread"
title = "spread of the shoes"
rule = "set spread"
groups = ["outboard-shoe"]
unit = "in"
inputs = { part = "shoe-thickness" }
limits = { upper = "0.002", source = "constructed", standing = "plan author" }
"""
)


def wide(shift: Shift, position: str, characteristic: str, text: str, **more: Any) -> Event:
    return shift.read(position, characteristic, text, plan_text=WIDE_TEXT, **more)


def test_repeats_count_together_and_are_left_until_all_are_read(shift: Shift) -> None:
    shift.open(text=WIDE_TEXT)
    first = wide(shift, "outboard-shoe-1", "shoe-thickness", "1.250")
    record = fold(shift.events)["J1"]
    assert record.entries[0].verdict.kind == UNDECIDED and record.left[0] == ("outboard-shoe-1", "shoe-thickness")
    second = wide(shift, "outboard-shoe-1", "shoe-thickness", "1.252")
    (entry,) = fold(shift.events)["J1"].entries
    assert entry.repeats == (first, second) and entry.reading == second and entry.history == ()
    assert entry.quantity == Quantity("1.251", "in") and entry.verdict.kind == CONFORMING
    assert ("outboard-shoe-1", "shoe-thickness") not in fold(shift.events)["J1"].left
    third = wide(shift, "outboard-shoe-1", "shoe-thickness", "1.254", replaces=first.sequence)
    (entry,) = fold(shift.events)["J1"].entries
    assert entry.repeats == (second, third) and entry.history == (first,)


def test_a_set_is_computed_when_its_last_shoe_is_read_and_names_all_its_inputs(shift: Shift) -> None:
    shift.open(text=WIDE_TEXT)
    made = []
    for number, text in ((1, "1.250"), (2, "1.251"), (3, "1.253")):
        assert [one for one in fold(shift.events)["J1"].derived if one.derived == "shoe-spread"] == []
        made += [wide(shift, f"outboard-shoe-{number}", "shoe-thickness", text) for _ in range(2)]
    (spread,) = fold(shift.events)["J1"].derived
    assert (spread.position, spread.value, spread.unit) == ("outboard-shoe", Fraction("0.003"), "in")
    assert spread.inputs == tuple(event.sequence for event in made)
    assert spread.verdict.kind == NONCONFORMING_ABOVE
    assert "furthest out outboard shoe three" in spread.verdict.working


def feeler(shift: Shift, goes: str | None, does_not: str | None) -> Event:
    ends = {"goes": goes, "does_not": does_not}
    return shift.add(
        "interval-taken",
        job="J1",
        position=RING,
        characteristic="ring-feeler",
        by="TM",
        confirmed_by="voice",
        words="as called",
        engine="none",
        model="none",
        plan_revision=fold(shift.events)["J1"].revision,
        **{name: {"text": text, "unit": "thou"} for name, text in ends.items() if text},
    )


def test_a_feeler_reading_stands_beside_the_computed_clearance_and_a_disagreement_is_said(shift: Shift) -> None:
    shift.open(text=WIDE_TEXT)
    event = feeler(shift, "9", "10")
    (one,) = fold(shift.events)["J1"].intervals
    assert (one.reading, one.differs) == (event, "")
    assert (one.interval.lower, one.interval.upper) == (Fraction("0.009"), Fraction("0.010"))
    assert (RING, "ring-feeler") not in fold(shift.events)["J1"].left
    wide(shift, RING, "seal-shaft", "5.4999")
    bore = wide(shift, RING, "seal-bore", "5.5108")
    (one,) = fold(shift.events)["J1"].intervals
    assert "computed 0.0109 in, but 9 thou goes, 10 thou does not" in one.differs
    wide(shift, RING, "seal-bore", "5.5094", replaces=bore.sequence)
    assert fold(shift.events)["J1"].intervals[0].differs == ""


def test_a_called_temperature_is_part_of_the_reading(shift: Shift) -> None:
    heat = 'decimals = 3\ntemperature = { material = "carbon and low-alloy steel" }\n'
    text = PLAN_TEXT.replace("decimals = 3\n", heat, 1)
    shift.open(text=text)
    hot = {"text": "120", "unit": "degC"}
    cold = {"text": "20", "unit": "degC"}
    shift.read("outboard-shoe-1", "shoe-thickness", "1.255", plan_text=text, temperature=hot, gauge_temperature=cold)
    (entry,) = fold(shift.events)["J1"].entries
    assert entry.verdict.kind == CONFORMING and "at 20 degC" in entry.verdict.working


def test_an_interval_that_the_plan_does_not_know_is_kept_and_said(shift: Shift) -> None:
    shift.open()  # the plan without the feeler characteristic
    event = feeler(shift, "9", None)
    (one,) = fold(shift.events)["J1"].intervals
    assert one.reading == event and one.verdict.kind == NO_LIMITS
    assert "9 thou called" in one.verdict.working and "has no characteristic" in one.verdict.working
