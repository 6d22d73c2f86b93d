"""The carried tables are the outside pack's own rows."""

from __future__ import annotations

import re

import pytest

from tests.cases.carry import HERE, NOT_COMPUTED, PACKS, REFERENCE, carried, rows_checked, table


@pytest.mark.parametrize("pack", PACKS)
def test_carried_rows_are_those_of_the_pack(pack: str) -> None:
    if not REFERENCE.is_dir():
        pytest.skip("../shared is not here: the carried rows cannot be compared with the pack")
    assert table(pack) == carried(pack)


@pytest.mark.parametrize("pack", PACKS)
def test_every_carried_row_says_its_source_and_standing(pack: str) -> None:
    rows = [row for rows in table(pack).values() for row in rows]
    assert rows
    assert all(row["source"].strip() and row["standing"].strip() for row in rows)


def test_every_array_is_read_by_a_test_or_listed_with_its_reason() -> None:
    texts = "\n".join(path.read_text(encoding="utf-8") for path in (HERE.parent / "domain").glob("test_*.py"))
    read = set(re.findall(r"""rows\("(\w+)", "(\w+)"\)""", texts)) | set(
        re.findall(r"""table\("(\w+)"\)\["(\w+)"\]""", texts)
    )
    every = {(pack, array) for pack in PACKS for array in table(pack)}
    assert every - read == set(NOT_COMPUTED)
    assert all(reason for reason in NOT_COMPUTED.values())


def test_nearly_every_row_of_the_pack_is_checked() -> None:
    held, checked = rows_checked()
    assert held - checked == sum(len(table(pack)[array]) for pack, array in NOT_COMPUTED)
    assert checked / held > 0.98
