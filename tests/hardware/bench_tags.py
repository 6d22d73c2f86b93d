"""Measure the tag reader on the shared photographs: `python -m tests.hardware.bench_tags` prints a table.

Figures: share read, wrong payloads, median time of one picture, and that time over the two libraries one after
the other at their defaults (grey picture, one pass), measured in the same run.
"""

from __future__ import annotations

import json
import sys
import time
from collections import Counter
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from statistics import median
from typing import Any, TypeVar

import cv2
import numpy as np
import zxingcpp

from capture.barcode import ALL_SYMBOLOGIES, read_symbols

SHARED_TAGS = Path(__file__).parents[2].parent / "shared" / "tags"

Result = TypeVar("Result")


def _lines(text: str | None) -> str | None:
    """Return text with line ends alike, as the truth's notes ask."""
    return None if text is None else text.replace("\r\n", "\n").replace("\r", "\n")


def _timed(call: Callable[[], Result], runs: int) -> tuple[Result, float]:
    """Return the result and the best time of some runs, ms."""
    times = []
    for _ in range(runs):
        start = time.perf_counter()
        result = call()
        times.append((time.perf_counter() - start) * 1000)
    return result, min(times)


def measure(folder: Path = SHARED_TAGS, runs: int = 3) -> dict[str, Any]:
    """Read every picture and return the figures, the table by symbology, and what was not read.

    A picture is read when its payload is among those returned, wrong when payloads were returned and it is not
    (for pictures without a symbol: any). `beside` are payloads returned beside the right one.
    """
    decode: Callable[[Any], Any] = import_module("pyzbar.pyzbar").decode
    table: dict[str, Counter[str]] = {}
    ours_ms: list[float] = []
    apart_ms: list[float] = []
    unread: list[str] = []
    wrong: list[str] = []
    beside: list[str] = []
    for entry in json.loads((folder / "truth.json").read_text()):
        grey = np.asarray(cv2.imread(str(folder / entry["file"]), cv2.IMREAD_GRAYSCALE), dtype=np.uint8)

        def both(grey: Any = grey) -> None:
            decode(grey)
            zxingcpp.read_barcodes(grey)

        def ours(grey: Any = grey) -> list[Any]:
            return read_symbols(grey, symbologies=ALL_SYMBOLOGIES, code39="full ascii")

        found, ms = _timed(ours, runs)
        ours_ms.append(ms)
        apart_ms.append(_timed(both, runs)[1])
        texts = [_lines(symbol.text) for symbol in found]
        truth = _lines(entry["text"])
        count = table.setdefault(entry["symbology"] or "none", Counter())
        count["pictures"] += 1
        if truth in texts:
            count["right"] += 1
            beside += [f"{entry['file']}: {text!r}" for text in texts if text != truth]
        elif texts:
            count["wrong"] += 1
            wrong.append(entry["file"])
        elif truth is not None:
            unread.append(entry["file"])
    symbols = sum(count["pictures"] for name, count in table.items() if name != "none")
    return {
        "figures": {
            "tags.read_share": sum(count["right"] for count in table.values()) / symbols,
            "tags.wrong_payloads": float(len(wrong)),
            "tags.ms_median": round(median(ours_ms), 3),
            "tags.ms_median_ratio": round(median(ours_ms) / median(apart_ms), 3),
            "tags.ms_total_ratio": round(sum(ours_ms) / sum(apart_ms), 3),
        },
        "table": table,
        "unread": unread,
        "wrong": wrong,
        "beside": beside,
    }


def figures() -> dict[str, float]:
    """Return the figures, {} where the shared photographs are not."""
    if not (SHARED_TAGS / "truth.json").is_file():
        return {}
    measured: dict[str, float] = measure()["figures"]
    return measured


def main() -> int:
    """Print the table and the figures."""
    if not (SHARED_TAGS / "truth.json").is_file():
        print("../shared is not here: no photographs to measure on")
        return 0
    measured = measure()
    print("| symbology | pictures | right | wrong |\n|---|---|---|---|")
    for name, count in measured["table"].items():
        print(f"| {name} | {count['pictures']} | {count['right']} | {count['wrong']} |")
    for key in ("unread", "wrong", "beside"):
        print(f"{key}: {', '.join(measured[key]) or 'none'}")
    for name, value in measured["figures"].items():
        print(f"{name} {value:.4g}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
