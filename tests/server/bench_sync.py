"""Figures of the bench's log and of the upload: `figures()` for `make bench`, or run as a module to see them.

Durable stores and bare SQLite take turns on the same disk, so that both meet the same machine.
"""

from __future__ import annotations

import sqlite3
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from capture.domain.events import FIRST_PREVIOUS, canonical
from capture.store.eventlog import EventLog
from capture.upload import upload_pending
from tests.server.shop import AT, ROOT, Server, job_opened, reading

ROUNDS = 5
STORES = 150
BACKLOG = 4000

GOALS = {"store.ratio_to_bare_sqlite": ">= 0.5"}

KIND, BODY = reading("J-2031", "outboard-shoe-3", "shoe-thickness", "1.248")


def figures() -> dict[str, float]:
    """Return durable stores a second, their ratio to bare SQLite, and backlog events a second."""
    (ROOT / "build").mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory(dir=ROOT / "build") as folder:
        return {**durable_stores(Path(folder)), **backlog(Path(folder))}


def durable_stores(folder: Path) -> dict[str, float]:
    """Time appends, each on the disk before the next, against bare inserts of the same text with the same pragmas."""
    ours: list[float] = []
    bare: list[float] = []
    with EventLog.open(folder / "events.db", "bench-1") as log:
        text = canonical(log.append(KIND, BODY, at=AT, clock_synchronised=True))
        raw = sqlite3.connect(folder / "bare.db", isolation_level=None)
        for pragma in ("journal_mode = WAL", "synchronous = FULL"):
            raw.execute(f"PRAGMA {pragma}")
        raw.execute("CREATE TABLE events (sequence INTEGER PRIMARY KEY, hash TEXT, canonical TEXT) STRICT")

        def insert() -> None:
            raw.execute("BEGIN IMMEDIATE")
            raw.execute("INSERT INTO events (hash, canonical) VALUES (?, ?)", (FIRST_PREVIOUS, text))
            raw.execute("COMMIT")

        for _ in range(ROUNDS):
            ours.append(per_second(lambda: log.append(KIND, BODY, at=AT, clock_synchronised=True)))
            bare.append(per_second(insert))
        raw.close()
    ratios = [one / other for one, other in zip(ours, bare, strict=True)]
    return {
        "store.durable_per_s": round(statistics.median(ours), 1),
        "store.ratio_to_bare_sqlite": round(statistics.median(ratios), 3),
    }


def per_second(action: Callable[[], object]) -> float:
    """Return how often an action can be done in a second."""
    begun = time.perf_counter()
    for _ in range(STORES):
        action()
    return STORES / (time.perf_counter() - begun)


def backlog(folder: Path) -> dict[str, float]:
    """Time the upload of a log that waited for the network, to a server process on this machine."""
    with EventLog.open(folder / "backlog.db", "bench-1") as log:
        log._db.execute("PRAGMA synchronous = OFF")  # filling it is not what is measured
        log.append(*job_opened("J-2031"), at=AT, clock_synchronised=True)
        for _ in range(BACKLOG - 1):
            log.append(KIND, BODY, at=AT, clock_synchronised=True)
        log._db.execute("PRAGMA synchronous = FULL")
        server = Server(folder / "server").start()
        try:
            with server.client("bench-1") as client:
                begun = time.perf_counter()
                report = upload_pending(log, client)
                took_s = time.perf_counter() - begun
        finally:
            server.stop()
    if report.acknowledged != BACKLOG:
        raise AssertionError(f"{report.acknowledged} of {BACKLOG} events arrived")
    return {"sync.backlog_events_per_s": round(BACKLOG / took_s, 1)}


if __name__ == "__main__":
    for name, value in figures().items():
        print(f"{name} {value}")
