"""The stages of an overhaul at the bench: begun by voice, read back, affirmed, kept."""

from __future__ import annotations

import pytest

from capture.domain.errors import PlanError
from capture.session import Session
from tests.journeys.talk import JOB, Talk, gauge_plan

OVERHAUL = ("schema = 1\n", 'schema = 1\n\n[overhaul]\nstages = ["isolate", "strip", "measure", "as left"]\n')


@pytest.fixture
def talk() -> Talk:
    return Talk(session=Session(plans={JOB: gauge_plan(OVERHAUL)})).open_job()


def test_a_job_starts_in_the_first_stage_of_its_plan(talk: Talk) -> None:
    assert talk.session.stage == "isolate" and talk.session.listening().stage == "isolate"


def test_a_stage_begins_only_after_its_readback_is_affirmed(talk: Talk) -> None:
    talk.say("begin strip")
    assert talk.text == "Begin strip." and talk.session.stage == "isolate"
    talk.say("affirm")
    assert talk.events[-1].kind == "stage-entered" and talk.events[-1].body["stage"] == "strip"
    assert talk.session.stage == "strip"


def test_the_stage_a_job_is_in_cannot_begin_again(talk: Talk) -> None:
    talk.say("begin isolate")
    assert "already" in talk.text and talk.session.proposal is None


def test_a_plan_without_an_overhaul_is_measured_only() -> None:
    talk = Talk(session=Session(plans={JOB: gauge_plan()})).open_job()
    talk.say("begin strip")
    assert talk.session.stage == "measure" and talk.session.proposal is None


@pytest.mark.parametrize(
    ("stages", "said"),
    [
        ('["strip", "isolate"]', "stages out of order"),
        ('["strip", "polish"]', "stage 'polish'"),
        ("[]", "at least one"),
    ],
)
def test_stages_that_are_unknown_or_out_of_order_are_refused(stages: str, said: str) -> None:
    with pytest.raises(PlanError, match=said):
        gauge_plan(("schema = 1\n", f"schema = 1\n[overhaul]\nstages = {stages}\n"))
