"""ISO 286 limits and fits by code, sizes up to 250 mm: grades IT5 to IT11, the classes benches meet most.

Sizes in mm, deviations in micrometres, exact. Table values rule; the formulae behind them are checked in tests.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction

from capture.domain.errors import LimitError

# Size steps in mm: over the first, up to and including the second.
STEPS: tuple[tuple[int, int], ...] = (
    (0, 3),
    (3, 6),
    (6, 10),
    (10, 18),
    (18, 30),
    (30, 50),
    (50, 80),
    (80, 120),
    (120, 180),
    (180, 250),
)
# Tolerance grades in micrometres by size step. Source: ISO 286-1, table 1, as restated in open tables.
GRADES: dict[int, tuple[int, ...]] = {
    5: (4, 5, 6, 8, 9, 11, 13, 15, 18, 20),
    6: (6, 8, 9, 11, 13, 16, 19, 22, 25, 29),
    7: (10, 12, 15, 18, 21, 25, 30, 35, 40, 46),
    8: (14, 18, 22, 27, 33, 39, 46, 54, 63, 72),
    9: (25, 30, 36, 43, 52, 62, 74, 87, 100, 115),
    10: (40, 48, 58, 70, 84, 100, 120, 140, 160, 185),
    11: (60, 75, 90, 110, 130, 160, 190, 220, 250, 290),
}
# How many standard tolerance units i a grade is. Source: ISO 286-1:1988, annex A.
MULTIPLES: dict[int, int] = {5: 7, 6: 10, 7: 16, 8: 25, 9: 40, 10: 64, 11: 100}
# Fundamental deviations of shafts in micrometres: es (upper) for f, g, h; ei (lower) for k, m, n, p.
# k holds for grades 4 to 7. m is IT7 - IT6, which the first step does not follow; quoted from memory.
_UPPER: dict[str, tuple[int, ...]] = {
    "f": (-6, -10, -13, -16, -20, -25, -30, -36, -43, -50),
    "g": (-2, -4, -5, -6, -7, -9, -10, -12, -14, -15),
    "h": (0,) * 10,
}
_LOWER: dict[str, tuple[int, ...]] = {
    "k": (0, 1, 1, 1, 2, 2, 2, 3, 3, 4),
    "m": (2, 4, 6, 7, 8, 9, 11, 13, 15, 17),
    "n": (4, 8, 10, 12, 15, 17, 20, 23, 27, 31),
    "p": (6, 12, 15, 18, 22, 26, 32, 37, 43, 50),
}
_CLASS = re.compile(r"([A-Za-z]{1,2})([0-9]{1,2})")
HOLES: tuple[str, ...] = ("H", "JS")
SHAFTS: tuple[str, ...] = (*_UPPER, "js", *_LOWER)


def step_index(size: Fraction) -> int:
    """Return the index of the size step of a nominal size in mm.

    >>> STEPS[step_index(Fraction(30))]
    (18, 30)
    """
    for index, (over, up_to) in enumerate(STEPS):
        if over < size <= up_to:
            return index
    raise LimitError(
        f"Size {size} mm is outside the ISO 286 table here",
        thing="size",
        value=str(size),
        remedy=f"it must be over 0 and up to {STEPS[-1][1]} mm",
    )


@dataclass(frozen=True, slots=True)
class ToleranceClass:
    """One member: `lower` and `upper` deviation from nominal in micrometres."""

    code: str
    lower: Fraction
    upper: Fraction

    @property
    def is_hole(self) -> bool:
        """Say whether the code is of a hole (capital letter)."""
        return self.code[0].isupper()

    def limits(self, size: Fraction) -> tuple[Fraction, Fraction]:
        """Return lower and upper limit of size in mm."""
        return size + self.lower / 1000, size + self.upper / 1000


def tolerance_class(size: Fraction, code: str) -> ToleranceClass:
    """Return the deviations of a class such as "H7" or "g6" at a nominal size in mm.

    Raises:
        LimitError: a letter, grade or size outside the table; never a guess.

    >>> tolerance_class(Fraction(25), "g6").upper
    Fraction(-7, 1)
    """
    found = _CLASS.fullmatch(code)
    letter, grade = (found[1], int(found[2])) if found else ("", 0)
    index = step_index(size)
    if grade not in GRADES or letter not in (*HOLES, *SHAFTS):
        raise _unknown(code)
    if letter == "k" and grade > 7:
        raise _unknown(code)
    width = Fraction(GRADES[grade][index])
    if letter in ("JS", "js"):
        return ToleranceClass(code, -width / 2, width / 2)
    if letter == "H":
        return ToleranceClass(code, Fraction(0), width)
    if letter in _UPPER:
        upper = Fraction(_UPPER[letter][index])
        return ToleranceClass(code, upper - width, upper)
    lower = Fraction(_LOWER[letter][index])
    return ToleranceClass(code, lower, lower + width)


def _unknown(code: str) -> LimitError:
    holes, shafts = ", ".join(HOLES), ", ".join(SHAFTS)
    return LimitError(
        f"ISO 286 class {code!r} is not in the table here",
        thing="tolerance class",
        value=code,
        remedy=f"use {holes} or {shafts} with grades 5 to 11 (k up to 7), or give the limits as numbers",
    )


@dataclass(frozen=True, slots=True)
class Fit:
    """A hole and a shaft of one nominal size; clearances in micrometres, interference negative."""

    hole: ToleranceClass
    shaft: ToleranceClass

    @property
    def least(self) -> Fraction:
        """Smallest clearance: smallest hole, largest shaft."""
        return self.hole.lower - self.shaft.upper

    @property
    def most(self) -> Fraction:
        """Largest clearance: largest hole, smallest shaft."""
        return self.hole.upper - self.shaft.lower

    @property
    def kind(self) -> str:
        """ "clearance", "interference" or "transition"."""
        if self.least >= 0:
            return "clearance"
        return "interference" if self.most <= 0 else "transition"


def fit(size: Fraction, code: str) -> Fit:
    """Return the fit of a code such as "H7/g6" at a nominal size in mm.

    >>> fit(Fraction(60), "H7/g6").least
    Fraction(10, 1)
    """
    hole, _, shaft = code.partition("/")
    pair = Fit(tolerance_class(size, hole), tolerance_class(size, shaft))
    if not pair.hole.is_hole or pair.shaft.is_hole:
        raise LimitError(
            f"Fit {code!r} is not a hole class over a shaft class",
            thing="fit",
            value=code,
            remedy="write the hole first, for example H7/g6",
        )
    return pair
