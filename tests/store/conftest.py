"""Disks that are small or read-only, for real."""

from __future__ import annotations

import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from capture.store.eventlog import EventLog
from tests.tools import needs


@pytest.fixture
def event_log(tmp_path: Path) -> Iterator[EventLog]:
    with EventLog.open(tmp_path / "events.db", "bench-1") as log:
        yield log


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 256 KiB of its own; needs the right to mount."""
    folder = tmp_path / "small"
    folder.mkdir()
    mounted = _mount("-t", "tmpfs", "-o", "size=256k", "tmpfs", str(folder))
    yield folder
    if mounted:
        subprocess.run(["umount", str(folder)], check=True)


@pytest.fixture
def make_read_only(small_disk: Path) -> Callable[[], None]:
    """Turn the small disk read-only, as a card does that is worn out."""

    def turn() -> None:
        subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)

    return turn


def _mount(*arguments: str) -> bool:
    done = subprocess.run(["mount", *arguments], capture_output=True, text=True, check=False)
    if done.returncode != 0:
        needs.leave_out(f"a small disk could not be mounted ({done.stderr.strip()}); it needs root")
    return True
