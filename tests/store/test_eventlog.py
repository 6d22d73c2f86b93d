"""The event log keeps what it was given, in order, for good; or says in one line why it could not."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from capture.domain.errors import ChainError, DomainError, EventError
from capture.domain.events import FIRST_PREVIOUS, canonical, to_dict
from capture.errors import StoreError
from capture.store.errors import (
    LogClosed,
    LogDamaged,
    LogFull,
    LogLocked,
    LogOfAnotherBench,
    LogReadOnly,
    LogTooNew,
)
from capture.store.eventlog import EventLog
from tests.store.writer import AT, badge

ROOT = Path(__file__).parents[2]
READING = {
    "job": "J-2031",
    "position": "outboard-shoe-3",
    "characteristic": "shoe-thickness",
    "quantity": {"text": "1.2500", "unit": "in"},
    "by": "RK",
    "confirmed_by": "voice",
    "words": "one point two five zero zero",
    "engine": "whisper",
    "model": "tiny.en",
    "plan_revision": "0123456789ab",
}


def add(log: EventLog, count: int = 1) -> None:
    for number in range(count):
        log.append("badge-read", badge(number), at=AT, clock_synchronised=False)


def one_line(error: BaseException, path: Path) -> bool:
    return "\n" not in str(error) and str(path) in str(error) and ";" in str(error)


def run_writer(*arguments: str | Path) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "tests.store.writer", *map(str, arguments)],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )


# ---- what goes in comes out


def test_events_come_back_equal_and_in_order_after_closing(tmp_path: Path) -> None:
    path = tmp_path / "events.db"
    with EventLog.open(path, "bench-1") as log:
        given_back = [log.append("reading-taken", READING, at=AT, clock_synchronised=True)]
        given_back += [log.append("badge-read", badge(1), at="1970-01-01T00:00:00Z", clock_synchronised=False)]
    with EventLog.open(path, "bench-1") as log:
        assert list(log.events()) == given_back
        assert list(log.events(after=1)) == given_back[1:]
        assert log.event(2) == given_back[1] and log.event(3) is None
        assert log.last == (2, given_back[1].hash)
    assert [event.sequence for event in given_back] == [1, 2]
    assert [event.previous for event in given_back] == [FIRST_PREVIOUS, given_back[0].hash]


@pytest.mark.parametrize("count", [6, 7, 8, 23])
def test_more_events_than_are_fetched_at_once_come_in_order(
    event_log: EventLog, monkeypatch: pytest.MonkeyPatch, count: int
) -> None:
    monkeypatch.setattr("capture.store.eventlog._PAGE", 7)
    add(event_log, count)
    assert [event.sequence for event in event_log.events()] == list(range(1, count + 1))
    assert event_log.verify() == event_log.last


def test_trailing_zeros_of_a_value_survive_as_text(event_log: EventLog) -> None:
    # ../shared/cases C14: a storage helper held 1.2500 as REAL and gave 1.25 back
    event_log.append("reading-taken", READING, at=AT, clock_synchronised=True)
    (event,) = event_log.events()
    assert event.body["quantity"] == {"text": "1.2500", "unit": "in"}
    with sqlite3.connect(event_log.path) as raw:
        kind, text = raw.execute(
            "SELECT typeof(canonical), json_extract(canonical, '$.body.quantity.text') FROM events"
        ).fetchone()
        (value_kind,) = raw.execute("SELECT json_type(canonical, '$.body.quantity.text') FROM events").fetchone()
    raw.close()
    assert (kind, text, value_kind) == ("text", "1.2500", "text")


def test_tags_of_digits_keep_their_leading_zeros_and_stay_three_parts(event_log: EventLog) -> None:
    # ../shared/cases C20: a tag kept as a number lost its zeros and merged with another part
    body = {"job": "J-2031", "symbology": "QR", "position": "outboard-shoe-3", "by": "RK"}
    with pytest.raises(EventError, match="4172"):
        event_log.append("tag-bound", {**body, "tag": 4172}, at=AT, clock_synchronised=True)
    for tag in ("4172", "00417", "417"):
        event_log.append("tag-bound", {**body, "tag": tag}, at=AT, clock_synchronised=True)
    assert [event.body["tag"] for event in event_log.events()] == ["4172", "00417", "417"]
    with sqlite3.connect(event_log.path) as raw:
        distinct = "SELECT count(DISTINCT json_extract(canonical, '$.body.tag')) FROM events"
        assert raw.execute(distinct).fetchone() == (3,)
    raw.close()


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(person=st.text(), raw=st.text(), at=st.text(max_size=30))
def test_any_text_comes_back_equal_or_is_refused(event_log: EventLog, person: str, raw: str, at: str) -> None:
    before = event_log.last
    try:
        event = event_log.append("badge-read", {"person": person, "raw": raw}, at=at, clock_synchronised=True)
    except DomainError:
        assert event_log.last == before
        return
    assert event_log.event(event.sequence) == event
    assert dict(event.body) == {"person": person, "raw": raw}


def test_a_character_that_is_not_text_is_refused(event_log: EventLog) -> None:
    with pytest.raises(EventError, match="not text"):
        event_log.append("badge-read", {"person": "\ud800", "raw": ""}, at=AT, clock_synchronised=True)
    assert event_log.last == (0, FIRST_PREVIOUS)


def test_a_body_that_does_not_fit_its_kind_stores_nothing(event_log: EventLog) -> None:
    with pytest.raises(EventError, match="lacks 'raw'"):
        event_log.append("badge-read", {"person": "RK"}, at=AT, clock_synchronised=True)
    add(event_log)
    assert event_log.last[0] == 1


def test_the_hash_is_that_of_the_kept_text(event_log: EventLog) -> None:
    # a vector made by hand: the canonical text typed out, hashed apart from our code
    event = event_log.append(
        "badge-read", {"person": "RK", "raw": "x"}, at="2026-03-02T07:14:05Z", clock_synchronised=True
    )
    text = (
        '{"at":"2026-03-02T07:14:05Z","bench":"bench-1","body":{"person":"RK","raw":"x"},"clock_synchronised":true,'
        '"kind":"badge-read","previous":"' + "0" * 64 + '","schema":1,"sequence":1}'
    )
    assert canonical(event) == text
    assert event_log.last == (1, hashlib.sha256(text.encode()).hexdigest())


# ---- append-only


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE events SET canonical = 'x' WHERE sequence = 1",
        "UPDATE events SET sequence = 9 WHERE sequence = 2",
        "DELETE FROM events WHERE sequence = 2",
        "DELETE FROM events",
        "INSERT OR REPLACE INTO events (sequence, hash, canonical) VALUES (1, 'h', 'x')",
        "INSERT INTO events (sequence, hash, canonical) VALUES (9, 'h', 'x')",
        "INSERT INTO events (sequence, hash, canonical) VALUES (3, 'h', 1.25e0) "
        "ON CONFLICT (sequence) DO UPDATE SET canonical = 'x'",
    ],
)
def test_the_file_itself_refuses_to_change_or_drop_an_event(event_log: EventLog, statement: str) -> None:
    add(event_log, 2)
    before = list(event_log.events())
    raw = sqlite3.connect(event_log.path)
    if "1.25e0" in statement:  # a number is kept as text, never as a number
        raw.execute(statement)
        assert raw.execute("SELECT typeof(canonical) FROM events WHERE sequence = 3").fetchone() == ("text",)
        raw.rollback()
    else:
        with pytest.raises(sqlite3.IntegrityError):
            raw.execute(statement)
    raw.close()
    assert list(event_log.events()) == before


# ---- what the server acknowledged


def test_acknowledged_is_kept_apart_and_may_go_back(tmp_path: Path) -> None:
    with EventLog.open(tmp_path / "events.db", "bench-1") as log:
        assert log.acknowledged == 0
        add(log, 3)
        log.set_acknowledged(3)
    with EventLog.open(tmp_path / "events.db", "bench-1") as log:
        assert log.acknowledged == 3
        log.set_acknowledged(1)
        assert log.acknowledged == 1
        for wrong in (4, -1):
            with pytest.raises(StoreError, match=f"{wrong} cannot be acknowledged"):
                log.set_acknowledged(wrong)
        assert log.acknowledged == 1


# ---- verification


def tampered(path: Path, statement: str, *parameters: object) -> None:
    """Change the file as somebody would who knows SQLite."""
    raw = sqlite3.connect(path)
    for (trigger,) in raw.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        raw.execute(f"DROP TRIGGER {trigger}")
    raw.execute(statement, parameters)
    raw.commit()
    raw.close()


def test_verify_names_the_event_whose_text_was_changed(event_log: EventLog) -> None:
    add(event_log, 4)
    changed = canonical(event_log.event(2)).replace("P1", "P7")  # type: ignore[arg-type]
    tampered(event_log.path, "UPDATE events SET canonical = ? WHERE sequence = 2", changed)
    with pytest.raises(ChainError, match="Event 2 was changed") as caught:
        event_log.verify()
    assert caught.value.sequence == 2


def test_verify_finds_a_change_whose_hash_was_made_to_fit(event_log: EventLog) -> None:
    add(event_log, 4)
    changed = canonical(event_log.event(2)).replace("P1", "P7")  # type: ignore[arg-type]
    digest = hashlib.sha256(changed.encode()).hexdigest()
    tampered(event_log.path, "UPDATE events SET canonical = ?, hash = ? WHERE sequence = 2", changed, digest)
    with pytest.raises(ChainError, match="Event 3 does not follow from event 2"):
        event_log.verify()


def test_verify_names_the_event_that_was_dropped(event_log: EventLog) -> None:
    add(event_log, 4)
    tampered(event_log.path, "DELETE FROM events WHERE sequence = 2")
    with pytest.raises(ChainError, match="Event 2 is missing") as caught:
        event_log.verify()
    assert caught.value.sequence == 2


def test_verify_notices_that_acknowledged_events_were_cut_off(event_log: EventLog) -> None:
    add(event_log, 4)
    event_log.set_acknowledged(4)
    tampered(event_log.path, "DELETE FROM events WHERE sequence > 2")
    with pytest.raises(ChainError, match="Event 3 is missing; the server has acknowledged up to 4"):
        event_log.verify()


def test_verify_names_an_event_that_cannot_be_read(event_log: EventLog) -> None:
    add(event_log, 2)
    tampered(event_log.path, "UPDATE events SET canonical = '{\"NaN\": NaN}' WHERE sequence = 2")
    with pytest.raises(ChainError, match="Event 2 cannot be read"):
        event_log.verify()


def test_a_whole_log_verifies_as_written(event_log: EventLog) -> None:
    add(event_log, 50)
    events = list(event_log.events())
    assert event_log.verify() == (50, events[-1].hash)
    assert json.loads(canonical(events[-1])) == to_dict(events[-1])


# ---- what can go wrong with the file


def test_a_full_disk_is_said_in_one_line_and_loses_nothing(small_disk: Path) -> None:
    path = small_disk / "events.db"
    with EventLog.open(path, "bench-1") as log:
        stored = []
        with pytest.raises(LogFull) as caught:
            for number in range(5000):
                body = {"person": f"P{number}", "raw": "x" * 900}
                stored.append(log.append("badge-read", body, at=AT, clock_synchronised=True))
        assert one_line(caught.value, path) and "make room" in str(caught.value)
        assert len(stored) > 5 and list(log.events()) == stored
    with EventLog.open(path, "bench-1") as again:
        assert list(again.events()) == stored and again.verify()[0] == len(stored)
    subprocess.run(["mount", "-o", "remount,size=2m", str(small_disk)], check=True)
    with EventLog.open(path, "bench-1") as roomy:  # there is room again: it goes on where it was
        assert roomy.append("badge-read", badge(1), at=AT, clock_synchronised=True).sequence == len(stored) + 1


def test_a_log_that_may_not_grow_says_so_and_loses_nothing(event_log: EventLog) -> None:
    # stands in for the full disk where nothing can be mounted
    event_log._db.execute("PRAGMA max_page_count = 20")
    with pytest.raises(LogFull):
        add(event_log, 2000)
    count = event_log.last[0]
    assert count > 0 and event_log.verify()[0] == count
    event_log._db.execute("PRAGMA max_page_count = 2000")
    add(event_log)
    assert event_log.last[0] == count + 1


def test_a_new_log_on_a_full_disk_is_refused_in_one_line(small_disk: Path) -> None:
    with open(small_disk / "filler", "wb", buffering=0) as filler, pytest.raises(OSError, match="No space left"):
        while True:
            filler.write(b"x" * 4096)
    with pytest.raises(LogFull) as caught:
        EventLog.open(small_disk / "events.db", "bench-1")
    assert one_line(caught.value, small_disk / "events.db")


def test_a_disk_that_turned_read_only_is_said_in_one_line(small_disk: Path, make_read_only: Callable[[], None]) -> None:
    path = small_disk / "events.db"
    with EventLog.open(path, "bench-1") as log:
        add(log, 2)
    make_read_only()
    with pytest.raises(LogReadOnly) as caught, EventLog.open(path, "bench-1") as log:
        add(log)
    assert one_line(caught.value, path)
    with pytest.raises(LogReadOnly) as caught:
        EventLog.open(small_disk / "other.db", "bench-1")
    assert "cannot be made" in str(caught.value)


@pytest.fixture
def ordinary_user() -> Iterator[Path]:
    """A folder this user may read and not write, also where the tests run as root."""
    folder = Path(tempfile.mkdtemp())
    EventLog.open(folder / "events.db", "bench-1").close()
    (folder / "events.db").chmod(0o444)
    folder.chmod(0o555)
    was = os.geteuid()
    if was == 0:
        os.seteuid(65534)
    yield folder
    os.seteuid(was)
    folder.chmod(0o755)
    shutil.rmtree(folder)


@pytest.mark.parametrize("name", ["events.db", "new.db"])
def test_a_read_only_folder_is_said_in_one_line(ordinary_user: Path, name: str) -> None:
    path = ordinary_user / name
    with pytest.raises(LogReadOnly) as caught, EventLog.open(path, "bench-1") as log:
        add(log)
    assert one_line(caught.value, path) and "writable" in str(caught.value)


def test_a_missing_folder_is_said_in_one_line(tmp_path: Path) -> None:
    path = tmp_path / "nowhere" / "events.db"
    with pytest.raises(LogReadOnly) as caught:
        EventLog.open(path, "bench-1")
    assert one_line(caught.value, path) and "No such file" in str(caught.value)


@pytest.mark.parametrize("content", [b"not a database at all, but long enough to be looked at" * 9, b"\0" * 4096])
def test_a_file_that_is_no_log_is_refused_and_left_as_it_was(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "events.db"
    path.write_bytes(content)
    with pytest.raises(LogDamaged) as caught:
        EventLog.open(path, "bench-1")
    assert one_line(caught.value, path) and path.read_bytes() == content


def test_another_program_s_database_is_refused_and_left_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "events.db"
    raw = sqlite3.connect(path)
    raw.execute("CREATE TABLE events (sequence INTEGER)")
    raw.commit()
    raw.close()
    before = path.read_bytes()
    with pytest.raises(LogDamaged, match="no event log"):
        EventLog.open(path, "bench-1")
    assert path.read_bytes() == before


def test_a_page_overwritten_in_the_middle_is_found(tmp_path: Path) -> None:
    path = tmp_path / "events.db"
    with EventLog.open(path, "bench-1") as log:
        add(log, 200)
    content = bytearray(path.read_bytes())
    middle = len(content) // 2 // 4096 * 4096
    content[middle : middle + 4096] = b"\x5a" * 4096
    path.write_bytes(content)
    with pytest.raises((LogDamaged, ChainError)) as caught, EventLog.open(path, "bench-1") as log:
        log.verify()
    assert "\n" not in str(caught.value)


def test_a_log_of_another_bench_is_refused(tmp_path: Path) -> None:
    EventLog.open(tmp_path / "events.db", "bench-1").close()
    with pytest.raises(LogOfAnotherBench, match="belongs to bench 'bench-1', not 'bench-2'"):
        EventLog.open(tmp_path / "events.db", "bench-2")


def test_a_log_of_a_newer_program_is_refused(event_log: EventLog) -> None:
    raw = sqlite3.connect(event_log.path)
    raw.execute(
        "INSERT INTO _sqlite_migrations (migration_set, name, applied_at) VALUES ('event log', 'sign_events', '')"
    )
    raw.commit()
    raw.close()
    with pytest.raises(LogTooNew, match="newer program \\(sign_events\\)"):
        EventLog.open(event_log.path, "bench-1")


def test_closing_twice_is_harmless_and_use_afterwards_is_named(tmp_path: Path) -> None:
    log = EventLog.open(tmp_path / "events.db", "bench-1")
    log.close()
    log.close()
    with pytest.raises(LogClosed, match="open it again"):
        add(log)


def test_the_file_is_readable_by_its_owner_alone(event_log: EventLog) -> None:
    add(event_log)
    modes = {name: os.stat(str(event_log.path) + name).st_mode & 0o777 for name in ("", "-wal")}
    assert modes == {"": 0o600, "-wal": 0o600}


def test_every_commit_is_synced_and_written_ahead(event_log: EventLog) -> None:
    pragmas = [event_log._db.execute(f"PRAGMA {name}").fetchone()[0] for name in ("journal_mode", "synchronous")]
    assert pragmas == ["wal", 2]  # 2 is FULL
    tables = event_log._db.execute("SELECT name, strict FROM pragma_table_list WHERE name = 'events'").fetchone()
    assert tables == ("events", 1)


# ---- other processes


def test_a_lock_held_by_another_process_is_given_up_and_nothing_is_lost(tmp_path: Path) -> None:
    # ../shared/cases C22: "stored" must not be said before the commit; if given up, the reading is still pending
    path = tmp_path / "events.db"
    with EventLog.open(path, "bench-1", busy_s=0.3) as log:
        add(log)
        other = run_writer("hold", path)
        assert other.stdout is not None and other.stdout.readline() == "held\n"
        with pytest.raises(LogLocked) as caught:
            log.append("reading-taken", READING, at=AT, clock_synchronised=True)
        assert one_line(caught.value, path)
        other.communicate(timeout=20)
        event = log.append("reading-taken", READING, at=AT, clock_synchronised=True)
        assert [one.kind for one in log.events()] == ["badge-read", "reading-taken"]
        assert event.sequence == 2 and log.verify() == (2, event.hash)


def test_a_lock_let_go_in_time_is_waited_for(tmp_path: Path) -> None:
    path = tmp_path / "events.db"
    with EventLog.open(path, "bench-1", busy_s=30) as log:
        other = run_writer("hold", path)
        assert other.stdout is not None and other.stdin is not None and other.stdout.readline() == "held\n"
        other.stdin.close()  # lets go while the append below waits
        event = log.append("reading-taken", READING, at=AT, clock_synchronised=True)
        assert list(log.events()) == [event]
        other.wait(timeout=20)
        other.stdout.close()


def test_two_processes_on_one_log_make_one_unbroken_chain(tmp_path: Path) -> None:
    path = tmp_path / "events.db"
    writers = [run_writer("append", path, "40") for _ in range(2)]
    said = [line for one in writers for line in one.communicate(timeout=60)[0].split("\n") if line]
    assert [one.returncode for one in writers] == [0, 0]
    assert sorted(said) == sorted(f"stored {number}" for number in range(1, 81))
    with EventLog.open(path, "bench-1") as log:
        assert log.verify()[0] == 80


@pytest.mark.parametrize("after", [1, 7, 23])
def test_a_killed_process_keeps_every_event_it_called_stored(tmp_path: Path, after: int) -> None:
    path = tmp_path / "events.db"
    writer = run_writer("append", path, "100000")
    assert writer.stdout is not None
    said = [writer.stdout.readline() for _ in range(after)]
    os.kill(writer.pid, signal.SIGKILL)
    assert writer.stdin is not None
    writer.stdin.close()
    with writer.stdout:
        said += writer.stdout.readlines()  # through the same reader, which may hold lines that it read ahead
    writer.wait(timeout=20)
    whole = [line for line in said if line.endswith("\n")]
    with EventLog.open(path, "bench-1") as log:
        sequence, _ = log.verify()
        assert len(whole) <= sequence <= len(whole) + 1  # the last may be stored and not yet said
        assert log.append("badge-read", badge(0), at=AT, clock_synchronised=True).sequence == sequence + 1


def test_a_process_killed_while_the_log_is_made_leaves_one_that_opens(tmp_path: Path) -> None:
    path = tmp_path / "events.db"
    path.touch()  # what is there after the file is made and before its first step
    with EventLog.open(path, "bench-1") as log:
        add(log)
        assert log.verify()[0] == 1


# ---- migrations


def test_a_step_that_fails_is_undone_and_done_again_later(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from capture.store import migrations as steps

    def break_off(db: object) -> None:
        db.execute("CREATE TABLE half (x INTEGER) STRICT")  # type: ignore[attr-defined]
        raise sqlite3.OperationalError("power went")

    whole = steps.migrations._migrations
    broken = [whole[0], type(whole[1])(whole[1].name, break_off)]
    path = tmp_path / "events.db"
    with monkeypatch.context() as patch:
        patch.setattr(steps.migrations, "_migrations", broken)
        with pytest.raises(StoreError, match="power went"):
            EventLog.open(path, "bench-1")
    with EventLog.open(path, "bench-1") as log:
        add(log)
        assert log.acknowledged == 0 and log.verify()[0] == 1
        names = log._db.table_names()
    assert "half" not in names and "acknowledged" in names
