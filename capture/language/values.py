"""Symbols of a called value to a quantity: digits as said, exact, checked against what the gauge shows.

Nothing is rounded, padded or added up that was not said so. What may not be taken comes back as
`NotUnderstood` with few words to speak.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction

from capture.domain.spoken import LARGEST_COUNT, count_words
from capture.domain.units import Quantity, exact_text, factor, unit_spoken
from capture.language.meaning import NotUnderstood
from capture.language.vocabulary import MOST_PLACES

_SYSTEMS: dict[str, str] = {
    **dict.fromkeys(("in", "thou", "tenth", "uin", "ft"), "inch"),
    **dict.fromkeys(("mm", "um", "hundredth mm", "tenth mm", "nm", "m"), "metric"),
}


@dataclass(frozen=True, slots=True)
class ValueRule:
    """What a value must be: `unit` the gauge reads, `decimals` it shows (None: left open), whether it has a sign."""

    unit: str
    decimals: int | None
    signed: bool


def system(unit: str) -> str | None:
    """Return "inch" or "metric" for a length, None for anything else."""
    return _SYSTEMS.get(unit)


def family(unit: str) -> str:
    """Return what a unit measures, as far as its words go: "length", "temperature" or the unit itself.

    >>> family("thou"), family("degF"), family("kg")
    ('length', 'temperature', 'kg')
    """
    if unit in _SYSTEMS:
        return "length"
    return "temperature" if unit in ("degC", "degF") else unit


@dataclass(slots=True)
class _Term:
    """One number with its unit while it is read."""

    digits: str = ""  # said one by one before the point
    count: Fraction | None = None
    thousands: Fraction = Fraction(0)
    after: str | None = None  # digits after the point
    whole: Fraction = Fraction(0)  # before "and nine sixteenths"
    part: Fraction | None = None
    unit: str | None = None
    marks: list[str] = field(default_factory=list)

    def number(self) -> Fraction:
        """Return the whole number counted so far."""
        if self.count is not None:
            return self.thousands + self.count
        return self.thousands + (int(self.digits) if self.digits else 0)

    def add(self, symbol: str) -> None:
        self.marks.append(symbol)
        if symbol == ".":
            self.after = ""
        elif symbol.isdecimal():
            if self.after is not None:
                self.after += symbol
            elif self.count is not None or self.thousands:
                self.count = (self.count or Fraction(0)) + int(symbol)
            else:
                self.digits += symbol
        elif symbol.startswith("n"):
            self.count = (self.count or Fraction(0)) + int(symbol[1:])
        elif symbol == "x100":
            self.count, self.digits = (self.number() - self.thousands) * 100, ""
        elif symbol == "x1000":
            self.thousands, self.count, self.digits = self.number() * 1000, None, ""
        elif symbol.startswith("+"):
            self.part = (self.part or Fraction(0)) + Fraction(symbol[1:])
        elif symbol.startswith("/"):
            self.part = Fraction(self.number(), int(symbol[1:]))
            self.count, self.digits, self.thousands = None, "", Fraction(0)
        elif symbol == "&":
            self.whole, self.count, self.digits = self.number(), None, ""

    @property
    def exact(self) -> Fraction:
        if self.after is not None:
            return Fraction(f"{self.number()}.{self.after}")
        return self.whole + self.number() + (self.part or 0)


def read(symbols: Sequence[str], rule: ValueRule) -> Quantity | NotUnderstood:
    """Return the quantity that the symbols of one value say.

    >>> read(("1", ".", "2", "4", "8"), ValueRule("in", 3, signed=False))
    Quantity(text='1.248', unit='in')
    >>> read(("1", ".", "2", "8"), ValueRule("in", 3, signed=False)).detail
    'two digits after the point, three wanted'
    """
    sign = ""
    terms: list[_Term] = []
    is_open = False
    for symbol in symbols:
        if symbol in ("minus", "plus"):
            sign = symbol
        elif symbol == "?sum":
            return NotUnderstood("two meanings", "a sum or a correction, say the whole value")
        elif symbol.startswith("u?:"):
            return NotUnderstood("unit", f"{symbol[3:]} can be inch or metric, say which")
        elif symbol.startswith("u:"):
            terms[-1].unit = symbol[2:]
            is_open = False
        elif symbol.startswith("+") and terms and not is_open:
            terms[-1].add(symbol)  # "a thou and a half"
        else:
            if not is_open:
                terms.append(_Term())
                is_open = True
            terms[-1].add(symbol)
    return _quantity(terms, sign, rule)


def _quantity(terms: list[_Term], sign: str, rule: ValueRule) -> Quantity | NotUnderstood:
    first = terms[0]
    refusal = next(filter(None, map(_refusal, terms)), None) or _needs_unit(first, rule)
    if refusal is not None:
        return refusal
    if first.unit == "mm/10":
        return checked(exact_text(first.exact / 10, 0), "mm", rule, sign=sign, is_counted=True)
    unit = first.unit or rule.unit
    if len(terms) > 1:
        unit = "in" if {"in", "ft"} & {term.unit for term in terms} else unit
        factors = [factor(term.unit or unit, unit) for term in terms]
        total = sum((term.exact * each for term, each in zip(terms, factors, strict=True)), Fraction(0))
        return checked(exact_text(total, _places_of(factors[-1])), unit, rule, sign=sign, is_counted=True)
    if first.after is not None:
        return checked(f"{first.number()}.{first.after}", unit, rule, sign=sign, is_counted=False)
    is_counted = unit != rule.unit or first.part is not None
    return checked(exact_text(first.exact, 0), unit, rule, sign=sign, is_counted=is_counted)


def _places_of(step: Fraction) -> int:
    """Return how many decimals a step of one unit shows in another: one thou is 0.001 in, so three."""
    return len(str(step.denominator)) - 1 if step.numerator == 1 else 0


def _refusal(term: _Term) -> NotUnderstood | None:
    """Return why a number cannot be taken, whatever the gauge."""
    if term.after is not None:
        if term.marks[0] == "." and not term.after.strip("0"):
            return NotUnderstood("unfinished", "only zeros, say the whole value")
        if len(term.after) > MOST_PLACES:
            return NotUnderstood("decimals", "more digits after the point than any gauge shows")
        return None
    if term.marks[-3:] == ["x100", "n10", "th"]:
        return NotUnderstood("two meanings", "hundred and ten thousandths, or ten thousandths of an inch")
    if term.part is not None and any(mark.startswith("/") for mark in term.marks) and term.part >= 1:
        return NotUnderstood("two meanings", "that fraction is more than one")
    return None


def _needs_unit(term: _Term, rule: ValueRule) -> NotUnderstood | None:
    """Return why a number without a point and without a unit cannot be taken."""
    if term.unit is not None or term.after is not None:
        return None
    if term.part is not None:
        return NotUnderstood("unit", "say the unit")
    if rule.decimals == 0 and len(term.digits) <= 1 and not term.thousands:
        return None
    if rule.decimals == 0:
        return NotUnderstood("unit", "say the unit after it")
    return NotUnderstood("no point", "no point heard, say the whole value")


def _digits(count: int) -> str:
    said = count_words(count) if count <= LARGEST_COUNT else str(count)
    return f"{said} digit" if count == 1 else f"{'no' if count == 0 else said} digits"


def checked(text: str, unit: str, rule: ValueRule, *, sign: str, is_counted: bool) -> Quantity | NotUnderstood:
    """Return the quantity, or why the gauge cannot have shown it.

    Args:
        text: digits without a sign.
        is_counted: said as a count or a part ("three and a half thou"), where trailing zeros are not said; such
            a value may need no more decimals than the gauge shows. A value said with a point must show exactly as many.
    """
    if sign and not rule.signed:
        return NotUnderstood("sign not allowed", f"{sign} does not belong here")
    if sign == "minus":
        text = f"-{text}"
    if unit != rule.unit and (family(unit) != family(rule.unit)):
        return NotUnderstood("unit", f"{unit_spoken(unit)} do not belong here, {unit_spoken(rule.unit)} wanted")
    if rule.decimals is not None:
        refusal = _gauge_refusal(Quantity(text, unit), rule.unit, rule.decimals, is_counted)
        if refusal is not None:
            return refusal
    return Quantity(text, unit)


def _wrong_places(said: int, wanted: int) -> NotUnderstood | None:
    if said == wanted:
        return None
    right = count_words(wanted) if wanted else "none"
    return NotUnderstood("decimals", f"{_digits(said)} after the point, {right} wanted")


def _gauge_refusal(said: Quantity, unit: str, decimals: int, is_counted: bool) -> NotUnderstood | None:
    """Return why a gauge that reads `unit` with that many decimals cannot have shown the quantity."""
    if system(said.unit) != system(unit) or (family(unit) == "temperature" and said.unit != unit):
        return NotUnderstood("unit", f"{unit_spoken(said.unit)} heard, {unit_spoken(unit)} wanted")
    if is_counted:
        own = said.fraction * factor(said.unit, unit)
        if (own * 10**decimals).denominator != 1:
            return NotUnderstood("decimals", f"finer than the gauge shows, {_digits(decimals)} after the point")
        return None
    step = factor(unit, said.unit)  # 1000 thou to the inch: three places fewer
    shift = len(str(step)) - 1
    if step != 10**shift:
        return NotUnderstood("unit", f"{unit_spoken(said.unit)} heard, {unit_spoken(unit)} wanted")
    return _wrong_places(said.places, max(decimals - shift, 0))
