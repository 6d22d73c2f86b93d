"""A process of its own that uses an event log, for tests that kill it or lock it out.

python -m tests.store.writer append LOG COUNT     appends and prints "stored N" after each
python -m tests.store.writer hold LOG             takes the write lock, prints "held", lets go at end of input
"""

from __future__ import annotations

import sqlite3
import sys
from pathlib import Path

from capture.store.eventlog import EventLog

AT = "2026-03-02T07:14:05.120Z"


def badge(number: int) -> dict[str, str]:
    """The body of a small event."""
    return {"person": f"P{number}", "raw": f"BC1:B:P{number}:X"}


def append(path: Path, count: int) -> None:
    """Append `count` events, saying each once it is stored."""
    with EventLog.open(path, "bench-1", busy_s=20) as log:
        for number in range(count):
            event = log.append("badge-read", badge(number), at=AT, clock_synchronised=True)
            print(f"stored {event.sequence}", flush=True)


def hold(path: Path) -> None:
    """Hold the write lock until the input ends."""
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("BEGIN IMMEDIATE")
    print("held", flush=True)
    sys.stdin.read()
    connection.execute("ROLLBACK")
    connection.close()


if __name__ == "__main__":
    if sys.argv[1] == "append":
        append(Path(sys.argv[2]), int(sys.argv[3]))
    else:
        hold(Path(sys.argv[2]))
