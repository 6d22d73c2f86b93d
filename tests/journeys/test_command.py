"""The `benchcall` command: every known fault is one line that names thing, value and remedy, with its exit code."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from pathlib import Path

import httpx
import pytest

from capture.demo import running_server
from capture.domain.events import Event
from capture.domain.identifiers import TagText, to_text
from capture.domain.plan import load
from capture.store.eventlog import EventLog

ROOT = Path(__file__).parents[2]
PLAN = ROOT / "demo_audio" / "plan.toml"


def benchcall(data: Path, *words: str, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run the command."""
    return subprocess.run(
        [sys.executable, "-m", "capture", "--data", str(data), *words],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        stdin=subprocess.DEVNULL,
        env=os.environ | environment,
    )


def only_line(done: subprocess.CompletedProcess[str]) -> str:
    """Return the one line of the error output."""
    lines = done.stderr.strip().splitlines()
    assert len(lines) == 1, done.stderr
    return lines[0]


def test_a_sheet_of_tags_is_written_for_a_job_on_the_bench(tmp_path: Path) -> None:
    benchcall(tmp_path, "job", "AW2-THRUST", str(PLAN))
    done = benchcall(tmp_path, "tags", "AW2-THRUST", str(tmp_path / "t.pdf"), "--part", "S101")
    assert done.returncode == 0 and "tags written" in done.stdout
    assert (tmp_path / "t.pdf").read_bytes().startswith(b"%PDF-1.")
    assert "'50' is not width x height" in only_line(
        benchcall(tmp_path, "tags", "AW2-THRUST", str(tmp_path / "u.pdf"), "--size", "50")
    )


def test_a_job_is_put_on_the_bench_and_its_tag_text_printed(tmp_path: Path) -> None:
    done = benchcall(tmp_path, "job", "AW2-THRUST", str(PLAN))
    assert done.returncode == 0 and to_text(TagText("J", "AW2-THRUST")) in done.stdout
    assert "AW2-THRUST" in benchcall(tmp_path, "job").stdout


@pytest.mark.parametrize(
    ("kind", "name", "text"),
    [
        ("badge", "RK", "BC1:B:RK:H"),
        ("job", "AW2-THRUST", "BC1:J:AW2-THRUST:T"),
        ("part", "AW2-S101", "BC1:P:AW2-S101:U"),
        ("place", "OUTBOARD-SHOE-1", "BC1:L:OUTBOARD-SHOE-1:Z"),
    ],
)
def test_the_text_of_a_tag_is_printed_with_its_check_character(tmp_path: Path, kind: str, name: str, text: str) -> None:
    """The wanted texts are those of the demo's manifest, whose check characters stdnum made."""
    assert benchcall(tmp_path, "tag", kind, name).stdout.strip() == text


def test_a_tag_name_with_other_characters_is_refused(tmp_path: Path) -> None:
    done = benchcall(tmp_path, "tag", "part", "ö 1")
    assert done.returncode == 10 and "ö 1" in only_line(done)


def test_a_job_name_that_no_tag_could_carry_is_refused(tmp_path: Path) -> None:
    done = benchcall(tmp_path, "job", "../up", str(PLAN))
    assert done.returncode == 10 and "../up" in only_line(done).lower()


def test_another_plan_never_overwrites_a_job_s_plan(tmp_path: Path) -> None:
    benchcall(tmp_path, "job", "AW2-THRUST", str(PLAN))
    other = tmp_path / "other.toml"
    other.write_text(PLAN.read_text(encoding="utf-8") + "\n# changed\n", encoding="utf-8")
    done = benchcall(tmp_path, "job", "AW2-THRUST", str(other))
    assert done.returncode == 2 and "another plan" in only_line(done)


def test_a_bad_plan_is_named_with_file_value_and_remedy(tmp_path: Path) -> None:
    bad = tmp_path / "bad.toml"
    bad.write_text(PLAN.read_text(encoding="utf-8").replace('lower = "1.246"', 'lower = "1.346"'), encoding="utf-8")
    done = benchcall(tmp_path, "plan", "check", str(bad))
    assert done.returncode == 10 and "bad.toml" in only_line(done) and "1.346" in only_line(done)


def test_a_missing_model_is_named_with_its_folder(tmp_path: Path) -> None:
    done = benchcall(tmp_path, "run", "--microphone", "none", BENCHCALL_WHISPER_MODEL=str(tmp_path / "nowhere"))
    assert done.returncode == 3 and "nowhere" in only_line(done)


def test_a_sound_file_that_is_none_is_named_and_the_bench_goes_on_by_typing(tmp_path: Path) -> None:
    sound = tmp_path / "x.flac"
    sound.write_bytes(b"not audio")
    with running(tmp_path, "--microphone", f"file:{sound}") as bench:
        wait_for(bench, "x.flac")
        type_line(bench, "what is left")
        wait_for(bench, "typed")
        end(bench)


def test_a_data_folder_that_cannot_be_made_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    done = benchcall(tmp_path / "file" / "data", "verify")
    assert done.returncode == 6 and "--data" in only_line(done)


def test_uploading_without_enrolment_says_how_to_enrol(tmp_path: Path) -> None:
    done = benchcall(tmp_path, "upload")
    assert done.returncode == 7 and "benchcall enrol" in only_line(done)


def test_a_server_that_is_away_is_named_and_nothing_is_lost(tmp_path: Path) -> None:
    done = benchcall(tmp_path, "enrol", "http://127.0.0.1:9", "CODE")
    assert done.returncode == 7 and "127.0.0.1:9" in only_line(done)


def test_an_unknown_setting_is_named_with_those_there_are(tmp_path: Path) -> None:
    (tmp_path / "benchcall.toml").write_text('volume = "loud"\n', encoding="utf-8")
    done = benchcall(tmp_path, "verify")
    assert done.returncode == 2 and "'volume'" in only_line(done)


def test_doctor_names_what_is_not_usable_and_what_to_do(tmp_path: Path) -> None:
    done = benchcall(tmp_path, "doctor", BENCHCALL_WHISPER_MODEL=str(tmp_path / "nowhere"))
    lines = {line.split()[0]: line for line in done.stdout.splitlines()}
    parts = {"microphone", "speaker", "camera", "pedal", "whisper", "voice", "log", "disk", "clock", "server"}
    assert set(lines) >= parts
    assert done.returncode == 11 and "NOT USABLE" in lines["whisper"]


# ---- a bench in a process of its own -----------------------------------------------------------------


def running(data: Path, *options: str) -> subprocess.Popen[str]:
    """Start a bench that takes typed lines; other devices are switched off unless named."""
    given = " ".join(options)
    for device in ("microphone", "speaker", "camera"):
        if f"--{device}" not in given:
            options += (f"--{device}", "none")
    return subprocess.Popen(
        [sys.executable, "-u", "-m", "capture", "--data", str(data), "run", *options],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        bufsize=1,
    )


def wait_for(bench: subprocess.Popen[str], text: str) -> str:
    """Read the bench's lines until one holds `text`; it ending first, or a minute without it, is a failure."""
    assert bench.stdout is not None
    seen = []
    patience = threading.Timer(60, bench.kill)
    patience.start()
    try:
        for line in bench.stdout:
            seen.append(line)
            if text in line:
                return line
    finally:
        patience.cancel()
    raise AssertionError(f"{text!r} never came; the bench printed: {''.join(seen)}")


def type_line(bench: subprocess.Popen[str], text: str) -> None:
    """Type a line at the bench."""
    assert bench.stdin is not None
    bench.stdin.write(text + "\n")
    bench.stdin.flush()


def end(bench: subprocess.Popen[str]) -> None:
    """Stop the bench as a service manager would."""
    bench.send_signal(signal.SIGTERM)
    assert bench.stdout is not None
    bench.stdout.read()
    assert bench.wait(timeout=30) == 0


def opened_log(data: Path) -> EventLog:
    """Make a log in which badge RK opened the demo job."""
    log = EventLog.open(data / "events.db", "bench-1")
    text = PLAN.read_text(encoding="utf-8")
    plan = load(text, name="plan.toml")
    badge = {"person": "RK", "raw": to_text(TagText("B", "RK"))}
    opened = {"job": "AW2-THRUST", "by": "RK", "plan_id": plan.id, "plan_revision": plan.revision, "plan_text": text}
    for kind, body in (("badge-read", badge), ("job-opened", opened)):
        log.append(kind, body, at="2026-03-02T07:30:00.000Z", clock_synchronised=False)
    return log


def readings(data: Path) -> list[Event]:
    """Return the reading events on disk, after checking the chain."""
    with EventLog.open(data / "events.db", "bench-1") as log:
        log.verify()
        return [event for event in log.events() if event.kind == "reading-taken"]


def test_a_bench_killed_after_storing_and_before_upload_loses_and_doubles_nothing(tmp_path: Path) -> None:
    opened_log(tmp_path).close()
    with running(tmp_path) as bench:
        wait_for(bench, "job AW2-THRUST goes on")
        type_line(bench, "outboard shoe 3 1.249")
        wait_for(bench, "waiting for affirm")
        type_line(bench, "affirm")
        wait_for(bench, "reading-taken")
        bench.kill()
    with running(tmp_path) as bench:
        wait_for(bench, "job AW2-THRUST goes on")
        type_line(bench, "outboard shoe 3 1.249")
        wait_for(bench, "already has one point two four nine inches")
        type_line(bench, "outboard shoe 4 1.250")
        wait_for(bench, "says")
        bench.kill()  # in the middle of a proposal: it was never a reading
    kept = [("outboard-shoe-3", "1.249")]
    assert [(e.body["position"], e.body["quantity"]["text"]) for e in readings(tmp_path)] == kept
    with running_server(tmp_path / "server") as (url, code):
        assert benchcall(tmp_path, "enrol", url, code).returncode == 0
        for _ in range(2):  # the second upload finds nothing to send
            assert benchcall(tmp_path, "upload").returncode == 0
        table = httpx.get(f"{url}/jobs/AW2-THRUST/readings.csv", timeout=30).text
    assert "1.250" not in table
    assert sum("1.249" in line for line in table.splitlines()) == 1


@pytest.mark.parametrize("engine", ["whisper"])
def test_the_bench_starts_without_any_device_says_so_and_takes_typed_calls(tmp_path: Path, engine: str) -> None:
    opened_log(tmp_path).close()
    with running(tmp_path, "--engine", engine, "--microphone", "default") as bench:
        line = wait_for(bench, "icrophone")
        assert "plug it in" in line or "No microphone" in line or "ready" in line
        type_line(bench, "outboard shoe 3 1.249")
        wait_for(bench, "one point two four nine")
        end(bench)


def test_without_a_camera_a_job_is_opened_and_a_part_bound_by_typed_or_scanned_tag_texts(tmp_path: Path) -> None:
    assert benchcall(tmp_path, "job", "AW2-THRUST", str(PLAN)).returncode == 0
    with running(tmp_path) as bench:
        wait_for(bench, "no job is open")
        for kind, name, answer in (
            ("B", "RK", "badge-read"),
            ("J", "AW2-THRUST", "job-opened"),
            ("P", "AW2-S105", "Show its place tag"),
            ("L", "OUTBOARD-SHOE-5", "tag-bound"),
            ("P", "AW2-S105", "Outboard shoe five. Shoe thickness?"),
        ):
            type_line(bench, to_text(TagText(kind, name)))
            wait_for(bench, answer)
        type_line(bench, "BC1:P:AW2-S105:0")  # a slip of the finger: the check character does not fit
        wait_for(bench, "Not one of our tags")
        end(bench)
