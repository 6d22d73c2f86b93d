"""Records of jobs, folded from the events held; kept until a job receives another event.

What is kept here follows from the database and can be thrown away at any time.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from dataclasses import dataclass

from capture.domain.record import InspectionRecord, fold
from server.store import JobRow, Store

MOST_KEPT = 1000


@dataclass(frozen=True, slots=True)
class JobRecord:
    """A job's record and when the server last received something of it.

    `record` is None when events name the job but none opens it.
    """

    row: JobRow
    record: InspectionRecord | None


class Records:
    """Folds each job once per change."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._kept: OrderedDict[str, JobRecord] = OrderedDict()
        self._lock = threading.Lock()

    def all(self) -> list[JobRecord]:
        """All jobs, the one that last received something first."""
        return [self._of(row) for row in self._store.jobs()]

    def job(self, job: str) -> JobRecord | None:
        """One job, None when no event names it."""
        row = self._store.job_row(job)
        return None if row is None else self._of(row)

    def _of(self, row: JobRow) -> JobRecord:
        with self._lock:
            kept = self._kept.get(row.job)
            if kept is not None and kept.row.cursor == row.cursor:
                self._kept.move_to_end(row.job)
                return kept
        found = JobRecord(row, fold(self._store.events_of_job(row.job, row.cursor)).get(row.job))
        with self._lock:
            self._kept[row.job] = found
            self._kept.move_to_end(row.job)
            while len(self._kept) > MOST_KEPT:
                self._kept.popitem(last=False)
        return found
