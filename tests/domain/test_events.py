"""Events: the text that is hashed, what is refused, and where a chain breaks."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.domain.errors import ChainError, EventError
from capture.domain.events import (
    END_SAYS,
    FIRST_PREVIOUS,
    GAUGE_RESULTS,
    KINDS,
    MARK_ORIGINS,
    READING_STAGES,
    Event,
    canonical,
    checked_body,
    from_dict,
    from_json,
    quantity_of,
    to_dict,
    verify_chain,
)
from capture.domain.units import UNIT_NAMES, Quantity

# Written by hand: sorted keys, no blanks, UTF-8, the one before it named by 64 zeros.
BY_HAND = (
    '{"at":"2024-05-06T07:08:09Z","bench":"bench-1","body":{"person":"RK","raw":"BC1:B:RK-Ø:0"},'
    '"clock_synchronised":true,"kind":"badge-read","previous":"' + "0" * 64 + '","schema":1,"sequence":1}'
)
BY_HAND_HASH = "5dfde35eddea250b2f2f92e5a38e3b5b4b1136dd13a0dc6c2e1a77be6c91c0d6"


def badge(sequence: int = 1, previous: str = FIRST_PREVIOUS) -> Event:
    body = checked_body("badge-read", {"person": "RK", "raw": "BC1:B:RK-Ø:0"})
    return Event("bench-1", sequence, "2024-05-06T07:08:09Z", True, "badge-read", body, previous)


def test_the_hash_is_that_of_the_text_written_by_hand() -> None:
    assert hashlib.sha256(BY_HAND.encode("utf-8")).hexdigest() == BY_HAND_HASH
    assert canonical(badge()) == BY_HAND
    assert badge().hash == BY_HAND_HASH


texts = st.text(st.characters(exclude_categories=["Cs"]), max_size=30)
digits = st.from_regex(r"-?(0|[1-9][0-9]{0,4})(\.[0-9]{1,6})?", fullmatch=True)
quantities = st.fixed_dictionaries({"text": digits, "unit": st.sampled_from(UNIT_NAMES)})
fields: dict[str, st.SearchStrategy[Any]] = {
    "text": texts,
    "int": st.integers(1, 10**9),
    "quantity": quantities,
    "texts": st.lists(texts, max_size=3),
}


def bodies(kind: str) -> st.SearchStrategy[dict[str, Any]]:
    wanted = {
        name: fields[name if name in fields else rule.rstrip("?-")]
        | (st.none() if rule.endswith("?") else st.nothing())
        for name, rule in KINDS[kind].items()
    }
    later = {name: wanted.pop(name) for name, rule in KINDS[kind].items() if rule.endswith("-")}
    return st.fixed_dictionaries(wanted, optional=later)


def sensible(event: Event) -> bool:
    if event.kind == "gauge-checked":
        return event.body["result"] in GAUGE_RESULTS
    if event.kind == "basket-filled":
        return bool(event.body["count"] == len(event.body["positions"]))
    feelers = any(event.body.get(name) for name in ("goes", "does_not"))
    ends = any(event.body.get(name) for name in ("go_end", "no_go_end"))
    return event.kind != "interval-taken" or feelers is not ends


fields["result"] = st.sampled_from(GAUGE_RESULTS)
fields["go_end"] = fields["no_go_end"] = st.sampled_from(END_SAYS)
overhauls = st.builds(
    lambda job, days, slots, quantity: [
        {
            "job": f"{job}{n}",
            "date": day.isoformat(),
            "readings": [
                {"position": position, "characteristic": "c", "stage": stage, "quantity": quantity}
                for position, stage in sorted(slots)
            ],
        }
        for n, day in enumerate(sorted(days))
    ],
    texts,
    st.sets(st.dates(), max_size=3),
    st.sets(st.tuples(texts.filter(bool), st.sampled_from(READING_STAGES)), max_size=3),
    quantities,
)
fields["earlier"] = overhauls
fields["stage"] = st.sampled_from(READING_STAGES)
fields["origin"] = st.sampled_from(MARK_ORIGINS)
events = (
    st.sampled_from(sorted(KINDS))
    .flatmap(
        lambda kind: st.builds(
            Event,
            bench=texts,
            sequence=st.integers(1, 10**9),
            at=texts,
            clock_synchronised=st.booleans(),
            kind=st.just(kind),
            body=bodies(kind),
            previous=texts,
        )
    )
    .filter(sensible)
)


@settings(max_examples=50)
@given(events)
def test_an_event_to_json_and_back_is_the_same_event(event: Event) -> None:
    again = from_json(canonical(event))
    assert again == event and again.hash == event.hash
    assert from_dict(to_dict(event)) == event
    assert from_json(json.dumps(to_dict(event), indent=2)).hash == event.hash


def test_a_field_added_later_leaves_the_hash_of_an_older_event_as_it_was() -> None:
    body = {name: "x" for name, rule in KINDS["reading-taken"].items() if rule == "text"}
    old = checked_body("reading-taken", {**body, "quantity": {"text": "1.250", "unit": "in"}})
    assert "stage" not in old and "stage" not in checked_body("reading-taken", {**old, "stage": None})
    event = Event("b", 1, "t", False, "reading-taken", old, FIRST_PREVIOUS)
    assert '"stage"' not in canonical(event) and from_json(canonical(event)).hash == event.hash


@pytest.mark.parametrize("kind", ["reading-taken", "interval-taken"])
def test_a_stage_that_is_neither_as_found_nor_as_left_is_refused(kind: str) -> None:
    body: dict[str, Any] = {name: "x" for name, rule in KINDS[kind].items() if rule == "text"}
    body |= {"goes" if kind == "interval-taken" else "quantity": {"text": "4", "unit": "thou"}}
    with pytest.raises(EventError, match="use one of as found, as left"):
        checked_body(kind, {**body, "stage": "as right"})
    with pytest.raises(EventError, match="is not text"):
        checked_body(kind, {**body, "stage": 1})
    assert checked_body(kind, {**body, "stage": "as left"})["stage"] == "as left"


@given(digits)
def test_the_text_of_a_reading_survives_the_json_unchanged(text: str) -> None:
    body = {name: "x" for name, rule in KINDS["reading-taken"].items() if rule == "text"}
    whole = checked_body("reading-taken", {**body, "quantity": {"text": text, "unit": "in"}})
    event = Event("b", 1, "t", False, "reading-taken", whole, FIRST_PREVIOUS)
    assert quantity_of(from_json(canonical(event))) == Quantity(text, "in")
    assert f'"text":"{text}"' in canonical(event)


def chain(length: int) -> list[Event]:
    made: list[Event] = []
    for sequence in range(1, length + 1):
        made.append(badge(sequence, made[-1].hash if made else FIRST_PREVIOUS))
    return made


def test_a_whole_chain_verifies_to_its_last_event() -> None:
    events = chain(4)
    assert verify_chain(events) == (4, events[-1].hash)
    assert verify_chain([]) == (0, FIRST_PREVIOUS)
    assert verify_chain(events[2:], previous=events[1].hash, after=2) == (4, events[-1].hash)


def test_a_changed_event_breaks_the_chain_at_the_next_one() -> None:
    events = chain(4)
    events[1] = replace(events[1], at="2024-05-06T07:08:10Z")
    with pytest.raises(ChainError) as caught:
        verify_chain(events)
    assert caught.value.sequence == 3


def test_a_missing_event_is_named() -> None:
    events = chain(4)
    del events[1]
    with pytest.raises(ChainError, match="Event 2 is missing") as caught:
        verify_chain(events)
    assert caught.value.sequence == 2


def test_two_events_that_changed_places_are_found() -> None:
    events = chain(3)
    events[1], events[2] = events[2], events[1]
    with pytest.raises(ChainError):
        verify_chain(events)


@pytest.mark.parametrize(
    "change",
    [
        {"schema": 2},
        {"schema": True},
        {"bench": 1},
        {"sequence": 0},
        {"sequence": "1"},
        {"sequence": True},
        {"sequence": 1.0},
        {"clock_synchronised": 1},
        {"kind": "badge-lost"},
        {"body": []},
        {"body": {"person": "RK"}},
        {"body": {"person": "RK", "raw": None}},
        {"body": {"person": "RK", "raw": "x", "more": "y"}},
        {"more": 1},
    ],
)
def test_an_event_that_does_not_fit_the_schema_is_refused(change: dict[str, Any]) -> None:
    with pytest.raises(EventError):
        from_dict({**to_dict(badge()), **change})


def test_an_event_that_lacks_a_field_is_refused() -> None:
    for name in to_dict(badge()):
        with pytest.raises(EventError):
            from_dict({key: value for key, value in to_dict(badge()).items() if key != name})


@pytest.mark.parametrize("value", ["NaN", "Infinity", "-Infinity", "1e5", "", "1,5"])
def test_a_reading_that_is_no_number_never_becomes_an_event(value: str) -> None:
    """Case C13 of the public reports, at the border of the log."""
    body = {name: "x" for name, rule in KINDS["reading-taken"].items() if rule == "text"}
    with pytest.raises(ValueError, match="is not a number"):
        checked_body("reading-taken", {**body, "quantity": {"text": value, "unit": "in"}})


@pytest.mark.parametrize("number", ["NaN", "Infinity", "-Infinity"])
def test_json_with_a_number_that_is_none_is_refused(number: str) -> None:
    with pytest.raises(EventError, match=number):
        from_json(BY_HAND.replace('"sequence":1', f'"sequence":{number}'))


def test_json_with_a_key_twice_is_refused() -> None:
    with pytest.raises(EventError, match="twice"):
        from_json(BY_HAND.replace('"sequence":1', '"sequence":1,"sequence":1'))
    with pytest.raises(EventError, match="twice"):
        from_json(BY_HAND.replace('"person":"RK"', '"person":"RK","person":"TM"'))


@pytest.mark.parametrize("text", ["", "[]", "1", "null", "{", "\ufeff{}"])
def test_a_text_that_is_no_event_is_refused(text: str) -> None:
    with pytest.raises(EventError):
        from_json(text)


def test_an_event_whose_fields_say_nothing_together_is_refused() -> None:
    body = {name: "x" for name, rule in KINDS["interval-taken"].items() if rule == "text"}
    with pytest.raises(EventError, match="has no end"):
        checked_body("interval-taken", body)
    with pytest.raises(EventError, match="use one of good, bad, dropped"):
        checked_body("gauge-checked", {"gauge": "mike", "result": "fine", "by": "TM"})
