"""The report shows every reading with its stage, and says nothing of its own about the machine."""

from __future__ import annotations

from capture.domain.record import fold
from capture.report import page
from tests.domain.conftest import Shift


def test_a_reading_as_left_stands_in_the_report_as_such_and_one_as_found_needs_no_word() -> None:
    shift = Shift()
    shift.open()
    shift.read("outboard-shoe-1", "shoe-thickness", "1.260")
    assert "as left" not in page(fold(shift.events)["J1"], last_hash="0")
    shift.read("outboard-shoe-1", "shoe-thickness", "1.250", stage="as left")
    text = page(fold(shift.events)["J1"], last_hash="0")
    assert text.count("shoe-thickness<br><small>as left</small>") == 1 and "1.260 in" in text and "1.250 in" in text
