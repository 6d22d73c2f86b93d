"""What a test needs from the machine: asked for in one place, so that a part left out is always said, and never in CI.

    from tests.tools import needs

    chromium = needs.program("chromium", package="chromium")
"""

from __future__ import annotations

import os
import shutil
from typing import NoReturn

import pytest


def require_all() -> bool:
    """Say whether every part of the suite must run here: CI=true or BENCHCALL_REQUIRE_ALL=1."""
    return os.environ.get("CI") == "true" or os.environ.get("BENCHCALL_REQUIRE_ALL") == "1"


def program(name: str, *, package: str) -> str:
    """Return the path of a program; without it skip the test, or fail it where nothing may be left out."""
    found = shutil.which(name)
    if found is None:
        leave_out(f"program '{name}' is not on this machine; install the system package '{package}'")
    return found


def leave_out(reason: str) -> NoReturn:
    """Skip the running test with `reason`; fail it instead where nothing may be left out."""
    if require_all():
        pytest.fail(reason, pytrace=False)
    pytest.skip(reason)
