"""Carry the table of spoken numbers into this folder, each row with its source and standing.

Run as `python -m tests.language.carry` where ../shared/reference is there; a test compares the two.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from tests.cases.carry import REFERENCE, written

PACK = "spoken_numbers"
TABLE = Path(__file__).parent / f"{PACK}.toml"


def rows(array: str) -> list[dict[str, Any]]:
    """Return the carried rows of one array."""
    with TABLE.open("rb") as file:
        found: list[dict[str, Any]] = tomllib.load(file)[array]
    return found


if __name__ == "__main__":
    TABLE.write_text(written(PACK), encoding="utf-8")
    print(f"{TABLE.name} written from {REFERENCE.name}")
