"""The PDF report: every value as said, its working, what is not simply conforming, and the log it was made from."""

from __future__ import annotations

import io

import pypdfium2  # type: ignore[import-untyped]
import pytest

from capture.domain.record import fold
from capture.domain.verdicts import RULE
from capture.export.charts import FEWEST, set_charts
from capture.export.pdf import pdf
from tests.domain.conftest import PLAN_TEXT, Shift
from tests.export.test_qif import GUARDED, record

HASH = "ab" * 32


def pages(made: bytes) -> list[str]:
    """Return the text of each page, lines joined."""
    document = pypdfium2.PdfDocument(io.BytesIO(made))
    try:
        return [" ".join(page.get_textpage().get_text_range().split()) for page in document]
    finally:
        document.close()


def test_every_value_stands_in_it_as_it_was_said_with_its_working() -> None:
    made = record(GUARDED)
    text = " ".join(pages(pdf(made, last_hash=HASH)))
    for entry in made.entries:
        assert str(entry.quantity) in text
        assert entry.verdict.working.split(";")[0] in text
    assert made.derived[0].text in text and "5.5108 - 5.4999" in text


def test_its_first_page_says_what_is_not_simply_conforming_and_what_a_verdict_is_not() -> None:
    first = pages(pdf(record(GUARDED), last_hash=HASH))[0]
    assert "nonconforming above" in first and "undecided" in first and "1.261 in" in first
    assert RULE in first


def test_every_page_has_its_number_and_the_hash_of_the_log() -> None:
    made = pages(pdf(record(), last_hash=HASH))
    assert len(made) > 1
    for number, text in enumerate(made, start=1):
        assert f"page {number} of {len(made)}" in text and HASH in text


def test_the_same_record_gives_the_same_bytes() -> None:
    assert pdf(record(), last_hash=HASH) == pdf(record(), last_hash=HASH)


def test_a_correction_stands_in_it_with_what_it_replaced() -> None:
    shift = Shift()
    shift.open()
    wrong = shift.read("outboard-shoe-1", "shoe-thickness", "1.205")
    shift.read("outboard-shoe-1", "shoe-thickness", "1.250", replaces=wrong.sequence)
    text = " ".join(pages(pdf(fold(shift.events)["J1"], last_hash=HASH)))
    assert "1.205 in (event 2" in text and "1.250 in (event 3)" in text


def test_a_caution_nobody_acknowledged_is_said_to_be_so() -> None:
    assert "nobody at the bench" in " ".join(pages(pdf(record(), last_hash=HASH)))


@pytest.mark.parametrize("name", ["<b>RK</b>&", "R\x00K\x1b", "検査\U0001f527", "\u202eKR", "x" * 300])
def test_no_name_can_break_the_report(name: str) -> None:
    shift = Shift()
    shift.open(job="J1")
    shift.read("outboard-shoe-1", "shoe-thickness", "1.250", by=name)
    assert len(pages(pdf(fold(shift.events)["J1"], last_hash=HASH))) >= 2


def test_a_set_is_drawn_part_by_part_between_its_limits() -> None:
    (chart,) = set_charts(record())
    assert [number for number, _, _ in chart.dots] == [1, 2, 3]
    assert (float(chart.lower or 0), float(chart.upper or 0)) == (1.246, 1.254)


def test_a_set_of_too_few_parts_is_not_drawn() -> None:
    shift = Shift()
    shift.open(text=PLAN_TEXT)
    for number in range(1, FEWEST):
        shift.read(f"outboard-shoe-{number}", "shoe-thickness", "1.250")
    assert set_charts(fold(shift.events)["J1"]) == []
