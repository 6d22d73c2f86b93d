"""A second reading of spoken values, by patterns over the text and nothing of the product's language code.

It is told a string that was accepted and says what must have been understood. It does not decide what may be accepted.
"""

from __future__ import annotations

import re
from fractions import Fraction

DIGIT = {
    **{each: at for at, each in enumerate("zero one two three four five six seven eight nine".split())},
    **{"oh": 0, "nought": 0, "naught": 0, "wun": 1, "too": 2, "tree": 3, "fower": 4, "fife": 5, "ait": 8, "niner": 9},
}
TEEN = "ten eleven twelve thirteen fourteen fifteen sixteen seventeen eighteen nineteen".split()
TENS = "twenty thirty forty fifty sixty seventy eighty ninety".split()
PART = {"half": Fraction(1, 2), "quarter": Fraction(1, 4), "quarters": Fraction(1, 4)}
INCH = r"inch(?:es)?"
THOU = r"(?:thou|thousandths?(?: of an inch)?)"
BOTH = {INCH: "in", r"millimetres?": "mm", r"(?:microns?|micrometres?)": "um"}
UNITS = {
    "in": {**BOTH, THOU: "thou", r"tenths?(?: of a thou)?": "tenth"},
    "mm": {
        **BOTH,
        r"thou": "thou",
        r"tenths?": "tenth mm",
        r"tenths? of a millimetre": "mm / 10",
        r"hundredths?(?:(?: of a)? millimetre)?": "hundredth mm",
    },
}


def digits(words: list[str]) -> str:
    """Return digits said one by one; "double" counts the next twice."""
    found = ""
    for at, each in enumerate(words):
        if each != "double":
            found += str(DIGIT[each]) * (2 if at and words[at - 1] == "double" else 1)
    return found


def whole(text: str) -> int:
    """Return a whole number, said one by one or counted."""
    words = text.split()
    if all(each in DIGIT for each in words):
        return int(digits(words))
    total = part = 0
    for each in words:
        if each in ("a", "an"):
            part += 1
        elif each in DIGIT:
            part += DIGIT[each]
        elif each in TEEN:
            part += 10 + TEEN.index(each)
        elif each in TENS:
            part += 20 + 10 * TENS.index(each)
        elif each == "hundred":
            part *= 100
        elif each == "thousand":
            total, part = total + 1000 * part, 0
        else:
            assert each == "and", each
    return total + part


def fraction_words(text: str) -> Fraction:
    """Return "a half", "three quarters", "half"."""
    *many, name = text.split()
    return PART[name] * (3 if many == ["three"] else 1)


def plain(value: Fraction, places: int) -> str:
    """Print a value that ends, with at least `places` digits."""
    while (value * 10**places).denominator != 1:
        places += 1
    number = str((value * 10**places).numerator).rjust(places + 1, "0")
    return f"{number[:-places]}.{number[-places:]}" if places else number


def said(text: str, own_unit: str) -> tuple[str, str]:
    """Return (digits, unit) that an accepted value of a gauge in inches or millimetres says."""
    sign = "-" if text.startswith("minus ") else ""
    text = re.sub("^(?:minus|plus) ", "", text)
    units = "|".join(UNITS[own_unit])
    part = r"(?:(?:a )?half|(?:a )?quarter|three quarters?)"

    def with_unit(value: Fraction, unit_text: str) -> tuple[str, str]:
        unit = next(unit for pattern, unit in UNITS[own_unit].items() if re.fullmatch(pattern, unit_text))
        return (sign + plain(value / 10, 0), "mm") if unit == "mm / 10" else (sign + plain(value, 0), unit)

    if found := re.fullmatch(rf"(.*?) ?\b(?:point|decimal) (.+?)(?: ({units}))?", text):
        number = f"{whole(found[1]) if found[1] else 0}.{digits(found[2].split())}"
        unit = with_unit(Fraction(0), found[3])[1] if found[3] else own_unit
        if found[3] and re.fullmatch("tenths? of a millimetre", found[3]):
            number = plain(Fraction(number) / 10, 0)
        return sign + number, unit
    if found := re.fullmatch(rf"(.+) {INCH} (?:and )?(.+?) {THOU}(?: (?:and )?(\w+) tenths?)?", text):
        tenths = DIGIT[found[3]] if found[3] else 0
        value = whole(found[1]) + Fraction(whole(found[2]), 1000) + Fraction(tenths, 10000)
        return sign + plain(value, 4 if found[3] else 3), "in"
    if found := re.fullmatch(rf"(.+?) {THOU} (?:and )?(\w+) tenths?", text):
        return f"{sign}{whole(found[1])}.{DIGIT[found[2]]}", "thou"
    if found := re.fullmatch(rf"(.+?) ({units}) and ({part})", text):
        return with_unit(whole(found[1]) + fraction_words(found[3]), found[2])
    if found := re.fullmatch(rf"(.+?) and ({part}) ({units})", text):
        return with_unit(whole(found[1]) + fraction_words(found[2]), found[3])
    if found := re.fullmatch(rf"({part})(?: (?:of )?an?)? ({units})", text):
        return with_unit(fraction_words(found[1]), found[2])
    if found := re.fullmatch(rf"(.+?) ({units})", text):
        return with_unit(Fraction(whole(found[1])), found[2])
    return f"{sign}{whole(text)}", own_unit
