"""A log, a backup and an exported record are checked anywhere, and what was changed is named."""

from __future__ import annotations

import datetime
import json
import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from capture.app import ClipStore
from capture.backup import backup, restore
from capture.clips import remove_older
from capture.domain.signature import Signer
from capture.errors import CaptureError, SettingsError, StoreError
from capture.keep import open_log, write_report
from capture.settings import Settings
from capture.store.eventlog import EventLog
from capture.verify import Finding, verify_folder, verify_log, verify_path, verify_text
from tests.server.shop import demo_facts, job_opened, put, reading

NOW = datetime.datetime(2026, 6, 2, 7, 0, tzinfo=datetime.UTC)


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    """A bench with two jobs in turn, and one reading that has a clip."""
    one = Settings(tmp_path / "data")
    with open_log(one) as log:
        put(log, *demo_facts("J-1"), job_opened("J-2"))
        put(log, reading("J-2", "outboard-shoe-1", "shoe-thickness", "1.111"))
        digest = ClipStore(one.data / "clips").keep(np.arange(1600, dtype=np.int16))
        put(log, reading("J-1", "outboard-shoe-8", "shoe-thickness", "1.249", clip=digest))
    return one


@pytest.fixture
def log(settings: Settings) -> Iterator[EventLog]:
    with open_log(settings) as one:
        yield one


def clip(settings: Settings) -> Path:
    (path,) = (settings.data / "clips").glob("*.flac")
    return path


def is_whole(found: Finding) -> bool:
    return bool(found.said) and not found.wrong


# ---- clips


def test_clips_are_part_of_the_evidence_by_their_digest(settings: Settings) -> None:
    found = verify_folder(settings.data)
    assert is_whole(found) and "1 clips and photos named by digest, 0 wrong; 0 removed by rule" in found.said
    whole = clip(settings).read_bytes()
    other = ClipStore(settings.data / "other").keep(np.zeros(1600, dtype=np.int16))
    shutil.copy(settings.data / "other" / f"{other}.flac", clip(settings))
    assert re.match(r"The clip [0-9a-f]{12} of event 21 was changed", verify_folder(settings.data).wrong[0])
    clip(settings).write_bytes(whole[: len(whole) // 2])
    assert "of event 21" in verify_folder(settings.data).wrong[0]
    clip(settings).unlink()
    assert re.match(r"The clip [0-9a-f]{12} of event 21 is missing", verify_folder(settings.data).wrong[0])


def test_a_clip_removed_by_rule_leaves_its_digest_and_still_verifies(settings: Settings, log: EventLog) -> None:
    name, whole = clip(settings).name, clip(settings).read_bytes()
    assert remove_older(settings, log, 365, "JD", NOW) == (0, 0)
    assert remove_older(settings, log, 60, "JD", NOW) == (1, 0)
    (removed,) = (event for event in log.events() if event.kind == "clip-removed")
    assert removed.body == {"clip": name[:64], "reason": "older than 60 days, by the shop's rule", "by": "JD"}
    found = verify_folder(settings.data)
    assert is_whole(found) and "0 clips and photos named by digest, 0 wrong; 1 removed by rule" in found.said
    (settings.data / "clips" / name).write_bytes(whole)  # as if the bench had been killed before the file went
    assert "was removed by event 22 and is still there" in verify_folder(settings.data).wrong[0]
    assert remove_older(settings, log, 60, "JD", NOW) == (1, 0)
    assert is_whole(verify_folder(settings.data)) and log.last[0] == 22


def test_audio_that_became_no_reading_goes_without_an_event(settings: Settings, log: EventLog) -> None:
    ClipStore(settings.data / "clips").keep(np.ones(160, dtype=np.int16))
    assert remove_older(settings, log, 60, "JD", NOW + datetime.timedelta(days=365 * 50)) == (1, 1)
    with pytest.raises(SettingsError, match="--older-than is 0"):
        remove_older(settings, log, 0, "JD", NOW)


# ---- logs and backups


def test_a_log_elsewhere_is_checked_without_being_written_to(settings: Settings, tmp_path: Path) -> None:
    copy = tmp_path / "copy.db"
    shutil.copy(settings.data / "events.db", copy)
    copy.chmod(0o400)
    before = copy.read_bytes()
    found = verify_log(copy)
    assert is_whole(found) and found.said[0].startswith("21 events of bench bench-1, chain whole")
    assert "Events 1 to 21 signed by key" in found.said[1]
    assert "Events 1 to 21 are not acknowledged" in found.said[2] and "could write them anew" in found.said[2]
    assert copy.read_bytes() == before and list(tmp_path.glob("copy.db*")) == [copy]


def test_a_log_signed_by_another_key_than_asked_for_is_named(settings: Settings, log: EventLog) -> None:
    public = log.keys[-1].public
    assert is_whole(verify_path(log.path, public))
    other = Signer(bytes(32)).public
    assert "The end is signed by key" in verify_path(log.path, other).wrong[0]
    (settings.data / "bench.key").unlink()
    open_log(settings).close()  # a new key takes over
    found = verify_folder(settings.data)
    assert is_whole(found) and "(after event 21)" not in found.said[1]


def test_an_unsigned_log_says_so(tmp_path: Path) -> None:
    with EventLog.open(tmp_path / "events.db", "bench-1") as log:
        put(log, *demo_facts("J-1"))
    found = verify_log(tmp_path / "events.db")
    assert is_whole(found) and "None of its 18 events is signed" in found.said[1]
    assert "Nothing here is signed" in verify_log(tmp_path / "events.db", Signer(bytes(32)).public).wrong[0]


@pytest.mark.parametrize("content", [b"", b"hello", b"SQLite format 3\x00" + b"x" * 5000, b"\xff\xfe\x00"])
def test_a_file_that_is_nothing_of_ours_is_named(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "x").write_bytes(content)
    with pytest.raises(CaptureError, match=str(tmp_path / "x") if content != b"hello" and content else "no evidence"):
        verify_path(tmp_path / "x")


def test_a_backup_taken_while_the_bench_writes_is_whole_and_restores(settings: Settings, tmp_path: Path) -> None:
    with open_log(settings) as writing:
        put(writing, reading("J-1", "outboard-shoe-7", "shoe-thickness", "1.251"))  # still in the write-ahead log
        assert is_whole(backup(settings, tmp_path / "backup"))
        put(writing, reading("J-1", "outboard-shoe-6", "shoe-thickness", "1.252"))
        kept = list(writing.events())
    names = {path.name for path in (tmp_path / "backup").rglob("*")}
    assert "bench.key" not in names and "enrolment.json" not in names and not any(".part" in name for name in names)
    there = Settings(tmp_path / "new")
    assert is_whole(restore(there, tmp_path / "backup"))
    with open_log(there) as log:
        assert list(log.events()) == kept[:-1]
        put(log, reading("J-1", "outboard-shoe-6", "shoe-thickness", "1.253"))
        assert [key.after for key in log.keys] == [0, 22] and log.verify()[0] == 23
    assert is_whole(verify_folder(there.data))
    with pytest.raises(StoreError, match="holds a log already"):
        restore(there, tmp_path / "backup")
    with pytest.raises(StoreError, match="is there already"):
        backup(settings, tmp_path / "backup")


def test_a_backup_that_is_not_whole_is_not_restored(settings: Settings, tmp_path: Path) -> None:
    backup(settings, tmp_path / "backup")
    (path,) = (tmp_path / "backup" / "clips").iterdir()
    path.unlink()
    with pytest.raises(CaptureError, match="is not whole .The clip .* is missing.*nothing was restored"):
        restore(Settings(tmp_path / "new"), tmp_path / "backup")
    assert not (tmp_path / "new").exists()


# ---- exported records


@pytest.fixture
def page(log: EventLog, tmp_path: Path) -> str:
    write_report(log, "J-1", tmp_path / "record.html")
    return (tmp_path / "record.html").read_text(encoding="utf-8")


def test_a_record_proves_itself_and_what_it_left_out(page: str, log: EventLog, tmp_path: Path) -> None:
    found = verify_path(tmp_path / "record.html", log.keys[0].public)
    assert is_whole(found)
    assert found.said[0].startswith("19 events of bench bench-1, 2 of other jobs left out, chain whole")
    assert found.said[-1] == "The page prints what these events say"
    assert "1.111" not in page and "J-2" not in page
    write_report(log, "J-1", tmp_path / "record.json")
    assert is_whole(verify_path(tmp_path / "record.json"))


@pytest.mark.parametrize(
    "old, new, expect",
    [
        ("1.257 in", "1.247 in", "Line [0-9]+ of the page is not what these events say"),
        ("Aldermoor", "Elsewhere", "Line [0-9]+ of the page is not what"),
        (r"\"text\":\"1.257\"", r"\"text\":\"1.247\"", "Event 10 was changed after it was written"),
        ('"bench":"bench-1"', '"bench":"bench-2"', "Event 1 was changed"),
    ],
)
def test_a_record_changed_in_page_or_evidence_is_named(page: str, old: str, new: str, expect: str) -> None:
    assert old in page
    wrong = verify_text(page.replace(old, new, 1)).wrong
    assert len(wrong) == 1 and re.match(expect, wrong[0])


def changed(page: str, what: str) -> str:
    """Change the evidence in a page as somebody would who can compute hashes."""
    head, block, tail = re.split(r'(?<=evidence">)(.*)(?=</script>)', page)
    data: dict[str, Any] = json.loads(block)
    rows = data["rows"]
    if what == "hide an event":  # put the mark of a left out one in the place of the text
        rows[8] = [*rows[8][:2], None, rows[8][3], rows[18][4]]
    elif what == "leave an event out":
        del rows[8]
    elif what == "cut the end off":
        del rows[20:]
    elif what == "cut the end and the seal off":
        del rows[20:]
        data["seal"] = None
    elif what == "take the signatures away":
        for row in rows:
            row[3] = None
    elif what == "another key":
        data["keys"][0][0] = Signer(bytes(32)).public
    return head + json.dumps(data, separators=(",", ":")).replace("<", "\\u003c") + tail


@pytest.mark.parametrize(
    "what, expect",
    [
        ("hide an event", "Event 9 is not signed by key"),
        ("leave an event out", "Event 9 is missing"),
        ("cut the end off", "Event 20 is not the end that the bench sealed"),
        ("cut the end and the seal off", "Event 20 is not the end that the bench sealed"),
        ("take the signatures away", "Event 1 is not signed"),
        ("another key", "Event 1 is not signed by key"),
    ],
)
def test_forged_evidence_is_named(page: str, what: str, expect: str) -> None:
    assert verify_text(changed(page, "nothing")).wrong == []
    wrong = verify_text(changed(page, what)).wrong
    assert len(wrong) == 1 and wrong[0].startswith(expect)


def test_a_record_of_an_unsigned_log_carries_the_whole_log(tmp_path: Path) -> None:
    with EventLog.open(tmp_path / "events.db", "bench-1") as log:
        put(log, *demo_facts("J-1"), job_opened("J-2"))
        write_report(log, "J-1", tmp_path / "record.html")
    found = verify_path(tmp_path / "record.html")
    assert is_whole(found) and "None of its 19 events is signed" in found.said[1]


def test_a_page_without_evidence_says_so() -> None:
    with pytest.raises(SettingsError, match="carries no evidence"):
        verify_text("<html><body>x</body></html>")
    assert verify_text('{"form":"benchcall evidence 1"}').wrong == ["The evidence is damaged; take another copy of it"]
