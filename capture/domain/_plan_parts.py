"""From the text of a plan: groups of parts, match marks, cleanings, and what a finding leads to."""

from __future__ import annotations

from collections.abc import Iterable

from capture.domain._plan_words import check_control, check_name
from capture.domain._tables import Table
from capture.domain.groups import ASK_THE_LEAD, CONSEQUENCES, IN_DOUBT, Cleaning, Mark, PartGroup, Rule
from capture.domain.plan import STANDINGS, FindingKind


def read_part_group(table: Table, group: str, spoken: str) -> PartGroup:
    """Read what a [[group]] says of its parts."""
    plural = table.words("plural", f"{spoken}s")
    face, place = table.words("face", ""), table.words("place", "")
    facing = table.texts("facing", needed=False)
    check_name(table, plural, "plural")
    for direction in facing:
        _spoken(table, "facing", direction)
    for key, name in (("face", face), ("place", place)):
        if name:
            check_name(table, name, key)
    if face and not facing:
        remedy = 'add facing = ["drive end", "free end"]'
        raise table.error("face", "has a face but nothing it can look towards", value=face, remedy=remedy)
    if len(facing) == 1:
        raise table.error("facing", "names one direction", value=facing[0], remedy="name two or more, or leave it out")
    return PartGroup(
        id=group,
        spoken=spoken,
        plural=plural,
        mark=table.flag("mark", False),
        facing=facing,
        face=face or ("marked face" if facing else ""),
        place=place,
        stays=table.flag("stays", False),
    )


def read_mark(table: Table) -> Mark:
    """Read a [[mark]]; its name may hold numbers ("two dots")."""
    one_id, spoken = table.id(), table.words("spoken")
    check_control(table, spoken)
    if spoken.split()[-1] == "made":
        remedy = 'leave "made" out: it is said after the mark'
        raise table.error("spoken", f"has spoken = {spoken!r}", value=spoken, remedy=remedy)
    table.done()
    return Mark(one_id, spoken)


def read_cleaning(table: Table) -> Cleaning:
    """Read a [[cleaning]]."""
    one_id, spoken = table.id(), table.words("spoken")
    check_name(table, spoken)
    one = Cleaning(one_id, spoken, table.text("source"), table.choice("standing", STANDINGS))
    table.done()
    return one


def read_looks(table: Table) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Read extents and faces of a [[finding]]."""
    found = []
    for key in ("extents", "faces"):
        words = table.texts(key, needed=False)
        for each in words:
            _spoken(table, key, each)
        found.append(words)
    return found[0], found[1]


def _spoken(table: Table, key: str, text: str) -> None:
    table.words_fit(key, text)
    check_name(table, text, key)


def read_rule(table: Table, findings: Iterable[FindingKind]) -> Rule:
    """Read a [[consequence]] of a finding the plan has."""
    known = {one.id: one for one in findings}
    kind = known[table.choice("finding", tuple(known))]
    chosen: dict[str, tuple[str, ...]] = {}
    for key, choices in (("severities", kind.severities), ("extents", kind.extents), ("faces", kind.faces)):
        chosen[key] = table.texts(key, needed=False)
        for each in chosen[key]:
            if each not in choices:
                message = f"names {each!r}, which finding {kind.id!r} does not have in its {key}"
                raise table.error(key, message, value=each, remedy=f"use some of {', '.join(choices) or 'none'}")
    one = Rule(
        finding=kind.id,
        then=table.choice("then", CONSEQUENCES),
        source=table.text("source"),
        standing=table.choice("standing", STANDINGS),
        **chosen,
    )
    table.done()
    return one


def check_doubt(table: Table, kind: FindingKind) -> None:
    """Refuse a severity that is the word for doubt: doubt always means ask the lead."""
    if IN_DOUBT in kind.severities:
        remedy = f'leave it out: every finding may be called "{IN_DOUBT}", which always means {ASK_THE_LEAD}'
        raise table.error("severities", f"has severity {IN_DOUBT!r}", value=IN_DOUBT, remedy=remedy)


def check_plurals(tables: Iterable[Table], groups: Iterable[PartGroup], spoken: Iterable[str]) -> None:
    """Refuse two groups called alike together, or all of one called as a single part is."""
    taken = dict.fromkeys(spoken, "a part")
    for table, one in zip(tables, groups, strict=True):
        if one.plural in taken:
            message = f"has plural = {one.plural!r}, which is also {taken[one.plural]}"
            raise table.error("plural", message, value=one.plural, remedy="choose other words")
        taken[one.plural] = f"all of group {one.id!r}"
