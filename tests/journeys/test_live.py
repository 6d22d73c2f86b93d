"""`benchcall run` as it runs at a bench: a real sound card (virtual), the microphone and speaker driver, a video."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
import pytest
import soundfile  # type: ignore[import-untyped]

from capture.app import read_sound
from tests.hardware import virtual_sound
from tests.hardware.virtual_sound import VirtualSound
from tests.journeys.test_command import end, opened_log, readings, wait_for
from tests.tools import needs

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "demo_audio"


@pytest.fixture(scope="module")
def card() -> Iterator[VirtualSound]:
    missing = virtual_sound.missing()
    if missing:
        needs.leave_out(missing)
    with tempfile.TemporaryDirectory(prefix="live-") as folder, VirtualSound.start(Path(folder)) as sound:
        yield sound


def start(card: VirtualSound, data: Path, *options: str) -> subprocess.Popen[str]:
    """Start a bench on the virtual sound card."""
    names = ("--microphone", virtual_sound.MICROPHONE, "--speaker", virtual_sound.SPEAKER)
    return subprocess.Popen(
        [sys.executable, "-u", "-m", "capture", "--data", str(data), "run", *names, *options],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        bufsize=1,
        env=os.environ | card.variables,
    )


def clip(words: str) -> np.ndarray[tuple[int], np.dtype[np.int16]]:
    """Return the demo's recording of these words, silence before it (the bench's voice has a tail) and behind."""
    import tomllib

    shift = tomllib.loads((DEMO / "shift.toml").read_text(encoding="utf-8"))
    step = next(s for s in shift["step"] if s.get("words") == words and "noise_db" not in s)
    silence = np.zeros(16_000, dtype=np.int16)
    return np.concatenate([silence[:8_000], read_sound(DEMO / step["file"]), silence])


@pytest.mark.slow
def test_a_reading_called_into_the_microphone_is_read_back_by_the_speaker_confirmed_and_stored(
    card: VirtualSound, tmp_path: Path
) -> None:
    opened_log(tmp_path).close()
    with start(card, tmp_path, "--camera", "none") as bench, card.speaker_tap() as tap:
        wait_for(bench, "goes on")
        card.say(clip("outboard shoe four one point two five zero"))
        wait_for(bench, "Outboard shoe four, one point two five zero inches.")
        wait_for(bench, "waiting for affirm")
        spoken = tap.wait_for(16_000, 20)
        card.say(clip("yes"))
        wait_for(bench, "reading-taken")
        end(bench)
    assert [(e.body["position"], e.body["quantity"]["text"]) for e in readings(tmp_path)] == [
        ("outboard-shoe-4", "1.250")
    ]
    assert np.abs(spoken.astype(int)).max() > 1000, "the speaker gave no readback"
    kept = readings(tmp_path)[0]
    audio, rate = soundfile.read(tmp_path / "clips" / f"{kept.body['clip']}.flac", dtype="int16")
    assert rate == 16_000 and len(audio) > 16_000


@pytest.mark.slow
def test_tags_on_a_video_open_the_job(card: VirtualSound, tmp_path: Path) -> None:
    video = tmp_path / "bench.avi"
    first = cv2.imread(str(DEMO / "tags" / "badge-rk-1.jpg"))
    assert first is not None
    size = (first.shape[1], first.shape[0])
    writer = cv2.VideoWriter(str(video), cv2.VideoWriter.fourcc(*"MJPG"), 4, size)
    blank = np.full_like(first, 90)
    for name in ("badge-rk", "job"):
        pictures = [cv2.imread(str(DEMO / "tags" / f"{name}-{turn}.jpg")) for turn in (1, 2)]
        for picture in [*pictures, *pictures, *[blank] * 16]:
            assert picture is not None
            writer.write(cv2.resize(picture, size))
    writer.release()
    jobs = tmp_path / "jobs"
    jobs.mkdir()
    (jobs / "AW2-THRUST.toml").write_text((DEMO / "plan.toml").read_text(encoding="utf-8"), encoding="utf-8")
    with start(card, tmp_path, "--camera", f"file:{video}") as bench:
        wait_for(bench, "badge-read")
        wait_for(bench, "job-opened")
        wait_for(bench, "Cautions are on the screen")
        end(bench)


@pytest.mark.slow
def test_a_microphone_that_is_pulled_out_is_said_and_typing_goes_on(card: VirtualSound, tmp_path: Path) -> None:
    opened_log(tmp_path).close()
    with start(card, tmp_path, "--camera", "none") as bench:
        wait_for(bench, "goes on")
        card.unplug_microphone()
        wait_for(bench, "Microphone lost.")
        assert bench.stdin is not None
        bench.stdin.write("outboard shoe 3 1.249\n")
        bench.stdin.flush()
        wait_for(bench, "one point two four nine")
        card.plug_in_microphone()
        wait_for(bench, "Microphone is back.")
        end(bench)
