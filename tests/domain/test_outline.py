"""A plan shows what it will ask for and what its gauges can decide."""

from __future__ import annotations

from pathlib import Path

import pytest

from capture.domain.outline import gauge_notes, outline
from capture.domain.plan import InspectionPlan, load

PLANS = Path(__file__).parents[2] / "capture" / "plans"


def read(name: str) -> InspectionPlan:
    return load((PLANS / f"{name}.toml").read_text(encoding="utf-8"), name=f"{name}.toml")


def test_every_reading_is_listed_once_in_order_with_its_words(plan: InspectionPlan) -> None:
    asked = outline(plan)
    assert [(one.position, one.characteristic) for one in asked] == [
        ("outboard-shoe-1", "shoe-thickness"),
        ("outboard-shoe-2", "shoe-thickness"),
        ("outboard-shoe-3", "shoe-thickness"),
        ("inboard-seal-ring", "seal-bore"),
        ("inboard-seal-ring", "seal-shaft"),
    ]
    assert (asked[1].words, asked[1].value) == ("outboard shoe two thickness", "inches, 3 digits after the point")
    assert asked[1].limits == "1.246 to 1.254 in; invented for the demo, plan author"
    assert asked[3].limits == "" and asked[3].repeats == 1


@pytest.mark.parametrize("path", sorted(PLANS.glob("*.toml")), ids=lambda path: path.stem)
def test_every_shipped_plan_can_be_shown(path: Path) -> None:
    plan = read(path.stem)
    asked = outline(plan)
    assert len({(one.position, one.characteristic) for one in asked}) == len(asked)
    assert len({one.words for one in asked}) == len(asked)
    assert all(one.value for one in asked)


def test_counts_signs_and_repeats_are_said() -> None:
    values = {one.characteristic: one for one in outline(read("cylinder-bore-and-piston"))}
    assert values["ring-count"].value == "a whole number"
    pump = {one.characteristic: one for one in outline(read("pump-wear-rings"))}
    assert pump["shaft-dial-a"].value == "millimetres, 2 digits after the point, plus or minus"
    assert pump["ring-bore"].repeats == 2


def test_a_coarse_gauge_and_its_share_are_told_before_it_is_used() -> None:
    assert gauge_notes(read("rolling-bearing-seats")) == (
        "shaft seat diameter: micrometer reading one micron can call 77 per cent of the tolerance conforming",
        "housing bore: bore gauge reading one micron can call 82 per cent of the tolerance conforming",
    )
    text = (PLANS / "rolling-bearing-seats.toml").read_text(encoding="utf-8")
    tight = load(text.replace('ratio = "10"', 'ratio = "20"'))
    assert gauge_notes(tight)[0] == (
        "shaft seat diameter: micrometer reading one micron is coarse here: "
        "0.019 mm of tolerance holds 19 of its steps, 20 wanted"
    )
