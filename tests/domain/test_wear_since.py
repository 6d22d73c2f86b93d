"""Wear since the last overhaul in the record: exact, by position, with dates only as a range from three overhauls."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from fractions import Fraction
from typing import Any

import pytest

from capture.domain.errors import DomainError, EventError
from capture.domain.events import AS_FOUND, AS_LEFT, checked_body
from capture.domain.overhauls import read_earlier, to_plain
from capture.domain.record import InspectionRecord, fold
from capture.domain.reopen import earlier_of
from capture.domain.wear_since import WearEntry
from tests.domain.conftest import PLAN_TEXT, Shift

SHOE, THICK, RING = "outboard-shoe-1", "shoe-thickness", "inboard-seal-ring"
TEXT = PLAN_TEXT.replace('id = "shoe-thickness"\n', 'id = "shoe-thickness"\nas_left = true\n')


def said(characteristic: str, text: str, stage: str = AS_LEFT, at: str = SHOE, unit: str = "in") -> dict[str, Any]:
    quantity = {"text": text, "unit": unit}
    return {"position": at, "characteristic": characteristic, "stage": stage, "quantity": quantity}


def overhaul(job: str, day: str, *readings: dict[str, Any]) -> dict[str, Any]:
    return {"job": job, "date": day, "readings": list(readings)}


def opened(*earlier: dict[str, Any], text: str = TEXT) -> Shift:
    """Return a shift of 2024-05-06 whose job was opened with these overhauls."""
    shift = Shift()
    event = shift.open(text=text)
    body = checked_body("job-opened", {**event.body, "earlier": list(earlier)})
    shift.events.clear()
    shift.add("job-opened", **body)
    return shift


def wear_of(shift: Shift) -> dict[str, WearEntry]:
    return {one.of: one for one in fold(shift.events)["J1"].wear}


def test_wear_is_as_found_now_minus_as_left_then_with_its_working() -> None:
    shift = opened(overhaul("J0", "2023-05-06", said(THICK, "1.2500")))
    event = shift.read(SHOE, THICK, "1.248", plan_text=TEXT)
    (one,) = wear_of(shift).values()
    assert (one.value, one.text, one.since) == (Fraction("-0.002"), "-0.0020 in", date(2023, 5, 6))
    assert one.inputs == (event.sequence,) and one.reached is None
    wanted = "wear since last overhaul, shoe thickness: 1.248 as found - 1.2500 as left 2023-05-06 (J0) = -0.0020 in"
    assert one.working == wanted
    assert one.said == "wear since last overhaul, minus zero point zero zero two zero inches"


def test_without_earlier_overhauls_there_is_no_wear() -> None:
    shift = Shift()
    shift.open()
    shift.read(SHOE, THICK, "1.248")
    assert fold(shift.events)["J1"].wear == ()


def test_a_reading_as_left_now_makes_no_wear() -> None:
    shift = opened(overhaul("J0", "2023-05-06", said(THICK, "1.250")))
    shift.read(SHOE, THICK, "1.248", plan_text=TEXT, stage=AS_LEFT)
    assert wear_of(shift) == {}


def test_the_last_overhaul_that_left_a_size_counts_and_units_are_converted_exactly() -> None:
    shift = opened(
        overhaul("J8", "2021-05-06", said(THICK, "1.251")),
        overhaul("J9", "2022-05-06", said(THICK, "31.75", unit="mm")),
        overhaul("JA", "2023-05-06", said("seal-bore", "5.5000", at=RING)),
    )
    shift.read(SHOE, THICK, "1.248", plan_text=TEXT)
    one = wear_of(shift)[THICK]
    assert (one.value, one.since) == (Fraction("-0.002"), date(2022, 5, 6))


def test_what_the_plan_asks_for_as_left_and_was_only_found_gives_no_wear_but_the_rest_counts_as_it_was_found() -> None:
    before = overhaul("J0", "2023-05-06", said(THICK, "1.250", AS_FOUND), said("seal-bore", "5.5000", AS_FOUND, RING))
    shift = opened(before)
    shift.read(SHOE, THICK, "1.248", plan_text=TEXT)
    shift.read(RING, "seal-bore", "5.5010", plan_text=TEXT)
    assert {name: one.text for name, one in wear_of(shift).items()} == {"seal-bore": "0.0010 in"}


def test_a_computed_clearance_wears_too_and_names_both_readings() -> None:
    shift = opened(
        overhaul("J0", "2023-05-06", said("seal-bore", "5.5060", at=RING), said("seal-shaft", "5.5000", at=RING))
    )
    bore = shift.read(RING, "seal-bore", "5.5070", plan_text=TEXT)
    shaft = shift.read(RING, "seal-shaft", "5.4998", plan_text=TEXT)
    one = wear_of(shift)["seal-clearance"]
    assert (one.value, one.inputs) == (Fraction("0.0012"), (bore.sequence, shaft.sequence))


def three_overhauls(*, now: str = "1.249") -> Shift:
    """Shoes left at 1.253 and 1.252 and found 0.001 and 0.002 down a year later; lower limit 1.246."""
    shift = opened(
        overhaul("J8", "2022-05-06", said(THICK, "1.253")),
        overhaul("J9", "2023-05-06", said(THICK, "1.252", AS_FOUND), said(THICK, "1.251")),
    )
    shift.read(SHOE, THICK, now, plan_text=TEXT)
    return shift


def test_three_overhauls_give_a_range_of_dates_to_the_limit_that_is_approached() -> None:
    """1 and 2 thou in 365 and 366 days, each good to 1 thou: at most 3 in 366 days, so 3 to go take 366 at least."""
    one = wear_of(three_overhauls())[THICK]
    assert one.reached is not None
    assert (one.reached.earliest, one.reached.latest) == (date(2025, 5, 7), None)
    text = "between 3 overhauls the stated lower limit 1.246 in would be reached not before 2025-05-07, and at the"
    assert text in one.working and "service" not in one.working


def test_a_steady_rate_still_gives_a_range_and_never_one_date() -> None:
    """2 thou in 365 and 366 days, good to 0.1: 4 to go take 4 / (2.1 / 365) = 695 to 4 / (1.9 / 366) = 771 days."""
    shift = opened(
        overhaul("J8", "2022-05-06", said(THICK, "1.2540")),
        overhaul("J9", "2023-05-06", said(THICK, "1.2520", AS_FOUND), said(THICK, "1.2520")),
    )
    shift.read(SHOE, THICK, "1.2500", plan_text=TEXT)
    reached = wear_of(shift)[THICK].reached
    assert reached is not None
    assert (reached.earliest, reached.latest) == (date(2026, 4, 1), date(2026, 6, 16))
    assert reached.working.endswith("would be reached between 2026-04-01 and 2026-06-16")


def test_two_overhauls_give_no_date() -> None:
    shift = opened(overhaul("J9", "2023-05-06", said(THICK, "1.252")))
    shift.read(SHOE, THICK, "1.250", plan_text=TEXT)
    one = wear_of(shift)[THICK]
    assert one.reached is None and "would be reached" not in one.working


def test_no_date_is_told_from_a_clock_that_cannot_be_believed_or_once_the_limit_is_passed() -> None:
    shift = three_overhauls()
    shift.events = [replace(event, clock_synchronised=False) for event in shift.events]
    assert wear_of(shift)[THICK].reached is None and wear_of(shift)[THICK].text == "-0.002 in"
    assert wear_of(three_overhauls(now="1.245"))[THICK].reached is None


def test_a_part_already_renewed_is_projected_from_its_size_as_left() -> None:
    shift = three_overhauls()
    shift.read(SHOE, THICK, "1.252", plan_text=TEXT, stage=AS_LEFT)
    reached = wear_of(shift)[THICK].reached
    assert reached is not None and reached.earliest == date(2026, 5, 8)  # 6 thou at 3 in 366 days


def record_of(shift: Shift) -> InspectionRecord:
    return fold(shift.events)["J1"]


def test_a_record_becomes_the_last_of_the_next_job_s_earlier_overhauls() -> None:
    shift = opened(overhaul("J0", "2023-05-06", said(THICK, "1.250")))
    shift.read(SHOE, THICK, "1.248", plan_text=TEXT)
    shift.read(SHOE, THICK, "1.251", plan_text=TEXT, stage=AS_LEFT)
    carried = earlier_of(record_of(shift))
    assert [(one.job, one.day) for one in carried] == [("J0", date(2023, 5, 6)), ("J1", date(2024, 5, 6))]
    plain = to_plain(carried)
    assert plain[1]["readings"] == [said(THICK, "1.248", AS_FOUND), said(THICK, "1.251")]
    assert read_earlier(plain) == carried


def test_a_record_without_readings_or_without_a_day_does_not_open_the_next() -> None:
    shift = Shift()
    shift.open()
    with pytest.raises(DomainError, match="has no readings"):
        earlier_of(record_of(shift))
    shift.read(SHOE, THICK, "1.248", gauge="mike")
    unsure = Shift()
    unsure.events = [replace(event, clock_synchronised=False) for event in shift.events]
    with pytest.raises(DomainError, match="has no date"):
        earlier_of(record_of(unsure))
    assert earlier_of(record_of(unsure), date(2024, 5, 1))[0].day == date(2024, 5, 1)
    shift.add("gauge-checked", gauge="mike", result="bad", by="TM")
    with pytest.raises(DomainError, match="has no readings"):
        earlier_of(record_of(shift))


GOOD = overhaul("J0", "2023-05-06", said(THICK, "1.250"))


@pytest.mark.parametrize(
    "earlier",
    [
        "J0",
        [1],
        [{**GOOD, "more": 1}],
        [{**GOOD, "job": ""}],
        [{**GOOD, "date": "6 May 2023"}],
        [{**GOOD, "date": "20230506"}],
        [{**GOOD, "date": 20230506}],
        [{**GOOD, "readings": {}}],
        [{**GOOD, "readings": [{"position": SHOE}]}],
        [{**GOOD, "readings": [said(THICK, "1.250", "as right")]}],
        [{**GOOD, "readings": [said(THICK, "1.25e0")]}],
        [{**GOOD, "readings": [{**said(THICK, "1"), "quantity": {"text": 1.25, "unit": "in"}}]}],
        [{**GOOD, "readings": [said(THICK, "1.250", unit="furlong")]}],
        [{**GOOD, "readings": [said(THICK, "1.250"), said(THICK, "1.251")]}],
        [GOOD, GOOD],
        [GOOD, {**GOOD, "job": "J1"}],
        [{**GOOD, "job": f"J{n}", "date": f"20{n + 10}-01-01"} for n in range(13)],
    ],
)
def test_earlier_overhauls_that_are_not_whole_never_become_an_event(earlier: Any) -> None:
    body = {name: "x" for name in ("job", "plan_id", "plan_revision", "plan_text")}
    with pytest.raises(DomainError) as caught:
        checked_body("job-opened", {**body, "earlier": earlier})
    assert isinstance(caught.value, (EventError, ValueError)) and str(caught.value)
