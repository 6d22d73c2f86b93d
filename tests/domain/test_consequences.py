"""What a finding leads to: the plan's first rule that holds, and always the lead when in doubt."""

from __future__ import annotations

import itertools

import pytest

from capture.domain.consequences import consequence_of
from capture.domain.errors import PlanError
from capture.domain.plan import load
from tests.domain.conftest import PLAN_TEXT

RULES = """
[[finding]]
id = "nick"
spoken = "nick"
severities = ["small", "deep"]
extents = ["local", "all over"]
faces = ["seating face", "outer edge"]
answer = "note only"

[[consequence]]
finding = "nick"
faces = ["seating face"]
then = "rework before rebuild"
source = "a raised edge holds a part off its seat"
standing = "common practice"

[[consequence]]
finding = "nick"
severities = ["deep"]
extents = ["all over"]
then = "ask the lead"
source = "invented for the test"
standing = "plan author"
"""


@pytest.mark.parametrize(
    ("severity", "extent", "face", "answer", "doubt"),
    [
        ("small", "local", "seating face", "rework before rebuild", ""),
        ("deep", "all over", "seating face", "rework before rebuild", ""),  # the first rule that holds
        ("deep", "all over", "outer edge", "ask the lead", ""),
        ("small", None, "outer edge", "note only", ""),  # no rule can hold whatever the extent
        ("small", "local", None, "ask the lead", "its face was not said"),
        ("deep", None, "outer edge", "ask the lead", ""),
        ("in doubt", "local", "seating face", "ask the lead", "it was called in doubt"),
        (None, None, None, "ask the lead", "its face was not said"),
    ],
)
def test_what_a_finding_leads_to(
    severity: str | None, extent: str | None, face: str | None, answer: str, doubt: str
) -> None:
    found = consequence_of(load(PLAN_TEXT + RULES), "nick", severity, extent, face)
    assert found.text == answer
    if doubt or severity != "deep":
        assert found.doubt == doubt


def test_a_word_that_was_not_said_never_gives_a_milder_answer_than_saying_it() -> None:
    plan = load(PLAN_TEXT + RULES)
    words = (("small", "deep"), ("local", "all over"), ("seating face", "outer edge"))
    whole = {said: consequence_of(plan, "nick", *said).text for said in itertools.product(*words)}
    for said in itertools.product(*[(*each, None) for each in words]):
        possible = {
            answer
            for case, answer in whole.items()
            if all(one in (None, other) for one, other in zip(said, case, strict=True))
        }
        answer = consequence_of(plan, "nick", *said).text
        assert answer == "ask the lead" if len(possible) > 1 else answer in possible


def test_a_finding_without_rules_keeps_its_own_answer() -> None:
    plan = load(PLAN_TEXT)
    assert consequence_of(plan, "scoring", "light").text == "ask the lead"
    assert consequence_of(plan, "unheard of", None).text == ""


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('finding = "nick"\nfaces', 'finding = "rust"\nfaces', "finding = 'rust'"),
        ('then = "rework before rebuild"', 'then = "scrap it"', "use one of ask the lead"),
        ('faces = ["seating face"]', 'faces = ["back"]', "names 'back'"),
        ('severities = ["small", "deep"]', 'severities = ["small", "deep", "in doubt"]', "always means ask the lead"),
        ('source = "a raised edge holds a part off its seat"\n', "", "lacks 'source'"),
    ],
)
def test_a_wrong_rule_is_one_clear_error(old: str, new: str, said: str) -> None:
    assert old in RULES
    with pytest.raises(PlanError, match=said):
        load(PLAN_TEXT + RULES.replace(old, new, 1))
