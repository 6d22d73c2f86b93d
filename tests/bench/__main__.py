"""`make bench`: measure, print one table, and write build/bench.json, one flat object from figure name to number.

Each bench is a module with `figures() -> dict[str, float]`, run in a process of its own: what one leaves in memory,
or breaks, does not touch the next. It may also have `GOALS: dict[str, str]`, such as ">= 0.95" or "<= tags.other_ms".
A bench that is missing or does not come through is said plainly, the others are still shown, and the exit code is 1.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import os
import platform
import re
import subprocess
import sys
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path

from tests.bench.table import Measured, table, unusable

ROOT = Path(__file__).resolve().parents[2]
BENCHES = {
    "check": "tests.domain.bench_check",
    "tags": "tests.hardware.bench_tags",
    "sync": "tests.server.bench_sync",
    "hearing": "tests.speech.bench_hearing",
    "demo": "tests.bench.demo",
}
LONGEST_S = 1800.0
# Goals of figures whose bench states none itself.
GOALS = {
    "tags.read_share": ">= 0.955",  # 149 of 156, what either library reads: ../shared/tags/README.md
    "tags.wrong_payloads": "== 0",
    "tags.ms_median_ratio": "<= 1",  # no slower than the two libraries one after the other
}


def measure(bench: str, module: str) -> Measured:
    """Run one bench in its own process and read back what it wrote."""
    if importlib.util.find_spec(module) is None:
        return Measured(bench, problem=f"{module.replace('.', '/')}.py is not there")
    with tempfile.TemporaryDirectory() as folder:
        answer = Path(folder) / "answer.json"
        command = (sys.executable, "-m", "tests.bench", "--one", module, "--answer", str(answer))
        try:
            done = subprocess.run(command, cwd=ROOT, timeout=LONGEST_S, check=False)
        except subprocess.TimeoutExpired:
            return Measured(bench, problem=f"not done after {LONGEST_S:.0f} s")
        if done.returncode or not answer.exists():
            return Measured(bench, problem=f"exit code {done.returncode}; its own words stand above")
        told = json.loads(answer.read_text(encoding="utf-8"))
    figures, wrong = told["figures"], unusable(told["figures"])
    if not figures or wrong:
        return Measured(bench, problem=wrong or "it measured nothing")
    return Measured(bench, figures, told["goals"])


def run_one(module: str, answer: Path) -> None:
    """Call one bench's `figures()` and write what it gives."""
    bench = importlib.import_module(module)
    figures = bench.figures()
    stated = {name: goal for name, goal in GOALS.items() if name in figures} | getattr(bench, "GOALS", {})
    told = {"figures": figures, "goals": stated}
    answer.write_text(json.dumps(told), encoding="utf-8")


def machine() -> dict[str, str | int | float]:
    """Return what the figures were measured on: processor, cores, memory, Python, and how busy it was already."""
    model = ""
    sources = {"/proc/device-tree/model": r"(.+)", "/proc/cpuinfo": r"model name\s*:\s*(.+)"}
    for path, pattern in ((Path(name), pattern) for name, pattern in sources.items()):
        if not model and path.exists() and (found := re.search(pattern, path.read_text(errors="replace"))):
            model = found[1].strip("\0 ")
    return {
        "processor": model or platform.machine(),
        "cores": len(os.sched_getaffinity(0)),
        "memory_gib": round(os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30, 1),
        "system": f"{platform.system()} {platform.machine()}",
        "python": platform.python_version(),
        "load_before": round(os.getloadavg()[0], 2),
    }


def write(folder: Path, measured: Sequence[Measured], on: Mapping[str, str | int | float]) -> None:
    """Write bench.json, figures only, and bench-machine.json beside it."""
    folder.mkdir(parents=True, exist_ok=True)
    figures = {name: value for one in measured for name, value in one.figures.items()}
    for name, content in (("bench.json", figures), ("bench-machine.json", dict(on))):
        (folder / name).write_text(json.dumps(content, indent=2) + "\n", encoding="utf-8")


def main(arguments: Sequence[str]) -> int:
    """Run the benches asked for; return 0 only when every one of them came through."""
    parser = argparse.ArgumentParser(prog="make bench", description=__doc__)
    parser.add_argument("--only", default="", help=f"some of them, with commas between: {', '.join(BENCHES)}")
    parser.add_argument("--one", help=argparse.SUPPRESS)
    parser.add_argument("--answer", type=Path, help=argparse.SUPPRESS)
    chosen = parser.parse_args(arguments)
    if chosen.one:
        run_one(chosen.one, chosen.answer)
        return 0
    only = [name for name in chosen.only.split(",") if name]
    if unknown := sorted(set(only) - set(BENCHES)):
        print(f"make bench: unknown bench '{unknown[0]}'; choose from {', '.join(BENCHES)}", file=sys.stderr)
        return 2
    on = machine()
    measured = []
    for bench, module in BENCHES.items():
        if not only or bench in only:
            print(f"measuring {bench} ...", flush=True)
            measured.append(measure(bench, module))
    write(ROOT / "build", measured, on)
    print(f"\n{on['processor']}, {on['cores']} cores, Python {on['python']}, load before {on['load_before']}")
    print(table(measured))
    print("written: build/bench.json, build/bench-machine.json")
    return 1 if any(one.problem for one in measured) else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
