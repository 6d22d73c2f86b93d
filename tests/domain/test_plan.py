"""A plan is read strictly: what is wrong is one clear error with file, line, value and remedy."""

from __future__ import annotations

import hashlib
from fractions import Fraction

import pytest

from capture.domain.errors import PlanError
from capture.domain.plan import InspectionPlan, load
from tests.domain.conftest import PLAN_TEXT


def test_a_plan_holds_what_its_text_says(plan: InspectionPlan) -> None:
    assert (plan.id, plan.machine, plan.unit_system) == ("demo-plan", "unit 2", "inch")
    assert plan.cautions == ("Isolate the machine first.",)
    assert [one.id for one in plan.positions] == [
        "outboard-shoe-1",
        "outboard-shoe-2",
        "outboard-shoe-3",
        "inboard-seal-ring",
    ]
    assert [one.spoken for one in plan.positions][2:] == ["outboard shoe three", "inboard seal ring"]
    assert [one.number for one in plan.positions] == [1, 2, 3, None]
    shoe = plan.characteristic("shoe-thickness")
    assert shoe.limits is not None and shoe.plausible == (Fraction(1, 2), Fraction(3))
    assert (shoe.limits.lower, shoe.limits.upper_text) == (Fraction("1.246"), "1.254")
    assert (shoe.decimals, shoe.signed, shoe.unit) == (3, False, "in")
    assert plan.findings[0].severities == ("light", "heavy")


def test_the_revision_is_the_digest_of_the_text(plan: InspectionPlan) -> None:
    assert plan.revision == hashlib.sha256(PLAN_TEXT.encode()).hexdigest()[:12]
    assert load(PLAN_TEXT + "\n").revision != plan.revision
    assert load(PLAN_TEXT, name="another name").revision == plan.revision


def test_what_is_measured_at_a_position_comes_in_plan_order(plan: InspectionPlan) -> None:
    assert [one.id for one in plan.characteristics_at("inboard-seal-ring")] == ["seal-bore", "seal-shaft"]
    assert [one.id for one in plan.derived_at("inboard-seal-ring")] == ["seal-clearance"]
    assert plan.derived_at("outboard-shoe-1") == ()
    assert plan.position("outboard-shoe-2").number == 2
    assert plan.derived_by_id("seal-clearance").rule == "clearance"
    assert plan.finding("scoring").answer == "ask the lead"


@pytest.mark.parametrize("ask", ["position", "characteristic", "derived_by_id", "finding", "characteristics_at"])
def test_an_id_the_plan_does_not_have_is_named(plan: InspectionPlan, ask: str) -> None:
    with pytest.raises(PlanError, match="'nowhere'"):
        getattr(plan, ask)("nowhere")


# what to replace in the plan, by what, and what the message must hold
WRONG = [
    ("schema = 1", "schema = 2", "schema = 2"),
    ("schema = 1", "", "lacks 'schema'"),
    ("schema = 1", "schema = 1\ncolour = 'red'", "unknown key 'colour'"),
    ('machine = "unit 2"', 'machine = "unit 2"\nowner = "x"', "unknown key 'owner'"),
    ('machine = "unit 2"', 'machine = ""', "machine = ''"),
    ('unit_system = "inch"', 'unit_system = "imperial"', "use one of inch, metric"),
    ("count = 3", "count = 0", "whole number from 1 to 99"),
    ("count = 3", "count = 100", "whole number from 1 to 99"),
    ("count = 3", 'count = "3"', "count = '3'"),
    ("count = 3", "count = true", "count = true"),
    ('id = "outboard-shoe"', 'id = "Outboard Shoe"', "lower-case letters"),
    ('spoken = "outboard shoe"', 'spoken = "shoe 1"', "without digits"),
    ('spoken = "outboard shoe"', 'spoken = "shoe one"', "'one' is a number word"),
    ('spoken = "outboard shoe"', 'spoken = "thou shoe"', "'thou' is a unit word"),
    ('spoken = "outboard shoe"', 'spoken = "say again shoe"', "'say again' is a control word"),
    ('spoken = "outboard shoe"', 'spoken = "shoe  outboard"', "as they are said"),
    ('groups = ["outboard-shoe"]', 'groups = ["outboard-shoes"]', "names group 'outboard-shoes'"),
    ('groups = ["outboard-shoe"]', "groups = []", "at least one"),
    ('groups = ["outboard-shoe"]', 'groups = ["outboard-shoe", "outboard-shoe"]', "twice"),
    ("decimals = 3", "decimals = 7", "whole number from 0 to 6"),
    ("decimals = 3", "decimals = 3\nsigned = 1", "write true or false"),
    ("decimals = 3", "", "lacks 'decimals'"),
    ('unit = "in"\ndecimals = 3', 'unit = "inch"\ndecimals = 3', "unit = 'inch'"),
    ('lower = "1.246"', 'lower = "1.256"', "lower 1.256 above upper 1.254"),
    ('lower = "1.246"', "lower = 1.246", 'write lower = "1.246"'),
    ('lower = "1.246"', 'lower = "nan"', "lower = 'nan'"),
    ('lower = "1.246", upper = "1.254", ', "", "has no limit"),
    ('lower = "1.246", ', 'lower = "1.246", lower_rate = "0.1", per = "seal-bore", ', "limits of both kinds"),
    ('lower = "1.246", ', 'lower = "1.246", per = "seal-bore", ', "only a rate has one"),
    ('lower = "1.246", ', 'lowest = "1.246", ', "unknown key 'lowest'"),
    ('lower = "1.246", upper = "1.254", source = "invented for the demo", ', 'lower = "1.2", ', "lacks 'source'"),
    ('standing = "plan author"', 'standing = "hearsay"', "standing = 'hearsay'"),
    ('lower = "0.5", upper = "3"', 'lower = "3", upper = "0.5"', "lower at or above upper"),
    ('limits = { lower = "1.246"', 'limits = "1.246" #', "write it as a table"),
    ('id = "seal-bore"', 'id = "shoe-thickness"', "which another has"),
    ('id = "seal-clearance"', 'id = "seal-bore"', "which another has"),
    ('id = "inboard-seal-ring"', 'id = "outboard-shoe"', "which another group has"),
    ('id = "inboard-seal-ring"', 'id = "outboard-shoe-2"', "position 'outboard-shoe-2'"),
    ('spoken = "shaft"', 'spoken = "bore"', "bore' mean both"),
    ('spoken = "shaft"', "", "no spoken word"),
    ('spoken = "inboard seal ring"', 'spoken = "outboard shoe"\ncount = 2', "'outboard shoe one'"),
    ('spoken = "shaft"', 'spoken = "inboard seal ring"', "also position 'inboard-seal-ring'"),
    ('spoken = "scoring"', 'spoken = "bore"', "'inboard seal ring bore' mean both"),
    ('rule = "clearance"', 'rule = "gap"', "rule = 'gap'"),
    ('shaft = "seal-shaft" }', 'shaft = "seal-journal" }', "shaft = 'seal-journal'"),
    ('shaft = "seal-shaft" }', 'shaft = "seal-bore" }', "takes one characteristic twice"),
    ('shaft = "seal-shaft" }', 'shaft = "shoe-thickness" }', "not measured at group 'inboard-seal-ring'"),
    ('bore = "seal-bore", ', "", "lacks 'bore'"),
    ('bore = "seal-bore", ', 'bore = "seal-bore", pin = "seal-bore", ', "unknown key 'pin'"),
    ('unit = "in"\ninputs', 'unit = "degC"\ninputs', "does not convert to 'degC'"),
    ('per = "seal-shaft"', 'per = "shaft"', "per = 'shaft'"),
    ('per = "seal-shaft"', "", "a rate needs per"),
    ('lower_rate = "0.0005"', 'lower_rate = "0.005"', "lower 0.005 above upper 0.002"),
    ('severities = ["light", "heavy"]', 'severities = ["light", "half"]', "'half' is a number word"),
    ('text = "Isolate the machine first."', 'words = "x"', "lacks 'text'"),
    ("[[group]]", "[[group]", "not TOML"),
]


@pytest.mark.parametrize(("old", "new", "message"), WRONG, ids=[f"{new or old} wrong" for old, new, _ in WRONG])
def test_a_wrong_plan_is_one_clear_error(old: str, new: str, message: str) -> None:
    assert old in PLAN_TEXT
    with pytest.raises(PlanError) as caught:
        load(PLAN_TEXT.replace(old, new, 1), name="demo.toml")
    text = str(caught.value)
    assert message in text
    assert text.startswith("demo.toml") and "\n" not in text
    assert caught.value.remedy


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('lower = "1.246"', 'lower = "1.256"'),
        ('spoken = "shaft"', 'spoken = "bore"'),
        ('unit = "in"\ndecimals = 3', 'unit = "inch"\ndecimals = 3'),
        ('per = "seal-shaft"', 'per = "shaft"'),
        ("count = 3", "count = 0"),
        ('machine = "unit 2"', 'machine = "unit 2"\nowner = "x"'),
        ('answer = "ask the lead"', 'reply = "ask the lead"'),
    ],
)
def test_the_line_of_the_fault_is_named(old: str, new: str) -> None:
    text = PLAN_TEXT.replace(old, new, 1)
    line = next(n for n, (a, b) in enumerate(zip(text.split("\n"), PLAN_TEXT.split("\n"), strict=False), 1) if a != b)
    with pytest.raises(PlanError) as caught:
        load(text, name="demo.toml")
    named = int(str(caught.value).split("line ")[1].split(":")[0])
    assert named == line, str(caught.value)


def test_a_plan_without_groups_or_characteristics_is_refused() -> None:
    head = PLAN_TEXT[: PLAN_TEXT.index("[[group]]")]
    with pytest.raises(PlanError, match="lacks 'group'"):
        load(head)
    with pytest.raises(PlanError, match="lacks 'characteristic'"):
        load(PLAN_TEXT[: PLAN_TEXT.index("[[characteristic]]")])
