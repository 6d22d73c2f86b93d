"""How numbers, units and values are said: one description, from which engines and meaning both come.

A value puts out plain symbols which `values.read` turns into a quantity: a digit said one by one ("4"), the point
("."), a counted number ("n40", "x100", "x1000"), a part ("+1/2", "/32"), a sign ("minus"), a unit ("u:thou"; "u?:"
when shops use the word two ways), a change of mind ("K").

`ValueForms(wide=False)` is what the bench listens for at one characteristic, and no more: every further word is one
more thing to mishear. What people say there but may not be taken (a lost point, too few digits, another unit, a sign
out of place) belongs to it all the same, so that it is heard as what it is and asked, not bent into the nearest value.
`wide=True` is for text that is read, not heard: every form and unit of one kind, fractions of an inch down to 64ths,
feet, sums.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache

from capture.domain.units import Quantity, exact_text, unit_spoken
from capture.language import values
from capture.language.automaton import (
    Expr,
    Transducer,
    alt,
    built,
    compile_transducer,
    emit,
    opt,
    phrase,
    repeat,
    seq,
    word,
)
from capture.language.diagnosis import diagnose
from capture.language.meaning import NotUnderstood
from capture.language.vocabulary import CORRECTION, DIGITS, GOES, MOST_PLACES, POINTS, TEENS, TENS, normalise

DECISIONS = """
| row | said | decided | why |
|---|---|---|---|
| p01 | one two four eight thou | 1248 thou | a count with its unit is clear, and the readback says it so too |
| p02 | two fifty | ask | neither point nor unit |
| p03 | thirty one point seventy five | ask | after the point digits are said one by one |
| p04 | one point oh five oh | 1.050 | the last zero tells the resolution and is kept |
| p05 | two mil | ask | a thou to some, a millimetre to others |
| p06 | negative two thou | ask | negative says no; minus is the sign; after a readback it is a correction |
| p07 | ten thou under | ask | hearing knows no nominal |
| p08 | six inches minus two thou | ask | a sum, or a correction |
| p09 | nine eighths | ask | an improper fraction is more often misheard than meant |
| p10 | one point to for ate | ask | words of their own, not digits |
| p11 | six | 6 | where the gauge shows no decimals; anywhere else it is asked, a point may be lost |
| p12 | one eighty degrees | ask | said in full: one hundred and eighty |
| p13 | dead on | ask | an idiom without digits |
| p14 | five microns over | ask | hearing knows no nominal |
| p15 | double five point one | ask | double is taken after the point only |
"""
"""What is used two ways, settled once; row ids are those of the table of spoken numbers that the tests carry."""


@dataclass(frozen=True, slots=True)
class ValueForms:
    """Which values may be said: `unit` is the gauge's, `unit_system` "inch", "metric" or None (not settled).

    `decimals`: digits the gauge shows after the point. Fewer, and one more, are heard and then asked about; longer
    runs are not listened for, as they drew the recogniser into repeating the end of a call. None listens for any
    number. A sign out of place is heard, then asked.
    """

    unit: str
    unit_system: str | None
    wide: bool = False
    decimals: int | None = None

    @property
    def most_places(self) -> int:
        """The longest run of digits after the point that is listened for."""
        return MOST_PLACES if self.decimals is None else min(MOST_PLACES, self.decimals + 1)


# --- numbers


def digit(number: int) -> Expr:
    """Return one digit in all its words.

    >>> compile_transducer(digit(9)).automaton.words
    ('nine', 'niner')
    """
    return alt(*[word(each, str(number)) for each in DIGITS[number]])


def _words(*texts: str, out: str | None = None) -> Expr:
    symbols = () if out is None else (out,)
    return alt(*[phrase(each, *symbols) for each in texts])


_NOUGHT = _words("zero", "nought", out="0")
_ANY_DIGIT = alt(*[digit(number) for number in range(10)])
_NONZERO = alt(*[digit(number) for number in range(1, 10)])
_A = _words("a", "an", out="n1")
_TEEN = alt(*[word(each, f"n{number}") for each, number in TEENS.items()])
_TENS = alt(*[word(each, f"n{number}") for each, number in TENS.items()])
_TEN_TO_99 = alt(_TEEN, seq(_TENS, opt(_NONZERO)))
_ONE_TO_99 = alt(_NONZERO, _TEN_TO_99)
_ELEVEN_TO_19 = alt(*[word(each, f"n{number}") for each, number in TEENS.items() if number > 10])
_HUNDRED = seq(word("hundred", "x100"), opt(seq(opt(word("and", "&&")), _ONE_TO_99)))
_THOUSAND = seq(word("thousand", "x1000"), opt(alt(seq(_NONZERO, _HUNDRED), seq(word("and", "&&"), _ONE_TO_99))))
_ARTICLE = word("a", "n1")
_HUNDREDS = seq(alt(_NONZERO, _ARTICLE, _ELEVEN_TO_19), _HUNDRED)
_TEN_ON = alt(_TEN_TO_99, _HUNDREDS, seq(alt(_NONZERO, _ARTICLE), _THOUSAND))
_COUNT = alt(_NONZERO, _TEN_ON)
_AND_TENTHS = seq(opt(word("and")), _NONZERO, _words("tenth", "tenths"), emit("u:tenth"))
_SIGN = alt(word("minus", "minus"), word("plus", "plus"))
_DOUBLE = seq(word("double"), alt(*[word(each, str(n), str(n)) for n, names in enumerate(DIGITS) for each in names]))


def _whole_digits(low: int, high: int) -> Expr:
    """Return whole numbers said digit by digit, without a leading zero."""
    return seq(_NONZERO, repeat(_ANY_DIGIT, low - 1, high - 1))


_WHOLE = alt(_whole_digits(1, 4), _TEN_ON)


def _decimal(forms: ValueForms) -> Expr:
    """Return numbers with a point."""
    after = repeat(alt(_ANY_DIGIT, _DOUBLE), 1, forms.most_places)
    return seq(opt(alt(_WHOLE, _words(*DIGITS[0], out="0"))), _words(*POINTS, out="."), after)


_PART = alt(
    seq(opt(word("a")), word("half", "+1/2")),
    phrase("a quarter", "+1/4"),
    seq(word("three"), _words("quarter", "quarters", out="+3/4")),
)
_AND_PART = seq(word("and"), _PART)
_OF_A = alt(word("a"), word("an"), phrase("of a"), phrase("of an"))
_PART_OF = alt(
    seq(opt(word("a")), word("half", "+1/2"), opt(_OF_A)),
    seq(opt(word("a")), word("quarter", "+1/4"), opt(_OF_A)),
    seq(word("three"), word("quarters", "+3/4"), _OF_A),
)

# --- units

_INCH = _words("inch", "inches", out="u:in")
_MILLIMETRE = _words("millimetre", "millimetres", out="u:mm")
_MICRON = _words("micron", "microns", "micrometre", "micrometres", out="u:um")
_OF_AN_INCH = phrase("of an inch")
_OF_A_MILLIMETRE = phrase("of a millimetre")
_THOUSANDTH = seq(_words("thousandth", "thousandths", out="th"), opt(_OF_AN_INCH), emit("u:thou"))
_THOU_WORD = word("thou", "u:thou")
_THOU = alt(_THOU_WORD, _THOUSANDTH)
_INCHES = seq(alt(_COUNT, _A), _INCH)
_THOUS = seq(_COUNT, _THOU, opt(_AND_TENTHS))
_TENTH = _words("tenth", "tenths")
_HUNDREDTH = _words("hundredth", "hundredths")
_TENTH_OF_A_THOU = seq(_TENTH, phrase("of a thou"), emit("u:tenth"))
_TENTH_OF_A_MILLIMETRE = seq(_TENTH, _OF_A_MILLIMETRE, emit("u:mm/10"))
_HUNDREDTH_OF_A_MILLIMETRE = seq(_HUNDREDTH, alt(_OF_A_MILLIMETRE, word("millimetre")), emit("u:hundredth mm"))
_BARE_TENTH: dict[str | None, Expr] = {
    "inch": seq(_TENTH, emit("u:tenth")),
    "metric": seq(_TENTH, emit("u:tenth mm")),
    None: seq(_TENTH, emit("u?:tenths")),
}
_BARE_HUNDREDTH: dict[str | None, Expr] = {
    "inch": seq(_HUNDREDTH, emit("u?:hundredths")),
    "metric": seq(_HUNDREDTH, emit("u:hundredth mm")),
    None: seq(_HUNDREDTH, emit("u?:hundredths")),
}
_MORE_UNIT_WORDS: dict[str, tuple[str, ...]] = {
    "degC": ("degrees c",),
    "degF": ("degrees f",),
    "delta degC": ("degree", "degrees", "degrees c"),
    "delta degF": ("degree", "degrees", "degrees f"),
}


def _unit(unit: str) -> Expr:
    """Return a unit in the words the bench says for it, and those heard besides."""
    spoken = dict.fromkeys((unit_spoken(unit, plural=False), unit_spoken(unit), *_MORE_UNIT_WORDS.get(unit, ())))
    return _words(*[each.lower() for each in spoken if each], out=f"u:{unit}")


_NONE = alt()


def _counted_units(forms: ValueForms) -> Expr:
    """Return the units that a count or a part of one goes with ("three and a half thou"); not thou."""
    system = forms.unit_system
    family = values.family(forms.unit)
    settled = system if values.system(forms.unit) == system else None
    if family != "length":
        return _NONE
    if forms.wide:
        explicit = (_TENTH_OF_A_THOU, _TENTH_OF_A_MILLIMETRE, _HUNDREDTH_OF_A_MILLIMETRE, _unit("uin"))
        return alt(_INCH, _MILLIMETRE, _MICRON, *explicit, _BARE_TENTH[system], _BARE_HUNDREDTH[system])
    if values.system(forms.unit) == "inch":
        own = _unit("uin") if forms.unit == "uin" else _NONE
        return alt(_INCH, _TENTH_OF_A_THOU, _BARE_TENTH[settled], own, _MILLIMETRE, _MICRON)
    hundredths = (_HUNDREDTH_OF_A_MILLIMETRE, _BARE_HUNDREDTH[settled])
    return alt(_MILLIMETRE, _MICRON, _TENTH_OF_A_MILLIMETRE, _BARE_TENTH[settled], *hundredths, _INCH)


def _plain_units(forms: ValueForms) -> Expr:
    """Return the units that only plain numbers go with ("twenty point five degrees")."""
    family = values.family(forms.unit)
    if family == "temperature":
        bare = _words("degree", "degrees", out=f"u:{forms.unit}")
        return alt(bare, _unit("degC"), _unit("degF"))
    if family == "length":
        large = ("ft", "m", "nm")
        return alt(*[_unit(name) for name in large if name == forms.unit or (forms.wide and name != "nm")])
    return _unit(forms.unit)


# --- values


@lru_cache(maxsize=64)
def value(forms: ValueForms, *, alone: bool = False) -> Expr:
    """Return the language of one value. `alone`: nothing is said before it, so one digit by itself is no value.

    >>> compile_transducer(value(ValueForms("in", "inch"))).outputs("three and a half thou".split())
    frozenset({('3', '+1/2', 'u:thou')})
    """
    most = forms.most_places
    bare = alt(_whole_digits(2, most), _TEN_ON) if alone else alt(_whole_digits(1, most), _NOUGHT, _TEN_ON)
    said = seq(opt(_SIGN), alt(_with_point_or_unit(forms), bare))
    return seq(opt(word("at")), said) if forms.wide and forms.unit == "deg" else said


@lru_cache(maxsize=64)
def _with_point_or_unit(forms: ValueForms) -> Expr:
    counted, plain = _counted_units(forms), _plain_units(forms)
    is_length = values.family(forms.unit) == "length"
    is_inch = values.system(forms.unit) == "inch"
    thou = _NONE if not is_length else _THOU if forms.wide or is_inch else _THOU_WORD
    count = alt(_whole_digits(1, 4), _NOUGHT, _TEN_ON)
    parts = [seq(_decimal(forms), opt(alt(counted, thou, plain))), seq(count, plain)]
    if is_length:
        parts += [
            seq(alt(count, _A), alt(seq(counted, opt(_AND_PART)), seq(thou, opt(alt(_AND_PART, _AND_TENTHS))))),
            seq(_COUNT, _AND_PART, opt(alt(counted, thou))),
            seq(_PART_OF, alt(counted, thou)),
        ]
    if is_length and (forms.wide or is_inch):
        parts.append(seq(_INCHES, opt(word("and")), _THOUS))
    if is_length and forms.wide:
        parts += _inch_forms(forms)
    return built(alt(*parts))


def _inch_forms(forms: ValueForms) -> list[Expr]:
    """Return fractions of an inch, feet and inches, inches and thou, ten thousandths."""
    part = seq(
        alt(_ARTICLE, _ONE_TO_99),
        alt(
            _words("eighth", "eighths", out="/8"),
            _words("sixteenth", "sixteenths", out="/16"),
            _words("thirty second", "thirty seconds", out="/32"),
            _words("sixty fourth", "sixty fourths", out="/64"),
        ),
    )
    unsaid = emit("u:in") if forms.unit_system == "inch" else emit("u?:fractions")
    tail = alt(seq(_OF_AN_INCH, emit("u:in")), _INCH, unsaid)
    whole_inches = alt(seq(alt(_decimal(forms), _COUNT), _INCH), seq(_COUNT, _AND_PART, _INCH))
    return [
        seq(opt(seq(_ONE_TO_99, word("and", "&"))), part, tail),
        seq(_INCHES, word("and"), part, emit("u:in")),
        seq(_INCHES, alt(word("plus"), word("minus", "?sum")), _THOUS),
        seq(alt(_COUNT, _A), _unit("ft"), opt(word("and")), whole_inches),
        seq(_ONE_TO_99, word("ten"), _words("thousandth", "thousandths"), opt(_OF_AN_INCH), emit("u:tenth")),
    ]


@lru_cache(maxsize=64)
def value_call(forms: ValueForms, *, alone: bool = False, is_correction: bool = False) -> Expr:
    """Return a value as it is called: it may be put right or said again once, or dropped, in the same breath.

    Once only, and not at all where the call is a correction already: where any number of repeats was allowed, the
    recogniser filled the end of a call with them.
    """
    again = alt(word(CORRECTION, "K"), phrase("i say again", "A"))
    said = value(forms, alone=alone)
    if not is_correction:
        said = seq(said, opt(seq(again, value(forms))))
    return built(seq(said, opt(word("disregard", "X"))))


@lru_cache(maxsize=64)
def feeler_call(forms: ValueForms) -> Expr:
    """Return what goes, what does not, or both, smaller first; "G" and "N" end the values.

    >>> said = compile_transducer(feeler_call(ValueForms("thou", "inch", decimals=0)))
    >>> said.outputs("four goes five does not".split())
    frozenset({('4', 'G', '5', 'N')})
    """
    does_not = seq(word("does"), word("not", "N"), opt(word("go")))
    both = seq(value(forms), word(GOES, "G"), opt(seq(opt(word("and")), value(forms), does_not)))
    return built(alt(both, seq(value(forms), does_not)))


@lru_cache(maxsize=64)
def _reader(forms: ValueForms) -> Transducer:
    return compile_transducer(value(forms))


def read_value(
    words: Sequence[str],
    unit_system: str | None,
    signed: bool,
    *,
    unit: str = "in",
    decimals: int | None = None,
    wide: bool = True,
) -> Quantity | NotUnderstood:
    """Read a bare value from words, out of the same pieces that the bench's grammar is made of.

    Args:
        unit_system: "inch", "metric" or None when it is not settled.
        unit: what the gauge reads; taken where no unit is said.
        decimals: digits the gauge shows after the point; None leaves them open.
        wide: every form and unit of that kind, not only those listened for at a bench.

    >>> read_value("three and a half thou".split(), "inch", False)
    Quantity(text='3.5', unit='thou')
    """
    said = normalise(words)
    reader = _reader(ValueForms(unit, unit_system, wide))
    outputs = reader.outputs(said)
    if not outputs:
        return diagnose(said, reader.automaton, offered="value")
    rule = values.ValueRule(unit, decimals, signed)
    meanings = {values.read(each, rule) for each in outputs}
    return meanings.pop() if len(meanings) == 1 else NotUnderstood("two meanings", "that can be taken two ways")


_TYPED = re.compile(
    r"(?P<sign>[-+\u2212])?\s*(?:(?P<decimal>[0-9]+(?:\.[0-9]+)?|\.[0-9]+)|"
    r"(?:(?P<whole>[0-9]+)\s+)?(?P<top>[0-9]+)/(?P<bottom>[0-9]+))\s*(?P<unit>[^\s0-9.,/+-].*)?"
)
_TYPED_UNITS: dict[str, str] = {
    **dict.fromkeys(("in", "inch", "inches", '"'), "in"),
    **dict.fromkeys(("mm", "millimetre", "millimetres", "millimeter", "millimeters"), "mm"),
    **dict.fromkeys(("um", "\u00b5m", "\u03bcm", "micron", "microns"), "um"),
    **{name: name for name in ("thou", "ft", "m", "deg", "degC", "degF", "kg", "lb", "uin")},
}
_TYPED_BOTTOMS = (2, 4, 8, 16, 32, 64)


def read_typed(text: str, rule: values.ValueRule) -> Quantity | NotUnderstood:
    """Read a value that was typed: digits with a point, or inches and a fraction, and a unit.

    A whole number and a fraction are added, never multiplied ("1 1/8 inch" is 1.125 in).

    >>> read_typed("1 1/8 inch", values.ValueRule("in", 3, signed=False))
    Quantity(text='1.125', unit='in')
    """
    found = _TYPED.fullmatch(text.strip())
    if found is None:
        return NotUnderstood("not in the grammar", "type digits and a unit, for example 1.248 in")
    unit = _TYPED_UNITS.get((found["unit"] or rule.unit).strip())
    if unit is None and found["unit"]:
        return NotUnderstood("unit", f"{found['unit'].strip()} is not a unit here")
    unit = unit or rule.unit
    if found["decimal"] is not None:
        whole, _, after = found["decimal"].partition(".")
        digits = f"{int(whole or '0')}.{after}" if after else str(int(whole))
        is_counted = False
    else:
        bottom = int(found["bottom"])
        if bottom not in _TYPED_BOTTOMS or int(found["top"]) >= bottom:
            return NotUnderstood("not in the grammar", "that is not a fraction of an inch")
        digits = exact_text(int(found["whole"] or 0) + Fraction(int(found["top"]), bottom), 0)
        is_counted = True
    sign = {"-": "minus", "\u2212": "minus", "+": "plus"}.get(found["sign"] or "", "")
    return values.checked(digits, unit, rule, sign=sign, is_counted=is_counted)
