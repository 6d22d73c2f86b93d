"""Form and sets: spread over parts, out-of-round, taper, runout and offset, end play, shims. All exact.

Readings come as Fractions in one unit; diameters as planes along the axis, each a row of angles.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

LESS_FLOAT, MORE_FLOAT = "more shim less float", "more shim more float"
SENSES: tuple[str, ...] = (LESS_FLOAT, MORE_FLOAT)


@dataclass(frozen=True, slots=True)
class Spread:
    """A set of like parts. The indices count from 0; `furthest` is the one furthest from the mean of the others."""

    value: Fraction
    mean: Fraction
    smallest: int
    largest: int
    furthest: int


def spread(values: Sequence[Fraction]) -> Spread:
    """Return largest minus smallest over a set, and which part stands furthest from the mean of the others.

    >>> spread([Fraction(5), Fraction(9), Fraction(5)]).furthest
    1
    """
    if len(values) < 2:
        raise ValueError(f"A set needs at least two readings; got {len(values)}")
    total = sum(values, Fraction(0))
    rest = len(values) - 1
    away = [abs(value - (total - value) / rest) for value in values]
    return Spread(
        value=max(values) - min(values),
        mean=total / len(values),
        smallest=values.index(min(values)),
        largest=values.index(max(values)),
        furthest=away.index(max(away)),
    )


def out_of_round_by_plane(planes: Sequence[Sequence[Fraction]]) -> tuple[Fraction, ...]:
    """Return largest minus smallest diameter of each plane."""
    return tuple(max(plane) - min(plane) for plane in planes)


def out_of_round(planes: Sequence[Sequence[Fraction]]) -> Fraction:
    """Return the worst difference of diameters within one plane."""
    return max(out_of_round_by_plane(planes))


def taper_by_angle(planes: Sequence[Sequence[Fraction]]) -> tuple[Fraction, ...]:
    """Return largest minus smallest diameter along each angle; every plane must be read at the same angles."""
    if len({len(plane) for plane in planes}) != 1:
        raise ValueError("Taper needs the same angles in every plane")
    return tuple(max(along) - min(along) for along in zip(*planes, strict=True))


def taper(planes: Sequence[Sequence[Fraction]]) -> Fraction:
    """Return the worst difference of diameters along one angle, barrel and waist included."""
    return max(taper_by_angle(planes))


def runout(readings: Sequence[Fraction]) -> Fraction:
    """Return the total indicator reading over one turn: largest minus smallest.

    >>> runout([Fraction(-1), Fraction(2)])
    Fraction(3, 1)
    """
    return max(readings) - min(readings)


def offset(readings: Sequence[Fraction]) -> Fraction:
    """Return how far a round surface stands off the axis: half the total indicator reading."""
    return runout(readings) / 2


def first_harmonic(readings: Sequence[Fraction]) -> tuple[float, float]:
    """Return amplitude (in the readings' unit) and angle in degrees of the offset, form left out.

    Readings are equally spaced over one turn and count from angle 0. For showing the direction only; limits are
    compared with `runout`. Source: discrete Fourier series, first term.
    """
    count = len(readings)
    turns = [2.0 * math.pi * i / count for i in range(count)]
    a = 2.0 / count * math.fsum(float(r) * math.cos(t) for r, t in zip(readings, turns, strict=True))
    b = 2.0 / count * math.fsum(float(r) * math.sin(t) for r, t in zip(readings, turns, strict=True))
    return math.hypot(a, b), math.degrees(math.atan2(b, a)) % 360.0


def float_from_dial(one_end: Fraction, other_end: Fraction) -> Fraction:
    """Return the end play from the dial at both ends of the travel."""
    return abs(other_end - one_end)


def float_from_travel(travel_without_shim: Fraction, shim: Fraction, sense: str = LESS_FLOAT) -> Fraction:
    """Return the end play with the shim in; below zero means it would be squeezed."""
    return travel_without_shim - shim if sense == LESS_FLOAT else travel_without_shim + shim


@dataclass(frozen=True, slots=True)
class ShimChange:
    """What to do with the shims: `action` "add", "remove" or "none"; `amount` not below zero."""

    action: str
    amount: Fraction
    new_shim: Fraction


def shim_change(measured: Fraction, target: Fraction, shim: Fraction, sense: str = LESS_FLOAT) -> ShimChange:
    """Return the shims to add or remove to come from the measured float to the target.

    >>> shim_change(Fraction(22), Fraction(15), Fraction(20)).action
    'add'
    """
    if sense not in SENSES:
        raise ValueError(f"Shim sense {sense!r} is not known; use one of {', '.join(SENSES)}")
    change = measured - target if sense == LESS_FLOAT else target - measured
    action = "none" if change == 0 else "add" if change > 0 else "remove"
    return ShimChange(action, abs(change), shim + change)


def straightness(readings: Sequence[Fraction], places: Sequence[Fraction]) -> Fraction:
    """Return how far the furthest reading lies from the straight line through the first and the last."""
    along = places[-1] - places[0]
    slope = (readings[-1] - readings[0]) / along
    line = (readings[0] + slope * (place - places[0]) for place in places)
    return max(abs(reading - there) for reading, there in zip(readings, line, strict=True))
