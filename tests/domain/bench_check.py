"""How fast readings are checked: one at a time, a whole job, and the first after start; and how much is proven.

Run by `make bench`. The job is invented; the reading is checked with all that hangs on it, as a bench does.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from pathlib import Path

from capture.domain.events import FIRST_PREVIOUS, Event, checked_body
from capture.domain.plan import InspectionPlan, load
from capture.domain.record import fold
from capture.domain.units import Quantity
from capture.domain.verdicts import check, check_derived
from tests.cases.carry import rows_checked

ROOT = Path(__file__).resolve().parents[2]
GOALS = {
    "check.reading_ms_median": "< 1",
    "check.job_5000_s": "< 1",
}
_ROUNDS, _READINGS, _FOLDS, _STARTS = 400, 5000, 3, 5

PLAN = """\
schema = 1
[plan]
id = "bench-check"
title = "Rings for measuring speed"
machine = "none"
unit_system = "inch"
[decision]
rule = "guard band"
[[gauge]]
id = "micrometer"
title = "micrometer"
unit = "in"
resolution = "0.0001"
uncertainty = "0.0001"
GROUPS
[[characteristic]]
id = "bore"
title = "ring bore"
spoken = "bore"
groups = RINGS
unit = "in"
decimals = 4
gauge = "micrometer"
limits = { lower = "5.5090", upper = "5.5130", source = "invented", standing = "plan author" }
[[characteristic]]
id = "shaft"
title = "shaft diameter"
spoken = "shaft"
groups = RINGS
unit = "in"
decimals = 4
gauge = "micrometer"
[[derived]]
id = "clearance"
title = "clearance"
rule = "clearance"
groups = RINGS
unit = "in"
inputs = { bore = "bore", shaft = "shaft" }
limits = { lower_rate = "0.0005", upper_rate = "0.002", per = "shaft", source = "invented", standing = "plan author" }
"""

_LETTERS = "abcdefghij"
_RINGS = [f"ring-{one}{other}" for one in "abcde" for other in _LETTERS]  # 50 groups of 50 positions


def plan_text(groups: list[str], count: int) -> str:
    """Return the plan with these groups of so many positions each."""
    tables = [f'[[group]]\nid = "{one}"\nspoken = "{one.replace("-", " ")}"\ncount = {count}' for one in groups]
    return PLAN.replace("GROUPS", "\n".join(tables)).replace("RINGS", str(groups).replace("'", '"'))


# One process from nothing to its first verdict; what it prints is how long that took in ms, imports included.
FIRST = """\
import time
begun = time.perf_counter()
from capture.domain.plan import load
from capture.domain.units import Quantity
from capture.domain.verdicts import check
plan = load({plan!r})
verdict = check(Quantity("5.5108", "in"), plan.characteristic("bore"), plan, {{}})
assert verdict.kind == "conforming", verdict
print((time.perf_counter() - begun) * 1000)
"""


def one_reading(plan: InspectionPlan, turn: int) -> None:
    """Check one bore with its budget, and the clearance it makes."""
    bore = Quantity(f"5.51{turn % 30:02d}", "in")
    at_ring = {"bore": bore, "shaft": Quantity("5.4999", "in")}
    verdict = check(bore, plan.characteristic("bore"), plan, at_ring)
    derived = check_derived(plan.derived[0], plan, at_ring)
    assert verdict.expanded is not None and derived is not None and derived.expanded is not None


def job(plan: InspectionPlan) -> list[Event]:
    """Return the events of a job of 5,000 readings, two at each of 2,500 positions, so that all of them count."""
    opened = {"job": "SPEED", "by": "RK", "plan_id": plan.id, "plan_revision": plan.revision, "plan_text": plan.text}
    bodies: list[tuple[str, dict[str, object]]] = [("job-opened", dict(opened))]
    said = {"by": "RK", "confirmed_by": "voice", "words": "as called", "engine": "none", "model": "none"}
    for turn, position in enumerate(plan.positions):
        for what, text in (("bore", f"5.51{turn % 30:02d}"), ("shaft", f"5.49{turn % 40 + 50:02d}")):
            where = {"job": "SPEED", "position": position.id, "characteristic": what}
            quantity = {"quantity": {"text": text, "unit": "in"}, "plan_revision": plan.revision}
            bodies.append(("reading-taken", {**where, **said, **quantity}))
    events: list[Event] = []
    for sequence, (kind, one) in enumerate(bodies, start=1):
        at = "2024-05-06T07:00:00Z"
        previous = events[-1].hash if events else FIRST_PREVIOUS
        events.append(Event("bench-1", sequence, at, True, kind, checked_body(kind, one), previous))
    return events


def figures() -> dict[str, float]:
    """Measure; times in ms or s as their names say."""
    plan = load(plan_text(["ring"], 50))
    took = []
    for turn in range(_ROUNDS):
        begun = time.perf_counter()
        one_reading(plan, turn)
        took.append((time.perf_counter() - begun) * 1000)
    events = job(load(plan_text(_RINGS, 50)))
    folds = []
    for _ in range(_FOLDS):
        begun = time.perf_counter()
        record = fold(events)["SPEED"]
        folds.append(time.perf_counter() - begun)
    assert len(record.entries) == _READINGS and len(record.derived) == _READINGS / 2
    command = [sys.executable, "-c", FIRST.format(plan=plan.text)]
    starts = [
        float(subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True).stdout)
        for _ in range(_STARTS)
    ]
    held, checked = rows_checked()
    return {
        "check.reading_ms_median": statistics.median(took),
        "check.job_5000_s": min(folds),  # the best: others share the machine; the plan was read before
        "check.first_ms": statistics.median(starts),
        "reference.rows_in_pack": held,
        "reference.rows_checked": checked,
    }
