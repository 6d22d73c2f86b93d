"""What a bench keeps and does outside a session: jobs, enrolment, upload, verification, reports."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from capture import report as pages
from capture.domain.identifiers import TagText, to_text
from capture.domain.plan import InspectionPlan, load
from capture.domain.record import InspectionRecord, fold
from capture.domain.reopen import merged
from capture.domain.signature import key_name
from capture.earlier import keep_earlier, read_earlier_file
from capture.errors import CaptureError, SettingsError, StoreError, UploadError
from capture.settings import Settings
from capture.store.eventlog import EventLog
from capture.store.keys import bench_key

if TYPE_CHECKING:
    from capture.verify import Finding


def open_log(settings: Settings) -> EventLog:
    """Open this bench's event log, making folder and file on first use."""
    try:
        settings.data.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StoreError(
            f"Data folder {settings.data} cannot be made ({error.strerror}); give another with --data"
        ) from None
    return EventLog.open(settings.data / "events.db", settings.bench, signer=bench_key(settings.data))


def read_plan(path: Path) -> InspectionPlan:
    """Read and check a plan file.

    Raises:
        SettingsError: the file cannot be read as text.
        PlanError: the plan is wrong.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        raise SettingsError(f"Plan {path} cannot be read ({error.strerror}); give a TOML file") from None
    except UnicodeDecodeError:
        raise SettingsError(f"Plan {path} is not UTF-8 text; save it as UTF-8") from None
    return load(text, name=str(path))


def jobs(settings: Settings) -> dict[str, InspectionPlan]:
    """Return the jobs on this bench: name -> plan, one TOML file each under `jobs`."""
    return {path.stem: read_plan(path) for path in sorted((settings.data / "jobs").glob("*.toml"))}


def add_job(settings: Settings, name: str, plan: InspectionPlan) -> Path:
    """Put a job on the bench. A job that is there with another plan is refused, never overwritten."""
    to_text(TagText("J", name))  # refuses a name that no tag could carry
    path = settings.data / "jobs" / f"{name}.toml"
    if path.exists() and path.read_text(encoding="utf-8") != plan.text:
        raise SettingsError(f"Job {name!r} is on this bench with another plan; give the new one another name")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(plan.text, encoding="utf-8")
    except OSError as error:
        raise StoreError(f"Job {name!r} was not written ({error.strerror}); make room or check the disk") from None
    return path


def job(
    settings: Settings,
    name: str | None,
    plan: Path | None,
    earlier: tuple[Path, ...] = (),
    day: date | None = None,
) -> int:
    """The `job` command. `earlier`: logs or lists of earlier overhauls; `day`: of those whose clock was not known."""
    if name is None:
        for known, its_plan in jobs(settings).items():
            print(f"{known}  {to_text(TagText('J', known))}  {its_plan.title}, revision {its_plan.revision}")
        return 0
    if plan is None:
        raise SettingsError(f"Job {name!r} was given no plan; add the plan's file")
    its_plan = read_plan(plan)
    overhauls = merged(*(read_earlier_file(file, its_plan, day) for file in earlier))
    path = add_job(settings, name, its_plan)
    print(f"Job {name} is on this bench ({path}); its tag reads {to_text(TagText('J', name))}")
    if earlier:
        keep_earlier(settings, name, overhauls)
        listed = ", ".join(f"{one.job} of {one.day.isoformat()}" for one in overhauls)
        print(f"It starts from {listed}")
    return 0


def tags(settings: Settings, name: str, file: Path, parts: Sequence[str], size: str, symbol: str) -> int:
    """The `tags` command: a sheet of labels for a job, to print and cut."""
    from capture.export.labels import label, labels_of, sheet

    known = jobs(settings)
    if name not in known:
        raise SettingsError(f"Job {name!r} is not on this bench; it holds {', '.join(known) or 'none'}")
    width, _, height = size.partition("x")
    if not (width.isdecimal() and height.isdecimal()):
        raise SettingsError(f"Label size {size!r} is not width x height in mm; give for example 50x25")
    labels = [*labels_of(known[name], name), *[label(TagText("P", part)) for part in parts]]
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(sheet(labels, size=(int(width), int(height)), symbol=symbol))
    except OSError as error:
        raise StoreError(f"Sheet {file} was not written ({error.strerror}); give another place") from None
    print(f"{len(labels)} tags written to {file}; print without scaling")
    return 0


def read_enrolment(settings: Settings) -> tuple[str, str]:
    """Return (server URL, token) as kept at enrolment.

    Raises:
        UploadError: this bench is not enrolled.
    """
    path = settings.data / "enrolment.json"
    try:
        kept = json.loads(path.read_text(encoding="utf-8"))
        return kept["server"], kept["token"]
    except FileNotFoundError:
        raise UploadError("This bench is not enrolled; run: benchcall enrol URL CODE") from None
    except (OSError, ValueError, KeyError, TypeError):
        raise UploadError(f"Enrolment {path} cannot be read; enrol this bench again") from None


def enrol(settings: Settings, url: str, code: str) -> int:
    """The `enrol` command: trade a one-time code for a token, kept readable by this user alone.

    The server is given this bench's public key and the event after which it signs.
    """
    from capture.upload import enrol as ask

    with open_log(settings) as log:
        key = log.keys[-1]
    token = ask(url, code, settings.bench, key)
    path = settings.data / "enrolment.json"
    try:
        settings.data.mkdir(parents=True, exist_ok=True)
        part = path.with_suffix(".part")
        with open(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w", encoding="utf-8") as file:
            json.dump({"server": url, "token": token}, file)
            file.flush()
            os.fsync(file.fileno())
        os.replace(part, path)
    except OSError as error:
        raise StoreError(f"Enrolment {path} was not written ({error.strerror}); make room, enrol again") from None
    print(f"Bench {settings.bench} is enrolled with {url}, key {key_name(key.public)}")
    return 0


def upload(settings: Settings) -> int:
    """The `upload` command."""
    from capture.upload import open_client, upload_pending

    url, token = read_enrolment(settings)
    with open_log(settings) as log, open_client(url, token) as client:
        done = upload_pending(log, client)
    print(f"Sent {done.sent}, the server holds events 1 to {done.acknowledged}")
    return 0


def verify(settings: Settings, path: Path | None, key: str) -> int:
    """The `verify` command: this bench's own data folder, or a log, a backup, an exported record. Returns 0 or 6."""
    from capture.verify import verify_folder, verify_path

    if path is None:
        open_log(settings).close()  # makes a first log, takes up a new key
        return told(verify_folder(settings.data))
    return told(verify_path(path, key))


def told(found: Finding) -> int:
    """Print what verifying found; return 0, or the exit code of a log that is not whole."""
    for line in found.said:
        print(line)
    for line in found.wrong:
        print(f"benchcall: {line}", file=sys.stderr)
    return StoreError.exit_code if found.wrong else 0


def backup(settings: Settings, target: Path) -> int:
    """The `backup` command."""
    from capture.backup import backup as make

    code = told(make(settings, target))
    print(f"Backup written to {target}; this bench's key and token are not in it")
    return code


def restore(settings: Settings, source: Path) -> int:
    """The `restore` command."""
    from capture.backup import restore as put_back

    code = told(put_back(settings, source))
    print(f"Restored from {source}; this bench makes a key of its own: enrol it again before it uploads")
    return code


def clips(settings: Settings, older_than: int, by: str) -> int:
    """The `clips` command: remove audio by the shop's rule."""
    from capture.clips import remove_older

    with open_log(settings) as log:
        named, unnamed = remove_older(settings, log, older_than, by, datetime.now(UTC))
    print(f"Removed {named} clips of events, each noted in the log, and {unnamed} that no event names")
    return 0


def _html(record: InspectionRecord, last_hash: str) -> bytes:
    return pages.page(record, last_hash=last_hash).encode()


def _pdf(record: InspectionRecord, last_hash: str) -> bytes:
    from capture.export.pdf import pdf  # only here: the pages' library takes its time to load

    return pdf(record, last_hash=last_hash)


def _qif(record: InspectionRecord, last_hash: str) -> bytes:
    from capture.export.qif import qif_xml

    return qif_xml(record, last_hash=last_hash)


REPORTS: dict[str, Callable[[InspectionRecord, str], bytes]] = {".html": _html, ".pdf": _pdf, ".qif": _qif}
"""Ending of a report's file -> what makes it of a record and the hash of the log's last event."""


def report(settings: Settings, name: str, file: Path) -> int:
    """The `report` command."""
    with open_log(settings) as log:
        write_report(log, name, file)
    print(f"Report written to {file}")
    return 0


def write_report(log: EventLog, name: str, file: Path) -> None:
    """Write a job's record in the form the file's name asks for, see `REPORTS`.

    Raises:
        CaptureError: the log holds no such job, the name asks for no form we know, or the file cannot be written.
    """
    from capture.verify import evidence_of, with_evidence

    ending = file.suffix.lower()
    make = REPORTS.get(ending)
    if make is None and ending != ".json":
        known = ", ".join((*REPORTS, ".json"))
        raise SettingsError(f"Report {file} has an ending of no known form; use one of {known}")
    records = fold(tuple(log.events()))
    if name not in records:
        raise CaptureError(f"Job {name!r} is not in this log; it holds {', '.join(records) or 'none'}")
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        if make is None:
            content = evidence_of(log, name).encode()
        else:
            content = make(records[name], log.last[1])
            content = with_evidence(content, evidence_of(log, name, make)) if ending == ".html" else content
        file.write_bytes(content)
    except OSError as error:
        raise StoreError(f"Report {file} was not written ({error.strerror}); give another place") from None
