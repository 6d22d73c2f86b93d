"""The stages of an overhaul, in their order, and which one a job is in.

A plan names those that apply to its work; a plan that names none is measured only.
"""

from __future__ import annotations

from collections.abc import Iterable

from capture.domain.events import Event

STAGES: tuple[str, ...] = ("isolate", "strip", "clean", "measure", "decide", "rebuild", "as left", "hand over")
MEASURE_ONLY: tuple[str, ...] = ("measure",)


def stage_of(events: Iterable[Event], stages: tuple[str, ...]) -> str:
    """Return the stage a job is in: the last one entered, before that the first of its plan.

    `events`: of one job, oldest first; `stages`: the plan's.
    """
    entered = [event.body["stage"] for event in events if event.kind == "stage-entered"]
    return entered[-1] if entered else stages[0]
