"""Wear since the last overhaul at the bench: said after storing, only where an earlier overhaul is known."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from capture.cli import main
from capture.dialogue import Show
from capture.domain.overhauls import read_earlier
from capture.domain.record import fold
from capture.earlier import kept_earlier
from capture.report import page
from capture.session import Session
from capture.settings import read_settings
from capture.store.eventlog import EventLog
from tests.journeys.talk import JOB, PLAN, Talk, demo_plan

EARLIER = [
    {
        "job": "AW2-2023",
        "date": "2023-03-02",
        "readings": [
            {
                "position": "outboard-shoe-1",
                "characteristic": "shoe-thickness",
                "stage": "as left",
                "quantity": {"text": "1.251", "unit": "in"},
            }
        ],
    }
]


def test_wear_is_said_after_storing_and_shown_with_its_working_and_in_the_report() -> None:
    talk = Talk(session=Session(plans={JOB: demo_plan()}, earlier={JOB: EARLIER})).open_job()
    assert talk.events[-1].body["earlier"] == EARLIER
    talk.say("outboard shoe one one point two four eight")
    assert "wear" not in talk.text
    talk.say("affirm")
    assert "Wear since last overhaul, minus zero point zero zero three inches." in talk.text
    shown = [one.text for one in talk.actions if isinstance(one, Show) and one.kind == "working"]
    assert any("1.248 as found - 1.251 as left 2023-03-02 (AW2-2023) = -0.003 in" in text for text in shown)
    assert "Wear since the last overhaul" in page(fold(talk.events)[JOB], last_hash="0")
    talk.affirm("outboard shoe two one point two four eight")
    assert "wear" not in talk.text.lower()


def test_without_an_earlier_overhaul_nothing_is_said_of_wear() -> None:
    talk = Talk().open_job()
    talk.affirm("outboard shoe one one point two four eight")
    assert "earlier" not in talk.events[1].body and "wear" not in talk.text.lower()
    assert "Wear since" not in page(fold(talk.events)[JOB], last_hash="0")


def earlier_log(folder: Path, *, synchronised: bool) -> Path:
    """Make a log in which an earlier job of the demo's machine has one reading."""
    talk = Talk().open_job()
    talk.affirm("outboard shoe one one point two five one")
    path = folder / "old" / "events.db"
    path.parent.mkdir()
    with EventLog.open(path, "bench-old") as log:
        for event in talk.events:
            log.append(event.kind, event.body, at="2025-03-02T07:30:00.000Z", clock_synchronised=synchronised)
    return path


@pytest.mark.parametrize("synchronised", [True, False])
def test_a_job_is_opened_from_an_earlier_log(tmp_path: Path, synchronised: bool) -> None:
    log = earlier_log(tmp_path, synchronised=synchronised)
    before = log.read_bytes()
    date = [] if synchronised else ["--earlier-date", "2025-03-02"]
    assert main(["--data", str(tmp_path), "job", "AW2-NEXT", str(PLAN), "--earlier", str(log), *date]) == 0
    kept = kept_earlier(read_settings(tmp_path, {}))["AW2-NEXT"]
    (overhaul,) = read_earlier(kept)
    assert (overhaul.job, overhaul.day.isoformat()) == (JOB, "2025-03-02")
    assert str(overhaul.readings["outboard-shoe-1", "shoe-thickness", "as found"]) == "1.251 in"
    assert log.read_bytes() == before


def test_a_job_is_opened_from_a_list_of_overhauls_and_lists_add_up(tmp_path: Path) -> None:
    first, second = tmp_path / "first.json", tmp_path / "second.json"
    first.write_text(json.dumps(EARLIER), encoding="utf-8")
    second.write_text(json.dumps([{**EARLIER[0], "job": "AW2-2022", "date": "2022-03-02"}]), encoding="utf-8")
    files = ["--earlier", str(first), "--earlier", str(second)]
    assert main(["--data", str(tmp_path), "job", "AW2-NEXT", str(PLAN), *files]) == 0
    kept = kept_earlier(read_settings(tmp_path, {}))["AW2-NEXT"]
    assert [one["job"] for one in kept] == ["AW2-2022", "AW2-2023"]


@pytest.mark.parametrize("content", [None, b"", b"\xff", b"{", b'[{"job": "x"}]', b"SQLite format 3\x00rubbish"])
def test_a_file_that_is_no_earlier_record_is_refused_in_one_line_and_no_job_is_made(
    tmp_path: Path, content: bytes | None, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "earlier"
    if content is not None:
        path.write_bytes(content)
    assert main(["--data", str(tmp_path), "job", "AW2-NEXT", str(PLAN), "--earlier", str(path)]) in (2, 10)
    assert len(capsys.readouterr().err.strip().splitlines()) == 1
    assert not (tmp_path / "jobs").exists()


def test_a_log_without_a_clock_is_asked_for_its_day(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log = earlier_log(tmp_path, synchronised=False)
    assert main(["--data", str(tmp_path), "job", "AW2-NEXT", str(PLAN), "--earlier", str(log)]) == 10
    assert "has no date" in capsys.readouterr().err
