"""Quantities: the digits as they were said, a unit, exact conversion.

Factors come from pint's registry with Fractions, taken once. A Decimal registry is not exact
(31.75 mm came out as 1.2499... in when tried), so nothing here divides Decimals or floats.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import Any

from capture.domain.errors import QuantityError, UnitError

_DIGITS = re.compile(r"-?(0|[1-9][0-9]*)(\.[0-9]+)?")
_LONGEST_DIGITS = 24

# Our short names, the name pint knows them by, and the word to speak.
# "tenth" is a tenth of a thou, as inch shops say it; "hundredth" is 0.01 mm, as metric shops say it.
# "degC" is a temperature, "delta degC" a difference of two: the second is never converted as the first.
_UNITS: dict[str, tuple[str, str, str]] = {
    "in": ("inch", "inch", "inches"),
    "ft": ("foot", "foot", "feet"),
    "thou": ("thou", "thou", "thou"),
    "tenth": ("tenth_of_a_thou", "tenth of a thou", "tenths of a thou"),
    "uin": ("microinch", "microinch", "microinches"),
    "mm": ("millimetre", "millimetre", "millimetres"),
    "hundredth mm": ("hundredth_of_a_millimetre", "hundredth of a millimetre", "hundredths of a millimetre"),
    "tenth mm": ("tenth_of_a_millimetre", "tenth of a millimetre", "tenths of a millimetre"),
    "um": ("micrometre", "micron", "microns"),
    "nm": ("nanometre", "nanometre", "nanometres"),
    "m": ("metre", "metre", "metres"),
    "deg": ("degree", "degree", "degrees"),
    "degC": ("degree_Celsius", "degree Celsius", "degrees Celsius"),
    "degF": ("degree_Fahrenheit", "degree Fahrenheit", "degrees Fahrenheit"),
    "K": ("kelvin", "kelvin", "kelvin"),
    "delta degC": ("delta_degree_Celsius", "degree Celsius", "degrees Celsius"),
    "delta degF": ("delta_degree_Fahrenheit", "degree Fahrenheit", "degrees Fahrenheit"),
    "N*m": ("newton * metre", "newton metre", "newton metres"),
    "lbf*ft": ("foot * pound_force", "pound foot", "pound feet"),
    "kg": ("kilogram", "kilogram", "kilograms"),
    "lb": ("pound", "pound", "pounds"),
    "1": ("dimensionless", "", ""),
}

UNIT_NAMES: tuple[str, ...] = tuple(_UNITS)


@lru_cache(maxsize=1)
def _registry() -> Any:
    """Return pint's registry with exact factors. Built once: it takes a few tenths of a second."""
    import pint

    registry: Any = pint.UnitRegistry(non_int_type=Fraction, cache_folder=None)
    registry.define("tenth_of_a_thou = thou / 10")
    registry.define("hundredth_of_a_millimetre = millimetre / 100")
    registry.define("tenth_of_a_millimetre = millimetre / 10")
    return registry


def _pint_name(unit: str) -> str:
    try:
        return _UNITS[unit][0]
    except KeyError:
        raise UnitError(
            f"Unit {unit!r} is not known",
            thing="unit",
            value=unit,
            remedy=f"use one of {', '.join(UNIT_NAMES)}",
        ) from None


def unit_spoken(unit: str, *, plural: bool = True) -> str:
    """Return the unit as a word to speak.

    >>> unit_spoken("um")
    'microns'
    """
    _pint_name(unit)
    return _UNITS[unit][2 if plural else 1]


@lru_cache(maxsize=256)
def factor(unit: str, to: str) -> Fraction:
    """Return the exact factor that turns a size or a difference in `unit` into `to`.

    Temperatures are converted as differences here (1 degC = 9/5 degF); see `convert` for a reading
    of a temperature. An angle and a plain number are different kinds.

    Raises:
        UnitError: unknown unit, or units of different kinds.
    Source: international yard and pound agreement, 1959 (1 in = 25.4 mm), through pint.

    >>> factor("in", "mm")
    Fraction(127, 5)
    """
    a, b = _pint_name(unit), _pint_name(to)
    if a == b:
        return Fraction(1)
    delta = {"degree_Celsius": "delta_degree_Celsius", "degree_Fahrenheit": "delta_degree_Fahrenheit"}
    registry = _registry()
    import pint

    if "degree" in (a, b):  # pint takes an angle for a plain number; we do not
        raise _another_kind(unit, to)
    try:
        converted = registry.Quantity(Fraction(1), delta.get(a, a)).to(delta.get(b, b))
    except pint.DimensionalityError:
        raise _another_kind(unit, to) from None
    return Fraction(converted.magnitude)


def _another_kind(unit: str, to: str) -> UnitError:
    return UnitError(
        f"Unit {unit!r} does not measure the same thing as {to!r}",
        thing="unit",
        value=unit,
        remedy=f"use a unit that converts to {to!r}",
    )


# What to add to a temperature, before its factor to kelvin, to count from absolute zero.
_ZERO: dict[str, Fraction] = {"degC": Fraction("273.15"), "degF": Fraction("459.67"), "K": Fraction(0)}
_DIFFERENCES = ("delta degC", "delta degF")


def convert(value: Fraction, unit: str, to: str) -> Fraction:
    """Return a value in another unit, exact; a temperature is converted as a temperature.

    Raises:
        UnitError: unknown unit, units of different kinds, or a temperature against a difference of two.
    Source: BIPM, SI Brochure, 9th ed., 2.3.1 (0 degC = 273.15 K); NIST SP 811, B.8 for degF.

    >>> convert(Fraction(68), "degF", "degC")
    Fraction(20, 1)
    """
    if unit == to:
        _pint_name(unit)
        return value
    if (unit in _DIFFERENCES) != (to in _DIFFERENCES) and (unit in _ZERO or to in _ZERO):
        raise _another_kind(unit, to)
    if unit in _ZERO and to in _ZERO:
        return (value + _ZERO[unit]) * factor(unit, to) - _ZERO[to]
    return value * factor(unit, to)


@lru_cache(maxsize=8192)
def _fraction(text: str) -> Fraction:
    return Fraction(text)


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number as it was said or printed, with its unit.

    `text` is the digits as said, trailing zeros kept ("1.250"); `unit` one of `UNIT_NAMES`.
    Equality is of text and unit: "1.25" in is another reading than "1.250" in.

    Raises:
        QuantityError: the text is not plain digits (NaN, exponents, signs other than "-", blanks).

    >>> Quantity("1.250", "in").fraction
    Fraction(5, 4)
    """

    text: str
    unit: str

    def __post_init__(self) -> None:
        if not isinstance(self.text, str) or not _DIGITS.fullmatch(self.text) or len(self.text) > _LONGEST_DIGITS:
            raise QuantityError(
                f"Value {self.text!r} is not a number as a gauge shows it",
                thing="value",
                value=str(self.text),
                remedy="give digits with at most one point, for example 1.248 or -0.002",
            )
        _pint_name(self.unit)

    @property
    def fraction(self) -> Fraction:
        """The exact value in its own unit."""
        return _fraction(self.text)

    @property
    def places(self) -> int:
        """How many digits were said after the point."""
        return len(self.text.partition(".")[2])

    def to_fraction(self, unit: str) -> Fraction:
        """Return the exact value in `unit`; a temperature is converted as a temperature.

        >>> Quantity("31.75", "mm").to_fraction("in")
        Fraction(5, 4)
        """
        value = _fraction(self.text)
        return value if self.unit == unit else convert(value, self.unit, unit)

    def __str__(self) -> str:
        return f"{self.text} {self.unit}" if self.unit != "1" else self.text


def ends(value: Fraction) -> bool:
    """Say whether the value can be written out in full as a decimal.

    >>> ends(Fraction(5, 4)), ends(Fraction(5, 127))
    (True, False)
    """
    rest = value.denominator
    for prime in (2, 5):
        while rest % prime == 0:
            rest //= prime
    return rest == 1


@lru_cache(maxsize=8192)
def exact_text(value: Fraction, places: int) -> str:
    """Print an exact value with at least `places` decimals, and all of them if it ends.

    A value that does not end is rounded half-even at `places` + 3 and marked with "~": for reading
    only, verdicts never use it.

    >>> exact_text(Fraction(11, 4000), 4)
    '0.00275'
    >>> exact_text(Fraction(1, 3), 3)
    '~0.333333'
    """
    sign = "-" if value < 0 else ""
    size = abs(value)
    rest, twos, fives = size.denominator, 0, 0
    while rest % 2 == 0:
        rest //= 2
        twos += 1
    while rest % 5 == 0:
        rest //= 5
        fives += 1
    is_whole = rest == 1
    shown = max(places, twos, fives) if is_whole else places + 3
    scaled = round(size * 10**shown)  # half-even on Fractions, exact when the value ends
    digits = str(scaled).rjust(shown + 1, "0")
    text = f"{digits[:-shown]}.{digits[-shown:]}" if shown else digits
    if scaled == 0:
        sign = ""
    return f"{'' if is_whole else '~'}{sign}{text}"
