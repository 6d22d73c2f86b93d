"""A set of like parts as a drawing: one dot a part, between the stated limits, so that the odd one shows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from reportlab.graphics.shapes import Circle, Drawing, Line, Polygon, String  # type: ignore[import-untyped]
from reportlab.lib.colors import HexColor  # type: ignore[import-untyped]

from capture.domain.decision import CONFORMING, NONCONFORMING_ABOVE, NONCONFORMING_BELOW
from capture.domain.errors import DomainError
from capture.domain.events import READING_STAGES
from capture.domain.limits import Bounds, bounds
from capture.domain.plan import Characteristic
from capture.domain.record import InspectionRecord
from capture.domain.units import convert, exact_text

FEWEST = 3
"""Parts of a set from which on a drawing says more than the table."""
_INK, _PALE, _LIMIT = HexColor("#1b1f23"), HexColor("#8a949e"), HexColor("#9a3412")
_WIDTH, _HEIGHT, _LEFT, _TOP = 470.0, 132.0, 64.0, 14.0  # points


@dataclass(frozen=True, slots=True)
class SetChart:
    """A set: `dots` are (number of the part, value, verdict), values in `unit`; limits None where the side is open."""

    title: str
    unit: str
    dots: tuple[tuple[int, Fraction, str], ...]
    lower: Fraction | None
    upper: Fraction | None


def set_charts(record: InspectionRecord) -> list[SetChart]:
    """Return a chart for every characteristic of a numbered group of which enough parts were read, stage by stage."""
    charts = []
    for group, spoken in record.plan.group_spoken:
        numbers = {one.id: one.number for one in record.plan.positions_of(group)}
        for one in record.plan.characteristics:
            for stage in READING_STAGES:
                read = [
                    (numbers[entry.position] or 0, entry.quantity, entry.verdict.kind)
                    for entry in record.entries
                    if entry.position in numbers and (entry.characteristic, entry.stage) == (one.id, stage)
                ]
                if len(read) < FEWEST:
                    continue
                held = _absolute(one)
                dots = [
                    (number, convert(quantity.fraction, quantity.unit, one.unit), kind)
                    for number, quantity, kind in read
                ]
                lower, upper = (held.lower, held.upper) if held else (None, None)
                title = f"{spoken}: {one.title}, {stage}"
                charts.append(SetChart(title, one.unit, tuple(dots), lower, upper))
    return charts


def _absolute(one: Characteristic) -> Bounds | None:
    """Return limits that are the same for all parts of a set; a rate's differ from part to part."""
    if one.limits is None or one.limits.per is not None:
        return None
    try:
        return bounds(one.limits, {}, one.unit)
    except DomainError:
        return None


def drawing(chart: SetChart) -> Drawing:
    """Return the chart drawn: a dot for conforming, a triangle pointing out where it is not, a diamond in doubt."""
    values = [value for _, value, _ in chart.dots] + [end for end in (chart.lower, chart.upper) if end is not None]
    low, high = min(values), max(values)
    room = (high - low) / 8 or Fraction(1, 1000)
    low, high = low - room, high + room
    made = Drawing(_WIDTH, _HEIGHT)
    bottom, top = 22.0, _HEIGHT - _TOP
    made.add(String(0, _HEIGHT - 9, chart.title, fontName="Vera", fontSize=8, fillColor=_INK))

    def up(value: Fraction) -> float:
        return bottom + float((value - low) / (high - low)) * (top - bottom - 4)

    for end in (chart.lower, chart.upper):
        if end is not None:
            made.add(Line(_LEFT, up(end), _WIDTH, up(end), strokeColor=_LIMIT, strokeDashArray=(4, 3)))
            label = f"{exact_text(end, 0)} {chart.unit}"
            made.add(
                String(_LEFT - 5, up(end) - 2.5, label, fontName="Vera", fontSize=7, fillColor=_LIMIT, textAnchor="end")
            )
    step = (_WIDTH - _LEFT) / (len(chart.dots) + 1)
    made.add(Line(_LEFT, bottom - 6, _WIDTH, bottom - 6, strokeColor=_PALE))
    for at, (number, value, kind) in enumerate(chart.dots, start=1):
        x, y = _LEFT + at * step, up(value)
        made.add(_mark(x, y, kind))
        made.add(
            String(x, bottom - 16, str(number), fontName="Vera", fontSize=7, fillColor=_INK, textAnchor="middle")
        )
    return made


def _mark(x: float, y: float, kind: str) -> Circle | Polygon:
    shapes: dict[str, Sequence[float]] = {
        NONCONFORMING_ABOVE: (x - 4, y - 3, x + 4, y - 3, x, y + 4),
        NONCONFORMING_BELOW: (x - 4, y + 3, x + 4, y + 3, x, y - 4),
    }
    if kind in shapes:
        return Polygon(list(shapes[kind]), fillColor=_LIMIT, strokeColor=_LIMIT)
    if kind == CONFORMING:
        return Circle(x, y, 2.6, fillColor=_INK, strokeColor=_INK)
    return Polygon([x, y - 4, x + 4, y, x, y + 4, x - 4, y], fillColor=None, strokeColor=_INK)
