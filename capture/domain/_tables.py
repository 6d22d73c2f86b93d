"""Strict reading of TOML tables: every key is asked for, and what is wrong is named with its line."""

from __future__ import annotations

import re
import tomllib
from fractions import Fraction
from typing import Any

from capture.domain.errors import DomainError, PlanError
from capture.domain.units import UNIT_NAMES, Quantity

_HEADER = re.compile(r"\s*\[\[?\s*([A-Za-z0-9_.-]+)\s*\]\]?\s*(?:#.*)?$")
_ID = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")
_WORDS = re.compile(r"[a-z']+( [a-z']+)*")


def is_text(text: str) -> bool:
    """Say whether all of a text can be written as UTF-8; what was read carelessly may hold lone surrogates."""
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True


def _header(line: str) -> str | None:
    """Return the name in a [table] or [[table]] line, None for other lines."""
    found = _HEADER.match(line)
    return found[1] if found else None


class Source:
    """One plan text: its name in messages, its tables, and where its keys stand."""

    def __init__(self, text: str, name: str) -> None:
        self.text = text
        self.name = name
        self.lines = text.splitlines()
        try:
            self.data: dict[str, Any] = tomllib.loads(text)
        except tomllib.TOMLDecodeError as error:
            raise PlanError(f"{name}: not TOML ({error})", thing=name, remedy="mend the text there") from None
        except RecursionError:
            raise PlanError(f"{name}: nested too deeply", thing=name, remedy="a plan is two tables deep") from None
        except ValueError as error:  # a number of thousands of digits
            raise PlanError(f"{name}: not TOML ({error})", thing=name, remedy="write a shorter number") from None
        if not is_text(text):
            raise PlanError(f"{name}: not UTF-8 text", thing=name, remedy="save it as UTF-8")

    def line_of(self, section: str, index: int | None, key: str | None, inner: str | None = None) -> int | None:
        """Return the line of a key in the nth table of a section, else of its header, None when not found.

        `inner`: a key of the table that `key` holds, written in a table of its own below ([section.key]).
        """
        start, end = self._span(section, index or 0)
        header = start + 1 if section and start < len(self.lines) else None
        if key is None:
            return header
        first = self._find(key, start, end)
        below = next((n for n in range(start, end) if _header(self.lines[n]) == f"{section}.{key}"), None)
        if first is not None:
            return first
        if below is None:
            return header
        return (self._find(inner, below, end) if inner else None) or below + 1

    def _span(self, section: str, index: int) -> tuple[int, int]:
        """Return where the nth table of a section starts and ends, tables inside it included, as line indices."""
        heads = [(n, _header(line)) for n, line in enumerate(self.lines)]
        starts = [n for n, name in heads if name == section] if section else [0]
        if index >= len(starts):
            return len(self.lines), len(self.lines)
        start = starts[index]
        after = (n for n, name in heads if n > start and name and not name.startswith(f"{section}."))
        return start, next(after, len(self.lines)) if section else next((n for n, name in heads if name), len(heads))

    def _find(self, key: str, start: int, end: int) -> int | None:
        pattern = re.compile(rf"""\s*["']?{re.escape(key)}["']?\s*=""")
        return next((n + 1 for n in range(start, end) if pattern.match(self.lines[n])), None)

    def error(self, place: str, line: int | None, message: str, *, value: str = "", remedy: str = "") -> PlanError:
        """Return the one-line error of a place in this text."""
        where = f"{self.name}, line {line}" if line else self.name
        return PlanError(f"{where}: {place} {message}", thing=place, value=value, remedy=remedy)


class Table:
    """One table of a plan. Ask for its keys, then `done()`: what nobody asked for is an unknown key."""

    def __init__(
        self,
        source: Source,
        data: Any,
        place: str,
        section: str,
        index: int | None = None,
        outer_key: str | None = None,
    ) -> None:
        self.source = source
        self.place = place
        self.section = section
        self.index = index
        self.outer_key = outer_key
        self.asked: list[str] = []
        if not isinstance(data, dict):
            raise self.error(None, f"is {_shown(data)}", remedy="write it as a table")
        self.data: dict[str, Any] = data

    def error(self, key: str | None, message: str, *, value: str = "", remedy: str = "") -> PlanError:
        """Return a PlanError that names this table and the line of `key`."""
        outer = self.outer_key or key
        line = self.source.line_of(self.section, self.index, outer, key if self.outer_key else None)
        return self.source.error(self.place, line, message, value=value, remedy=remedy)

    def has(self, key: str) -> bool:
        """Say whether the key is there."""
        return key in self.data

    def get(self, key: str, *, needed: bool = True) -> Any:
        """Return the raw value of a key, None when absent and not needed."""
        self.asked.append(key)
        if key not in self.data:
            if needed:
                raise self.error(None, f"lacks {key!r}", remedy=f"add {key} = ...")
            return None
        return self.data[key]

    def text(self, key: str, default: str | None = None) -> str:
        """Return a text that is not empty."""
        value = self.get(key, needed=default is None)
        if value is None:
            return default or ""
        if not isinstance(value, str) or not value.strip():
            raise self.error(key, f"has {key} = {_shown(value)}", value=_shown(value), remedy="give a text in quotes")
        return value

    def id(self, key: str = "id") -> str:
        """Return an id: lower-case letters, digits and single hyphens."""
        value = self.text(key)
        if not _ID.fullmatch(value):
            remedy = "use lower-case letters, digits and hyphens, for example outboard-shoe"
            raise self.error(key, f"has {key} = {value!r}", value=value, remedy=remedy)
        return value

    def words(self, key: str, default: str | None = None) -> str:
        """Return a spoken name: lower-case words with single blanks, no digits."""
        value = self.text(key, default)
        if value and not _WORDS.fullmatch(value):
            remedy = "write the words as they are said, in lower case and without digits"
            raise self.error(key, f"has {key} = {value!r}", value=value, remedy=remedy)
        return value

    def words_fit(self, key: str, value: str) -> None:
        """Refuse a text of a list that is not lower-case words with single blanks."""
        if not _WORDS.fullmatch(value):
            remedy = "write the words as they are said, in lower case and without digits"
            raise self.error(key, f"has {value!r} in {key}", value=value, remedy=remedy)

    def unit(self, key: str = "unit", default: str | None = None) -> str:
        """Return a unit we know."""
        value = self.text(key, default)
        if value not in UNIT_NAMES:
            remedy = f"use one of {', '.join(UNIT_NAMES)}"
            raise self.error(key, f"has {key} = {value!r}", value=value, remedy=remedy)
        return value

    def choice(self, key: str, choices: tuple[str, ...], default: str | None = None) -> str:
        """Return one of a few texts."""
        value = self.text(key, default)
        if value not in choices:
            remedy = f"use one of {', '.join(choices)}"
            raise self.error(key, f"has {key} = {value!r}", value=value, remedy=remedy)
        return value

    def whole(self, key: str, lowest: int, highest: int, default: int | None = None) -> int:
        """Return a whole number within bounds."""
        value = self.get(key, needed=default is None)
        if value is None and default is not None:
            return default
        if not isinstance(value, int) or isinstance(value, bool) or not lowest <= value <= highest:
            remedy = f"give a whole number from {lowest} to {highest}"
            raise self.error(key, f"has {key} = {_shown(value)}", value=_shown(value), remedy=remedy)
        return value

    def flag(self, key: str, default: bool | None = None) -> bool:
        """Return true or false."""
        value = self.get(key, needed=default is None)
        if value is None and default is not None:
            return default
        if not isinstance(value, bool):
            raise self.error(key, f"has {key} = {_shown(value)}", value=_shown(value), remedy="write true or false")
        return value

    def number(self, key: str, unit: str = "1", *, needed: bool = True) -> Quantity | None:
        """Return an exact number, written as a text in the plan."""
        value = self.get(key, needed=needed)
        if value is None:
            return None
        if not isinstance(value, str):
            remedy = f'numbers are texts here, so that no digit is lost: write {key} = "{value}"'
            raise self.error(key, f"has {key} = {_shown(value)}", value=_shown(value), remedy=remedy)
        try:
            return Quantity(value, unit)
        except DomainError as error:
            raise self.error(key, f"has {key} = {value!r}", value=value, remedy=error.remedy) from None

    def fraction(self, key: str, unit: str = "1") -> Fraction:
        """Return an exact number that must be there."""
        quantity = self.number(key, unit)
        assert quantity is not None
        return quantity.fraction

    def texts(self, key: str, *, needed: bool = True) -> tuple[str, ...]:
        """Return a list of texts without doubles; absent and not needed: ()."""
        value = self.get(key, needed=needed)
        if value is None:
            return ()
        if not isinstance(value, list) or not value or not all(isinstance(v, str) and v.strip() for v in value):
            remedy = "give a list of texts, at least one"
            raise self.error(key, f"has {key} = {_shown(value)}", value=_shown(value), remedy=remedy)
        for text in value:
            if value.count(text) > 1:
                raise self.error(key, f"has {text!r} twice in {key}", value=text, remedy="name it once")
        return tuple(value)

    def table(self, key: str, *, needed: bool = False) -> Table | None:
        """Return an inner table, None when absent and not needed."""
        value = self.get(key, needed=needed)
        if value is None:
            return None
        return Table(self.source, value, f"{self.place}, {key},", self.section, self.index, self.outer_key or key)

    def tables(self, key: str, *, needed: bool = False) -> tuple[Table, ...]:
        """Return an array of top-level tables, one for each [[key]]."""
        value = self.get(key, needed=needed)
        if value is None:
            return ()
        if not isinstance(value, list):
            raise self.error(key, f"has {key} = {_shown(value)}", remedy=f"write [[{key}]] above each one")
        found = []
        for index, item in enumerate(value):
            name = item.get("id") if isinstance(item, dict) else None
            place = f"{key} {name!r}" if isinstance(name, str) and name else f"{key} number {index + 1}"
            found.append(Table(self.source, item, place, key, index))
        return tuple(found)

    def done(self) -> None:
        """Raise PlanError for a key nobody asked for."""
        for key in self.data:
            if key not in self.asked:
                remedy = f"leave it out, or use one of {', '.join(self.asked)}"
                raise self.error(key, f"has unknown key {key!r}", value=key, remedy=remedy)


def _shown(value: Any) -> str:
    """Return a TOML value as short text for a message."""
    text = {True: "true", False: "false"}.get(value) if isinstance(value, bool) else repr(value)
    text = text or ""
    return text if len(text) <= 60 else text[:57] + "..."
