"""`benchcall verify`: a log, a backup, or an exported record, on any machine and without a server.

What is checked is never written to: a log elsewhere is copied to a temporary place and opened there.
"""

from __future__ import annotations

import re
import shutil
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from capture.clips import named_in, wrong_files
from capture.domain.errors import ChainError, DomainError
from capture.domain.evidence import Chain, Key, in_words
from capture.domain.exported import check, export, from_json, to_json
from capture.domain.record import InspectionRecord, fold
from capture.domain.signature import is_public_key, key_name
from capture.errors import CaptureError, SettingsError, StoreError
from capture.store.eventlog import EventLog
from capture.store.keys import NAME as KEY_NAME
from capture.store.keys import bench_key

_BLOCK = re.compile(r'\n<script type="application/json" id="benchcall-evidence">(.*?)</script>\n', re.S)
_END = "</body></html>"


@dataclass(slots=True)
class Finding:
    """What verifying found. `said`: lines that tell what was checked; `wrong`: lines that name what is not whole."""

    said: list[str] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)


def verify_path(path: Path, key: str = "") -> Finding:
    """Verify a file or folder of ours, whatever it is.

    Args:
        key: public key (hex) or its short name that must have signed the end; "" takes the one that is there.
    Raises:
        SettingsError: there is nothing of ours.
    """
    if path.is_dir():
        return verify_folder(path, key)
    try:
        with path.open("rb") as file:
            start = file.read(16)
    except OSError as error:
        why = f"File {path} cannot be read ({error.strerror})"
        raise SettingsError(f"{why}; give a log, a backup or a record") from None
    if start.startswith(b"SQLite format 3"):
        return verify_log(path, key)
    try:
        return verify_text(path.read_bytes().decode("utf-8"), key)
    except UnicodeDecodeError:
        raise SettingsError(
            f"File {path} carries no evidence; give a log, a backup, or a record written as HTML or JSON"
        ) from None


def verify_folder(folder: Path, key: str = "") -> Finding:
    """Verify a data folder or a backup: its log, and the clips and photos beside it."""
    if not (folder / "events.db").is_file():
        raise SettingsError(f"Folder {folder} holds no events.db; give a bench's data folder or a backup")
    if not key and (folder / KEY_NAME).exists():
        key = bench_key(folder).public
    found = Finding()
    with copied(folder / "events.db") as log:
        _add_log(found, log, key)
        _add_files(found, log, folder)
    return found


def verify_log(path: Path, key: str = "") -> Finding:
    """Verify a log that stands alone."""
    found = Finding()
    with copied(path) as log:
        _add_log(found, log, key)
    return found


@contextmanager
def copied(path: Path) -> Iterator[EventLog]:
    """Open a copy of a log of any bench, with what its write-ahead log holds."""
    with tempfile.TemporaryDirectory(prefix="benchcall-") as folder:
        copy = Path(folder) / "events.db"
        try:
            for ending in ("", "-wal"):
                if Path(f"{path}{ending}").exists():
                    shutil.copyfile(f"{path}{ending}", f"{copy}{ending}")
        except OSError as error:
            raise StoreError(f"Log {path} cannot be copied to be checked ({error.strerror}); make room") from None
        with EventLog.open(copy, bench_of(copy, path)) as log:
            log.path = path  # for messages
            yield log


def bench_of(copy: Path, path: Path) -> str:
    """Return the name of the bench whose log this is."""
    connection = sqlite3.connect(copy)
    try:
        row = connection.execute("SELECT name FROM bench").fetchone()
        return str(row[0])
    except (sqlite3.Error, TypeError):
        raise StoreError(f"File {path} is no bench's log, or it is damaged; give another copy") from None
    finally:
        connection.close()


def _add_log(found: Finding, log: EventLog, key: str) -> None:
    try:
        chain = log.examine()
        found.said.append(f"{chain.sequence} events of bench {log.bench}, chain whole, last hash {chain.last_hash}")
        found.said += _signed(chain, log.keys)
        if log.keys and chain.sequence > log.acknowledged:
            found.said.append(
                f"Events {log.acknowledged + 1} to {chain.sequence} are not acknowledged by a server: until they are, "
                "whoever holds this bench's key could write them anew"
            )
        _check_key(found, log.keys, key)
    except (ChainError, StoreError) as error:
        found.wrong.append(str(error))


def _add_files(found: Finding, log: EventLog, folder: Path) -> None:
    try:
        named = named_in(log.events())
    except CaptureError:
        return  # the log itself is damaged, which is said
    wrong = list(wrong_files(folder, named.values()))
    removed = sum(one.removed_by is not None for one in named.values())
    if named:
        there = len(named) - removed
        found.said.append(f"{there} clips and photos named by digest, {len(wrong)} wrong; {removed} removed by rule")
    found.wrong += wrong


def _signed(chain: Chain, keys: tuple[Key, ...]) -> list[str]:
    return [in_words(chain, keys)[:1].upper() + in_words(chain, keys)[1:]]


def _check_key(found: Finding, keys: tuple[Key, ...], wanted: str) -> None:
    if not wanted:
        if keys:
            found.said.append("Compare that key with the one the bench printed when it enrolled, or give it with --key")
    elif not keys:
        found.wrong.append(f"Nothing here is signed, and key {_short(wanted)} was to have signed it")
    elif wanted not in (keys[-1].public, key_name(keys[-1].public)):
        found.wrong.append(f"The end is signed by key {key_name(keys[-1].public)}, not by {_short(wanted)}")


def _short(key: str) -> str:
    return key_name(key) if is_public_key(key) else key[:40]


# ---- exported records


def evidence_of(log: EventLog, job: str, page: Callable[[InspectionRecord, str], bytes] | None = None) -> str:
    """Return the evidence of a job as JSON. Events of other jobs are left out unless the page needs them."""
    rows, keys = list(log.rows()), log.keys
    last = rows[-1].digest
    seal = log.seal(rows[-1].sequence, last)
    lean = export(log.bench, job, keys, rows, seal)
    if page is not None:
        whole = page(fold(tuple(log.events()))[job], last)
        if page(fold(check(lean)[1])[job], last) != whole:
            lean = export(log.bench, "", keys, rows, seal)
    return to_json(lean)


def with_evidence(page: bytes, evidence: str) -> bytes:
    """Return a page with its evidence at its end."""
    text = page.decode()
    head, end, tail = text.rpartition(_END)
    return f'{head}\n<script type="application/json" id="benchcall-evidence">{evidence}</script>\n{end}{tail}'.encode()


def verify_text(text: str, key: str = "") -> Finding:
    """Verify an exported record: evidence alone (JSON), or a page that carries it."""
    found = Finding()
    block = _BLOCK.search(text)
    if block is None and not text.lstrip().startswith("{"):
        raise SettingsError("This page carries no evidence; write it with benchcall report, as HTML or JSON")
    try:
        exported = from_json(block[1] if block else text)
        chain, events = check(exported)
    except DomainError as error:
        found.wrong.append(str(error))
        return found
    left_out = chain.sequence - len(events)
    found.said.append(
        f"{len(events)} events of bench {exported.bench}, {left_out} of other jobs left out, "
        f"chain whole, last hash {chain.last_hash}"
    )
    found.said += _signed(chain, exported.keys)
    found.said.append("This is the log as it was when exported; what came later only the log or the server can say")
    _check_key(found, exported.keys, key)
    if block is not None:
        _compare(found, _BLOCK.sub("", text, count=1), fold(events), chain.last_hash)
    return found


def _compare(found: Finding, printed: str, records: dict[str, InspectionRecord], last_hash: str) -> None:
    """Say whether a page prints what its evidence says, by making it anew."""
    from capture.report import page

    made = {job: page(record, last_hash=last_hash).split("\n") for job, record in records.items()}
    lines = printed.split("\n")
    if any(lines == one for one in made.values()):
        found.said.append("The page prints what these events say")
        return
    closest = max(made.values(), key=lambda one: sum(a == b for a, b in zip(one, lines, strict=False)), default=[])
    at = next((n for n, (a, b) in enumerate(zip(closest, lines, strict=False), 1) if a != b), len(closest) + 1)
    found.wrong.append(
        f"Line {at} of the page is not what these events say; it was changed, or another version of benchcall wrote it"
    )
