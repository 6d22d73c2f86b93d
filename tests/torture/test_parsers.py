"""No input breaks a parser: cases that once did, and thousands of mutated ones."""

from __future__ import annotations

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.domain import identifiers
from capture.domain.errors import EventError, IdentifierError, PlanError
from capture.domain.events import FIRST_PREVIOUS, Event, canonical, from_json
from capture.domain.plan import load
from tests.torture import fuzz
from tests.torture.parsers import ROOT, TARGETS, Target, one_line

EVENT = canonical(
    Event("bench-1", 1, "2026-03-02T07:14:05Z", True, "badge-read", {"person": "RK", "raw": ""}, FIRST_PREVIOUS)
)
PLAN = (ROOT / "demo_audio" / "plan.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize("target", TARGETS.values(), ids=list(TARGETS))
def test_mutated_inputs_are_read_or_refused_by_name(target: Target) -> None:
    seeds, count = target.seeds(), {"plans": 40}.get(target.name, 400)

    @settings(max_examples=count)
    @given(st.randoms(use_true_random=False), st.binary(max_size=200))
    def try_one(chance: object, data: bytes) -> None:
        target.check(fuzz.mutated(chance, seeds))  # type: ignore[arg-type]
        target.check(data)

    try_one()


@pytest.mark.parametrize(
    "raw",
    [
        pytest.param("BC1:P:S3:" + "\x1e" * 200, id="control characters, found by fuzzing: they filled the screen"),
        pytest.param("BC1:P:SHOE-03:O\u202e", id="right-to-left mark"),
        pytest.param("BC1:P:" + "S" * 4096 + ":O", id="4 kB"),
        pytest.param("BC1:P:'; DROP TABLE events;--:O", id="SQL"),
        pytest.param("BC1:P:<script>alert(1)</script>:O", id="HTML"),
        pytest.param('=HYPERLINK("x")', id="spreadsheet formula"),
        pytest.param("BC1:P:../../etc/passwd:O", id="path"),
        pytest.param("BC1:P:SHOE-0\uff13:O", id="digit of another script"),
        pytest.param("BC1:\u0420:SHOE-03:O", id="letter of another script that looks like P"),
        pytest.param("BC1:P:SHOE-03:O:", id="a colon too many"),
        pytest.param("BC1:P:SHOE-03:O\n", id="newline"),
    ],
)
def test_a_hostile_tag_is_refused_in_one_printable_line(raw: str) -> None:
    with pytest.raises(IdentifierError) as caught:
        identifiers.parse(raw)
    one_line(caught.value)
    assert str(caught.value).isprintable()


@pytest.mark.parametrize(
    "text",
    [
        pytest.param("[" * 100_000, id="nested deeply"),
        pytest.param(EVENT.replace('"sequence":1', '"sequence":1' + "0" * 5000), id="number of 5000 digits"),
        pytest.param(EVENT.replace('"RK"', '"\\ud800"'), id="lone surrogate"),
        pytest.param(EVENT.replace('"RK"', "NaN"), id="NaN"),
        pytest.param(EVENT.replace('"at"', '"at":"x","at"'), id="key twice"),
        pytest.param(EVENT.replace('"person"', '"p\u0435rson"'), id="key with a letter of another script"),
        pytest.param(
            EVENT.replace('"at"', json.dumps("\udcc7" * 4000) + ':1,"at"'), id="key of 4000 signs, found by fuzzing"
        ),
    ],
)
def test_a_hostile_event_is_refused_in_one_line(text: str) -> None:
    with pytest.raises(EventError) as caught:
        from_json(text)
    one_line(caught.value)


@pytest.mark.parametrize(
    "text",
    [
        pytest.param("a = " + "[" * 50_000, id="nested deeply"),
        pytest.param("schema = 1" + "0" * 5000, id="number of 5000 digits"),
        pytest.param(PLAN.replace("schema = 1", "schema = 1e999"), id="a number that is none"),
        pytest.param(PLAN.replace("decimals = 3", "decimals = 99999999999999999999"), id="a huge number of decimals"),
        pytest.param(PLAN.replace("unit_system", "unit_syst\u0435m"), id="key with a letter of another script"),
        pytest.param(PLAN.replace("schema = 1", "schema = 1 # \udce0"), id="not text, found by fuzzing"),
        pytest.param(PLAN + "\nx = " + "{a = " * 5000, id="tables in tables"),
    ],
)
def test_a_hostile_plan_is_refused_in_one_line(text: str) -> None:
    with pytest.raises(PlanError) as caught:
        load(text)
    one_line(caught.value)


@settings(max_examples=100)
@given(st.text(alphabet=st.characters(codec="utf-8"), max_size=60))
def test_names_of_every_plane_are_kept_as_they_are(name: str) -> None:
    event = Event("bench-1", 1, "x", True, "badge-read", {"person": name, "raw": ""}, FIRST_PREVIOUS)
    assert from_json(canonical(event)) == event


def test_the_same_seed_tries_the_same_inputs() -> None:
    import random

    seeds = TARGETS["tags"].seeds()
    first, again = ([fuzz.mutated(random.Random(7), seeds) for _ in range(3)] for _ in range(2))
    assert first == again
