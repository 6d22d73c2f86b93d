"""Why a word string is no call: a precise reason and few words to speak."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from functools import lru_cache

from capture.language.automaton import Automaton
from capture.language.meaning import NotUnderstood
from capture.language.vocabulary import COMMAND_ALSO, COMMANDS, CORRECTION, DIGITS, MOST_PLACES, POINTS, TEENS, TENS

_DIGIT_WORDS = frozenset(each for names in DIGITS for each in names)
_SCALE_WORDS = frozenset(("hundred", "thousand"))
_NUMBER_WORDS = _DIGIT_WORDS | frozenset(TEENS) | frozenset(TENS) | _SCALE_WORDS
_PART_WORDS = frozenset(("half", "quarter", "quarters"))
_SIGN_WORDS = frozenset(("minus", "plus"))
_REFUSALS = frozenset(("negative", "no"))
_UNIT_WORDS = frozenset(
    "inch inches thou thousandth thousandths tenth tenths hundredth hundredths micron microns micrometre micrometres "
    "millimetre millimetres microinch microinches metre metres foot feet degree degrees pound pounds kilogram "
    "kilograms".split()
)
_FRACTION_WORDS = frozenset("eighth eighths sixteenth sixteenths second seconds fourth fourths".split())
_KNOWN = _NUMBER_WORDS | _PART_WORDS | _SIGN_WORDS | _UNIT_WORDS | _FRACTION_WORDS | frozenset(POINTS)
_TWO_WAYS = {
    "mil": "mil can be a thou or a millimetre, say which",
    "mils": "mils can be thou or millimetres, say which",
}
_NO_READING: dict[str, tuple[str, str]] = {
    **dict.fromkeys(
        ("about", "around", "roughly", "nearly", "just", "ish", "couple", "few"),
        ("not in the grammar", "a guess is no reading, say the value"),
    ),
    **dict.fromkeys(("or", "between", "more", "less", "than"), ("not in the grammar", "say one value")),
    **dict.fromkeys(("over", "under"), ("not in the grammar", "say the size itself, not how far off it is")),
    **dict.fromkeys(("same", "before"), ("not in the grammar", "say the value itself")),
    "something": ("unfinished", "say every digit"),
    "nil": ("no digits", "say zero in full"),
}

_CONTROL_WORDS = frozenset(each for name in (*COMMANDS, *COMMAND_ALSO, CORRECTION) for each in name.split())


@lru_cache(maxsize=1)
def _value_words() -> frozenset[str]:
    return _KNOWN | frozenset(("a", "an", "and", "of", "double", "at"))


def diagnose(
    words: Sequence[str], automaton: Automaton, *, offered: str = "call", known: Collection[str] = ()
) -> NotUnderstood:
    """Say why the automaton does not accept the words.

    Args:
        offered: "call", "value" or "answer": what is said when the words are another kind of thing.
        known: further words of the plan and the language that are not in this automaton.
    """
    if not words:
        return NotUnderstood("nothing heard", "nothing heard")
    two_ways = next((each for each in words if each in _TWO_WAYS), None)
    if two_ways is not None:
        return NotUnderstood("unit", _TWO_WAYS[two_ways])
    stranger = _stranger(words, automaton, known)
    if stranger is not None:
        return stranger
    points = [at for at, each in enumerate(words) if each in POINTS]
    if len(points) > 1:
        return NotUnderstood("two points", "two points heard, say one value")
    if not _NUMBER_WORDS.intersection(words) and _is_value_like(words):
        return NotUnderstood("no digits", "no digits heard")
    if automaton.walk(words) is not None:
        return _unfinished(words)
    return _misfit(words, automaton, points[0] if points else None, offered)


def _stranger(words: Sequence[str], automaton: Automaton, known: Collection[str]) -> NotUnderstood | None:
    for each in words:
        if each in automaton.words or each in known or each in _value_words() or each in _CONTROL_WORDS:
            continue
        if each in _NO_READING:
            return NotUnderstood(*_NO_READING[each])
        if not each.isalpha() or not each.isascii():
            return NotUnderstood("unknown word", "one word was not clear")
        return NotUnderstood("unknown word", f"the word {each[:24]} is not known here")
    return None


def _is_value_like(words: Sequence[str]) -> bool:
    return all(each in _value_words() for each in words) and not {"a", "an"}.intersection(words)


def _unfinished(words: Sequence[str]) -> NotUnderstood:
    last = words[-1]
    if last in POINTS:
        return NotUnderstood("unfinished", "nothing after the point")
    if last in _SIGN_WORDS:
        return NotUnderstood("no digits", "no digits heard")
    if last in _NUMBER_WORDS and (len(words) == 1 or words[-2] in _value_words()):
        return NotUnderstood("unfinished", f"{last} alone is no value, say the whole of it")
    return NotUnderstood("unfinished", f"nothing after {last}")


def _misfit(words: Sequence[str], automaton: Automaton, point: int | None, offered: str) -> NotUnderstood:
    """Name the first word that does not fit."""
    state, at = 0, 0
    while at < len(words) and (after := automaton.arcs[state].get(words[at])) is not None:
        state, at = after, at + 1
    odd, before = words[at], words[at - 1] if at else ""
    said_unit = any(each in _UNIT_WORDS for each in words[:at])
    if at == 0:
        return _misplaced(words, offered)
    if odd in _SIGN_WORDS and before in _SIGN_WORDS:
        return NotUnderstood("not in the grammar", "two signs")
    if odd in _UNIT_WORDS and said_unit:
        return NotUnderstood("unit", "two units heard, say one")
    if odd in POINTS and said_unit:
        return NotUnderstood("unit", "a point after the unit, say the whole value")
    if before in _REFUSALS and odd in _value_words():
        return NotUnderstood("not in the grammar", f"{before} is no sign; say minus, or {CORRECTION} and the value")
    if odd in _REFUSALS:
        return NotUnderstood("not in the grammar", f"{odd} inside a value; to change it say {CORRECTION}")
    if point is not None and point < at and odd in _NUMBER_WORDS:
        return _after_the_point(words, point, at)
    if point is None and odd in _NUMBER_WORDS and before in _NUMBER_WORDS and not _UNIT_WORDS.intersection(words):
        return NotUnderstood("no point", f"no point heard, and {odd} does not fit after {before}")
    return NotUnderstood("not in the grammar", f"{odd} does not fit after {before}")


def _after_the_point(words: Sequence[str], point: int, at: int) -> NotUnderstood:
    run = at - point - 1
    if run >= MOST_PLACES and all(each in _DIGIT_WORDS for each in words[point + 1 : at + 1]):
        return NotUnderstood("decimals", "more digits after the point than any gauge shows")
    if words[at] in _DIGIT_WORDS:
        return NotUnderstood("not in the grammar", f"{words[at]} does not fit after {words[at - 1]}")
    return NotUnderstood("decimals", "say the digits after the point one by one")


def _misplaced(words: Sequence[str], offered: str) -> NotUnderstood:
    """Name what cannot begin here."""
    first = words[0]
    if first in _REFUSALS and len(words) > 1:
        return NotUnderstood("not in the grammar", f"{first} is no sign; say minus, or {CORRECTION} and the value")
    if first in _value_words():
        if offered == "value":
            return NotUnderstood("not in the grammar", f"a value does not begin with {first}")
        return NotUnderstood("not in the grammar", f"a value alone is not taken now, say {_say_before(offered)} first")
    return NotUnderstood("not in the grammar", f"{first} is not taken now")


def _say_before(offered: str) -> str:
    return CORRECTION if offered == "answer" else "the part"
