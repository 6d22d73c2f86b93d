"""Run the parts of `make test` one after the other, and say what each took against its budget.

Every part runs, also after one that failed: one run shows all that is wrong. A part that takes twice its budget is
stopped and counts as failed. Together the budgets are the 12 minutes that continuous integration may take.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass

SETUP_BUDGET_S = 240.0
PATIENCE = 2  # a part is stopped at this many times its budget


@dataclass(frozen=True, slots=True)
class Part:
    """One command of the suite; `budget_s` in seconds on two cores."""

    name: str
    command: tuple[str, ...]
    budget_s: float


@dataclass(frozen=True, slots=True)
class Outcome:
    """How one part went; `problem` is empty when it went well."""

    name: str
    took_s: float
    budget_s: float
    problem: str


def parts(workers: int, tests: Sequence[str]) -> list[Part]:
    """Return the parts in their order, quick ones first.

    >>> [part.name for part in parts(2, [])]
    ['style', 'types', 'tests']
    """
    python = (sys.executable, "-m")
    spread = ("-n", str(workers), "--dist", "loadfile") if workers > 1 else ()
    return [
        Part("style", (*python, "ruff", "check", "."), 15.0),
        Part("types", (*python, "mypy"), 90.0),
        Part("tests", (*python, "pytest", "--durations=10", *spread, *tests), 375.0),
    ]


def run(part: Part) -> Outcome:
    """Run one part, its output going straight to the screen."""
    print(f"\n== {part.name}: {' '.join(part.command[2:])}", flush=True)
    begun = time.monotonic()
    try:
        code = subprocess.run(part.command, timeout=part.budget_s * PATIENCE, check=False).returncode
        problem = f"exit code {code}" if code else ""
    except subprocess.TimeoutExpired:
        problem = f"stopped at {PATIENCE} times its budget"
    return Outcome(part.name, time.monotonic() - begun, part.budget_s, problem)


def table(outcomes: Sequence[Outcome]) -> str:
    """Return one line for each part: name, seconds, budget, and what is to be said about it.

    >>> print(table([Outcome("style", 1.23, 15.0, ""), Outcome("types", 95.0, 90.0, "exit code 1")]))
    part        seconds   budget
    style           1.2       15
    types          95.0       90  over its budget; exit code 1
    all            96.2      105
    """
    total = Outcome("all", sum(o.took_s for o in outcomes), sum(o.budget_s for o in outcomes), "")
    lines = [f"{'part':<10}{'seconds':>9}{'budget':>9}"]
    for outcome in (*outcomes, total):
        over = "over its budget" if outcome.took_s > outcome.budget_s else ""
        said = "; ".join(filter(None, (over, outcome.problem)))
        lines.append(f"{outcome.name:<10}{outcome.took_s:9.1f}{outcome.budget_s:9.0f}{'  ' + said if said else ''}")
    return "\n".join(lines)


def main(arguments: Sequence[str]) -> int:
    """Run the parts asked for; return 0 only when every one of them went well."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--begun", type=float, help="when `make test` began, in seconds of the system's clock")
    parser.add_argument("--workers", type=int, default=2, help="processes that share the tests")
    parser.add_argument("--lint-only", action="store_true", help="style and types, no tests")
    parser.add_argument("tests", nargs="*", help="test files or folders; all of them when none is given")
    chosen = parser.parse_args(arguments)
    outcomes = []
    if chosen.begun is not None:
        outcomes.append(Outcome("setup", max(0.0, time.time() - chosen.begun), SETUP_BUDGET_S, ""))
    for part in parts(chosen.workers, chosen.tests):
        if part.name != "tests" or not chosen.lint_only:
            outcomes.append(run(part))
    print(f"\n{table(outcomes)}", flush=True)
    return 1 if any(outcome.problem for outcome in outcomes) else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
