"""Temperature: lengths corrected to 20 degC, and running clearance hot from cold, always as an interval.

Expansion coefficients are good to about ten per cent; a maker's value for the alloy wins over this table.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from capture.domain.errors import LimitError
from capture.domain.units import Quantity, exact_text, factor

REFERENCE_DEGC = Fraction(20)  # ISO 1: the reference temperature of lengths
SPREAD = Fraction(1, 10)
_PER_MILLION = Fraction(1, 10**6)

# Material -> coefficient and its usual range, 1e-6 per degC near room temperature. Standing: common practice;
# handbook values, the range says how widely alloys of one name differ.
COEFFICIENTS: dict[str, tuple[str, str, str]] = {
    "carbon and low-alloy steel": ("11.5", "10.5", "12.5"),
    "aluminium, typical": ("23.1", "21.5", "24.0"),
    "grey cast iron": ("11.4", "9.5", "12.0"),
    "ductile iron 60-40-18": ("11.2", "10.6", "12.5"),
    "bearing bronze C93200": ("18.0", "17.0", "19.0"),
    "aluminium alloy 6061": ("23.6", "23.0", "24.0"),
    "cast aluminium 356.0": ("21.5", "21.0", "22.5"),
    "tin, commercially pure": ("23.8", "20.0", "24.0"),
    "tin-based white metal, ASTM B23 grade 2": ("21.0", "20.0", "24.0"),
    "aluminium bronze C62300": ("16.2", "15.5", "17.0"),
    "austenitic stainless steel 304": ("17.2", "16.0", "18.0"),
    "martensitic stainless steel 410": ("9.9", "9.5", "11.0"),
}


def coefficient(material: str) -> Fraction:
    """Return the expansion coefficient of a material in 1e-6 per degC.

    Raises:
        LimitError: a material the table does not have.
    """
    try:
        return Fraction(COEFFICIENTS[material][0])
    except KeyError:
        raise LimitError(
            f"Material {material!r} has no expansion coefficient here",
            thing="material",
            value=material,
            remedy=f"use one of {'; '.join(COEFFICIENTS)}",
        ) from None


def grown(alpha: Fraction, degc: Fraction) -> Fraction:
    """Return the factor by which a length at 20 degC has grown at a temperature; alpha in 1e-6 per degC."""
    return 1 + alpha * _PER_MILLION * (degc - REFERENCE_DEGC)


def to_reference(
    reading: Fraction,
    work_degc: Fraction,
    work_alpha: Fraction,
    gauge_degc: Fraction = REFERENCE_DEGC,
    gauge_alpha: Fraction = Fraction(0),
) -> Fraction:
    """Return the length at 20 degC, exact for the given coefficients; a gauge of its own expansion is allowed for.

    Source: ISO 1; L20 = L (1 + alpha_g (t_g - 20)) / (1 + alpha_w (t_w - 20)).

    >>> to_reference(Fraction("200.0345"), Fraction(35), Fraction("11.5"))
    Fraction(200, 1)
    """
    return reading * grown(gauge_alpha, gauge_degc) / grown(work_alpha, work_degc)


def to_reference_first_order(
    reading: Fraction,
    work_degc: Fraction,
    work_alpha: Fraction,
    gauge_degc: Fraction = REFERENCE_DEGC,
    gauge_alpha: Fraction = Fraction(0),
) -> Fraction:
    """Return the same by the sum a mechanic does by hand: reading times one minus the difference of growths."""
    growth = grown(work_alpha, work_degc) - grown(gauge_alpha, gauge_degc)
    return reading * (1 - growth)


def hot_clearance(
    bore: Fraction, bore_alpha: Fraction, shaft: Fraction, shaft_alpha: Fraction, degc: Fraction
) -> Fraction:
    """Return bore minus shaft with both at one temperature, from diameters at 20 degC; the housing's grip left out."""
    return bore * grown(bore_alpha, degc) - shaft * grown(shaft_alpha, degc)


@dataclass(frozen=True, slots=True)
class HotClearance:
    """Running clearance hot: `lower` to `upper`, exact for coefficients ten per cent either side."""

    lower: Fraction
    nominal: Fraction
    upper: Fraction
    unit: str

    @property
    def text(self) -> str:
        """Both ends, for a line of working."""
        return f"{exact_text(self.lower, 4)} to {exact_text(self.upper, 4)} {self.unit}"


def hot_clearance_interval(
    bore: Quantity,
    bore_alpha: Fraction,
    bore_degc: Fraction,
    shaft: Quantity,
    shaft_alpha: Fraction,
    shaft_degc: Fraction,
    unit: str,
    spread: Fraction = SPREAD,
) -> HotClearance:
    """Return the clearance hot as an interval: each coefficient may be `spread` (a share) off, each its own way.

    Bore and shaft may run at different temperatures. Diameters are those at 20 degC.
    """
    sizes = bore.to_fraction(unit), shaft.to_fraction(unit)

    def clearance(bore_share: Fraction, shaft_share: Fraction) -> Fraction:
        return sizes[0] * grown(bore_alpha * bore_share, bore_degc) - sizes[1] * grown(
            shaft_alpha * shaft_share, shaft_degc
        )

    shares = (1 - spread, 1 + spread)
    corners = [clearance(a, b) for a in shares for b in shares]
    return HotClearance(min(corners), clearance(Fraction(1), Fraction(1)), max(corners), unit)


def per_degc(alpha: Fraction, per: str) -> Fraction:
    """Return a coefficient given per degF (or degC) as one per degC.

    >>> per_degc(Fraction("6.4"), "degF")
    Fraction(288, 25)
    """
    return alpha / factor(per, "degC")
