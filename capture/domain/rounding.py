"""Rounding to a step, once. Verdicts are taken before any rounding unless a plan asks for the rounding method."""

from __future__ import annotations

from fractions import Fraction

HALF_EVEN, HALF_UP = "half_even", "half_up"
MODES: tuple[str, ...] = (HALF_EVEN, HALF_UP)


def round_to(value: Fraction, step: Fraction, mode: str = HALF_EVEN) -> Fraction:
    """Return the multiple of `step` nearest to `value`; a tie goes to the even multiple, or away from zero.

    Source: ISO 80000-1, annex B, rules A (half_even) and B (half_up); ASTM E29, 6.4 (half_even).

    >>> round_to(Fraction("1.2525"), Fraction("0.001")) == Fraction("1.252")
    True
    """
    if step <= 0:
        raise ValueError(f"Step {step} must be above zero")
    if mode not in MODES:
        raise ValueError(f"Rounding mode {mode!r} is not known; use one of {', '.join(MODES)}")
    count = value / step
    if mode == HALF_EVEN:
        return round(count) * step
    whole = int(abs(count) + Fraction(1, 2))
    return (whole if value >= 0 else -whole) * step


def round_up(value: Fraction, digits: int = 2) -> Fraction:
    """Return a size above zero rounded up to so many significant digits; zero stays zero.

    >>> round_up(Fraction("0.00012301")) == Fraction("0.00013")
    True
    """
    if value <= 0:
        return Fraction(0)
    step = Fraction(10) ** (1 - digits)
    while value >= 10 * step * 10 ** (digits - 1):
        step *= 10
    while value < step * 10 ** (digits - 1):
        step /= 10
    return -(-value // step) * step


def round_down_to_125(value: Fraction) -> Fraction:
    """Return the largest of 1, 2, 5 times a power of ten that is not above a value above zero.

    >>> round_down_to_125(Fraction("0.00043")) == Fraction("0.0002")
    True
    """
    if value <= 0:
        raise ValueError(f"Value {value} must be above zero")
    power = Fraction(1)
    while power > value:
        power /= 10
    while power * 10 <= value:
        power *= 10
    return next(power * times for times in (5, 2, 1) if power * times <= value)


def decimals_of(step: Fraction) -> int:
    """Return how many digits after the point a multiple of `step` needs.

    >>> decimals_of(Fraction("0.0005"))
    4
    """
    places = 0
    while (step * 10**places).denominator != 1:
        places += 1
        if places > 30:
            raise ValueError(f"Step {step} does not end")
    return places
