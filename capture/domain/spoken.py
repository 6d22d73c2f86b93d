"""Numbers as words, for plans and verdicts: plain English digits, said one by one."""

from __future__ import annotations

DIGIT_WORDS: tuple[str, ...] = ("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")
_TEENS = (
    "ten",
    "eleven",
    "twelve",
    "thirteen",
    "fourteen",
    "fifteen",
    "sixteen",
    "seventeen",
    "eighteen",
    "nineteen",
)
_TENS = ("twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety")
LARGEST_COUNT = 99


def count_words(number: int) -> str:
    """Return a count from 0 to 99 as words.

    >>> count_words(21)
    'twenty one'
    """
    if not 0 <= number <= LARGEST_COUNT:
        raise ValueError(f"Count {number} has no words here; it must be 0 to {LARGEST_COUNT}")
    if number < 10:
        return DIGIT_WORDS[number]
    if number < 20:
        return _TEENS[number - 10]
    tens = _TENS[number // 10 - 2]
    return tens if number % 10 == 0 else f"{tens} {DIGIT_WORDS[number % 10]}"


def digit_words(text: str) -> str:
    """Return printed digits as words, one by one; "~" is "about".

    >>> digit_words("-0.002")
    'minus zero point zero zero two'
    """
    names = {"-": "minus", ".": "point", "~": "about"}
    return " ".join(names.get(sign) or DIGIT_WORDS[int(sign)] for sign in text)


# Words the grammar needs for numbers; no name in a plan may hold one.
NUMBER_WORDS: frozenset[str] = frozenset(
    {*DIGIT_WORDS, *_TEENS, *_TENS, "oh", "nought", "naught", "niner", "fife", "fower", "tree", "wun", "too", "ait"}
    | {"point", "decimal", "minus", "plus", "hundred", "thousand", "half", "quarter", "and"}
)
# Control words and the units said after a number; no name in a plan may be one or hold one whole.
CONTROL_PHRASES: tuple[str, ...] = (
    "affirm",
    "yes",
    "negative",
    "no",
    "correction",
    "say again",
    "disregard",
    "stand by",
    "read back",
    "carry on",
    "what is left",
)
UNIT_WORDS: frozenset[str] = frozenset(
    {"inch", "inches", "thou", "tenth", "tenths", "mil", "mils", "micron", "microns", "microinch", "microinches"}
    | {"millimetre", "millimetres", "hundredth", "hundredths", "degree", "degrees", "foot", "feet"}
)
