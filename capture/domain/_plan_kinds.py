"""Characteristics that are no plain value: what a go and no-go gauge tries, and what is yes or no."""

from __future__ import annotations

from capture.domain._plan_words import check_name
from capture.domain._tables import Table
from capture.domain.plan import Characteristic

LIMIT_GAUGES: tuple[str, ...] = ("bore", "shaft")


def read_yes_no(table: Table | None, *, counted: bool) -> tuple[str, str] | None:
    """Read the words for yes and no; they must differ, and be none that answers a readback."""
    if table is None:
        return None
    words = table.words("yes"), table.words("no")
    table.done()
    for key, said in zip(("yes", "no"), words, strict=True):
        check_name(table, said, key)
    if words[0] == words[1]:
        raise table.error("no", f"has yes and no = {words[0]!r}", value=words[0], remedy="choose two words that differ")
    if not counted:
        raise table.error("yes", "is for what is counted", value=words[0], remedy='add counted = true, unit = "1"')
    return words


def check_limit_gauge(table: Table, one: Characteristic) -> None:
    """Refuse a limit gauge without both limits: its two ends are made to them."""
    if not one.limit_gauge:
        return
    limits = one.limits
    if one.beside or one.counted:
        remedy = "leave limit_gauge out, or beside and counted"
        raise table.error("limit_gauge", "has a limit gauge but is no size of a part", value=one.id, remedy=remedy)
    if limits is None or limits.lower is None or limits.upper is None:
        remedy = "give a lower and an upper limit, no rate"
        raise table.error("limit_gauge", "has a limit gauge but not both limits", value=one.limit_gauge, remedy=remedy)
