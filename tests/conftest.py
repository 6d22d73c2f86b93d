"""For the whole suite: how hypothesis searches, and what each folder of tests took against its budget."""

from __future__ import annotations

from collections import defaultdict
from pathlib import PurePosixPath

import hypothesis
import pytest

from tests.tools.needs import require_all

# No deadline: two workers share two cores. In CI the same commit always gets the same examples.
hypothesis.settings.register_profile("bench", deadline=None, print_blob=True)
hypothesis.settings.register_profile("ci", deadline=None, print_blob=True, derandomize=True)
hypothesis.settings.load_profile("ci" if require_all() else "bench")

# Seconds of test time, the workers together; two workers have about twice what tests/tools/parts.py allows for "tests".
BUDGETS_S = {
    "tests/cases": 10,
    "tests/domain": 100,
    "tests/hardware": 70,
    "tests/journeys": 200,
    "tests/language": 130,
    "tests/server": 60,
    "tests/speech": 120,
    "tests/store": 30,
    "tests/torture": 150,
    "the rest": 30,
}
_taken_s: dict[str, float] = defaultdict(float)
_counted: dict[str, int] = defaultdict(int)


def folder_of(nodeid: str) -> str:
    """Return the budgeted folder a test belongs to.

    >>> folder_of("tests/domain/test_units.py::test_x"), folder_of("capture/domain/units.py::capture.domain.units")
    ('tests/domain', 'the rest')
    """
    folder = "/".join(PurePosixPath(nodeid.split("::")[0]).parts[:2])
    return folder if folder in BUDGETS_S else "the rest"


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    """Add a test's set-up, run and tear-down to its folder."""
    _taken_s[folder_of(report.nodeid)] += report.duration
    _counted[folder_of(report.nodeid)] += report.when == "call"


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Print what each folder took against its budget."""
    terminalreporter.section("time by folder")
    for folder, taken_s in sorted(_taken_s.items()):
        budget_s = BUDGETS_S[folder]
        over = "  over its budget" if taken_s > budget_s else ""
        terminalreporter.write_line(
            f"{folder:<16}{_counted[folder]:5d} tests{taken_s:8.1f} s of {budget_s:3d} s{over}"
        )
