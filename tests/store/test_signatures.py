"""A bench's log is signed by its own key; what is changed, cut off or signed by another is named."""

from __future__ import annotations

import sqlite3
import stat
from pathlib import Path

import pytest

from capture.domain.errors import ChainError
from capture.domain.signature import Signer, event_statement, is_signed, key_name
from capture.errors import StoreError
from capture.store.errors import LogCutOff, LogNotSigned
from capture.store.eventlog import EventLog
from capture.store.keys import bench_key

AT = "2026-03-02T07:14:05.120Z"
KEY, OTHER = Signer(bytes(range(32))), Signer(bytes(range(1, 33)))


def add(log: EventLog, count: int) -> None:
    for number in range(count):
        log.append("badge-read", {"person": f"P{number}", "raw": ""}, at=AT, clock_synchronised=True)


def tampered(path: Path, *statements: str) -> None:
    """Change the file as somebody would who has it and no key."""
    raw = sqlite3.connect(path, isolation_level=None)
    for (name,) in raw.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        raw.execute(f"DROP TRIGGER {name}")
    for statement in statements:
        raw.execute(statement)
    raw.close()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A signed log of eight events."""
    with EventLog.open(tmp_path / "events.db", "bench-1", signer=KEY) as log:
        add(log, 8)
    return tmp_path / "events.db"


def test_signatures_are_those_of_the_published_standard() -> None:
    # RFC 8032, section 7.1, TEST 1 (empty message); quoted from memory and checked against `cryptography`
    secret = bytes.fromhex("9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60")
    signer = Signer(secret)
    assert signer.public == "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a"
    signature = signer.sign(b"")
    assert signature.startswith("e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e06522490155")
    assert is_signed(signer.public, b"", signature) and not is_signed(signer.public, b"x", signature)
    assert not is_signed(signer.public, b"", signature.upper()) and not is_signed("zz", b"", signature)


def test_each_event_carries_a_signature_of_bench_place_job_and_hash(path: Path) -> None:
    with EventLog.open(path, "bench-1") as log:
        rows, chain = list(log.rows()), log.examine()
        assert log.keys[0].public == KEY.public
    assert (chain.sequence, chain.unsigned, chain.signed_from) == (8, 0, 1)
    for row in rows:
        assert is_signed(KEY.public, event_statement("bench-1", row.sequence, "-", row.digest), row.signature or "")
        assert not is_signed(KEY.public, event_statement("bench-2", row.sequence, "-", row.digest), row.signature or "")


@pytest.mark.parametrize(
    "statements, sequence",
    [
        pytest.param(["UPDATE events SET canonical = replace(canonical, 'P2', 'PX') WHERE sequence = 3"], 3, id="text"),
        pytest.param([f"UPDATE events SET signature = '{'0' * 128}' WHERE sequence = 4"], 4, id="signature"),
        pytest.param(["UPDATE events SET signature = NULL WHERE sequence = 5"], 5, id="signature taken away"),
        pytest.param(["UPDATE events SET signature = 'xyz' WHERE sequence = 5"], 5, id="no signature"),
        pytest.param(["DELETE FROM events WHERE sequence > 6"], 7, id="end cut off"),
        pytest.param(["DELETE FROM events WHERE sequence > 6", "UPDATE head SET sequence = 6"], 6, id="end moved"),
        pytest.param(["DELETE FROM head"], 8, id="signed end taken away"),
        pytest.param(["DELETE FROM keys"], 1, id="key taken away"),
        pytest.param([f"UPDATE keys SET public = '{OTHER.public}'"], 1, id="another key"),
        pytest.param(["UPDATE keys SET after = 4"], 1, id="key moved"),
    ],
)
def test_a_change_without_the_key_is_named_with_its_event(path: Path, statements: list[str], sequence: int) -> None:
    tampered(path, *statements)
    with EventLog.open(path, "bench-1") as log, pytest.raises(ChainError) as caught:
        log.verify()
    assert caught.value.sequence == sequence


def test_an_end_cut_off_is_not_written_on(path: Path) -> None:
    tampered(path, "DELETE FROM events WHERE sequence > 6")
    with EventLog.open(path, "bench-1", signer=KEY) as log, pytest.raises(LogCutOff, match="ends with event 6"):
        add(log, 1)


def test_a_signed_log_is_read_and_not_written_without_its_key(path: Path) -> None:
    with EventLog.open(path, "bench-1") as log:
        with pytest.raises(LogNotSigned, match="put bench.key back"):
            add(log, 1)
        assert log.verify()[0] == 8


def test_an_older_log_goes_on_signed_and_its_unsigned_part_is_counted(tmp_path: Path) -> None:
    with EventLog.open(tmp_path / "events.db", "bench-1") as log:
        add(log, 3)
        chain = log.examine()
        assert (chain.unsigned, chain.signed_from) == (3, None)
    with EventLog.open(tmp_path / "events.db", "bench-1", signer=KEY) as log:
        tampered(log.path, "UPDATE events SET signature = 'x' WHERE sequence = 2")
        with pytest.raises(ChainError, match="Event 2 is signed by a key that is not known"):
            log.verify()
        tampered(log.path, "UPDATE events SET signature = NULL WHERE sequence = 2")
        add(log, 2)
        chain = log.examine()
    assert (chain.sequence, chain.unsigned, chain.signed_from) == (5, 3, 4)


def test_a_new_key_signs_from_where_it_began_and_the_old_one_never_again(path: Path) -> None:
    with EventLog.open(path, "bench-1", signer=OTHER) as log:
        add(log, 2)
        assert [(key.public, key.after) for key in log.keys] == [(KEY.public, 0), (OTHER.public, 8)]
        assert log.verify()[0] == 10
    with pytest.raises(LogNotSigned, match="has had this key replaced"):
        EventLog.open(path, "bench-1", signer=KEY)


# ---- the key's file


def test_the_key_is_made_once_and_its_owner_alone_can_read_it(tmp_path: Path) -> None:
    first, again = bench_key(tmp_path), bench_key(tmp_path)
    assert first.public == again.public and first.public != bench_key_elsewhere(tmp_path).public
    (file,) = (one for one in tmp_path.iterdir() if one.is_file())
    assert file.name == "bench.key" and stat.S_IMODE(file.stat().st_mode) == 0o600
    assert first.public not in file.read_text(encoding="ascii")


def bench_key_elsewhere(tmp_path: Path) -> Signer:
    (tmp_path / "other").mkdir()
    return bench_key(tmp_path / "other")


@pytest.mark.parametrize(
    "content, mode, expect",
    [("0" * 64 + "\n", 0o644, "can be read by others; run: chmod 600"), ("short\n", 0o600, "is damaged")],
)
def test_a_key_file_that_cannot_be_trusted_is_refused(tmp_path: Path, content: str, mode: int, expect: str) -> None:
    (tmp_path / "bench.key").write_text(content, encoding="ascii")
    (tmp_path / "bench.key").chmod(mode)
    with pytest.raises(StoreError, match=expect) as caught:
        bench_key(tmp_path)
    assert content.strip() not in str(caught.value)


def test_keys_have_names_short_enough_to_compare() -> None:
    assert key_name(KEY.public) != key_name(OTHER.public) and len(key_name(KEY.public)) == 19
