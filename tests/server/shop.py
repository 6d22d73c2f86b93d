"""A real server process and benches that send to it, for the tests of the server and of the upload."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import httpx

from capture.domain.events import FIRST_PREVIOUS, Event, checked_body, to_dict
from capture.domain.plan import revision_of
from capture.store.eventlog import EventLog
from capture.upload import open_client
from server.auth import enrol as use_code
from server.auth import new_code
from server.settings import utc_now
from server.store import Store

ROOT = Path(__file__).parents[2]
PLAN = (ROOT / "demo_audio" / "plan.toml").read_text(encoding="utf-8")
AT = "2026-03-02T07:14:05.120Z"
PATIENCE_S = 30.0
T = TypeVar("T")


def until(ask: Callable[[], T | None], what: str, patience_s: float = PATIENCE_S) -> T:
    """Ask again and again, without sleeping, until there is an answer; fail when patience ends."""
    end = time.monotonic() + patience_s
    while time.monotonic() < end:
        found = ask()
        if found:
            return found
    raise AssertionError(f"{what} did not happen within {patience_s} s")


class Server:
    """One `benchcall-server serve` process over one data folder; it can be stopped, killed and started again."""

    def __init__(self, data: Path, *options: str) -> None:
        self.data = data
        self.port = 0
        self._options = options
        self._process: subprocess.Popen[str] | None = None
        self.log = data.parent / f"{data.name}.log"

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def start(self) -> Server:
        """Start it on a free port, or on the port it had."""
        with self.log.open("a", encoding="utf-8") as log:
            self._process = subprocess.Popen(
                [*command("serve", self.data), "--port", str(self.port), *self._options],
                cwd=ROOT,
                stdout=subprocess.PIPE,
                stderr=log,
                text=True,
            )
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        assert line.startswith("listening on http://"), f"{line!r}; {self.log.read_text()}"
        self.port = int(line.rsplit(":", 1)[1])
        return self

    def kill(self) -> None:
        """End it as a power cut would."""
        self._end(signal.SIGKILL)

    def stop(self) -> None:
        """End it as a service manager would."""
        self._end(signal.SIGTERM)

    def _end(self, how: signal.Signals) -> None:
        if self._process is None:
            return
        os.kill(self._process.pid, how)
        self._process.wait(timeout=PATIENCE_S)
        assert self._process.stdout is not None
        self._process.stdout.close()
        self._process = None

    def code(self, bench: str) -> str:
        """Return a one-time code, made beside the running server as the command does."""
        store = Store.open(self.data / "server.db")
        try:
            return new_code(store, bench, utc_now())
        finally:
            store.close()

    def enrolled(self, bench: str) -> str:
        """Return the token of a bench that is enrolled now; the server need not run."""
        code = self.code(bench)
        store = Store.open(self.data / "server.db")
        try:
            return use_code(store, code, bench, utc_now())
        finally:
            store.close()

    def client(self, bench: str) -> httpx.Client:
        """Return a client with the token of a bench that enrols now."""
        return open_client(self.url, self.enrolled(bench))

    def get(self, path: str, **more: Any) -> httpx.Response:
        """Fetch a page."""
        return httpx.get(f"{self.url}{path}", timeout=PATIENCE_S, trust_env=False, verify=False, **more)


def command(name: str, data: Path) -> list[str]:
    """Return the words that start a server command."""
    return [sys.executable, "-m", "server", name, "--data", str(data)]


def run(name: str, data: Path, *options: str) -> subprocess.CompletedProcess[str]:
    """Run a server command to its end."""
    return subprocess.run(
        [*command(name, data), *options], cwd=ROOT, capture_output=True, text=True, check=False, timeout=PATIENCE_S
    )


def job_opened(job: str, *, plan: str = PLAN) -> tuple[str, dict[str, Any]]:
    """Return kind and body of the event that opens a job."""
    body = {"job": job, "by": "RK", "plan_id": "demo", "plan_revision": revision_of(plan), "plan_text": plan}
    return "job-opened", body


def reading(job: str, position: str, characteristic: str, text: str, **more: Any) -> tuple[str, dict[str, Any]]:
    """Return kind and body of a reading; `more` replaces any field."""
    body = {
        "job": job,
        "position": position,
        "characteristic": characteristic,
        "quantity": {"text": text, "unit": more.pop("unit", "in")},
        "by": "RK",
        "confirmed_by": "voice",
        "words": f"{position} {text}",
        "confirmation_words": "affirm",
        "engine": "whisper",
        "model": "tiny.en",
        "margin": "3.41",
        "plan_revision": revision_of(PLAN),
        **more,
    }
    return "reading-taken", body


def finding(job: str, position: str, name: str, severity: str | None = None, **more: Any) -> tuple[str, dict[str, Any]]:
    """Return kind and body of a finding; `more` replaces any field."""
    body = {
        "job": job,
        "position": position,
        "finding": name,
        "severity": severity,
        "by": "TM",
        "confirmed_by": "pedal",
        "words": f"{position} {name}",
        "engine": "whisper",
        "model": "tiny.en",
        "margin": "2.08",
        "plan_revision": revision_of(PLAN),
        **more,
    }
    return "finding-noted", body


def tag(job: str, position: str, text: str) -> tuple[str, dict[str, Any]]:
    """Return kind and body of a tag bound to a position."""
    return "tag-bound", {"job": job, "tag": text, "symbology": "QRCode", "position": position, "by": "RK"}


def put(log: EventLog, *facts: tuple[str, dict[str, Any]], at: str = AT, synchronised: bool = True) -> list[Event]:
    """Append facts to a log."""
    return [log.append(kind, body, at=at, clock_synchronised=synchronised) for kind, body in facts]


def chain(bench: str, *facts: tuple[str, dict[str, Any]]) -> list[Event]:
    """Return facts as a bench's chain of events, without a log."""
    events: list[Event] = []
    for sequence, (kind, body) in enumerate(facts, 1):
        previous = events[-1].hash if events else FIRST_PREVIOUS
        events.append(Event(bench, sequence, AT, True, kind, checked_body(kind, body), previous))
    return events


def send(client: httpx.Client, bench: str, events: list[Event]) -> httpx.Response:
    """Post events as they are, past the uploader."""
    body = {"events": [to_dict(event) for event in events]}
    return client.post(f"/api/v1/benches/{bench}/events", json=body)


def demo_facts(job: str) -> list[tuple[str, dict[str, Any]]]:
    """Return a part of a shift with something of everything in it."""
    ring, shoe = "inboard-seal-ring", "outboard-shoe"
    cautions = [line.split('"')[1] for line in PLAN.splitlines() if line.startswith("text = ")]
    thickness = [
        reading(job, f"{shoe}-{number}", "shoe-thickness", text, gauge="M-104", tag=f"BC1:P:SHOE-O{number}:X")
        for number, text in [(1, "1.248"), (2, "1.250"), (3, "1.2500"), (5, "1.246"), (6, "1.257")]
    ]
    return [
        ("badge-read", {"person": "RK", "raw": "BC1:B:RK:7"}),
        job_opened(job),
        ("caution-acknowledged", {"job": job, "caution": cautions[0], "by": "RK", "confirmed_by": "voice"}),
        tag(job, f"{shoe}-1", "BC1:P:SHOE-O1:X"),
        tag(job, f"{shoe}-3", "00417"),
        *thickness,
        reading(job, f"{shoe}-4", "shoe-thickness", "1.205", words="outboard shoe four one point two zero five"),
        reading(
            job,
            f"{shoe}-4",
            "shoe-thickness",
            "1.250",
            replaces=11,
            words="correction one point two five zero",
            confirmed_by="pedal",
            confirmation_words=None,
        ),
        reading(job, f"{ring}-1", "seal-shaft", "5.4999"),
        reading(job, f"{ring}-1", "seal-bore", "5.5108"),
        reading(job, f"{ring}-2", "seal-shaft", "5.5001"),
        reading(job, f"{ring}-2", "seal-bore", "5.5131"),
        finding(job, f"{shoe}-7", "wiping", "light"),
        finding(job, f"{shoe}-2", "scoring", "heavy"),
    ]
