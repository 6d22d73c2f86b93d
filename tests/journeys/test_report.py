"""The report shows every reading with its stage, and says nothing of its own about the machine."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from capture.domain.record import fold
from capture.errors import SettingsError
from capture.keep import write_report
from capture.report import page
from capture.store.eventlog import EventLog
from tests.domain.conftest import Shift


def test_a_reading_as_left_stands_in_the_report_as_such_and_one_as_found_needs_no_word() -> None:
    shift = Shift()
    shift.open()
    shift.read("outboard-shoe-1", "shoe-thickness", "1.260")
    assert "as left" not in page(fold(shift.events)["J1"], last_hash="0")
    shift.read("outboard-shoe-1", "shoe-thickness", "1.250", stage="as left")
    text = page(fold(shift.events)["J1"], last_hash="0")
    assert text.count("shoe-thickness<br><small>as left</small>") == 1 and "1.260 in" in text and "1.250 in" in text


@pytest.fixture
def log(tmp_path: Path) -> Iterator[EventLog]:
    shift = Shift()
    shift.open()
    shift.read("outboard-shoe-1", "shoe-thickness", "1.250")
    with EventLog.open(tmp_path / "events.db", "bench-1") as log:
        for event in shift.events:
            log.append(event.kind, event.body, at=event.at, clock_synchronised=True)
        yield log


@pytest.mark.parametrize(
    ("name", "begins"), [("r.html", b"<!doctype html>"), ("r.pdf", b"%PDF-1."), ("r.QIF", b'<?xml version="1.0"')]
)
def test_the_ending_of_a_report_s_file_says_its_form(log: EventLog, tmp_path: Path, name: str, begins: bytes) -> None:
    write_report(log, "J1", tmp_path / "out" / name)
    assert (tmp_path / "out" / name).read_bytes().startswith(begins)


def test_a_report_of_no_known_form_is_refused_and_the_forms_are_named(log: EventLog, tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"no known form; use one of \.html, \.pdf, \.qif"):
        write_report(log, "J1", tmp_path / "r.docx")
    assert not (tmp_path / "r.docx").exists()
