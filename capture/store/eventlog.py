"""The bench's event log: one SQLite file, append-only, on the disk before `append` returns.

Write-ahead log with synchronous=FULL: each append is one transaction and one fsync. A killed or unplugged
bench finds either the whole event or none of it.
"""

from __future__ import annotations

import errno
import hashlib
import os
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from sqlite_utils import Database

from capture.domain.errors import ChainError, EventError
from capture.domain.events import FIRST_PREVIOUS, Event, canonical, checked_body, from_json
from capture.domain.evidence import Chain, Key, Row
from capture.domain.signature import Signer, seal_statement
from capture.errors import StoreError
from capture.store.errors import LogDamaged, LogFull, LogOfAnotherBench, LogReadOnly, LogTooNew, explain
from capture.store.migrations import APPLICATION_ID, STEPS, migrations
from capture.store.signatures import Signatures

BUSY_S = 3.0
_PAGE = 500


class EventLog:
    """One bench's log. Use `EventLog.open`; not to be shared between threads, each opens its own.

    Every method raises a `StoreError` of `capture.store.errors` when the file cannot be used; nothing was
    stored then.
    """

    def __init__(self, path: Path, bench: str, db: Database, signer: Signer | None = None) -> None:
        self.path = path
        self.bench = bench
        self._db = db
        self._signatures = Signatures(db, path, bench, signer)

    @classmethod
    def open(cls, path: Path, bench: str, *, busy_s: float = BUSY_S, signer: Signer | None = None) -> EventLog:
        """Open the log of `bench`, making the file on first use.

        Args:
            busy_s: how long to wait for another program that is writing.
            signer: the bench's key; events appended from here on carry its signature. Without one a log that is
                signed can be read and not written.
        """
        is_new = _make_file(path)
        try:
            connection = sqlite3.connect(path, timeout=busy_s, isolation_level=None)
        except sqlite3.Error as error:
            raise explain(error, path) from None
        db = Database(connection, execute_plugins=False)
        log = cls(path, bench, db, signer)
        try:
            with log._explained():
                log._prepare()
            if is_new:
                sync_folder(path.parent)
        except BaseException:
            db.close()
            raise
        return log

    def append(self, kind: str, body: Mapping[str, Any], *, at: str, clock_synchronised: bool) -> Event:
        """Store one event at the end of the log; it is on the disk when this returns.

        Args:
            at: the bench's clock, ISO 8601 UTC with "Z"; only kept, never used for order.
        Raises:
            EventError: the body does not fit its kind, or holds what is not text.
            StoreError: nothing was stored.
        """
        whole = checked_body(kind, body)
        with self._explained(), self._writing():
            sequence, previous = self._last()
            event = Event(self.bench, sequence + 1, at, clock_synchronised, kind, whole, previous)
            text, digest = _text_and_hash(event)
            stored = from_json(text)  # what will be read is what is given back
            self._db.execute(
                "INSERT INTO events (sequence, hash, canonical, signature) VALUES (?, ?, ?, ?)",
                (stored.sequence, digest, text, self._signatures.sign(stored, digest)),
            )
        return stored

    def rows(self, after: int = 0) -> Iterator[Row]:
        """Give the rows whose sequence is above `after` as they are kept, unread. No transaction stays open."""
        while True:
            with self._explained():
                found = self._db.execute(
                    "SELECT sequence, hash, canonical, signature FROM events WHERE sequence > ? "
                    "ORDER BY sequence LIMIT ?",
                    (after, _PAGE),
                ).fetchall()
            yield from (Row(*one) for one in found)
            if len(found) < _PAGE:
                return
            after = found[-1][0]

    @property
    def keys(self) -> tuple[Key, ...]:
        """The public keys that signed this log, oldest first; none of a log that is not signed."""
        with self._explained():
            return self._signatures.keys

    def seal(self, sequence: int, digest: str) -> str | None:
        """Return the bench's signature that its log has this event at this place; None without a key."""
        signer = self._signatures.signer
        return signer.sign(seal_statement(self.bench, sequence, digest)) if signer else None

    def events(self, after: int = 0) -> Iterator[Event]:
        """Give the events whose sequence is above `after`, in order. No transaction stays open meanwhile."""
        while True:
            with self._explained():
                rows = self._db.execute(
                    "SELECT sequence, canonical FROM events WHERE sequence > ? ORDER BY sequence LIMIT ?",
                    (after, _PAGE),
                ).fetchall()
            for sequence, text in rows:
                yield self._read(sequence, text)
            if len(rows) < _PAGE:
                return
            after = rows[-1][0]

    def event(self, sequence: int) -> Event | None:
        """Return one event, None when the log has none of that sequence."""
        with self._explained():
            row = self._db.execute("SELECT canonical FROM events WHERE sequence = ?", (sequence,)).fetchone()
        return None if row is None else self._read(sequence, row[0])

    @property
    def last(self) -> tuple[int, str]:
        """(sequence, hash) of the last event; (0, 64 zeros) of an empty log."""
        with self._explained():
            return self._last()

    @property
    def acknowledged(self) -> int:
        """The highest sequence up to which the server said it holds everything."""
        with self._explained():
            row = self._db.execute("SELECT max(sequence) FROM acknowledged").fetchone()
        return int(row[0] or 0)

    def set_acknowledged(self, sequence: int) -> None:
        """Keep what the server said it holds. It may go back: a server can be restored from a backup."""
        with self._explained(), self._writing():
            last = self._last()[0]
            if not 0 <= sequence <= last:
                raise StoreError(
                    f"Event log {self.path} holds {last} events, {sequence} cannot be acknowledged; check the server"
                )
            self._db.execute("UPDATE acknowledged SET sequence = ?", (sequence,))

    def verify(self) -> tuple[int, str]:
        """Check all that `examine` checks; return the last (sequence, hash)."""
        chain = self.examine()
        return chain.sequence, chain.last_hash

    def examine(self) -> Chain:
        """Check the file, every event's text and hash, the chain, the signatures and the end; return what was found.

        Raises:
            LogDamaged: SQLite finds the file damaged.
            ChainError: names the first event that was changed, dropped, put in, cut off or not signed as it must be.
        """
        with self._explained():
            found = self._db.execute("PRAGMA integrity_check(1)").fetchone()[0]
        if found != "ok":
            what = " ".join(found.split())  # SQLite's finding has several lines
            raise LogDamaged(f"Event log {self.path} is damaged ({what}); keep the file and go on with a backup")
        chain = self._walk(checks_signatures=False)
        if self.acknowledged > chain.sequence:
            raise ChainError(
                f"Event {chain.sequence + 1} is missing; the server has acknowledged up to {self.acknowledged}",
                sequence=chain.sequence + 1,
                remedy="look for the lost part of the log",
            )
        with self._explained():
            wrong = self._signatures.wrong_end(chain)
        if wrong is not None:
            self._walk(checks_signatures=True)  # names the event, where it is one
            raise wrong
        return chain

    def copy_to(self, path: Path) -> None:
        """Copy the log as it is now into a new file, while it is in use; the copy is on the disk when this returns."""
        _make_file(path)
        try:
            with self._explained():
                copy = sqlite3.connect(path, isolation_level=None)
                try:
                    self._db.conn.backup(copy)
                    copy.execute("PRAGMA journal_mode = DELETE")  # one file, to be carried
                finally:
                    copy.close()
            sync_file(path)
        except OSError as error:
            raise StoreError(f"Copy {path} was not written ({error.strerror}); make room or check the disk") from None

    def close(self) -> None:
        """Close the file; closing twice is harmless."""
        self._db.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    # ---- inside

    def _prepare(self) -> None:
        self._refuse_foreign()
        mode = self._db.execute("PRAGMA journal_mode = WAL").fetchone()[0]
        if mode != "wal":
            raise StoreError(f"Event log {self.path} is on a disk without a write-ahead log; use a local disk")
        self._db.execute("PRAGMA synchronous = FULL")
        known = {step.__name__ for step in STEPS}
        unknown = [step.name for step in migrations.applied(self._db) if step.name not in known]
        if unknown:
            raise LogTooNew(f"Event log {self.path} was written by a newer program ({unknown[0]}); update this one")
        if migrations.pending(self._db):
            with self._writing():
                migrations.apply(self._db)
        self._own()

    def _refuse_foreign(self) -> None:
        """Refuse a database that is not an event log, before anything is written to it."""
        mark = self._db.execute("PRAGMA application_id").fetchone()[0]
        tables = self._db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
        if tables and mark != APPLICATION_ID:
            raise LogDamaged(f"File {self.path} is a database but no event log; give another place for the log")

    def _own(self) -> None:
        """Name the bench of a new log; refuse a log of another bench."""
        row = self._db.execute("SELECT name FROM bench").fetchone()
        if row is None:
            with self._writing():
                self._db.execute("INSERT OR IGNORE INTO bench (one, name) VALUES (1, ?)", (self.bench,))
                row = self._db.execute("SELECT name FROM bench").fetchone()
        if row[0] != self.bench:
            raise LogOfAnotherBench(
                f"Event log {self.path} belongs to bench {row[0]!r}, not {self.bench!r}; "
                "set this bench's name, or give another data folder"
            )
        if self._signatures.is_new_key:
            with self._writing():
                self._signatures.take_up_key(self._last())

    def _last(self) -> tuple[int, str]:
        row = self._db.execute("SELECT sequence, hash FROM events ORDER BY sequence DESC LIMIT 1").fetchone()
        return (0, FIRST_PREVIOUS) if row is None else (int(row[0]), str(row[1]))

    def _read(self, sequence: int, text: str) -> Event:
        try:
            return from_json(text)
        except (EventError, ValueError) as error:
            raise LogDamaged(
                f"Event {sequence} of {self.path} cannot be read ({error}); keep the file and go on with a backup"
            ) from None

    def _walk(self, *, checks_signatures: bool) -> Chain:
        chain = Chain(self.bench, self.keys, checks_signatures)
        for row in self.rows():
            chain.take(row)
        return chain

    @contextmanager
    def _writing(self) -> Iterator[None]:
        """One transaction that holds the write lock from its start, so that what it reads stays true."""
        self._db.execute("BEGIN IMMEDIATE")
        try:
            yield
            self._db.execute("COMMIT")
        except BaseException:
            self._db.rollback()
            raise

    @contextmanager
    def _explained(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as error:
            raise explain(error, self.path) from None


def _text_and_hash(event: Event) -> tuple[str, str]:
    text = canonical(event)
    try:
        return text, hashlib.sha256(text.encode("utf-8")).hexdigest()
    except UnicodeEncodeError:
        raise EventError(
            f"Event {event.kind!r} holds a character that is not text",
            thing=event.kind,
            remedy="leave out lone surrogates",
        ) from None


def _make_file(path: Path) -> bool:
    """Make an empty file only its owner can read; say whether it was new."""
    try:
        os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600))
    except FileExistsError:
        return False
    except OSError as error:
        if error.errno == errno.ENOSPC:
            raise LogFull(f"Event log {path} has no room on its disk; make room and try again") from None
        raise LogReadOnly(
            f"Event log {path} cannot be made ({error.strerror}); make its folder writable or give another"
        ) from None
    return True


def sync_file(path: Path) -> None:
    """Have a file's content on the disk."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def sync_folder(folder: Path) -> None:
    """Have a folder's entries and its own on the disk, so that a new file is still there after a power loss."""
    for one in (folder, folder.parent):
        try:
            handle = os.open(one, os.O_RDONLY | os.O_DIRECTORY)
        except OSError:
            continue  # a parent that may not be opened is not ours to sync
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
