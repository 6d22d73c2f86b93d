"""Gauge truth at the bench: picked up, what it may read, its checks, what a bad one leaves in doubt."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from capture.dialogue import Show, TagSeen
from capture.domain.plan import load
from capture.domain.record import fold
from capture.session import Session, restore
from tests.journeys.talk import JOB, Talk, gauge_plan, tag

SEATS = Path(__file__).parents[2] / "capture" / "plans" / "rolling-bearing-seats.toml"
MICROMETER, DIAL, FINE, RULE = "SHOE-MICROMETER", "COLLAR-DIAL", "FINE-GAUGE", "RULE"


@pytest.fixture
def talk() -> Talk:
    return Talk(session=Session(plans={JOB: gauge_plan()})).open_job()


def last(talk: Talk, name: str) -> object:
    """Return a field of the newest event on disk."""
    return talk.events[-1].body[name]


# ---- picked up


def test_a_gauge_is_said_with_its_kind_and_its_steps_when_picked_up(talk: Talk) -> None:
    talk.show("G", DIAL)
    assert talk.text.startswith("Dial indicator, steps of zero point zero zero zero five inches.")
    assert talk.session.gauge == "collar-dial"


def test_a_gauge_that_is_not_in_the_plan_is_refused_and_the_one_before_is_no_longer_in_hand(talk: Talk) -> None:
    talk.show("G", DIAL)
    talk.show("G", "MIKE-99")
    assert talk.said[-1].reason == "unknown gauge" and talk.session.gauge is None


def test_a_reading_names_the_gauge_it_was_taken_with(talk: Talk) -> None:
    talk.show("G", MICROMETER)
    talk.affirm("outboard shoe one one point two five zero")
    assert last(talk, "gauge") == "shoe-micrometer"


def test_a_gauge_too_coarse_for_a_tolerance_says_so_when_picked_up_and_not_after(talk: Talk) -> None:
    talk.show("G", MICROMETER)
    assert "Too coarse for shoe thickness: its tolerance holds 8 steps, 10 wanted." in talk.text
    talk.affirm("outboard shoe one one point two five zero")
    assert "coarse" not in talk.text


def test_the_ratio_that_is_too_coarse_is_the_plan_s() -> None:
    plan = gauge_plan(("[[gauge]]\nid = \"shoe", "[gauging]\nratio = \"8\"\n\n[[gauge]]\nid = \"shoe"))
    talk = Talk(session=Session(plans={JOB: plan})).open_job()
    talk.show("G", MICROMETER)
    assert "coarse" not in talk.text.lower()


@pytest.mark.parametrize(("day", "is_barred"), [(30, False), (31, True)])
def test_an_overdue_gauge_reads_nothing_from_its_day_on(talk: Talk, day: int, is_barred: bool) -> None:
    talk.today = date(2026, 3, day)
    talk.show("G", MICROMETER)
    assert ("was due for calibration on 2026-03-31" in talk.text) is is_barred
    talk.affirm("outboard shoe one one point two five zero")
    assert len(talk.readings) == (0 if is_barred else 1)


def test_an_overdue_gauge_gives_its_reason_at_each_reading(talk: Talk) -> None:
    talk.today = date(2026, 5, 1)
    talk.show("G", MICROMETER)
    talk.say("outboard shoe one one point two five zero")
    assert talk.said[-1].reason == "gauge barred" and "due for calibration" in talk.text


def test_without_a_clock_that_can_be_believed_the_calibration_is_not_judged_and_that_is_said(talk: Talk) -> None:
    talk.show("G", MICROMETER)
    assert "The clock is not known." in talk.text
    talk.affirm("outboard shoe one one point two five zero")
    assert len(talk.readings) == 1


def test_a_gauge_without_a_calibration_date_says_so(talk: Talk) -> None:
    talk.today = date(2026, 3, 1)
    talk.show("G", DIAL)
    assert "No calibration date is known." in talk.text


def test_a_gauge_tag_does_not_drop_a_pending_value(talk: Talk) -> None:
    talk.show("G", MICROMETER)
    talk.say("outboard shoe one one point two five zero")
    talk.show("G", DIAL)
    assert talk.session.proposal is not None and talk.session.gauge == "shoe-micrometer"
    assert talk.said[-1].reason == "not confirmed yet"


def test_a_value_that_began_before_the_gauge_changed_is_asked_again(talk: Talk) -> None:
    before = talk.now_s
    talk.show("G", MICROMETER)
    talk.say("outboard shoe one one point two five zero", start_s=before)
    assert talk.session.proposal is None and talk.said[-1].reason == "gauge changed"


def test_in_a_plan_without_gauges_a_gauge_tag_has_no_use() -> None:
    talk = Talk().open_job()
    talk.show("G", MICROMETER)
    assert talk.text == "This tag has no use here yet."


def test_no_gauge_is_in_hand_after_a_restart(talk: Talk) -> None:
    talk.show("G", MICROMETER)
    again = restore(Session(plans={}), tuple(talk.events))
    assert again.gauge is None and again.job == JOB


# ---- what it may read


def test_a_value_that_wants_a_gauge_is_asked_which_before_anything_is_proposed(talk: Talk) -> None:
    talk.say("outboard shoe one one point two five zero")
    assert talk.text == "Which gauge? Show the tag of the micrometer one to two inches."
    assert talk.session.proposal is None
    talk.show("G", MICROMETER)
    talk.affirm("outboard shoe one one point two five zero")
    assert len(talk.readings) == 1


def test_a_part_taken_in_hand_asks_for_the_gauge_with_its_value(talk: Talk) -> None:
    talk.say("outboard shoe one")
    assert "Which gauge?" in talk.text
    talk.show("G", MICROMETER)
    assert talk.text.endswith("Shoe thickness?")
    talk.affirm("one point two five zero")
    assert talk.readings == [("outboard-shoe-1", "1.250", "in")]


def test_another_gauge_than_the_plan_names_is_refused(talk: Talk) -> None:
    talk.show("G", DIAL)
    talk.say("outboard shoe one one point two five zero")
    assert talk.said[-1].reason == "wrong gauge" and "micrometer one to two inches" in talk.text


def test_where_the_plan_names_no_gauge_a_value_is_taken_without_one(talk: Talk) -> None:
    talk.affirm("seal ring one bore five point five zero one zero")
    assert talk.readings == [("seal-ring-1", "5.5010", "in")] and last(talk, "gauge") is None


def test_the_decimals_that_may_be_called_are_those_of_the_gauge_in_hand(talk: Talk) -> None:
    talk.show("G", FINE)
    talk.say("seal ring one bore five point five zero one zero")
    assert talk.said[-1].reason == "decimals"
    talk.affirm("seal ring one bore five point five zero one zero five")
    assert talk.readings == [("seal-ring-1", "5.50105", "in")] and last(talk, "gauge") == "fine-gauge"


def test_a_correction_in_answer_to_the_readback_has_the_gauge_s_decimals_too(talk: Talk) -> None:
    talk.show("G", FINE)
    talk.say("seal ring one bore five point five zero one zero five")
    talk.affirm("correction five point five zero one one five")
    assert talk.readings == [("seal-ring-1", "5.50115", "in")]


def test_a_gauge_with_fewer_digits_than_the_plan_wants_is_not_taken(talk: Talk) -> None:
    talk.show("G", RULE)
    talk.say("seal ring one bore five point five zero one zero")
    assert talk.said[-1].reason == "wrong gauge" and talk.session.proposal is None


def test_what_hearing_may_know_of_a_gauge_is_its_unit_and_its_decimals(talk: Talk) -> None:
    talk.show("G", FINE)
    listening = talk.session.listening()
    assert listening.gauge == ("in", 5)
    assert dict(listening.decimals) == {"seal-bore": 5, "seal-shaft": 5}


@pytest.mark.parametrize("value", ["zero point nine nine nine", "two point zero zero one"])
def test_a_value_outside_the_gauge_s_range_is_refused_once_and_clearly(talk: Talk, value: str) -> None:
    talk.show("G", MICROMETER)
    talk.say(f"outboard shoe one {value}")
    assert talk.text == "Outside the range of the micrometer one to two inches, from one to two inches."
    assert talk.said[-1].reason == "out of range" and talk.session.proposal is None


@pytest.mark.parametrize("value", ["one point zero zero zero", "two point zero zero zero"])
def test_the_ends_of_a_gauge_s_range_are_within_it(talk: Talk, value: str) -> None:
    talk.show("G", MICROMETER)
    talk.say(f"outboard shoe one {value}")
    assert talk.session.proposal is not None


def test_a_value_between_the_steps_of_a_gauge_is_refused(talk: Talk) -> None:
    talk.show("G", DIAL)
    talk.say("thrust collar zero point zero zero one two")
    assert talk.said[-1].reason == "between steps"
    talk.say("thrust collar zero point zero zero one five")
    assert talk.session.proposal is not None


def test_a_count_of_thou_is_taken_though_its_last_zeros_are_not_said(talk: Talk) -> None:
    talk.show("G", MICROMETER)
    talk.affirm("outboard shoe one twelve hundred and fifty thou")
    assert talk.readings == [("outboard-shoe-1", "1250", "thou")]


# ---- its checks


def test_a_zero_check_is_read_back_and_stored_only_after_its_affirm(talk: Talk) -> None:
    talk.show("G", DIAL)
    assert "Zero check?" in talk.text
    talk.say("zero check zero point zero zero zero five")
    assert talk.said[-1].kind == "readback"
    assert talk.text == "Dial indicator, zero check, zero point zero zero zero five inches."
    assert talk.events[-1].kind == "job-opened"
    talk.say("affirm")
    assert talk.events[-1].kind == "gauge-checked" and last(talk, "result") == "good"
    assert last(talk, "reading") == {"text": "0.0005", "unit": "in"}


def test_a_zero_check_that_shows_zero_is_called_with_one_zero(talk: Talk) -> None:
    talk.show("G", DIAL)
    talk.say("zero check zero")
    assert talk.text == "Dial indicator, zero check, zero inches."
    talk.say("affirm")
    assert last(talk, "result") == "good" and last(talk, "reading") == {"text": "0", "unit": "in"}


def test_a_zero_check_may_be_counted_in_thou(talk: Talk) -> None:
    talk.show("G", DIAL)
    talk.affirm("zero check minus half a thou")
    assert last(talk, "result") == "good" and last(talk, "reading") == {"text": "-0.5", "unit": "thou"}


def test_a_zero_check_can_be_typed(talk: Talk) -> None:
    talk.show("G", DIAL)
    talk.type("zero check -0.0005")
    talk.type("affirm")
    assert last(talk, "result") == "good" and last(talk, "reading") == {"text": "-0.0005", "unit": "in"}


@pytest.mark.parametrize(
    ("shown", "result"),
    [("one point zero zero zero", "good"), ("one point zero zero one", "good"), ("zero point nine nine eight", "bad")],
)
def test_a_gauge_is_good_within_one_step_of_its_standard(talk: Talk, shown: str, result: str) -> None:
    talk.show("G", MICROMETER)
    assert "Standard check?" in talk.text
    talk.affirm(f"standard one point zero zero zero reads {shown}")
    assert last(talk, "result") == result and last(talk, "standard") == {"text": "1.000", "unit": "in"}


def test_a_gauge_without_a_zero_is_asked_for_its_standard(talk: Talk) -> None:
    talk.show("G", MICROMETER)
    talk.say("zero check zero point zero zero zero")
    assert talk.said[-1].reason == "no zero" and talk.session.proposal is None


def test_a_dropped_check_is_not_stored(talk: Talk) -> None:
    talk.show("G", DIAL)
    talk.say("zero check zero point zero zero zero five")
    talk.say("negative")
    talk.say("affirm")
    assert talk.events[-1].kind == "job-opened"


def test_a_gauge_checked_in_this_job_is_not_asked_for_its_check_again(talk: Talk) -> None:
    talk.show("G", DIAL)
    talk.affirm("zero check zero point zero zero zero zero")
    talk.show("G", FINE)
    talk.show("G", DIAL)
    assert "Zero check?" not in talk.text


def test_a_gauge_put_down_without_its_check_after_use_is_named(talk: Talk) -> None:
    talk.show("G", MICROMETER)
    talk.affirm("outboard shoe one one point two five zero")
    talk.show("G", DIAL)
    assert talk.text.startswith("Micrometer one to two inches took 1 reading and is not checked after use.")
    talk.show("G", MICROMETER)
    talk.affirm("standard one point zero zero zero reads one point zero zero zero")
    talk.show("G", DIAL)
    assert "not checked" not in talk.text


def test_when_nothing_is_left_to_read_the_checks_after_use_are_named() -> None:
    swaps = ('groups = ["thrust-collar"]', 'groups = ["outboard-shoe"]'), ("count = 3", ""), ("count = 2", "")
    plan = gauge_plan(*swaps)
    talk = Talk(session=Session(plans={JOB: plan})).open_job()
    talk.affirm("seal ring bore five point five zero one zero")
    talk.affirm("seal ring shaft five point five zero zero zero")
    talk.affirm("seal ring gap one goes two does not")
    talk.show("G", MICROMETER)
    talk.affirm("outboard shoe thickness one point two five zero")
    talk.show("G", DIAL)
    talk.affirm("outboard shoe runout zero point zero zero zero five")
    talk.say("what is left")
    assert talk.text == "Nothing is left. Check after use: micrometer one to two inches, dial indicator."


# ---- bad or dropped


def _three_shoes(talk: Talk) -> Talk:
    talk.show("G", MICROMETER)
    talk.affirm("standard one point zero zero zero reads one point zero zero zero")
    for shoe in ("one", "two", "three"):
        talk.affirm(f"outboard shoe {shoe} one point two five zero")
    return talk


def test_a_gauge_found_bad_names_what_it_read_since_its_last_good_check_and_asks_for_it_again(talk: Talk) -> None:
    talk.show("G", MICROMETER)
    talk.affirm("outboard shoe one one point two five zero")
    talk.affirm("standard one point zero zero zero reads one point zero zero zero")
    talk.affirm("outboard shoe two one point two five zero")
    talk.affirm("outboard shoe three one point two five zero")
    talk.affirm("standard one point zero zero zero reads one point zero zero five")
    assert "2 readings in doubt, to be read again: outboard shoe two, outboard shoe three." in talk.text
    record = talk.session.record()
    assert record is not None
    assert [one.position for one in record.entries if one.doubt] == ["outboard-shoe-2", "outboard-shoe-3"]
    assert sum(isinstance(a, Show) and a.kind == "left" for a in talk.actions) == 2


def test_what_is_left_says_which_readings_are_asked_for_again(talk: Talk) -> None:
    _three_shoes(talk).say("what is left")
    before = int(talk.text.split()[0])
    talk.affirm("gauge bad")
    talk.say("what is left")
    again = "3 of them again, taken with the micrometer one to two inches"
    assert talk.text.startswith(f"{before + 3} readings left, {again}. First:")


def test_a_dropped_gauge_is_called_out_in_plain_words_and_confirmed_first(talk: Talk) -> None:
    _three_shoes(talk).say("gauge dropped")
    assert talk.text == "Micrometer one to two inches, dropped." and talk.events[-1].kind == "reading-taken"
    talk.say("affirm")
    assert talk.events[-1].kind == "gauge-checked" and last(talk, "result") == "dropped"
    assert "3 readings in doubt" in talk.text


def test_a_dropped_gauge_reads_nothing_until_it_is_checked_and_a_good_check_clears_its_readings(talk: Talk) -> None:
    _three_shoes(talk).affirm("gauge dropped")
    talk.say("outboard shoe one one point two five zero")
    assert talk.said[-1].reason == "gauge barred"
    talk.affirm("standard one point zero zero zero reads one point zero zero zero")
    record = talk.session.record()
    assert record is not None and not any(one.doubt for one in record.entries)
    talk.say("outboard shoe one one point two five zero")
    assert talk.said[-1].reason == "has a reading"


def test_a_bad_gauge_is_out_of_hand_and_barred_when_picked_up_again(talk: Talk) -> None:
    _three_shoes(talk).affirm("gauge bad")
    assert talk.session.gauge is None
    talk.show("G", MICROMETER)
    assert "was found bad, check it first" in talk.text
    talk.say("outboard shoe one one point two five zero")
    assert talk.said[-1].reason == "gauge barred"


def test_a_reading_in_doubt_is_read_again_without_the_word_correction_and_replaces_the_doubtful_one(talk: Talk) -> None:
    _three_shoes(talk)
    doubtful = talk.events[-1].sequence
    talk.affirm("gauge bad")
    talk.show("G", MICROMETER)
    talk.affirm("standard one point zero zero zero reads one point zero zero zero")
    assert "3 readings still in doubt from before" in talk.text
    talk.say("outboard shoe three one point two five one")
    assert talk.text.startswith("Again. Outboard shoe three")
    talk.say("affirm")
    assert last(talk, "replaces") == doubtful
    entry = fold(talk.events)[JOB].entries[2]
    assert (entry.quantity.text, entry.doubt) == ("1.251", "")


def test_a_part_whose_reading_is_in_doubt_asks_for_it_again_when_taken_in_hand(talk: Talk) -> None:
    _three_shoes(talk).affirm("gauge bad")
    talk.say("outboard shoe two")
    assert talk.text.startswith("Outboard shoe two. shoe thickness?")


def test_readings_of_another_job_that_a_bad_gauge_took_are_told_too(talk: Talk) -> None:
    _three_shoes(talk)
    talk.session = replace(talk.session, plans={JOB: gauge_plan(), "AW2-NEXT": gauge_plan()})
    talk.show("J", "AW2-NEXT")
    talk.show("G", MICROMETER)
    talk.affirm("outboard shoe one one point two five zero")
    talk.affirm("gauge bad")
    assert "1 reading in doubt, to be read again: outboard shoe one. 3 readings of other jobs too." in talk.text
    assert talk.session.record() == fold(talk.events)["AW2-NEXT"]


def test_a_gauge_is_not_called_out_when_none_is_in_hand(talk: Talk) -> None:
    talk.say("gauge dropped")
    assert talk.session.proposal is None and talk.said[-1].kind == "asked again"


def test_a_full_disk_keeps_a_check_pending(talk: Talk) -> None:
    talk.show("G", DIAL)
    talk.say("zero check zero point zero zero zero zero")
    talk.disk_is_full = True
    talk.say("affirm")
    assert "Not stored" in talk.text
    talk.disk_is_full = False
    talk.say("affirm")
    assert talk.events[-1].kind == "gauge-checked"


def test_a_part_call_while_a_check_is_pending_names_the_gauge(talk: Talk) -> None:
    talk.show("G", DIAL)
    talk.say("zero check zero point zero zero zero zero")
    talk.say("thrust collar zero point zero zero one zero")
    assert "Dial indicator is not confirmed yet" in talk.text and talk.session.proposal is not None


def test_a_gauge_tag_seen_while_standing_by_changes_nothing(talk: Talk) -> None:
    talk.say("stand by")
    talk.give(TagSeen(tag("G", DIAL), "QR Code", talk.now_s))
    assert talk.session.gauge is None and talk.ignored == ["standing by"]


# ---- several readings of one thing, with a gauge of a shipped plan


@pytest.fixture
def seats() -> Talk:
    plan = load(SEATS.read_text(encoding="utf-8"), name=SEATS.name)
    talk = Talk(session=Session(plans={JOB: plan})).open_job()
    talk.show("G", "HOUSING-GAUGE")
    return talk


def test_a_plan_that_wants_three_readings_asks_three_times_and_then_holds_them(seats: Talk) -> None:
    for text in ("two", "four"):
        seats.affirm(f"housing one one hundred and ten point zero one {text}")
    seats.say("housing one")
    assert "housing bore?" in seats.text
    seats.affirm("one hundred and ten point zero one three")
    entry = fold(seats.events)[JOB].entries[0]
    assert (len(entry.repeats), entry.verdict.kind) == (3, "conforming")
    assert seats.events[-1].body["verdict"] == "conforming"
    seats.say("housing one one hundred and ten point zero one three")
    assert seats.said[-1].reason == "has a reading"


def test_each_of_three_readings_in_doubt_is_read_again(seats: Talk) -> None:
    for text in ("two", "four", "three"):
        seats.affirm(f"housing one one hundred and ten point zero one {text}")
    seats.affirm("gauge bad")
    seats.show("G", "HOUSING-GAUGE")
    seats.affirm("standard one hundred and ten millimetres reads one hundred and ten point zero zero zero")
    for text in ("five", "six", "seven"):
        seats.say(f"housing one one hundred and ten point zero one {text}")
        assert seats.text.startswith("Again.")
        seats.say("affirm")
    entry = fold(seats.events)[JOB].entries[0]
    assert [e.body["quantity"]["text"] for e in entry.repeats] == ["110.015", "110.016", "110.017"]
    assert entry.doubt == "" and ("housing-1", "housing-bore") not in fold(seats.events)[JOB].left
