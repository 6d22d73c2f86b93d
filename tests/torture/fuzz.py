"""Fuzz the parsers: coverage-guided with atheris where it is installed, else by seeded mutation, and that is said.

    python -m tests.torture.fuzz [--seconds 20] [--seed 1] [TARGET ...]

Atheris is no dependency of ours (it lacks wheels for some machines): `pip install atheris` beside the project.
"""

from __future__ import annotations

import argparse
import importlib
import importlib.util
import random
import re
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tests.torture.parsers import TARGETS, Target

ROOT = Path(__file__).resolve().parents[2]
LARGEST = 16_384


@dataclass(frozen=True, slots=True)
class Fuzzed:
    """What one target came to: `finding` is the path of the input that broke it, "" when none did."""

    target: str
    inputs: int
    guided: bool
    finding: str


def has_atheris() -> bool:
    """Say whether coverage can guide."""
    return importlib.util.find_spec("atheris") is not None


def fuzz(name: str, seconds: float, seed: int, folder: Path) -> Fuzzed:
    """Fuzz one target in a process of its own, or here without atheris."""
    folder.mkdir(parents=True, exist_ok=True)
    if not has_atheris():
        return mutate(TARGETS[name], seconds, seed, folder)
    corpus = folder / name
    corpus.mkdir(exist_ok=True)
    for number, one in enumerate(TARGETS[name].seeds()):
        (corpus / f"seed-{number}").write_bytes(one)
    done = subprocess.run(
        [
            *(sys.executable, "-m", "tests.torture.fuzz", "--guided", name, str(corpus)),
            *(f"-max_total_time={max(1, int(seconds))}", f"-seed={seed or 1}", f"-max_len={LARGEST}"),
            *("-timeout=20", "-rss_limit_mb=4096", f"-artifact_prefix={folder}/{name}-"),
        ],
        cwd=ROOT,
        capture_output=True,
        text=True,
        errors="replace",
        check=False,
    )
    runs = [int(found) for found in re.findall(r"(?:Done |^#)(\d+)", done.stderr, flags=re.M)]
    broken = re.search(r"Test unit written to (\S+)", done.stderr)
    (folder / f"{name}.log").write_text(done.stderr[-20_000:], encoding="utf-8")
    if done.returncode and broken is None:
        return Fuzzed(name, max(runs, default=0), True, f"exit code {done.returncode}, see {folder / name}.log")
    return Fuzzed(name, max(runs, default=0), True, broken[1] if broken else "")


def mutate(target: Target, seconds: float, seed: int, folder: Path) -> Fuzzed:
    """Try mutated seeds for a while; the same seed tries the same inputs in the same order."""
    chance = random.Random(f"{seed} {target.name}")
    seeds = target.seeds()
    end, count = time.monotonic() + seconds, 0
    while time.monotonic() < end:
        data = mutated(chance, seeds)
        count += 1
        try:
            target.check(data)
        except Exception as error:
            path = folder / f"{target.name}-finding"
            path.write_bytes(data)
            print(f"{target.name}: {type(error).__name__}: {error}"[:300], file=sys.stderr)
            return Fuzzed(target.name, count, False, str(path))
    return Fuzzed(target.name, count, False, "")


def mutated(chance: random.Random, seeds: Sequence[bytes]) -> bytes:
    """Return a seed with a few places changed, dropped, doubled or taken from another seed."""
    data = bytearray(chance.choice(seeds))
    for _ in range(chance.choice((1, 1, 2, 4, 16))):
        at = chance.randrange(len(data) + 1)
        end = min(len(data), at + chance.choice((1, 1, 2, 8, 64)))
        what = chance.randrange(5)
        if what == 0:
            data[at:end] = bytes(chance.randrange(256) for _ in range(end - at))
        elif what == 1:
            del data[at:end]
        elif what == 2:
            data[at:at] = data[at:end] * chance.choice((1, 2, 50))
        elif what == 3:
            other = chance.choice(seeds)
            begin = chance.randrange(len(other) + 1)
            data[at:end] = other[begin : begin + 40]
        else:
            data[at:at] = chance.choice((b"[" * 2000, b"9" * 5000, b"\x00", "\u202e".encode(), b"\xff", b"1e999", b"{"))
    return bytes(data[:LARGEST])


def guided(name: str, options: Sequence[str]) -> None:
    """Hand one target to atheris; ends the process."""
    atheris = importlib.import_module("atheris")
    from capture.domain import _plan_toml, _tables, events, identifiers, plan, units
    from capture.language import automaton, grammar, numbers, values

    for module in (_plan_toml, _tables, events, identifiers, plan, units, automaton, grammar, numbers, values):
        for one in vars(module).values():
            if callable(one) and getattr(one, "__module__", "") == module.__name__ and hasattr(one, "__code__"):
                setattr(module, one.__name__, atheris.instrument_func(one))
    atheris.Setup([name, *options], TARGETS[name].check)
    atheris.Fuzz()


def main(arguments: Sequence[str]) -> int:
    """Fuzz what was asked for; return 1 when something was found."""
    if arguments[:1] == ["--guided"]:
        guided(arguments[1], arguments[2:])
        return 0
    parser = argparse.ArgumentParser(prog="python -m tests.torture.fuzz", description=__doc__)
    parser.add_argument("targets", nargs="*", metavar="TARGET", help=f"of {', '.join(TARGETS)}; all when none is given")
    parser.add_argument("--seconds", type=float, default=20.0, help="for each target")
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args(arguments)
    if not has_atheris():
        print("atheris is not installed: inputs are seeded mutations, not guided by coverage")
    found = [fuzz(name, chosen.seconds, chosen.seed, ROOT / "build" / "fuzz") for name in chosen.targets or TARGETS]
    for one in found:
        print(f"{one.target}: {one.inputs} inputs, {one.finding or 'nothing found'}", flush=True)
    return 1 if any(one.finding for one in found) else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
