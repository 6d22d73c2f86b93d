"""The parts of a plan that carry numbers: limits, decision rule, gauges, repeats, expansion."""

from __future__ import annotations

from datetime import date
from fractions import Fraction

from capture.domain._tables import Table
from capture.domain.decision import ABSOLUTE, GUARD_BAND, INCLUSIVE, ROUNDING, SIMPLE, STRICT, DecisionRule
from capture.domain.errors import DomainError, LimitError
from capture.domain.gauges import Gauge
from capture.domain.iso286 import fit, tolerance_class
from capture.domain.plan import STANDINGS, Expansion, Limits, Repeats
from capture.domain.rounding import MODES
from capture.domain.thermal import COEFFICIENTS
from capture.domain.units import Quantity, convert, ends, exact_text

_REMEDY = "give lower, upper or both; or a rate with per; or nominal with plus and minus; or nominal with code"


def read_limits(table: Table | None, unit: str, *, is_fit: bool = False) -> Limits | None:
    """Read limits in one of four forms: absolute, rate per diameter, nominal with plus and minus, ISO 286 code."""
    if table is None:
        return None
    forms = {
        "absolute": table.has("lower") or table.has("upper"),
        "rate": table.has("lower_rate") or table.has("upper_rate"),
        "deviation": table.has("plus") or table.has("minus") or table.has("plus_minus"),
        "code": table.has("code"),
    }
    given = [name for name, there in forms.items() if there]
    if not given:
        raise table.error(None, "has no limit", remedy=_REMEDY)
    if len(given) > 1:
        raise table.error(None, f"has limits of both kinds, {given[0]} and {given[1]}", remedy=_REMEDY)
    limits = {"absolute": _absolute, "rate": _rate, "deviation": _deviation}.get(given[0])
    made = limits(table, unit) if limits else _code(table, unit, is_fit)
    table.done()
    return made


def _whose(table: Table) -> tuple[str, str]:
    return table.text("source"), table.choice("standing", STANDINGS)


def _in_order(table: Table, lower: Quantity | None, upper: Quantity | None, key: str) -> None:
    if lower is not None and upper is not None and lower.fraction > upper.fraction:
        message = f"has lower {lower.text} above upper {upper.text}"
        raise table.error(key, message, value=lower.text, remedy="swap them")


def _absolute(table: Table, unit: str) -> Limits:
    lower, upper = table.number("lower", unit, needed=False), table.number("upper", unit, needed=False)
    if table.has("per"):
        raise table.error("per", "has per, and only a rate has one", remedy="leave per out, or give rates")
    _in_order(table, lower, upper, "lower")
    source, standing = _whose(table)
    return Limits(
        unit=unit,
        lower=lower.fraction if lower else None,
        upper=upper.fraction if upper else None,
        source=source,
        standing=standing,
        lower_text=lower.text if lower else "",
        upper_text=upper.text if upper else "",
    )


def _rate(table: Table, unit: str) -> Limits:
    low, high = table.number("lower_rate", needed=False), table.number("upper_rate", needed=False)
    low_base, high_base = table.number("lower_base", unit, needed=False), table.number("upper_base", unit, needed=False)
    if not table.has("per"):
        remedy = "a rate needs per = the id of the characteristic it is taken of"
        raise table.error(
            "lower_rate" if low else "upper_rate", "has a rate without per; a rate needs per", remedy=remedy
        )
    per = table.text("per")
    if (low_base is None) == (high_base is None):
        _in_order(table, low, high, "lower_rate")
    source, standing = _whose(table)
    return Limits(
        unit=unit,
        lower=None,
        upper=None,
        source=source,
        standing=standing,
        lower_rate=low.fraction if low else None,
        upper_rate=high.fraction if high else None,
        per=per,
        lower_text=low.text if low else "",
        upper_text=high.text if high else "",
        lower_base=low_base.fraction if low_base else Fraction(0),
        upper_base=high_base.fraction if high_base else Fraction(0),
    )


def _deviation(table: Table, unit: str) -> Limits:
    nominal = table.number("nominal", unit)
    assert nominal is not None
    both = table.number("plus_minus", unit, needed=False)
    plus, minus = (both, both) if both else (table.number("plus", unit), table.number("minus", unit))
    assert plus is not None and minus is not None
    for key, one in (("plus", plus), ("minus", minus)):
        if one.fraction < 0 and both:
            raise table.error(
                "plus_minus", f"has plus_minus = {one.text}", value=one.text, remedy="give it without a sign"
            )
        if key == "plus" and one.fraction < -minus.fraction:
            message = f"has plus {plus.text} below minus {minus.text}"
            raise table.error("plus", message, value=plus.text, remedy="give plus upwards and minus downwards")
    places = max(nominal.places, plus.places, minus.places)
    lower, upper = nominal.fraction - minus.fraction, nominal.fraction + plus.fraction
    source, standing = _whose(table)
    stated = f"{nominal.text} +-{both.text}" if both else f"{nominal.text} {_signed(plus)} {_signed(minus, -1)}"
    return Limits(
        unit=unit,
        lower=lower,
        upper=upper,
        source=source,
        standing=standing,
        lower_text=exact_text(lower, places),
        upper_text=exact_text(upper, places),
        stated=stated,
    )


def _signed(one: Quantity, sign: int = 1) -> str:
    """Return a deviation with its sign as a drawing shows it."""
    value = sign * one.fraction
    digits = one.text.lstrip("-")
    return f"+{digits}" if value > 0 else f"-{digits}" if value < 0 else digits


def _code(table: Table, unit: str, is_fit: bool) -> Limits:
    """Limits of size of one member ("H7"), or of the clearance of a fit ("H7/g6")."""
    nominal = table.number("nominal", table.unit("nominal_unit", "mm"))
    assert nominal is not None
    code = table.text("code")
    size = nominal.to_fraction("mm")
    try:
        if ("/" in code) != is_fit:
            need = "a fit such as H7/g6" if is_fit else "one member such as H7"
            raise LimitError(f"Code {code!r} does not belong here", value=code, remedy=f"give {need}")
        if is_fit:
            pair = fit(size, code)
            low, high = pair.least / 1000, pair.most / 1000
        else:
            low, high = tolerance_class(size, code).limits(size)
        lower, upper = (convert(one, "mm", unit) for one in (low, high))
    except DomainError as error:
        raise table.error("code", f"has {error}", value=code) from None
    source, standing = _whose(table)
    return Limits(
        unit=unit,
        lower=lower,
        upper=upper,
        source=source,
        standing=standing,
        lower_text=exact_text(lower, 3) if ends(lower) else "",
        upper_text=exact_text(upper, 3) if ends(upper) else "",
        stated=f"{nominal.text} {code}" if nominal.unit == "mm" else f"{nominal} {code}",
    )


def read_decision(table: Table | None) -> DecisionRule | None:
    """Read how a plan, or one characteristic of it, decides."""
    if table is None:
        return None
    k, step = table.number("k", needed=False), table.number("round_to", needed=False)
    method = table.choice("method", (ABSOLUTE, ROUNDING), ABSOLUTE)
    if (method == ROUNDING) != (step is not None):
        raise table.error(
            "method", f"has method = {method!r}", remedy="the rounding method needs round_to, and only it"
        )
    for key, one in (("k", k), ("round_to", step)):
        if one is not None and one.fraction <= 0:
            raise table.error(key, f"has {key} = {one.text}", value=one.text, remedy="it must be above zero")
    rule = DecisionRule(
        kind=table.choice("rule", (SIMPLE, GUARD_BAND)),
        edges=table.choice("edges", (INCLUSIVE, STRICT), INCLUSIVE),
        method=method,
        k=k.fraction if k else None,
        round_to=step.fraction if step else None,
        mode=table.choice("mode", MODES, MODES[0]),
    )
    table.done()
    return rule


def read_gauge(table: Table) -> Gauge:
    """Read one gauge."""
    gauge_id, title, unit = table.id(), table.text("title"), table.unit()
    resolution = table.fraction("resolution", unit)
    if resolution <= 0:
        raise table.error("resolution", f"has resolution = {resolution}", remedy="it must be above zero")
    lower, upper = table.number("lower", unit, needed=False), table.number("upper", unit, needed=False)
    _in_order(table, lower, upper, "lower")
    uncertainty, k = table.number("uncertainty", unit, needed=False), table.number("k", needed=False)
    due = table.text("due", "")
    if due:
        try:
            date.fromisoformat(due)
        except ValueError:
            raise table.error("due", f"has due = {due!r}", value=due, remedy="write it as 2026-03-31") from None
    gauge = Gauge(
        id=gauge_id,
        title=title,
        unit=unit,
        resolution=resolution,
        lower=lower.fraction if lower else None,
        upper=upper.fraction if upper else None,
        uncertainty=uncertainty.fraction if uncertainty else None,
        k=k.fraction if k else Fraction(2),
        due=due,
    )
    table.done()
    return gauge


def read_repeats(table: Table | None) -> Repeats:
    """Read how often, and where, a characteristic is read."""
    if table is None:
        return Repeats(1)
    count, at = table.whole("count", 1, 20), table.texts("at", needed=False)
    table.done()
    if at and len(at) != count:
        raise table.error("at", f"has {len(at)} places for {count} repeats", remedy="name as many places as repeats")
    return Repeats(count, at)


def read_expansion(table: Table | None) -> Expansion | None:
    """Read what is needed to correct a length to 20 degC."""
    if table is None:
        return None
    material = table.choice("material", tuple(COEFFICIENTS))
    gauge = table.choice("gauge_material", ("", *COEFFICIENTS), "")
    within = table.number("within_degc", needed=False)
    made = Expansion(
        alpha=Fraction(COEFFICIENTS[material][0]),
        gauge_alpha=Fraction(COEFFICIENTS[gauge][0]) if gauge else Fraction(0),
        material=material,
        corrects=table.flag("corrects", True),
        within_degc=within.fraction if within else None,
    )
    table.done()
    return made
