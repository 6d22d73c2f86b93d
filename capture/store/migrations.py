"""The event log's tables, as named steps. A step that was released is never edited; a new one is added below it.

Each step and the record that it was done share one transaction, so a step that was cut off is done again.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from sqlite_utils import Migrations

if TYPE_CHECKING:
    from sqlite_utils import Database

APPLICATION_ID = 0x42434C31  # marks the file as an event log of ours ("BCL1")


def make_the_log(db: Database) -> None:
    """The events, append-only by triggers. `canonical` is the text that is hashed and sent, byte for byte."""
    db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    db.execute("CREATE TABLE bench (one INTEGER PRIMARY KEY CHECK (one = 1), name TEXT NOT NULL) STRICT")
    db.execute(
        "CREATE TABLE events (sequence INTEGER PRIMARY KEY, hash TEXT NOT NULL UNIQUE, canonical TEXT NOT NULL) STRICT"
    )
    for verb in ("UPDATE", "DELETE"):
        db.execute(
            f"CREATE TRIGGER events_never_{verb.lower()} BEFORE {verb} ON events "
            "BEGIN SELECT RAISE(ABORT, 'an event is never changed; append another'); END"
        )
    db.execute(
        "CREATE TRIGGER events_without_a_gap BEFORE INSERT ON events "
        "WHEN NEW.sequence IS NOT (SELECT coalesce(max(sequence), 0) + 1 FROM events) "
        "BEGIN SELECT RAISE(ABORT, 'an event goes to the end of the log'); END"
    )


def keep_what_the_server_acknowledged(db: Database) -> None:
    """How far the server holds this log; apart from the events, which never change."""
    db.execute(
        "CREATE TABLE acknowledged "
        "(one INTEGER PRIMARY KEY CHECK (one = 1), sequence INTEGER NOT NULL CHECK (sequence >= 0)) STRICT"
    )
    db.execute("INSERT INTO acknowledged (one, sequence) VALUES (1, 0)")


def sign_the_events(db: Database) -> None:
    """A signature beside each event, null for those written before; the keys that signed; the signed end of the log.

    `keys.after`: the sequence above which a key signs. `head`: the last event and the rolling digest of all
    signatures, signed; it is replaced with every event, so an end that was cut off lacks its own.
    """
    db.execute("ALTER TABLE events ADD COLUMN signature TEXT")
    db.execute("CREATE TABLE keys (public TEXT PRIMARY KEY, after INTEGER NOT NULL CHECK (after >= 0)) STRICT")
    for verb in ("UPDATE", "DELETE"):
        db.execute(
            f"CREATE TRIGGER keys_never_{verb.lower()} BEFORE {verb} ON keys "
            "BEGIN SELECT RAISE(ABORT, 'a key is never changed; another one follows it'); END"
        )
    db.execute(
        "CREATE TABLE head (one INTEGER PRIMARY KEY CHECK (one = 1), sequence INTEGER NOT NULL, "
        "signatures TEXT NOT NULL, signature TEXT NOT NULL) STRICT"
    )


STEPS = (make_the_log, keep_what_the_server_acknowledged, sign_the_events)

migrations = Migrations("event log")
for step in STEPS:
    migrations()(step)
