"""Figures and how they are shown: plain data and text, nothing run. `tests/bench/__main__.py` does the measuring."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Measured:
    """What one bench gave; `problem` is empty when it came through."""

    bench: str
    figures: dict[str, float] = field(default_factory=dict)
    goals: dict[str, str] = field(default_factory=dict)
    problem: str = ""


def unusable(figures: Mapping[str, object]) -> str:
    """Return what is wrong with the figures of a bench, or nothing.

    >>> unusable({"tags.ms_median": 3.4}), unusable({"tags.ms_median": float("nan")}), unusable({"Ms": 1})
    ('', "figure 'tags.ms_median' is nan, not a number", "figure name 'Ms' is not of the form bench.figure")
    """
    for name, value in figures.items():
        if not re.fullmatch(r"[a-z0-9_]+(\.[a-z0-9_]+)+", name):
            return f"figure name '{name}' is not of the form bench.figure"
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            return f"figure '{name}' is {value}, not a number"
    return ""


def against(value: float, goal: str, figures: Mapping[str, float]) -> str:
    """Say how a figure stands to its goal, which is a number or another figure.

    >>> against(0.97, ">= 0.95", {}), against(4.0, "<= a.plain_ms", {"a.plain_ms": 3.5}), against(1.0, "<= a.b", {})
    ('met', 'MISSED (3.5)', 'a.b was not measured')
    """
    relation, _, bound = goal.partition(" ")
    if bound in figures:
        limit, shown = figures[bound], f" ({figures[bound]:g})"
    elif re.fullmatch(r"-?[0-9.]+", bound):
        limit, shown = float(bound), ""
    else:
        return f"{bound} was not measured"
    met = {"<=": value <= limit, ">=": value >= limit, "==": value == limit, "<": value < limit, ">": value > limit}
    return ("met" if met[relation] else "MISSED") + shown


def table(measured: Sequence[Measured]) -> str:
    """Return the table: figure, value, goal and how it stands; then the benches that did not come through.

    >>> print(table([Measured("a", {"a.x_ms": 12.345}, {"a.x_ms": "<= 10"}), Measured("b", problem="it broke")]))
    figure       value  goal
    a.x_ms       12.35  <= 10  MISSED
    b: not measured: it broke
    """
    figures = {name: value for one in measured for name, value in one.figures.items()}
    goals = {name: goal for one in measured for name, goal in one.goals.items()}
    width = max([6, *map(len, figures)])
    lines = [f"{'figure':<{width}}{'value':>12}  goal"]
    for name, value in figures.items():
        goal = goals.get(name, "")
        stands = f"  {goal}  {against(value, goal, figures)}" if goal else ""
        lines.append(f"{name:<{width}}{readable(value):>12}{stands}")
    lines += [f"{one.bench}: not measured: {one.problem}" for one in measured if one.problem]
    return "\n".join(lines)


def readable(value: float) -> str:
    """Return a figure with four digits that count, and whole numbers whole.

    >>> readable(0), readable(166.0), readable(0.0123456), readable(1234567.8), readable(12.345)
    ('0', '166', '0.01235', '1234568', '12.35')
    """
    if value == int(value) or abs(value) >= 1000:
        return f"{value:.0f}"
    return f"{value:.{max(0, 3 - math.floor(math.log10(abs(value))))}f}"
