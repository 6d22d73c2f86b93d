"""Sheets of tags: what is printed is read back from the rendered page, by the bench's own reader."""

from __future__ import annotations

import io

import numpy as np
import pypdfium2  # type: ignore[import-untyped]
import pytest
from numpy.typing import NDArray
from pyzbar import pyzbar  # type: ignore[import-untyped]

from capture.barcode import read_symbols
from capture.domain.errors import IdentifierError
from capture.domain.identifiers import TagText, parse
from capture.export.labels import SIZES, SYMBOLS, Label, SheetError, label, labels_from, labels_of, sheet
from tests.journeys.talk import demo_plan, gauge_plan

PER_INCH = 200
TAGS = [label(TagText("P", f"S10{number}"), "outboard shoe three") for number in range(7)]


def pages(made: bytes) -> list[NDArray[np.uint8]]:
    """Return each page as a picture of a printer's fineness."""
    document = pypdfium2.PdfDocument(io.BytesIO(made))
    try:
        return [np.asarray(page.render(scale=PER_INCH / 72).to_pil().convert("RGB")) for page in document]
    finally:
        document.close()


def words(made: bytes) -> str:
    document = pypdfium2.PdfDocument(io.BytesIO(made))
    try:
        return " ".join(page.get_textpage().get_text_range() for page in document)
    finally:
        document.close()


@pytest.mark.parametrize("symbol", SYMBOLS)
@pytest.mark.parametrize("size", SIZES)
def test_every_printed_symbol_is_read_back_as_its_own_text(size: tuple[int, int], symbol: str) -> None:
    (page,) = pages(sheet(TAGS[:4], size=size, symbol=symbol))
    assert sorted(one.text for one in read_symbols(page)) == sorted(one.text for one in TAGS[:4])


def test_another_library_reads_the_same_from_the_print() -> None:
    (page,) = pages(sheet(TAGS[:4]))
    assert {one.data.decode() for one in pyzbar.decode(page)} == {one.text for one in TAGS[:4]}


def test_the_text_stands_beside_its_symbol_for_the_eye() -> None:
    said = words(sheet(TAGS[:1], size=(100, 50)))
    assert "part S100" in said and "outboard shoe three" in said and TAGS[0].text in said


def test_what_does_not_fit_one_sheet_goes_on_to_the_next() -> None:
    made = sheet(TAGS * 10, size=(50, 25))
    assert len(pypdfium2.PdfDocument(io.BytesIO(made))) == 3
    assert words(made).count("BC1:P:S") == 70


def test_a_job_gets_labels_for_itself_its_places_and_its_gauges() -> None:
    plan = gauge_plan()
    tags = [parse(one.text) for one in labels_of(plan, "J-7")]
    assert tags[0] == TagText("J", "J-7")
    assert {tag.id for tag in tags if tag.kind == "L"} == {one.id.upper() for one in plan.positions}
    assert {tag.id for tag in tags if tag.kind == "G"} == {one.id.upper() for one in plan.gauges}
    assert len(labels_of(demo_plan(), "AW2-THRUST")) == 1 + len(demo_plan().positions)


def test_a_text_that_is_no_tag_of_ours_is_refused() -> None:
    with pytest.raises(IdentifierError, match="check character"):
        labels_from(["BC1:P:S100:0"])


@pytest.mark.parametrize(
    ("labels", "size", "symbol", "said"),
    [
        ([], (50, 25), "qr", "no tags"),
        (TAGS, (50, 25), "stripes", "'stripes' is not known; use one of qr, data matrix"),
        (TAGS, (300, 25), "qr", "300 by 25 mm"),
        (TAGS, (30, 30), "qr", "30 by 30 mm"),
        (TAGS, (38, 8), "qr", "38 by 8 mm"),
    ],
)
def test_a_sheet_that_cannot_be_made_says_why(
    labels: list[Label], size: tuple[float, float], symbol: str, said: str
) -> None:
    with pytest.raises(SheetError, match=said):
        sheet(labels, size=size, symbol=symbol)


def test_the_same_tags_give_the_same_bytes() -> None:
    assert sheet(TAGS) == sheet(TAGS)
