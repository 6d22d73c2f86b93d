"""Whether a number is complete, so that an endpoint knows a pause inside it from the end of a call.

Works on what a number puts out (see `numbers`), never on what it should be: a gauge's decimals and a missing unit
are all that is looked at.
"""

from __future__ import annotations

from collections.abc import Sequence

from capture.language import values
from capture.language.automaton import Outputs
from capture.language.meaning import NotUnderstood

NUMBER_STARTS: tuple[str, ...] = ("value=", "interval=", "check=", "temperature=")
"""Symbols after which a call puts out numbers; the last has what it is of after the sign of equality."""

_JOINTS = frozenset(("K", "A", "G", "N", "R"))


def number_of(symbols: Outputs) -> Outputs | None:
    """Return the symbols of the number that a call ends with; None when it ends with none.

    >>> number_of(("position=shoe-1", "value=", "1", ".", "2"))
    ('1', '.', '2')
    """
    start = next((at for at, each in enumerate(symbols) if each.startswith(NUMBER_STARTS)), None)
    if start is None:
        return None
    after = symbols[start + 1 :]
    joint = max((at for at, each in enumerate(after) if each in _JOINTS), default=-1)
    if joint == len(after) - 1 and after and after[-1] in ("G", "N"):
        return None  # "four goes": ended by its word
    return after[joint + 1 :]


def lacks_more(number: Sequence[str], rule: values.ValueRule) -> bool:
    """Say whether a number wants more digits or its unit: too few after the point, or neither point nor unit.

    >>> rule = values.ValueRule("in", 3, signed=False)
    >>> lacks_more(("1", ".", "2"), rule), lacks_more(("1", ".", "2", "4", "8"), rule)
    (True, False)
    """
    if "X" in number or any(each.startswith(("u:", "u?:")) for each in number):
        return False
    if "." in number:
        after = sum(each.isdecimal() for each in number[number.index(".") + 1 :])
        return rule.decimals is not None and after < rule.decimals
    read = values.read(number, rule) if number else NotUnderstood("no digits", "no digits heard")
    return isinstance(read, NotUnderstood) and read.reason in ("no digits", "no point", "unit")
