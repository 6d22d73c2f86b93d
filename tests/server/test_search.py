"""What was said, tagged or named is found again, whatever is typed into the box."""

from __future__ import annotations

import html
import re
import sqlite3
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from server.migrations import STEPS
from server.search import query
from server.store import Store
from tests.server.shop import AT, PLAN, Server, chain, demo_facts, job_opened, reading, run, send, tag


@pytest.fixture(scope="module")
def filled(server: Server) -> Server:
    other = PLAN.replace("Aldermoor Weir, unit 2", "Brackwater Mill, unit 7")
    facts = [
        job_opened("J-SEEK-2", plan=other),
        tag("J-SEEK-2", "outboard-shoe-1", "00417"),
        tag("J-SEEK-2", "outboard-shoe-2", "417"),
        reading("J-SEEK-2", "outboard-shoe-1", "shoe-thickness", "1.248", words='Écaille zero, 50 % "OR" nothing'),
    ]
    with server.client("seek") as client:
        assert send(client, "seek", chain("seek", *demo_facts("J-SEEK-1"), *facts)).status_code == 200
    return server


def found(server: Server, question: str) -> dict[str, str]:
    """Return job -> the text shown for it."""
    answer = server.get("/search", params={"q": question})
    assert answer.status_code == 200
    sections = re.findall(r"<section.*?</section>", answer.text, flags=re.S)
    plain = [" ".join(html.unescape(re.sub(r"<[^>]+>", " ", section)).split()) for section in sections]
    return {text.split()[0]: text for text in plain}


@pytest.mark.parametrize(
    "question, expect",
    [
        ("J-SEEK-2", "J-SEEK-2"),
        ("  brackwater   MILL ", "J-SEEK-2"),
        ("brackwater", "J-SEEK-2"),
        ("Brack unit 7", "J-SEEK-2"),
        ("J-SEEK-2 00417", "J-SEEK-2"),
        ("ecaille", "J-SEEK-2"),
        ('"OR" nothing', "J-SEEK-2"),
        ("J-SEEK wiping light", "J-SEEK-1"),
        ("J-SEEK 1.205", "J-SEEK-1"),
        ("J-SEEK seal-ring-2 5.5131", "J-SEEK-1"),
        ("J-SEEK M-104 outboard shoe 6", "J-SEEK-1"),
    ],
)
def test_job_machine_tag_value_and_words_are_found(filled: Server, question: str, expect: str) -> None:
    assert [job for job in found(filled, question) if job.startswith("J-SEEK")] == [expect]


def test_a_fact_is_linked_to_its_position(filled: Server) -> None:
    text = filled.get("/search", params={"q": "J-SEEK-1 wiping"}).text
    assert '<a href="/jobs/J-SEEK-1#at-7"><bdi>outboard shoe seven</bdi></a>' in text
    assert 'id="at-7"' in filled.get("/jobs/J-SEEK-1").text


def test_a_value_that_was_corrected_is_found_and_says_so(filled: Server) -> None:
    shown = found(filled, "J-SEEK-1 outboard-shoe-4")["J-SEEK-1"]
    assert "1.205 in corrected later" in shown and "1.250 in corrected later" not in shown and "1.250 in" in shown


def test_a_tag_without_its_zeros_is_another_tag(filled: Server) -> None:
    assert "00417" not in found(filled, "J-SEEK-2 outboard-shoe-2 417")["J-SEEK-2"]
    assert found(filled, "J-SEEK-2 outboard-shoe-2 00417") == {}


@pytest.mark.parametrize(
    "question", ["", "   ", "zzzzz", "J-SEEK-1 zzzzz", '"', "* ORX *", "NEAR(", "said:x", "a" * 5000, "\x00", "()"]
)
def test_anything_may_be_typed(filled: Server, question: str) -> None:
    assert not [job for job in found(filled, question) if job.startswith("J-SEEK")]


@given(st.text())
def test_any_question_is_a_query_that_sqlite_takes(question: str) -> None:
    made = query(question)
    db = sqlite3.connect(":memory:")
    db.execute("CREATE VIRTUAL TABLE search USING fts5 (said)")
    if made:
        assert db.execute("SELECT count(*) FROM search WHERE search MATCH ?", (made,)).fetchone() == (0,)
    db.close()


def test_an_older_database_is_indexed_when_the_server_starts(tmp_path: Path) -> None:
    """A database made before there was a search, with events in it, gets one."""
    store = Store.open(tmp_path / "server.db")
    events = chain("bench-1", job_opened("J-OLD"), reading("J-OLD", "outboard-shoe-1", "shoe-thickness", "1.248"))
    with store.writing():
        for event in events:
            from capture.domain.events import canonical

            store.add_event(event, canonical(event), event.hash, AT)
    store.close()
    raw = sqlite3.connect(tmp_path / "server.db")
    raw.execute("DROP TABLE search")
    raw.execute("DELETE FROM _sqlite_migrations WHERE name = ?", (STEPS[1].__name__,))
    raw.commit()
    raw.close()
    again = Store.open(tmp_path / "server.db")
    assert [event.body["job"] for event in again.found(query("aldermoor"), 10)] == ["J-OLD"]
    assert len(again.found(query("J-OLD"), 10)) == 2
    again.close()
    assert run("verify", tmp_path).returncode == 0
