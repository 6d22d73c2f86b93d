"""Clearance of a bore and a shaft: bore minus shaft, exact; interference is a negative clearance."""

from __future__ import annotations

from fractions import Fraction

from capture.domain.units import Quantity


def clearance(bore: Quantity, shaft: Quantity, unit: str) -> Fraction:
    """Return the diametral clearance in `unit`, exact; the two readings may be in different units.

    Source: ISO 286-1, 3.3: clearance is the size of the hole minus the size of the shaft.

    >>> clearance(Quantity("5.5108", "in"), Quantity("5.4999", "in"), "in") == Fraction("0.0109")
    True
    """
    return bore.to_fraction(unit) - shaft.to_fraction(unit)


def radial(diametral: Fraction) -> Fraction:
    """Return the clearance on one side when the shaft stands in the middle: half of the diametral."""
    return diametral / 2


def interference(bore: Quantity, shaft: Quantity, unit: str) -> Fraction:
    """Return by how much the shaft is larger than the bore: the negative of the clearance."""
    return -clearance(bore, shaft, unit)
