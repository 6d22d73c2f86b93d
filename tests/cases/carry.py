"""Carry rows of the outside check pack into this folder, each with its source and standing beside it.

Run as `python tests/cases/carry.py` where ../shared/reference is there; a test compares the two.
Explaining texts of the pack are left where they are.
"""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

# Arrays of the pack that the core does not compute, and why; every row of the others is in a test.
NOT_COMPUTED: dict[tuple[str, str], str] = {
    ("units", "ambiguous_word"): "what a word means is settled by the grammar and its plan, not by the core",
}
HERE = Path(__file__).parent
REFERENCE = HERE.parents[1].parent / "shared" / "reference"
PACKS = ("units", "rounding", "clearance", "iso286", "thermal", "decision", "uncertainty", "statistics")
KEPT = ("id", "in", "out", "unit", "tol", "tol_kind", "exact", "mode", "range", "range_standing", "source", "standing")


def carried(pack: str) -> dict[str, list[dict[str, Any]]]:
    """Return array name -> rows of a pack file, sources written out."""
    with (REFERENCE / f"{pack}.toml").open("rb") as file:
        data = tomllib.load(file)
    sources = data.pop("sources")
    arrays: dict[str, list[dict[str, Any]]] = {}
    for name, rows in data.items():
        if isinstance(rows, list):
            kept = [{key: row[key] for key in KEPT if key in row} for row in rows]
            arrays[name] = [{**row, "source": sources[row["source"]]} for row in kept]
    return arrays


def as_toml(value: Any) -> str:
    """Return a value as TOML on one line."""
    if isinstance(value, dict):
        names = {key: key if key.isidentifier() else json.dumps(key) for key in value}
        inner = ", ".join(f"{names[key]} = {as_toml(item)}" for key, item in value.items())
        return f"{{ {inner} }}" if inner else "{}"
    if isinstance(value, list):
        return f"[{', '.join(as_toml(item) for item in value)}]"
    if isinstance(value, float):
        return repr(value)
    return json.dumps(value, ensure_ascii=False)


def written(pack: str) -> str:
    """Return the text of our table of a pack."""
    lines = ["# Rows carried from the outside check pack; each says its source and standing. Made by carry.py."]
    for name, rows in carried(pack).items():
        lines += ["", f"{name} = [", *(f"  {as_toml(row)}," for row in rows), "]"]
    return "\n".join(lines) + "\n"


def table(pack: str) -> dict[str, list[dict[str, Any]]]:
    """Return the carried rows of a pack."""
    with (HERE / f"{pack}.toml").open("rb") as file:
        return tomllib.load(file)


def rows(pack: str, array: str) -> list[Any]:
    """Return the rows of one array as pytest parameters, named by their id."""
    import pytest

    return [pytest.param(row, id=row["id"]) for row in table(pack)[array]]


def rows_checked() -> tuple[int, int]:
    """Return how many rows the carried packs hold, and how many of them the core's tests check."""
    counts = {(pack, array): len(its) for pack in PACKS for array, its in table(pack).items()}
    return sum(counts.values()), sum(count for key, count in counts.items() if key not in NOT_COMPUTED)


if __name__ == "__main__":
    for one in PACKS:
        (HERE / f"{one}.toml").write_text(written(one), encoding="utf-8")
