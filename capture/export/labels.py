"""Sheets of tags to print, cut and fix: a symbol, its text to read by eye, marks to cut along.

Symbols are QR (ISO/IEC 18004) or Data Matrix (ISO/IEC 16022); sizes are plain measures of the label in millimetres.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any

import zxingcpp
from reportlab.lib.pagesizes import A4  # type: ignore[import-untyped]
from reportlab.lib.units import mm  # type: ignore[import-untyped]
from reportlab.pdfbase.pdfmetrics import stringWidth  # type: ignore[import-untyped]
from reportlab.pdfgen.canvas import Canvas  # type: ignore[import-untyped]

from capture.domain.errors import DomainError
from capture.domain.identifiers import KINDS, TagText, parse, to_text
from capture.domain.plan import InspectionPlan

SYMBOLS: tuple[str, ...] = ("qr", "data matrix")
SIZES: tuple[tuple[int, int], ...] = ((38, 21), (50, 25), (63, 34), (100, 50))
"""Width and height of common label sizes, mm; common practice, no source."""
_EDGE, _GAP = 10.0, 3.0  # mm: around the sheet, between labels
_PATCH = 1.5  # mm of white around a symbol, beside its own quiet zone
_QUIET = {"qr": 4, "data matrix": 2}  # modules; the standards want four and one


class SheetError(DomainError):
    """A sheet of tags cannot be made as asked."""


@dataclass(frozen=True, slots=True)
class Label:
    """One tag: `text` goes into the symbol, `lines` are for the eye."""

    text: str
    lines: tuple[str, ...]


def label(tag: TagText, said: str = "") -> Label:
    """Return the label of one of our tags; `said`: what a person calls it, for the eye only."""
    return Label(to_text(tag), tuple(line for line in (f"{KINDS[tag.kind]} {tag.id}", said, to_text(tag)) if line))


def labels_of(plan: InspectionPlan, job: str) -> list[Label]:
    """Return the labels a job needs: the job, every place, every gauge of its plan."""
    made = [label(TagText("J", job), plan.machine)]
    made += [label(TagText("L", place.id.upper()), place.spoken) for place in plan.positions]
    return made + [label(TagText("G", gauge.id.upper()), gauge.title) for gauge in plan.gauges]


def sheet(labels: Sequence[Label], *, size: tuple[float, float] = (50, 25), symbol: str = "qr") -> bytes:
    """Return a PDF of A4 sheets.

    Args:
        labels: in the order they are cut.
        size: width and height of a label, mm.
        symbol: one of `SYMBOLS`.

    Raises:
        SheetError: nothing to print, an unknown symbol, or a label no A4 sheet can hold or too small for a symbol.
    """
    width, height = size
    columns, rows = _fits(A4[0] / mm, width), _fits(A4[1] / mm, height)
    if not labels:
        raise SheetError("Sheet has no tags", thing="tags", remedy="name at least one")
    if symbol not in SYMBOLS:
        message = f"Symbol {symbol!r} is not known"
        raise SheetError(message, thing="symbol", value=symbol, remedy=f"use one of {', '.join(SYMBOLS)}")
    if columns < 1 or rows < 1 or height < 12 or width < 1.6 * height:
        raise SheetError(
            f"Label of {width:g} by {height:g} mm does not do",
            thing="label size",
            value=f"{width:g} by {height:g} mm",
            remedy="give at least 12 mm of height, 1.6 times that of width, and no more than an A4 sheet holds",
        )
    made = io.BytesIO()
    canvas = Canvas(made, pagesize=A4, invariant=1)
    canvas.setTitle("Tags to cut")
    for at, (one, (x, y)) in enumerate(zip(labels, _places(len(labels), columns, rows, size), strict=True)):
        if at and at % (columns * rows) == 0:
            canvas.showPage()
        _cut_marks(canvas, x, y, width, height)
        _draw(canvas, one, x, y, width, height, symbol)
    canvas.save()
    return made.getvalue()


def _fits(length: float, one: float) -> int:
    return int((length - 2 * _EDGE + _GAP) // (one + _GAP))


def _places(count: int, columns: int, rows: int, size: tuple[float, float]) -> Iterator[tuple[float, float]]:
    """Yield the lower left corner of each label on its sheet, mm, row by row from the top."""
    for at in range(count):
        row, column = divmod(at % (columns * rows), columns)
        yield _EDGE + column * (size[0] + _GAP), A4[1] / mm - _EDGE - size[1] - row * (size[1] + _GAP)


def _cut_marks(canvas: Canvas, x: float, y: float, width: float, height: float) -> None:
    canvas.setLineWidth(0.25)
    for corner_x, corner_y, out_x, out_y in (
        (x, y, -1, -1),
        (x + width, y, 1, -1),
        (x, y + height, -1, 1),
        (x + width, y + height, 1, 1),
    ):
        canvas.line(corner_x * mm, corner_y * mm, (corner_x + out_x * 1.2) * mm, corner_y * mm)
        canvas.line(corner_x * mm, corner_y * mm, corner_x * mm, (corner_y + out_y * 1.2) * mm)


def _draw(canvas: Canvas, one: Label, x: float, y: float, width: float, height: float, symbol: str) -> None:
    side = (height - 2 * _PATCH) * mm
    left, bottom = (x + _PATCH) * mm, (y + _PATCH) * mm
    rows = _modules(one.text, symbol)
    quiet = _QUIET[symbol]
    module = side / (len(rows) + 2 * quiet)
    for row, line in enumerate(reversed(rows)):
        for column, length in _runs(line):
            at_x, at_y = left + (quiet + column) * module, bottom + (quiet + row) * module
            # A hair taller than the module, so that no white line shows between rows on some printers.
            canvas.rect(at_x, at_y, length * module, module * 1.02, stroke=0, fill=1)
    _write(canvas, one.lines, left + side + 1.5 * mm, bottom, (width - _PATCH) * mm - side - 3 * mm, side)


def _modules(text: str, symbol: str) -> list[list[bool]]:
    """Return a symbol's modules, True for dark, top row first."""
    if symbol == "qr":
        made = zxingcpp.create_barcode(text, zxingcpp.BarcodeFormat.QRCode, ec_level="M")
    else:
        made = zxingcpp.create_barcode(text, zxingcpp.BarcodeFormat.DataMatrix, force_square=True)
    picture: Any = memoryview(made.to_image(scale=1, add_quiet_zones=False))  # type: ignore[arg-type]
    return [[sign == 0 for sign in row] for row in picture.tolist()]  # one byte a module


def _runs(line: Sequence[bool]) -> Iterator[tuple[int, int]]:
    """Yield (first, length) of each run of dark modules."""
    start = 0
    for is_dark, run in groupby(line):
        length = len(list(run))
        if is_dark:
            yield start, length
        start += length


def _write(canvas: Canvas, lines: Sequence[str], left: float, bottom: float, room: float, height: float) -> None:
    """Write the lines as large as they fit, the first one bold; what is too long for its line is broken."""
    for size in (9.0, 8.0, 7.0, 6.0, 5.0, 4.0):
        broken = [
            (part, "Helvetica-Bold" if at == 0 else "Helvetica")
            for at, line in enumerate(lines)
            for part in _broken(line, "Helvetica-Bold" if at == 0 else "Helvetica", size, room)
        ]
        if len(broken) * size * 1.2 <= height:
            break
    for at, (part, font) in enumerate(broken):
        canvas.setFont(font, size)
        canvas.drawString(left, bottom + height - (at + 1) * size * 1.2 + size * 0.25, part)


def _broken(line: str, font: str, size: float, room: float) -> list[str]:
    """Break a line at its blanks, and within a word only where the word alone is too long."""
    parts: list[str] = []
    part = ""
    for word in line.split():
        if part and stringWidth(f"{part} {word}", font, size) <= room:
            part = f"{part} {word}"
            continue
        parts += [part] if part else []
        part = ""
        for sign in word:
            if part and stringWidth(part + sign, font, size) > room:
                parts.append(part)
                part = ""
            part += sign
    return [*parts, part]


def labels_from(texts: Sequence[str]) -> list[Label]:
    """Return labels of tag texts, each checked.

    Raises:
        IdentifierError: one of them is not a tag of ours.
    """
    return [label(parse(text)) for text in texts]
