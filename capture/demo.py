"""`benchcall demo`: the demo shift through a bench, a server and the lead's page, compared with its manifest."""

from __future__ import annotations

import datetime
import html
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from capture.app import Bench, ClipStore, Step
from capture.domain.plan import InspectionPlan
from capture.domain.record import InspectionRecord, fold
from capture.errors import RehearsalError, StoreError
from capture.keep import REPORTS, add_job, enrol, open_log, read_enrolment, read_plan, write_report
from capture.rehearsal import Outcome, Shift, ShiftStep, Shop, compare_record, play, read_shift
from capture.session import Session
from capture.settings import Settings
from capture.speech.endpoint import Endpointer
from capture.speech.recogniser import open_recogniser
from capture.speech.vad import SileroVad
from capture.speech.voice import EspeakVoice
from capture.speech.words import RATE_HZ, Samples
from capture.store.eventlog import EventLog
from capture.upload import open_client, upload_pending

SHIFT_STARTS = datetime.datetime(2026, 3, 2, 7, 30, tzinfo=datetime.UTC)


@dataclass(slots=True)
class Printer:
    """Prints each step as it happens and keeps them for the comparison."""

    seen: list[Step]

    def __call__(self, step: Step) -> None:
        self.seen.append(step)
        text = step.text
        if step.kind == "heard" and step.hearing is not None and step.hearing.words:
            margin = "" if step.hearing.margin is None else f", margin {step.hearing.margin:.1f}"
            score = "" if step.hearing.score_per_word is None else f", score {step.hearing.score_per_word:.2f}"
            text = f"“{text}”{margin}{score}"
        name = {"said": f"says ({step.about})", "shown": "shows"}.get(step.kind, step.kind)
        print(f"  {_clock(step.at_s)}  {name:<20} {text}", flush=True)


def _clock(seconds: float) -> str:
    return f"{int(seconds // 60):02d}:{seconds % 60:04.1f}"


def _start_folder(out: Path) -> None:
    """Empty the demo's own folder; never one that something else made."""
    marker = out / ".benchcall-demo"
    try:
        if out.exists() and any(out.iterdir()) and not marker.exists():
            raise RehearsalError(f"Folder {out} holds other files; give an empty folder with --out")
        shutil.rmtree(out, ignore_errors=True)
        out.mkdir(parents=True)
        marker.write_text("made by benchcall demo; emptied at its next run\n", encoding="utf-8")
    except OSError as error:
        raise StoreError(f"Folder {out} cannot be made ({error.strerror}); give another with --out") from None


def run_demo(folder: Path, out: Path) -> int:
    """Play the shift in `folder`; results go to `out`, which is emptied first. Returns the exit code 0.

    Raises:
        RehearsalError: something came out otherwise than the manifest says; each difference is printed.
    """
    began = time.monotonic()
    shift = read_shift(folder)
    _start_folder(out)
    settings = Settings(out / "bench", bench="bench-1")
    plan = read_plan(folder / shift.plan_file)
    add_job(settings, shift.job, plan)
    print(f"The demo shift: {len(shift.steps)} steps at a bench of {plan.machine}\n")
    with open_log(settings) as log:
        seen: list[Step] = []
        outcome, shop = _play(settings, shift, plan_jobs={shift.job: plan}, log=log, seen=seen)
        record = fold(tuple(log.events()))[shift.job]
        differences = outcome.differences + compare_record(shift, record)
        _write_sounds(shop, out)
        for ending in REPORTS:
            write_report(log, shift.job, out / f"report{ending}")
        sequence, last_hash = log.verify()
        print(f"\n{sequence} events stored, chain whole, last hash {last_hash[:16]}")
        differences += _through_the_server(settings, log, shift.job, record, out)
    _print_record(record)
    _print_places(out)
    took_s = time.monotonic() - began
    print(f"\nPlayed {outcome.steps_played} steps, {_clock(outcome.seconds)} of shop time, in {took_s:.1f} s")
    if differences:
        for text in differences:
            print(f"  differs: {text}", file=sys.stderr)
        raise RehearsalError(f"The demo differs from its manifest in {len(differences)} place(s), listed above")
    print("All came out as the manifest says.")
    return 0


def _play(
    settings: Settings, shift: Shift, *, plan_jobs: dict[str, InspectionPlan], log: EventLog, seen: list[Step]
) -> tuple[Outcome, Shop]:
    shop = Shop()

    def clock() -> tuple[str, bool]:
        at = SHIFT_STARTS + datetime.timedelta(seconds=round(shop.now_s, 3))
        return at.isoformat(timespec="milliseconds").replace("+00:00", "Z"), False

    def begun(step: ShiftStep) -> None:
        names = ("words", "text", "press", "file")
        said = next((step.fields[n] for n in names if n in step.fields), ", ".join(step.fields.get("texts", ())))
        noise = f", noise {step.fields['noise_db']} dB" if "noise_db" in step.fields else ""
        print(f"\n[{step.number}/{len(shift.steps)}] {step.kind}: {said}{noise}", flush=True)

    recogniser = open_recogniser(settings.engine)
    try:
        bench = Bench(
            session=Session(plans=plan_jobs),
            log=log,
            clips=ClipStore(settings.data / "clips"),
            recogniser=recogniser,
            endpointer=Endpointer(SileroVad()),
            voice=EspeakVoice(rate_wpm=settings.words_per_minute),
            speaker=shop,
            clock=clock,
            watch=Printer(seen),
        )
        return play(shop, bench, shift, seen, begun=begun), shop
    finally:
        recogniser.close()


def _write_sounds(shop: Shop, out: Path) -> None:
    """Write what the microphone heard and all that the bench said, each as one file."""
    import soundfile  # type: ignore[import-untyped]

    stream: Samples = np.concatenate(shop.heard)
    own = np.zeros(len(stream) + RATE_HZ, dtype=np.int16)
    for start, sound in shop.spoken:
        part = own[start : start + len(sound)]
        part[:] = sound[: len(part)]
    soundfile.write(out / "microphone.flac", stream, RATE_HZ, subtype="PCM_16")
    soundfile.write(out / "bench-voice.flac", own, RATE_HZ, subtype="PCM_16")


@contextmanager
def running_server(data: Path) -> Iterator[tuple[str, str]]:
    """Run the real server on a free loopback port; give its address and a one-time enrolment code for bench-1."""
    data.mkdir(parents=True, exist_ok=True)
    base = [sys.executable, "-m", "server"]
    with open(data / "server.log", "w", encoding="utf-8") as log:
        process = subprocess.Popen(
            [*base, "serve", "--data", str(data), "--host", "127.0.0.1", "--port", "0"],
            stdout=subprocess.PIPE,
            stderr=log,
            text=True,
        )
        try:
            assert process.stdout is not None
            line = process.stdout.readline()
            if "http://" not in line:
                raise RehearsalError(f"The server did not start; see {data / 'server.log'}")
            url = "http://" + line.split("http://", 1)[1].split()[0]
            asked = subprocess.run(
                [*base, "enrolment-code", "--data", str(data), "--bench", "bench-1"],
                capture_output=True,
                text=True,
                check=True,
            )
            yield url, asked.stdout.split()[-1]
        finally:
            process.terminate()
            process.wait(timeout=20)
            if process.stdout is not None:
                process.stdout.close()


def _through_the_server(
    settings: Settings, log: EventLog, job: str, record: InspectionRecord, out: Path
) -> list[str]:
    """Enrol, upload, fetch the lead's page over HTTP, compare it with what the bench stored."""
    import httpx

    with running_server(out / "server") as (url, code):
        print(f"Server at {url}")
        enrol(settings, url, code)
        with open_client(*read_enrolment(settings)) as client:
            done = upload_pending(log, client)
        print(f"Uploaded {done.sent} events, acknowledged 1 to {done.acknowledged}")
        answer = httpx.get(f"{url}/jobs/{job}", timeout=30)
    (out / "lead-page.html").write_text(answer.text, encoding="utf-8")
    if answer.status_code != 200:
        return [f"the lead's page answered {answer.status_code}"]
    page = html.unescape(answer.text)
    wanted = [str(e.quantity) for e in record.entries] + [e.verdict.working for e in record.entries]
    wanted += [d.text for d in record.derived] + [d.verdict.working for d in record.derived]
    wanted += [tag for _, tag in record.tags]
    missing = [f"the lead's page does not show {text!r}" for text in dict.fromkeys(wanted) if text not in page]
    if not missing:
        print(f"The lead's page shows all {len(dict.fromkeys(wanted))} values, workings and tags the bench stored")
    return missing


def _print_record(record: InspectionRecord) -> None:
    print("\nThe record:")
    for entry in record.entries:
        print(f"  {entry.position:<24} {entry.characteristic:<16} {entry.quantity!s:<14} {entry.verdict.kind}")
    for derived in record.derived:
        print(f"  {derived.position:<24} {derived.derived:<16} {derived.text:<14} {derived.verdict.kind}")
    for finding in record.findings:
        print(f"  {finding.position:<24} {finding.finding:<16} {finding.severity or '':<14} {finding.answer}")
    print(f"  {len(record.left)} readings of the plan are not taken in this shift")


def _print_places(out: Path) -> None:
    names = {
        "report.pdf": "the record to sign and hand over; report.html and report.qif beside it",
        "lead-page.html": "the lead's page as fetched over HTTP",
        "microphone.flac": "all the microphone heard, the bench's own voice in it",
        "bench-voice.flac": "all the bench said",
        "bench/events.db": "the bench's log",
        "bench/clips": "each call's audio, named by its digest",
        "server": "the server's data and log",
    }
    print("\nWhere everything is:")
    for name, what in names.items():
        print(f"  {out / name}: {what}")
