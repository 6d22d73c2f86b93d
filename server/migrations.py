"""The server's tables, as named steps. A step that was released is never edited; a new one is added below it.

All pending steps and the record that they were done share one transaction.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from sqlite_utils import Migrations

if TYPE_CHECKING:
    from sqlite_utils import Database

APPLICATION_ID = 0x42435331  # marks the file as a server database of ours ("BCS1")


def hold_events_and_benches(db: Database) -> None:
    """Events in the order they were received, append-only by triggers; benches, codes, conflicts."""
    db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    db.execute(
        "CREATE TABLE benches (name TEXT PRIMARY KEY, token_sha256 TEXT NOT NULL, enrolled_at TEXT NOT NULL) STRICT"
    )
    db.execute(
        "CREATE TABLE enrolment_codes (code_sha256 TEXT PRIMARY KEY, bench TEXT NOT NULL, "
        "expires_at TEXT NOT NULL, used_at TEXT) STRICT"
    )
    db.execute(
        "CREATE TABLE events (received INTEGER PRIMARY KEY, bench TEXT NOT NULL, sequence INTEGER NOT NULL, "
        "job TEXT, received_at TEXT NOT NULL, hash TEXT NOT NULL, canonical TEXT NOT NULL, "
        "UNIQUE (bench, sequence)) STRICT"
    )
    db.execute("CREATE INDEX events_of_a_job ON events (job, received) WHERE job IS NOT NULL")
    for verb in ("UPDATE", "DELETE"):
        db.execute(
            f"CREATE TRIGGER events_never_{verb.lower()} BEFORE {verb} ON events "
            "BEGIN SELECT RAISE(ABORT, 'an event is never changed'); END"
        )
    db.execute(
        "CREATE TRIGGER events_without_a_gap BEFORE INSERT ON events WHEN NEW.sequence IS NOT "
        "(SELECT coalesce(max(sequence), 0) + 1 FROM events WHERE bench = NEW.bench) "
        "BEGIN SELECT RAISE(ABORT, 'an event goes to the end of its bench'); END"
    )
    db.execute(
        "CREATE TABLE conflicts (number INTEGER PRIMARY KEY, bench TEXT NOT NULL, sequence INTEGER NOT NULL, "
        "received_at TEXT NOT NULL, hash TEXT NOT NULL, canonical TEXT NOT NULL, "
        "UNIQUE (bench, sequence, hash)) STRICT"
    )


def search_events(db: Database) -> None:
    """A full-text index over the events of jobs, filled from those already held; its rowid is `received`."""
    from capture.domain.events import from_json
    from server.search import indexed

    db.execute("CREATE VIRTUAL TABLE search USING fts5 (said, tokenize = 'unicode61 remove_diacritics 2')")
    for received, text in db.execute("SELECT received, canonical FROM events WHERE job IS NOT NULL").fetchall():
        db.execute("INSERT INTO search (rowid, said) VALUES (?, ?)", (received, indexed(from_json(text))))


def keep_signatures(db: Database) -> None:
    """The signature beside each event, null where the bench did not sign; benches' public keys; the newest seals.

    `after`: the key signs events above it. `until`: null, or the last event it counts for since it was revoked.
    A seal is the bench's own signature that its log had this event at this place.
    """
    db.execute("ALTER TABLE events ADD COLUMN signature TEXT")
    db.execute(
        "CREATE TABLE bench_keys (bench TEXT NOT NULL, public TEXT NOT NULL, after INTEGER NOT NULL, until INTEGER, "
        "enrolled_at TEXT NOT NULL, PRIMARY KEY (bench, public)) STRICT"
    )
    db.execute(
        "CREATE TABLE seals (bench TEXT PRIMARY KEY, sequence INTEGER NOT NULL, hash TEXT NOT NULL, "
        "signature TEXT NOT NULL) STRICT"
    )


STEPS = (hold_events_and_benches, search_events, keep_signatures)

migrations = Migrations("server")
for step in STEPS:
    migrations()(step)
