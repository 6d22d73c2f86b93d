"""Measure how long `make demo` takes once everything is set up: the demo shift, from sound and pictures to the page."""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
GOALS = {"demo.second_run_s": "<= 180"}
RUNS = 3
ENOUGH_S = 240.0  # no further run is begun after this long


def seconds_of_one_run() -> float:
    """Play the demo once, its words kept back unless it goes wrong; return the seconds it took."""
    command = (sys.executable, "-m", "capture", "demo", "--out", "build/bench-demo")
    begun = time.perf_counter()
    done = subprocess.run(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, check=False)
    took_s = time.perf_counter() - begun
    if done.returncode:
        raise SystemExit(f"benchcall demo gave exit code {done.returncode}:\n{done.stdout[-2000:]}")
    return took_s


def figures() -> dict[str, float]:
    """Return demo.second_run_s: the median of up to three runs after a first one that warms the disk's cache."""
    begun = time.perf_counter()
    seconds_of_one_run()
    taken = [seconds_of_one_run()]
    while len(taken) < RUNS and time.perf_counter() - begun < ENOUGH_S:
        taken.append(seconds_of_one_run())
    return {"demo.second_run_s": statistics.median(taken)}
