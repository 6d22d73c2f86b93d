"""Feelers and temperatures at the bench: read back, affirmed, kept, and said in the working."""

from __future__ import annotations

import pytest

from capture.dialogue import Show
from capture.domain.record import fold
from capture.session import Session
from tests.journeys.talk import JOB, Talk, gauge_plan


@pytest.fixture
def talk() -> Talk:
    return Talk(session=Session(plans={JOB: gauge_plan()})).open_job()


def working(talk: Talk) -> str:
    """Return the lines of working shown since the last input."""
    return "\n".join(action.text for action in talk.actions if isinstance(action, Show) and action.kind == "working")


# ---- feelers


def test_what_goes_and_what_does_not_is_read_back_and_stored_after_its_affirm(talk: Talk) -> None:
    talk.say("seal ring one gap four goes five does not")
    assert talk.text == "Seal ring one gap, four thou goes, five thou does not." and talk.said[-1].kind == "readback"
    assert talk.events[-1].kind == "job-opened"
    talk.say("affirm")
    body = talk.events[-1].body
    assert talk.events[-1].kind == "interval-taken"
    assert (body["goes"], body["does_not"]) == ({"text": "4", "unit": "thou"}, {"text": "5", "unit": "thou"})


@pytest.mark.parametrize(
    ("called", "kind"),
    [
        ("three goes six does not", "conforming"),
        ("two goes three does not", "nonconforming below"),
        ("seven goes", "nonconforming above"),
        ("five goes seven does not", "undecided"),
        ("three does not go", "nonconforming below"),
    ],
)
def test_an_interval_gets_its_exact_verdict_after_storing(talk: Talk, called: str, kind: str) -> None:
    talk.say(f"seal ring one gap {called}")
    assert "limits" not in talk.text
    talk.say("affirm")
    assert fold(talk.events)[JOB].intervals[0].verdict.kind == kind
    assert "seal-ring-1 seal-gap" in working(talk)


def test_an_interval_may_be_called_without_its_part_when_it_was_asked_for(talk: Talk) -> None:
    talk.say("seal ring two gap")
    talk.affirm("four goes five does not")
    assert talk.events[-1].kind == "interval-taken" and talk.events[-1].body["position"] == "seal-ring-2"


def test_a_gap_may_also_be_called_as_a_point(talk: Talk) -> None:
    talk.affirm("seal ring one gap four thou")
    assert talk.readings == [("seal-ring-1", "4", "thou")]


@pytest.mark.parametrize("called", ["five goes four does not", "five goes five does not"])
def test_what_goes_must_be_smaller_than_what_does_not(talk: Talk, called: str) -> None:
    talk.say(f"seal ring one gap {called}")
    assert talk.said[-1].reason == "empty interval" and talk.session.proposal is None


def test_a_thickness_that_is_no_direct_measurement_takes_no_interval(talk: Talk) -> None:
    talk.say("seal ring one bore four goes five does not")
    assert talk.session.proposal is None and talk.said[-1].kind == "asked again"


def test_an_interval_is_left_to_be_taken_until_it_is_stored(talk: Talk) -> None:
    talk.say("what is left")
    before = int(talk.text.split()[0])
    talk.affirm("seal ring one gap four goes five does not")
    talk.say("what is left")
    assert int(talk.text.split()[0]) == before - 1


def test_an_interval_is_corrected_by_another_that_names_it(talk: Talk) -> None:
    talk.affirm("seal ring one gap four goes five does not")
    first = talk.events[-1].sequence
    talk.say("seal ring one gap five goes six does not")
    assert talk.said[-1].reason == "has a reading" and "four thou goes, five thou does not" in talk.text
    talk.affirm("correction seal ring one gap five goes six does not")
    assert talk.events[-1].body["replaces"] == first
    talk.say("read back")
    assert talk.text == "Stored: seal ring one gap, five thou goes, six thou does not."


def test_an_interval_is_not_corrected_by_a_point(talk: Talk) -> None:
    talk.affirm("seal ring one gap four goes five does not")
    talk.say("correction seal ring one gap four thou")
    assert talk.said[-1].reason == "another kind" and talk.session.proposal is None


def test_a_bare_correction_does_not_turn_a_pending_interval_into_a_point(talk: Talk) -> None:
    talk.say("seal ring one gap four goes five does not")
    talk.say("correction four thou")
    assert talk.session.proposal is not None and talk.session.proposal.is_interval


def test_a_computed_clearance_that_disagrees_with_the_feeler_is_said(talk: Talk) -> None:
    talk.affirm("seal ring one gap four goes five does not")
    talk.affirm("seal ring one bore five point five zero nine zero")
    assert "differ" not in talk.text and "disagree" not in talk.text
    talk.affirm("seal ring one shaft five point five zero zero zero")
    entry = fold(talk.events)[JOB].intervals[0]
    assert entry.differs and entry.differs[1:].rstrip(".") in talk.text


# ---- temperature


def test_a_temperature_is_read_back_and_kept_only_after_its_affirm(talk: Talk) -> None:
    talk.say("part temperature seventy one point five degrees")
    assert talk.text == "Part temperature, seven one point five degrees Fahrenheit."
    assert talk.session.part_heat is None
    talk.say("affirm")
    assert talk.session.part_heat is not None and str(talk.session.part_heat) == "71.5 degF"
    assert talk.events[-1].kind == "job-opened"


def test_temperatures_called_once_stand_on_the_readings_that_follow_and_in_their_working(talk: Talk) -> None:
    talk.show("G", "SHOE-MICROMETER")
    talk.affirm("part temperature thirty point zero degrees celsius")
    talk.affirm("gauge temperature twenty one degrees celsius")
    for shoe in ("one", "two"):
        talk.affirm(f"outboard shoe {shoe} one point two five zero")
        body = talk.events[-1].body
        assert body["temperature"] == {"text": "30.0", "unit": "degC"}
        assert body["gauge_temperature"] == {"text": "21", "unit": "degC"}
        assert "at 30.0 degC" in body["working"] and "at 20 degC" in working(talk)


def test_a_reading_before_any_temperature_has_none(talk: Talk) -> None:
    talk.show("G", "SHOE-MICROMETER")
    talk.affirm("outboard shoe one one point two five zero")
    assert talk.events[-1].body["temperature"] is None and "20 degC" not in talk.events[-1].body["working"]


def test_a_temperature_stands_only_on_what_the_plan_refers_to_twenty_degrees(talk: Talk) -> None:
    talk.affirm("part temperature thirty degrees celsius")
    talk.affirm("seal ring one bore five point five zero one zero")
    assert talk.events[-1].body["temperature"] is None


def test_a_plan_that_switches_the_correction_off_says_so_and_changes_nothing() -> None:
    off = ('material = "carbon and low-alloy steel" }', 'material = "carbon and low-alloy steel", corrects = false }')
    talk = Talk(session=Session(plans={JOB: gauge_plan(off)})).open_job()
    talk.show("G", "SHOE-MICROMETER")
    talk.affirm("part temperature forty degrees celsius")
    talk.affirm("outboard shoe one one point two five four")
    assert "not corrected to 20 degC as the plan says" in working(talk)
    assert fold(talk.events)[JOB].entries[0].verdict.kind == "conforming"


def test_a_plan_without_temperatures_does_not_listen_for_one() -> None:
    talk = Talk().open_job()
    talk.say("part temperature thirty degrees")
    assert talk.session.proposal is None and talk.said[-1].kind == "asked again"


def test_a_new_job_forgets_the_temperature(talk: Talk) -> None:
    talk.affirm("part temperature thirty degrees celsius")
    plans = {JOB: gauge_plan(), "AW2-NEXT": gauge_plan()}
    talk.session = Session(plans=plans, person="RK", events=talk.session.events, part_heat=talk.session.part_heat)
    talk.show("J", "AW2-NEXT")
    assert talk.session.job == "AW2-NEXT" and talk.session.part_heat is None


def test_a_rejected_temperature_is_not_kept(talk: Talk) -> None:
    talk.say("part temperature thirty degrees celsius")
    talk.say("negative")
    talk.say("affirm")
    assert talk.session.part_heat is None
