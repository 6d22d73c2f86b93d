"""The server's database: one SQLite file, written by one connection, read by another.

Rules about what may be stored are in `sync`; this module keeps and finds.
"""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlite_utils import Database

from capture.domain.events import FIRST_PREVIOUS, Event, from_json
from capture.domain.evidence import Key, Row
from server.errors import StoreError
from server.migrations import APPLICATION_ID, STEPS, migrations
from server.search import indexed

BUSY_S = 10.0


@dataclass(frozen=True, slots=True)
class JobRow:
    """What is known of a job without reading its events. `cursor` grows with every event of the job."""

    job: str
    cursor: int
    received_at: str


@dataclass(frozen=True, slots=True)
class BenchRow:
    """A bench that enrolled; `received_at` is "" before its first event."""

    name: str
    enrolled_at: str
    events: int
    received_at: str


@dataclass(frozen=True, slots=True)
class ConflictRow:
    """An event that came under a sequence the server already held with other content, or that did not follow.

    `held` is None when the event did not follow from the last one held.
    """

    number: int
    bench: str
    sequence: int
    received_at: str
    came: Event
    held: Event | None


class Store:
    """The database of one server. Safe to use from several threads and beside other processes."""

    def __init__(self, path: Path, writer: Database, reader: Database) -> None:
        self.path = path
        self._writer = writer
        self._reader = reader
        self._writing_lock = threading.RLock()
        self._reading_lock = threading.Lock()

    @classmethod
    def open(cls, path: Path) -> Store:
        """Open the database, making folder, file and tables on first use.

        Raises:
            StoreError: the file cannot be used; one line with the remedy.
        """
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.touch(mode=0o600)
        except OSError as error:
            raise StoreError(f"Database {path} cannot be made ({error.strerror}); give another --data") from None
        databases: list[Database] = []
        try:
            for _ in range(2):
                connection = sqlite3.connect(path, timeout=BUSY_S, isolation_level=None, check_same_thread=False)
                databases.append(Database(connection, execute_plugins=False))
            store = cls(path, *databases)
            store._prepare()
        except sqlite3.Error as error:
            for one in databases:
                one.close()
            raise _explain(error, path) from None
        except BaseException:
            for one in databases:
                one.close()
            raise
        return store

    def close(self) -> None:
        """Close the database; closing twice is harmless."""
        with self._writing_lock, self._reading_lock:
            self._reader.close()
            self._writer.close()

    @contextmanager
    def writing(self) -> Iterator[None]:
        """One transaction, the write lock held from its start; what fails inside leaves nothing behind."""
        with self._writing_lock:
            try:
                self._writer.execute("BEGIN IMMEDIATE")
                try:
                    yield
                    self._writer.execute("COMMIT")
                except BaseException:
                    self._writer.rollback()
                    raise
            except sqlite3.Error as error:
                raise _explain(error, self.path) from None

    # ---- written and read within a transaction of `writing`

    def last(self, bench: str) -> tuple[int, str]:
        """(sequence, hash) of the last event held of a bench; (0, 64 zeros) when there is none."""
        row = self._writer.execute(
            "SELECT sequence, hash FROM events WHERE bench = ? ORDER BY sequence DESC LIMIT 1", (bench,)
        ).fetchone()
        return (0, FIRST_PREVIOUS) if row is None else (int(row[0]), str(row[1]))

    def hash_of(self, bench: str, sequence: int) -> str | None:
        """Hash of an event held, None when it is not."""
        row = self._writer.execute(
            "SELECT hash FROM events WHERE bench = ? AND sequence = ?", (bench, sequence)
        ).fetchone()
        return None if row is None else str(row[0])

    def add_event(
        self, event: Event, text: str, digest: str, received_at: str, signature: str | None = None
    ) -> None:
        """Put an event at the end of its bench; `text` is its canonical text, `digest` the hash of that."""
        job = event.body.get("job")
        added = self._writer.execute(
            "INSERT INTO events (bench, sequence, job, received_at, hash, canonical, signature) "
            "VALUES (?, ?, ?, ?, ?, ?, ?)",
            (event.bench, event.sequence, job, received_at, digest, text, signature),
        )
        if said := indexed(event):
            self._writer.execute("INSERT INTO search (rowid, said) VALUES (?, ?)", (added.lastrowid, said))

    def add_conflict(self, event: Event, text: str, digest: str, received_at: str) -> None:
        """Keep an event that could not be taken; the same one is kept once however often it comes."""
        self._writer.execute(
            "INSERT OR IGNORE INTO conflicts (bench, sequence, received_at, hash, canonical) VALUES (?, ?, ?, ?, ?)",
            (event.bench, event.sequence, received_at, digest, text),
        )

    def add_code(self, code_sha256: str, bench: str, expires_at: str) -> None:
        """Keep a one-time enrolment code, as its digest."""
        self._writer.execute(
            "INSERT INTO enrolment_codes (code_sha256, bench, expires_at) VALUES (?, ?, ?)",
            (code_sha256, bench, expires_at),
        )

    def use_code(self, code_sha256: str, bench: str, now: str) -> bool:
        """Use up a code; False when there is none such for this bench, or it was used, or it is too old."""
        done = self._writer.execute(
            "UPDATE enrolment_codes SET used_at = ? "
            "WHERE code_sha256 = ? AND bench = ? AND used_at IS NULL AND expires_at > ?",
            (now, code_sha256, bench, now),
        )
        return done.rowcount == 1

    def set_token(self, bench: str, token_sha256: str, now: str) -> None:
        """Give a bench its token, as its digest; an earlier one no longer counts."""
        self._writer.execute(
            "INSERT INTO benches (name, token_sha256, enrolled_at) VALUES (?, ?, ?) ON CONFLICT (name) "
            "DO UPDATE SET token_sha256 = excluded.token_sha256, enrolled_at = excluded.enrolled_at",
            (bench, token_sha256, now),
        )

    def drop_token(self, bench: str) -> bool:
        """Have a bench's token no longer count; False when there is no such bench."""
        return self._writer.execute("UPDATE benches SET token_sha256 = '' WHERE name = ?", (bench,)).rowcount == 1

    def add_key(self, bench: str, key: Key, now: str) -> None:
        """Keep a bench's public key. A key that is known keeps where it begins and counts again without an end."""
        self._writer.execute(
            "INSERT INTO bench_keys (bench, public, after, enrolled_at) VALUES (?, ?, ?, ?) "
            "ON CONFLICT (bench, public) DO UPDATE SET until = NULL",
            (bench, key.public, key.after, now),
        )

    def end_keys(self, bench: str, sequence: int) -> None:
        """Have a bench's keys count for no event above `sequence`."""
        self._writer.execute("UPDATE bench_keys SET until = ? WHERE bench = ? AND until IS NULL", (sequence, bench))

    def keys_to_write_by(self, bench: str) -> tuple[list[Key], int | None]:
        """A bench's public keys, oldest first, and the last event the newest counts for (None: no end)."""
        return _keys(self._writer.execute(_KEYS, (bench,)).fetchall())

    def set_seal(self, bench: str, sequence: int, digest: str, signature: str) -> None:
        """Keep the newest seal of a bench."""
        self._writer.execute(
            "INSERT INTO seals (bench, sequence, hash, signature) VALUES (?, ?, ?, ?) ON CONFLICT (bench) DO UPDATE "
            "SET sequence = excluded.sequence, hash = excluded.hash, signature = excluded.signature "
            "WHERE excluded.sequence >= sequence",
            (bench, sequence, digest, signature),
        )

    # ---- read by pages

    def keys(self, bench: str) -> tuple[list[Key], int | None]:
        """A bench's public keys, oldest first, and the last event the newest counts for (None: no end)."""
        return _keys(self._read(_KEYS, bench))

    def seal(self, bench: str) -> tuple[int, str, str] | None:
        """(sequence, hash, signature) of the newest seal of a bench."""
        rows = self._read("SELECT sequence, hash, signature FROM seals WHERE bench = ?", bench)
        return (int(rows[0][0]), rows[0][1], rows[0][2]) if rows else None

    def rows_of_bench(self, bench: str) -> Iterator[Row]:
        """A bench's events as they are kept, in sequence, a few hundred at a time."""
        after = 0
        while rows := self._read(
            "SELECT sequence, hash, canonical, signature FROM events WHERE bench = ? AND sequence > ? "
            "ORDER BY sequence LIMIT 500",
            bench,
            after,
        ):
            yield from (Row(*one) for one in rows)
            after = rows[-1][0]

    def count_conflicts_of(self, bench: str) -> int:
        """How many conflicts are kept of one bench."""
        return int(self._read("SELECT count(*) FROM conflicts WHERE bench = ?", bench)[0][0])

    def token_sha256(self, bench: str) -> str | None:
        """Digest of a bench's token, None for a bench that never enrolled."""
        rows = self._read("SELECT token_sha256 FROM benches WHERE name = ?", bench)
        return rows[0][0] if rows else None

    def held(self, bench: str) -> tuple[int, str]:
        """(sequence, hash) of the last event held of a bench, for a reader."""
        rows = self._read("SELECT sequence, hash FROM events WHERE bench = ? ORDER BY sequence DESC LIMIT 1", bench)
        return (int(rows[0][0]), str(rows[0][1])) if rows else (0, FIRST_PREVIOUS)

    def jobs(self) -> list[JobRow]:
        """All jobs, the one that last received something first."""
        rows = self._read(
            "SELECT job, max(received) AS cursor FROM events WHERE job IS NOT NULL GROUP BY job ORDER BY cursor DESC"
        )
        times = dict(
            self._read(
                "SELECT received, received_at FROM events WHERE received IN (SELECT max(received) "
                "FROM events WHERE job IS NOT NULL GROUP BY job)"
            )
        )
        return [JobRow(job, cursor, times.get(cursor, "")) for job, cursor in rows]

    def job_row(self, job: str) -> JobRow | None:
        """One job, None when no event names it."""
        rows = self._read("SELECT received, received_at FROM events WHERE job = ? ORDER BY received DESC LIMIT 1", job)
        return JobRow(job, int(rows[0][0]), rows[0][1]) if rows else None

    def events_of_job(self, job: str, up_to: int) -> list[Event]:
        """The events of a job received up to a cursor, by bench and sequence."""
        rows = self._read(
            "SELECT canonical FROM events WHERE job = ? AND received <= ? ORDER BY bench, sequence", job, up_to
        )
        return [from_json(text) for (text,) in rows]

    def events_of_bench(self, bench: str) -> Iterator[tuple[str, str]]:
        """(canonical, hash) of a bench's events in sequence, a few hundred at a time."""
        after = 0
        while rows := self._read(
            "SELECT sequence, canonical, hash FROM events WHERE bench = ? AND sequence > ? ORDER BY sequence LIMIT 500",
            bench,
            after,
        ):
            yield from ((text, digest) for _, text, digest in rows)
            after = rows[-1][0]

    def bench_names(self) -> list[str]:
        """Names of all benches that enrolled or sent anything."""
        return [name for (name,) in self._read("SELECT name FROM benches UNION SELECT bench FROM events ORDER BY 1")]

    def benches(self) -> list[BenchRow]:
        """All benches that enrolled, by name."""
        rows = self._read(
            "SELECT name, enrolled_at, coalesce(max(sequence), 0), coalesce(max(received_at), '') "
            "FROM benches LEFT JOIN events ON bench = name GROUP BY name ORDER BY name"
        )
        return [BenchRow(*row) for row in rows]

    def conflicts(self) -> list[ConflictRow]:
        """All conflicts, newest first."""
        rows = self._read(
            "SELECT c.number, c.bench, c.sequence, c.received_at, c.canonical, e.canonical FROM conflicts AS c "
            "LEFT JOIN events AS e ON e.bench = c.bench AND e.sequence = c.sequence AND e.hash <> c.hash "
            "ORDER BY c.number DESC"
        )
        return [
            ConflictRow(number, bench, sequence, at, from_json(came), from_json(held) if held else None)
            for number, bench, sequence, at, came, held in rows
        ]

    def found(self, fts_query: str, most: int) -> list[Event]:
        """The newest events of jobs whose words match a query of `search.query`; at most `most`."""
        rows = self._read(
            "SELECT canonical FROM search JOIN events ON received = search.rowid "
            "WHERE search MATCH ? ORDER BY received DESC LIMIT ?",
            fts_query,
            most,
        )
        return [from_json(text) for (text,) in rows]

    def version(self) -> int:
        """A number that grows whenever an event or a conflict is received."""
        rows = self._read(
            "SELECT (SELECT coalesce(max(received), 0) FROM events) + (SELECT coalesce(max(number), 0) FROM conflicts)"
        )
        return int(rows[0][0])

    def count_conflicts(self) -> int:
        """How many conflicts are kept."""
        return int(self._read("SELECT count(*) FROM conflicts")[0][0])

    def count_events(self) -> int:
        """How many events are held of all benches."""
        return int(self._read("SELECT count(*) FROM events")[0][0])

    def damage(self) -> str:
        """What SQLite finds wrong with the file, "" when nothing."""
        found = str(self._read("PRAGMA integrity_check(1)")[0][0])
        return "" if found == "ok" else " ".join(found.split())

    # ---- inside

    def _read(self, sql: str, *parameters: Any) -> list[Any]:
        with self._reading_lock:
            try:
                return self._reader.execute(sql, parameters).fetchall()
            except sqlite3.Error as error:
                raise _explain(error, self.path) from None

    def _prepare(self) -> None:
        db = self._writer
        mark = db.execute("PRAGMA application_id").fetchone()[0]
        if mark != APPLICATION_ID and db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
            raise StoreError(f"File {self.path} is a database of something else; give another --data")
        db.execute("PRAGMA journal_mode = WAL")
        for one in (self._writer, self._reader):
            one.execute("PRAGMA synchronous = FULL")
        known = {step.__name__ for step in STEPS}
        unknown = [step.name for step in migrations.applied(db) if step.name not in known]
        if unknown:
            raise StoreError(f"Database {self.path} was made by a newer server ({unknown[0]}); update this one")
        with self.writing():
            if migrations.pending(db):
                migrations.apply(db)
        self._reader.execute("PRAGMA query_only = ON")


_KEYS = "SELECT public, after, until FROM bench_keys WHERE bench = ? ORDER BY after, rowid"


def _keys(rows: list[Any]) -> tuple[list[Key], int | None]:
    return [Key(public, after) for public, after, _ in rows], rows[-1][2] if rows else None


def _explain(error: sqlite3.Error, path: Path) -> StoreError:
    code = getattr(error, "sqlite_errorcode", None)
    family = None if code is None else code & 0xFF
    remedies = {
        sqlite3.SQLITE_FULL: "has no room on its disk; make room",
        sqlite3.SQLITE_READONLY: "cannot be written; make the file and its folder writable",
        sqlite3.SQLITE_CORRUPT: "is damaged; stop the server and restore a backup, benches send again what it lacks",
        sqlite3.SQLITE_NOTADB: "is no database; give another --data or restore a backup",
        sqlite3.SQLITE_BUSY: "is locked by another program; close that program",
    }
    if family in remedies:
        return StoreError(f"Database {path} {remedies[family]}")
    return StoreError(f"Database {path} cannot be used ({error}); check the disk")
