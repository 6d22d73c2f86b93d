"""The main job from sound and pictures to the lead's page, as `make demo` runs it, and the demo's own honesty."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SHIFT = ROOT / "demo_audio"


def run_demo(shift: Path, out: Path, *, network: bool = True) -> subprocess.CompletedProcess[str]:
    """Run the demo in a process of its own; without network where the machine lets us take it away."""
    command = [sys.executable, "-m", "capture", "demo", "--shift", str(shift), "--out", str(out)]
    if not network:
        command = ["unshare", "--net", "sh", "-c", 'ip link set lo up 2>/dev/null; exec "$@"', "sh", *command]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=500, check=False)


def can_take_the_network_away() -> bool:
    """Whether this user may make a network namespace with a working loopback."""
    probe = ["unshare", "--net", "sh", "-c", "ip link set lo up && ip addr show lo | grep -q 127.0.0.1"]
    try:
        return subprocess.run(probe, capture_output=True, check=False).returncode == 0
    except OSError:
        return False


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[subprocess.CompletedProcess[str], Path]:
    out = tmp_path_factory.mktemp("demo") / "out"
    return run_demo(SHIFT, out, network=not can_take_the_network_away()), out


Demo = tuple[subprocess.CompletedProcess[str], Path]


@pytest.mark.slow
def test_the_demo_shift_comes_out_as_its_manifest_says_without_a_network(demo: Demo) -> None:
    done, _ = demo
    assert done.returncode == 0, done.stdout[-4000:] + done.stderr
    assert "All came out as the manifest says." in done.stdout


@pytest.mark.slow
def test_each_step_prints_what_was_heard_read_back_judged_and_stored(demo: Demo) -> None:
    text = demo[0].stdout
    assert "“one point two four eight”" in text
    assert "Outboard shoe one, one point two four eight inches." in text
    assert "1.248 in; limits 1.246 to 1.254 in (invented for the demo, plan author)" in text
    assert text.index("says (readback)") < text.index("reading-taken") < text.index("Stored. Within the stated limits")


@pytest.mark.slow
def test_the_lead_s_page_shows_what_the_bench_stored(demo: Demo) -> None:
    done, out = demo
    page = (out / "lead-page.html").read_text(encoding="utf-8")
    stored = sqlite3.connect(out / "bench" / "events.db")
    try:
        count = stored.execute("SELECT count(*) FROM events").fetchone()[0]
    finally:
        stored.close()
    assert f"Uploaded {count} events, acknowledged 1 to {count}" in done.stdout
    assert "1.248 in" in page and "nonconforming" in page


@pytest.mark.slow
def test_the_demo_leaves_a_report_and_both_sound_files(demo: Demo) -> None:
    _, out = demo
    assert "1.248 in" in (out / "report.html").read_text(encoding="utf-8")
    assert (out / "microphone.flac").stat().st_size > 100_000
    assert (out / "bench-voice.flac").stat().st_size > 100_000


@pytest.mark.slow
def test_a_record_that_differs_from_the_manifest_makes_the_demo_exit_with_8(tmp_path: Path) -> None:
    """Cut the shift after its first reading and expect another value: the demo must notice."""
    shift = tmp_path / "shift"
    shutil.copytree(SHIFT, shift, ignore=shutil.ignore_patterns("*.py", "__pycache__"))
    text = (shift / "shift.toml").read_text(encoding="utf-8")
    blocks = text.split("[[step]]")
    stored = next(i for i, block in enumerate(blocks) if 'expect = "stored"' in block)
    short = "[[step]]".join(blocks[: stored + 1])
    short += '\n[[expected_reading]]\nposition = "outboard-shoe-1"\ncharacteristic = "shoe-thickness"\n'
    short += 'value = "1.249"\nunit = "in"\nverdict = "conforming"\nby = "RK"\n'
    (shift / "shift.toml").write_text(short, encoding="utf-8")
    done = run_demo(shift, tmp_path / "out")
    assert done.returncode == 8
    assert "differs: reading ('outboard-shoe-1', 'shoe-thickness'): wanted ('1.249'" in done.stderr


def test_the_demo_never_empties_a_folder_that_is_not_its_own(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("keep", encoding="utf-8")
    done = run_demo(SHIFT, tmp_path)
    assert done.returncode == 8 and "holds other files" in done.stderr
    assert os.listdir(tmp_path) == ["mine.txt"]
