"""Plans and events that several tests of the rules share."""

from __future__ import annotations

from typing import Any

import pytest

from capture.domain.events import FIRST_PREVIOUS, Event, checked_body
from capture.domain.plan import InspectionPlan, load

PLAN_TEXT = """\
schema = 1

[plan]
id = "demo-plan"
title = "Seal rings and shoes"
machine = "unit 2"
unit_system = "inch"

[[caution]]
text = "Isolate the machine first."

[[group]]
id = "outboard-shoe"
spoken = "outboard shoe"
count = 3

[[group]]
id = "inboard-seal-ring"
spoken = "inboard seal ring"

[[characteristic]]
id = "shoe-thickness"
title = "shoe thickness"
spoken = "thickness"
groups = ["outboard-shoe"]
unit = "in"
decimals = 3
plausible = { lower = "0.5", upper = "3" }
limits = { lower = "1.246", upper = "1.254", source = "invented for the demo", standing = "plan author" }

[[characteristic]]
id = "seal-bore"
title = "seal ring bore"
spoken = "bore"
groups = ["inboard-seal-ring"]
unit = "in"
decimals = 4

[[characteristic]]
id = "seal-shaft"
title = "seal ring shaft diameter"
spoken = "shaft"
groups = ["inboard-seal-ring"]
unit = "in"
decimals = 4

[[derived]]
id = "seal-clearance"
title = "seal ring clearance"
rule = "clearance"
groups = ["inboard-seal-ring"]
unit = "in"
inputs = { bore = "seal-bore", shaft = "seal-shaft" }
[derived.limits]
lower_rate = "0.0005"
upper_rate = "0.002"
per = "seal-shaft"
source = "rule of thumb for oil seal rings"
standing = "common practice"

[[finding]]
id = "scoring"
spoken = "scoring"
severities = ["light", "heavy"]
answer = "ask the lead"
"""


@pytest.fixture
def plan() -> InspectionPlan:
    return load(PLAN_TEXT, name="demo.toml")


class Shift:
    """Makes a chain of events as a bench would."""

    def __init__(self, bench: str = "bench-1") -> None:
        self.bench = bench
        self.events: list[Event] = []

    def add(self, kind: str, **body: Any) -> Event:
        previous = self.events[-1].hash if self.events else FIRST_PREVIOUS
        sequence = len(self.events) + 1
        at = f"2024-05-06T07:{sequence:02d}:00Z"
        event = Event(self.bench, sequence, at, True, kind, checked_body(kind, body), previous)
        self.events.append(event)
        return event

    def open(self, job: str = "J1", text: str = PLAN_TEXT) -> Event:
        plan_id, revision = "demo-plan", _revision(text)
        return self.add("job-opened", job=job, by="RK", plan_id=plan_id, plan_revision=revision, plan_text=text)

    def read(
        self,
        position: str,
        characteristic: str,
        text: str,
        unit: str = "in",
        replaces: int | None = None,
        job: str = "J1",
        plan_text: str = PLAN_TEXT,
        **more: Any,
    ) -> Event:
        return self.add(
            "reading-taken",
            job=job,
            position=position,
            characteristic=characteristic,
            quantity={"text": text, "unit": unit},
            replaces=replaces,
            by=more.pop("by", "TM"),
            confirmed_by="voice",
            words="as called",
            engine="none",
            model="none",
            plan_revision=_revision(plan_text),
            **more,
        )

    def find(self, position: str, finding: str, severity: str | None = None, replaces: int | None = None) -> Event:
        return self.add(
            "finding-noted",
            job="J1",
            position=position,
            finding=finding,
            severity=severity,
            replaces=replaces,
            by="TM",
            confirmed_by="pedal",
            words="as called",
            engine="none",
            model="none",
            plan_revision=_revision(PLAN_TEXT),
        )


def _revision(text: str) -> str:
    from capture.domain.plan import revision_of

    return revision_of(text)


@pytest.fixture
def shift() -> Shift:
    return Shift()
