"""Where each part is, what tells it apart and in which order it came off, from the events of a job."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.domain.errors import EventError, PlanError
from capture.domain.events import Event
from capture.domain.parts import IN_BASKET, IN_PLACE, MISSING, OFF, WHERE, Parts, fold_parts
from capture.domain.plan import InspectionPlan, load
from capture.domain.record import fold
from tests.domain.conftest import PLAN_TEXT, Shift

OVERHAUL = """
[overhaul]
stages = ["strip", "clean", "measure"]

[[group]]
id = "dowel-pin"
spoken = "dowel pin"
count = 2
place = "hole"

[[mark]]
id = "two-dots"
spoken = "two dots"

[[cleaning]]
id = "paraffin"
spoken = "in paraffin"
source = "plan author"
standing = "plan author"
"""
SAID = {"by": "RK", "confirmed_by": "voice", "words": "x", "engine": "scripted", "model": "none", "plan_revision": "r"}
ONE, TWO, THREE = (f"outboard-shoe-{number}" for number in (1, 2, 3))


@pytest.fixture
def overhaul() -> InspectionPlan:
    return load(PLAN_TEXT + OVERHAUL)


class Stripped:
    """Events of one overhaul and what they add up to."""

    def __init__(self, plan: InspectionPlan) -> None:
        self.plan, self.shift = plan, Shift()
        self.shift.open(text=plan.text)

    def said(self, kind: str, **body: Any) -> Event:
        return self.shift.add(kind, job="J1", **SAID, **body)

    def bind(self, tag: str, position: str) -> None:
        self.shift.add("tag-bound", job="J1", tag=tag, symbology="QR Code", position=position, by="RK")

    @property
    def parts(self) -> Parts:
        return fold_parts(self.shift.events, self.plan)


@pytest.fixture
def job(overhaul: InspectionPlan) -> Stripped:
    return Stripped(overhaul)


def test_before_anything_is_said_every_part_is_in_place(job: Stripped) -> None:
    assert {one.where for one in job.parts.parts} == {IN_PLACE} and len(job.parts.parts) == 6
    assert job.parts.removal_order == ()


def test_rebuild_is_the_reverse_of_the_order_in_which_parts_came_off(job: Stripped) -> None:
    job.said("parts-removed", positions=[TWO, ONE])
    job.bind("BC1:P:A:1", THREE)
    assert job.parts.removal_order == (TWO, ONE, THREE)
    assert job.parts.rebuild_order == (THREE, ONE, TWO)


def test_a_set_is_counted_against_the_plan_and_names_what_is_missing(job: Stripped) -> None:
    job.said("parts-removed", positions=[ONE, TWO, THREE])
    job.said("part-missing", position=TWO)
    count = job.parts.count(job.plan, "outboard-shoe")
    assert (count.off, count.wanted, count.missing, count.still_on) == (2, 3, (TWO,), ())
    assert job.parts.removal_order == (ONE, THREE) and job.parts.of(TWO).where == MISSING
    job.said("parts-removed", positions=[TWO])
    assert job.parts.count(job.plan, "outboard-shoe").off == 3, "it was found"


def test_a_part_called_off_by_mistake_is_in_place_again(job: Stripped) -> None:
    job.said("parts-removed", positions=[ONE, TWO])
    job.said("removal-withdrawn", position=ONE)
    assert job.parts.of(ONE).where == IN_PLACE and job.parts.removal_order == (TWO,)


def test_a_tag_is_at_one_position_only(job: Stripped) -> None:
    job.bind("BC1:P:A:1", ONE)
    job.bind("BC1:P:B:2", TWO)
    job.shift.add("tag-questioned", job="J1", tag="BC1:P:A:1", position=TWO, by="RK")
    question = job.parts.question
    assert question is not None and (question.bound, question.seen) == (ONE, TWO)
    job.said("tag-explained", tag="BC1:P:A:1", position=THREE)
    assert job.parts.question is None
    assert job.parts.tags == {TWO: "BC1:P:B:2", THREE: "BC1:P:A:1"}


def test_a_part_goes_through_a_basket_and_comes_back_with_its_tag_and_mark(job: Stripped) -> None:
    job.bind("BC1:P:A:1", ONE)
    job.said("mark-noted", position=ONE, mark="two-dots", origin="made")
    job.said("basket-filled", basket="B-1", positions=[ONE], count=1)
    part = job.parts.of(ONE)
    assert (part.where, part.basket, part.tag_is_on, part.mark) == (IN_BASKET, "B-1", False, "two-dots")
    assert job.parts.baskets == {"B-1": (ONE,)}
    job.said("cleaned", positions=[ONE], method="paraffin")
    job.said("part-returned", position=ONE, mark="two-dots", tag="BC1:P:C:3")
    part = job.parts.of(ONE)
    assert (part.where, part.returned, part.tag, part.tag_is_on) == (OFF, True, "BC1:P:C:3", True)
    assert part.cleaned == ("paraffin",) and job.parts.baskets == {}


def test_a_basket_whose_count_differs_from_its_parts_is_no_event(job: Stripped) -> None:
    with pytest.raises(EventError, match="count = 2 for 1 parts"):
        job.said("basket-filled", basket="B-1", positions=[ONE], count=2)


def test_the_record_holds_the_parts(job: Stripped) -> None:
    job.said("parts-removed", positions=[ONE])
    assert fold(job.shift.events)["J1"].parts == job.parts


STEPS = st.lists(
    st.tuples(
        st.sampled_from(
            ("parts-removed", "part-missing", "removal-withdrawn", "basket-filled", "part-returned", "bind")
        ),
        st.sampled_from((ONE, TWO, THREE, "dowel-pin-1", "dowel-pin-2")),
        st.sampled_from(("BC1:P:A:1", "BC1:P:B:2")),
    ),
    max_size=25,
)


@settings(max_examples=60, deadline=None)
@given(STEPS)
def test_no_order_of_events_puts_a_part_in_two_places_or_a_tag_on_two_parts(steps: list[tuple[str, str, str]]) -> None:
    job = Stripped(load(PLAN_TEXT + OVERHAUL))
    for kind, position, tag in steps:
        if kind == "bind":
            job.bind(tag, position)
        elif kind == "parts-removed":
            job.said(kind, positions=[position])
        elif kind == "basket-filled":
            job.said(kind, basket="B-1", positions=[position], count=1)
        else:
            job.said(kind, position=position, **({"mark": None, "tag": None} if kind == "part-returned" else {}))
    parts = job.parts
    assert {one.where for one in parts.parts} <= set(WHERE)
    off = {one.position for one in parts.parts if one.where in (OFF, IN_BASKET)}
    assert len(set(parts.removal_order)) == len(parts.removal_order) and set(parts.removal_order) == off
    assert len(set(parts.tags.values())) == len(parts.tags)
    for group in ("outboard-shoe", "dowel-pin"):
        count = parts.count(job.plan, group)
        assert count.off + len(count.missing) + len(count.still_on) == count.wanted


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('place = "hole"', 'facing = ["drive end"]', "names one direction"),
        ('place = "hole"', 'face = "numbered face"', "nothing it can look towards"),
        ('place = "hole"', 'plural = "outboard shoes"', "all of group 'outboard-shoe'"),
        ('place = "hole"', 'plural = "inboard seal ring"', "also a part"),
        ('place = "hole"', 'facing = ["drive end", "End"]', "'End' in facing"),
        ('spoken = "two dots"', 'spoken = "two dots made"', "made"),
        ('spoken = "two dots"', 'spoken = "say again"', "control word"),
        ('spoken = "in paraffin"', 'spoken = "in two paraffin"', "number word"),
        ('spoken = "in paraffin"\nsource', 'spoken = "in paraffin"\norigin', "lacks 'source'|unknown key"),
    ],
)
def test_a_wrong_word_for_parts_is_one_clear_error(old: str, new: str, said: str) -> None:
    assert old in OVERHAUL
    with pytest.raises(PlanError, match=said):
        load(PLAN_TEXT + OVERHAUL.replace(old, new))
