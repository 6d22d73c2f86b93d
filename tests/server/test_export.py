"""A table for spreadsheets keeps every digit and lets no text run as a formula."""

from __future__ import annotations

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.export import COLUMNS, inert
from tests.server.shop import Server, chain, demo_facts, job_opened, reading, send


def table(content: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(content.decode("utf-8-sig"), newline="")))


def test_negative_readings_stay_numbers_and_notes_stay_text(server: Server) -> None:
    # ../shared/cases C15: a guard made '-0.002 of a reading; without one a note ran as a formula; Ø came out as Ã˜
    rows = [
        ("-0.002", "ok"),
        ("0.001", "=1+1"),
        ("0.000", "-2+3"),
        ("0.003", "@lead see me"),
        ("1.250", "\u00d825 seat \u00b10.1\u00b0"),
    ]
    facts = [
        reading("J-CSV", f"outboard-shoe-{n}", "shoe-thickness", value, words=note)
        for n, (value, note) in enumerate(rows, 1)
    ]
    with server.client("csv") as client:
        send(client, "csv", chain("csv", job_opened("J-CSV"), *facts))
    answer = server.get("/jobs/J-CSV/readings.csv")
    assert answer.headers["content-type"] == "text/csv; charset=utf-8"
    assert answer.headers["content-disposition"] == 'attachment; filename="J-CSV.csv"'
    assert answer.content[:3].hex() == "efbbbf"
    assert bytes.fromhex("C3983235207365617420C2B1302E31C2B0") in answer.content
    shown = table(answer.content)
    assert [row["value"] for row in shown] == [value for value, _ in rows]
    assert [row["words heard"] for row in shown] == ["ok", "'=1+1", "'-2+3", "'@lead see me", rows[4][1]]


def test_the_table_holds_every_fact_of_the_record(server: Server) -> None:
    with server.client("csv-all") as client:
        send(client, "csv-all", chain("csv-all", *demo_facts("J-CSV-ALL")))
    shown = table(server.get("/jobs/J-CSV-ALL/readings.csv").content)
    assert list(shown[0]) == list(COLUMNS)
    counted = [(row["what"], row["counts"]) for row in shown]
    assert counted.count(("reading", "yes")) == 10 and counted.count(("reading", "corrected later")) == 1
    assert counted.count(("computed", "yes")) == 2 and counted.count(("finding", "yes")) == 2
    assert ("outboard-shoe-3", "1.2500", "in") in {(row["position"], row["value"], row["unit"]) for row in shown}
    (old,) = [row for row in shown if row["counts"] == "corrected later"]
    assert (old["value"], old["verdict"], old["event"]) == ("1.205", "", "11")


def test_a_job_of_an_odd_name_has_a_table_with_a_plain_file_name(server: Server) -> None:
    job = '../"x"\r\nSet-Cookie: a=b'
    with server.client("csv-odd") as client:
        send(client, "csv-odd", chain("csv-odd", job_opened(job), reading(job, "=cmd()", "shoe-thickness", "1.250")))
    answer = server.get("/readings.csv", params={"name": job})
    assert answer.headers["content-disposition"] == 'attachment; filename="..-x-Set-Cookie-a-b.csv"'
    assert "set-cookie" not in answer.headers
    assert table(answer.content)[0]["position"] == "'=cmd()"
    assert server.get("/jobs/NOBODY/readings.csv").status_code == 404


@pytest.mark.parametrize(
    "text", ["=1", "+1+1", "-1+1", "@x", "\t=1", "\r=1", " =1", "\n-1\n", "\uff1d1", "\u200b=1", "-0.002\n"]
)
def test_what_may_start_a_formula_is_made_inert(text: str) -> None:
    assert inert(text) == f"'{text}"


@pytest.mark.parametrize("text", ["-0.002", "0", "1.250", "", "ok", "two = two", "\u00d825", "'=1"])
def test_numbers_and_plain_text_are_left_alone(text: str) -> None:
    assert inert(text) == text


@given(st.text())
def test_no_cell_begins_as_a_formula_unless_it_is_a_number(text: str) -> None:
    cell = inert(text)
    assert cell.removeprefix("'") == text.removeprefix("'") or cell == f"'{text}"
    if cell.lstrip()[:1] in ("=", "+", "-", "@"):
        float(cell)
