"""Names in a plan: none may sound like a number, a unit or a control word, and no two calls may be the same words."""

from __future__ import annotations

from capture.domain._tables import Table
from capture.domain.plan import Characteristic, FindingKind, Position
from capture.domain.spoken import CONTROL_PHRASES, NUMBER_WORDS, UNIT_WORDS


def check_name(table: Table, spoken: str, key: str = "spoken") -> None:
    """Refuse a name that would be heard as a number, a unit or a control word."""
    words = spoken.split(" ")
    for word in words:
        if word in NUMBER_WORDS or word in UNIT_WORDS:
            kind = "number" if word in NUMBER_WORDS else "unit"
            message = f"has {key} = {spoken!r}, in which {word!r} is a {kind} word"
            raise table.error(key, message, value=spoken, remedy="choose other words")
    check_control(table, spoken, key)


def check_control(table: Table, spoken: str, key: str = "spoken") -> None:
    """Refuse a name that holds a control word; numbers may be in it."""
    padded = f" {spoken} "
    for phrase in CONTROL_PHRASES:
        if f" {phrase} " in padded:
            message = f"has {key} = {spoken!r}, in which {phrase!r} is a control word"
            raise table.error(key, message, value=spoken, remedy="choose other words")


def check_words(
    group_tables: tuple[Table, ...],
    groups: tuple[tuple[str, str], ...],
    positions: tuple[Position, ...],
    characteristic_tables: tuple[Table, ...],
    characteristics: tuple[Characteristic, ...],
    finding_tables: tuple[Table, ...],
    findings: tuple[FindingKind, ...],
) -> None:
    """Refuse two calls that are the same words; a call is position, then characteristic or finding, or a part of it."""
    meanings: dict[str, str] = {}

    def add(words: str, meaning: str, table: Table, key: str = "spoken") -> None:
        other = meanings.setdefault(words, meaning)
        if other != meaning:
            message = f"makes {words!r} mean both {other} and {meaning}"
            raise table.error(key, message, value=words, remedy="choose other words for one of them")

    table_of = {group: table for (group, _), table in zip(groups, group_tables, strict=True)}
    for position in positions:
        add(position.spoken, f"position {position.id!r}", table_of[position.group])
    for table, one in zip(characteristic_tables, characteristics, strict=True):
        for group in one.groups:
            alone = [other.id for other in characteristics if group in other.groups] == [one.id]
            if not one.spoken and not alone:
                message = f"has no spoken word, but group {group!r} has several characteristics"
                raise table.error("spoken", message, remedy='add spoken = "..."')
        for position in positions:
            if one.spoken and position.group in one.groups:
                add(f"{position.spoken} {one.spoken}", f"{one.id!r} at {position.id!r}", table)
    _check_alone(characteristic_tables, characteristics, positions)
    for table, kind in zip(finding_tables, findings, strict=True):
        for said in (kind.spoken, *(f"{severity} {kind.spoken}" for severity in kind.severities)):
            add(said, f"finding {kind.id!r} said as {said!r}", table)
            for position in positions:
                add(f"{position.spoken} {said}", f"finding {kind.id!r} said as {said!r} at {position.id!r}", table)
        for severity in kind.severities:
            said = f"{kind.spoken} {severity}"
            add(said, f"finding {kind.id!r} said as {severity + ' ' + kind.spoken!r}", table)


def _check_alone(
    tables: tuple[Table, ...],
    characteristics: tuple[Characteristic, ...],
    positions: tuple[Position, ...],
) -> None:
    """Refuse a characteristic's word that another at the same position has, or that names a position."""
    names = {position.spoken: position.id for position in positions}
    for table, one in zip(tables, characteristics, strict=True):
        if one.spoken in names:
            message = f"has spoken = {one.spoken!r}, which is also position {names[one.spoken]!r}"
            raise table.error("spoken", message, value=one.spoken, remedy="choose other words for one of them")
        for other in characteristics:
            shared = set(one.groups) & set(other.groups)
            if other.id != one.id and shared and other.spoken == one.spoken:
                message = f"has spoken = {one.spoken!r}, as {other.id!r} has at group {sorted(shared)[0]!r}"
                raise table.error("spoken", message, value=one.spoken, remedy="choose other words for one of them")
