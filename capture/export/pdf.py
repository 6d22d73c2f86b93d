"""The record as a PDF report that a lead can sign and hand over: made alike on bench and server.

Nothing is computed here: values are the digits as said, verdicts and their working come from the fold. The same record
and log give the same bytes.
"""

from __future__ import annotations

import io
from collections.abc import Iterable
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

import reportlab  # type: ignore[import-untyped]
from reportlab.lib.colors import HexColor  # type: ignore[import-untyped]
from reportlab.lib.pagesizes import A4  # type: ignore[import-untyped]
from reportlab.lib.styles import ParagraphStyle  # type: ignore[import-untyped]
from reportlab.lib.units import mm  # type: ignore[import-untyped]
from reportlab.pdfbase import pdfmetrics  # type: ignore[import-untyped]
from reportlab.pdfbase.ttfonts import TTFont  # type: ignore[import-untyped]
from reportlab.pdfgen.canvas import Canvas  # type: ignore[import-untyped]
from reportlab.platypus import (  # type: ignore[import-untyped]
    Flowable,
    KeepTogether,
    PageBreak,
    Paragraph,
    SimpleDocTemplate,
    Spacer,
    Table,
    TableStyle,
)

from capture.domain.decision import NONCONFORMING_ABOVE, NONCONFORMING_BELOW, UNDECIDED
from capture.domain.events import AS_FOUND, Event, quantity_of
from capture.domain.record import InspectionRecord
from capture.domain.verdicts import RULE
from capture.export.charts import drawing, set_charts

_INK, _PALE, _LINE, _LOUD = (HexColor(code) for code in ("#1b1f23", "#56606a", "#cdd3d9", "#9a3412"))
_ATTENTION = (NONCONFORMING_BELOW, NONCONFORMING_ABOVE, UNDECIDED)
_WIDTH = A4[0] - 36 * mm


def _fonts() -> None:
    """Make known the font that comes with the library: it has the signs of measuring, whatever the machine has."""
    folder = Path(reportlab.__file__).parent / "fonts"
    for name, file in (("Vera", "Vera.ttf"), ("VeraBd", "VeraBd.ttf")):
        if name not in pdfmetrics.getRegisteredFontNames():
            pdfmetrics.registerFont(TTFont(name, folder / file))


def _style(name: str, size: float, **more: Any) -> ParagraphStyle:
    given = {"fontName": "Vera", "fontSize": size, "leading": size * 1.35, "textColor": _INK, **more}
    return ParagraphStyle(name, **given)


_TITLE = _style("title", 18, fontName="VeraBd", spaceAfter=4)
_HEAD = _style("head", 11.5, fontName="VeraBd", spaceBefore=12, spaceAfter=4, keepWithNext=1)
_BODY = _style("body", 9, spaceAfter=3)
_CELL = _style("cell", 7.6)
_SMALL = _style("small", 6.8, textColor=_PALE)
_BOLD = _style("bold", 7.6, fontName="VeraBd")


def pdf(record: InspectionRecord, *, last_hash: str) -> bytes:
    """Return the report of a record, A4.

    `last_hash`: of the log's last event the record was folded from; it stands on every page.
    """
    _fonts()
    made = io.BytesIO()
    document = SimpleDocTemplate(
        made,
        pagesize=A4,
        leftMargin=18 * mm,
        rightMargin=18 * mm,
        topMargin=18 * mm,
        bottomMargin=20 * mm,
        title=f"Inspection record {record.job}",
        author="Benchcall",
        invariant=1,  # no time of making: the same log gives the same bytes
    )
    story: list[Flowable] = [*_cover(record, last_hash), *_summary(record), PageBreak()]
    story += [*_by_position(record), *_computed(record), *_charts(record), *_findings(record)]
    story += [*_corrections(record), *_left(record), *_cautions(record), *_signatures()]
    document.build(story, canvasmaker=_numbered(record.job, last_hash))
    return made.getvalue()


def _numbered(job: str, last_hash: str) -> type[Canvas]:
    """Return a canvas that knows the number of pages when it writes the foot of each."""

    class Numbered(Canvas):  # type: ignore[misc]
        def __init__(self, *args: Any, **kwargs: Any) -> None:
            super().__init__(*args, **kwargs)
            self._pages: list[dict[str, Any]] = []

        def showPage(self) -> None:
            self._pages.append(dict(self.__dict__))
            self._startPage()

        def save(self) -> None:
            for number, page in enumerate(self._pages, start=1):
                self.__dict__.update(page)
                self.setFont("Vera", 6.5)
                self.setFillColor(_PALE)
                self.drawString(18 * mm, 11 * mm, f"{_short(job)} · made from the log ending in {last_hash}")
                self.drawRightString(A4[0] - 18 * mm, 11 * mm, f"page {number} of {len(self._pages)}")
                Canvas.showPage(self)
            Canvas.save(self)

    return Numbered


def _short(text: str) -> str:
    return text if len(text) <= 40 else f"{text[:39]}…"


def _p(text: str, style: ParagraphStyle = _CELL) -> Paragraph:
    return Paragraph(escape("".join(sign if sign >= " " else " " for sign in text)), style)


def _rows(head: Iterable[str], rows: Iterable[Iterable[Flowable]], widths: Iterable[float]) -> Table:
    """Return a table that may run over pages, its head on each; widths as shares of the line."""
    shares = list(widths)
    columns = [_WIDTH * share / sum(shares) for share in shares]
    table = Table([[_p(name, _BOLD) for name in head], *[list(row) for row in rows]], columns, repeatRows=1)
    table.setStyle(
        TableStyle(
            [
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LINEBELOW", (0, 0), (-1, -1), 0.4, _LINE),
                ("TOPPADDING", (0, 0), (-1, -1), 2.5),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 2.5),
                ("LEFTPADDING", (0, 0), (-1, -1), 3),
                ("RIGHTPADDING", (0, 0), (-1, -1), 3),
            ]
        )
    )
    return table


def _cover(record: InspectionRecord, last_hash: str) -> list[Flowable]:
    opened = record.opened
    clock = "" if opened.clock_synchronised else " (clock of the bench not set then)"
    facts = (
        ("machine", record.machine),
        ("inspection plan", f"{record.plan.title}, revision {record.revision}"),
        ("opened", f"{opened.at}{clock}, bench {opened.bench}"),
        ("people", ", ".join(record.people)),
        ("log", f"ends in hash {last_hash}"),
    )
    story: list[Flowable] = [_p(f"Inspection record {record.job}", _TITLE), _p(RULE, _BODY), Spacer(1, 6)]
    story += [_p(f"{name}: {text}", _BODY) for name, text in facts]
    if record.problem:
        story.append(_p(record.problem, _style("loud", 9, textColor=_LOUD)))
    return story


def _summary(record: InspectionRecord) -> list[Flowable]:
    """Return the verdicts counted, and everything that is not simply conforming."""
    verdicts = [(one.position, one.characteristic, one.stage, str(one.quantity), one.verdict) for one in record.entries]
    verdicts += [(d.position, d.derived, d.stage, f"{d.text} {d.unit}", d.verdict) for d in record.derived]
    verdicts += [(i.position, i.characteristic, i.stage, i.interval.text, i.verdict) for i in record.intervals]
    counts: dict[str, int] = {}
    for *_, verdict in verdicts:
        counts[verdict.kind] = counts.get(verdict.kind, 0) + 1
    left = len(record.left) + len(record.left_as_left)
    said = ", ".join(f"{count} {kind}" for kind, count in sorted(counts.items())) or "nothing measured"
    story: list[Flowable] = [_p("Verdicts", _HEAD), _p(f"{said}; {left} not measured.", _BODY)]
    loud = [
        (_p(_place(record, position)), _p(f"{name}, {stage}"), _p(value), _p(verdict.kind, _BOLD), _p(verdict.working))
        for position, name, stage, value, verdict in verdicts
        if verdict.kind in _ATTENTION
    ]
    if loud:
        story.append(_rows(("position", "what", "value", "verdict", "working"), loud, (16, 18, 11, 16, 39)))
    return story


def _place(record: InspectionRecord, position: str) -> str:
    """Return a place as it is said; a group or a place that the plan does not have by its id."""
    return next((one.spoken for one in record.plan.positions if one.id == position), position)


def _how(event: Event) -> str:
    body = event.body
    parts = [f"event {event.sequence}", body.get("by", ""), f"confirmed by {body.get('confirmed_by', '')}"]
    parts += [f"gauge {body['gauge']}"] if body.get("gauge") else []
    return ", ".join(part for part in parts if part)


def _by_position(record: InspectionRecord) -> list[Flowable]:
    titles = {one.id: one.title for one in record.plan.characteristics}
    rows = [
        (
            _p(_place(record, entry.position)),
            [_p(titles.get(entry.characteristic, entry.characteristic)), _p(entry.stage, _SMALL)],
            [_p(str(entry.quantity), _BOLD), _p(f"“{entry.reading.body['words']}”", _SMALL)],
            [_p(entry.verdict.kind), *([_p(entry.doubt, _SMALL)] if entry.doubt else [])],
            [_p(entry.verdict.working), _p(_how(entry.reading), _SMALL)],
        )
        for entry in record.entries
    ]
    rows += [
        (
            _p(_place(record, one.position)),
            [_p(titles.get(one.characteristic, one.characteristic)), _p(one.stage, _SMALL)],
            [_p(one.interval.text, _BOLD), _p(f"“{one.reading.body['words']}”", _SMALL)],
            [_p(one.verdict.kind)],
            [_p(one.verdict.working), *[_p(text, _SMALL) for text in (one.differs, _how(one.reading)) if text]],
        )
        for one in record.intervals
    ]
    if not rows:
        return []
    head = ("position", "characteristic", "value as said", "verdict", "working and source")
    return [_p("Readings by position", _HEAD), _rows(head, rows, (16, 17, 15, 13, 39))]


def _computed(record: InspectionRecord) -> list[Flowable]:
    titles = {one.id: one.title for one in record.plan.derived}
    rows = [
        (
            _p(_place(record, one.position)),
            [_p(titles.get(one.derived, one.derived)), _p(one.stage, _SMALL)],
            _p(f"{one.text} {one.unit}" if one.unit != "1" else one.text, _BOLD),
            _p(one.verdict.kind),
            [_p(one.verdict.working), _p(f"from events {', '.join(map(str, one.inputs))}", _SMALL)],
        )
        for one in record.derived
    ]
    if not rows:
        return []
    head = ("position", "computed", "value", "verdict", "working and source")
    return [_p("Computed from readings", _HEAD), _rows(head, rows, (16, 17, 15, 13, 39))]


def _charts(record: InspectionRecord) -> list[Flowable]:
    charts = [KeepTogether([drawing(chart), Spacer(1, 4)]) for chart in set_charts(record)]
    if not charts:
        return []
    note = "Dot: conforming. Triangle pointing out: outside. Open diamond: undecided or without limits. Dashed: limits."
    return [_p("Sets, part by part", _HEAD), _p(note, _SMALL), *charts]


def _findings(record: InspectionRecord) -> list[Flowable]:
    spoken = {one.id: one.spoken for one in record.plan.findings}
    rows = [
        (
            _p(_place(record, one.position)),
            _p(" ".join(filter(None, (one.severity, spoken.get(one.finding, one.finding))))),
            _p(one.answer, _BOLD),
            [_p(f"“{one.event.body['words']}”"), _p(_how(one.event), _SMALL)],
        )
        for one in record.findings
    ]
    if not rows:
        return []
    head = ("position", "finding", "the plan's answer", "said")
    return [_p("Findings", _HEAD), _rows(head, rows, (18, 24, 24, 34))]


def _corrections(record: InspectionRecord) -> list[Flowable]:
    rows = [
        (
            _p(_place(record, entry.position)),
            _p(entry.characteristic),
            _p(f"{quantity_of(old)} (event {old.sequence}, “{old.body['words']}”)"),
            _p(f"{entry.quantity} (event {entry.reading.sequence})"),
        )
        for entry in record.entries
        for old in entry.history
    ]
    if not rows:
        return []
    head = ("position", "characteristic", "said before", "counts now")
    return [_p("Corrections, in full", _HEAD), _rows(head, rows, (18, 20, 37, 25))]


def _left(record: InspectionRecord) -> list[Flowable]:
    places = [(place, what, AS_FOUND) for place, what in record.left]
    places += [(place, what, "as left") for place, what in record.left_as_left]
    if not places:
        return [_p("Nothing that the plan asks for is left to measure.", _BODY)]
    rows = [(_p(_place(record, place)), _p(what), _p(stage)) for place, what, stage in places]
    return [_p("Not measured", _HEAD), _rows(("position", "characteristic", "stage"), rows, (40, 40, 20))]


def _cautions(record: InspectionRecord) -> list[Flowable]:
    by: dict[str, list[str]] = {}
    for caution, who in record.cautions:
        by.setdefault(caution, []).append(who)
    rows = [
        (_p(text), _p(", ".join(dict.fromkeys(by.get(text, ()))) or "nobody at the bench"))
        for text in dict.fromkeys([*record.plan.cautions, *by])
    ]
    if not rows:
        return []
    head = ("caution of the plan", "acknowledged, not verified, by")
    return [_p("Cautions", _HEAD), _rows(head, rows, (75, 25))]


def _signatures() -> list[Flowable]:
    rows = [(_p(role), _p(""), Spacer(1, 20), _p("")) for role in ("mechanic", "lead")]
    lines = _rows(("signed by", "name", "date", "signature"), rows, (15, 30, 20, 35))
    return [KeepTogether([_p("Signatures on paper", _HEAD), lines])]

