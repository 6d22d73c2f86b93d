"""The parsers that meet foreign bytes, each with what must hold: a result or our own error, nothing else.

`check` is given any bytes. What it raises is a finding. `tests/torture/fuzz.py` hunts with it, hypothesis too, and
every finding is kept as a case in `tests/torture/test_parsers.py`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from capture.domain import identifiers
from capture.domain.errors import DomainError
from capture.domain.events import FIRST_PREVIOUS, KINDS, Event, canonical, checked_body, from_json
from capture.domain.plan import InspectionPlan, load
from capture.language.grammar import Grammar
from capture.language.meaning import Listening, NotUnderstood

ROOT = Path(__file__).resolve().parents[2]


@dataclass(frozen=True, slots=True)
class Target:
    """One parser. `seeds`: inputs to start from."""

    name: str
    check: Callable[[bytes], None]
    seeds: Callable[[], list[bytes]]


def text_of(data: bytes) -> str:
    """Return bytes as text: UTF-8, with lone surrogates where it is none, as a careless reader might hand them on."""
    return data.decode("utf-8", "surrogateescape")


def check_tag(data: bytes) -> None:
    """A tag is refused by our own error, or prints again as the very same text."""
    text = text_of(data)
    try:
        tag = identifiers.parse(text)
    except DomainError as error:
        one_line(error)
        return
    assert identifiers.to_text(tag) == text


def check_event(data: bytes) -> None:
    """An event is refused by our own error, or its canonical text reads as the same event."""
    try:
        event = from_json(text_of(data))
    except DomainError as error:
        one_line(error)
        return
    text = canonical(event)
    again = from_json(text)
    assert again == event and canonical(again) == text


def check_plan(data: bytes) -> None:
    """A plan is refused by our own error, or reads twice as the same plan."""
    text = text_of(data)
    try:
        plan = load(text, name="plan")
    except DomainError as error:
        one_line(error)
        return
    assert load(text, name="plan") == plan


@cache
def demo_plan() -> InspectionPlan:
    """Return the demo's plan."""
    return load((ROOT / "demo_audio" / "plan.toml").read_text(encoding="utf-8"), name="demo")


@cache
def grammars() -> tuple[Grammar, ...]:
    """Return grammars of different states of the bench."""
    plan = demo_plan()
    part = plan.positions[0].id
    asked = plan.characteristics_at(part)[0].id
    states = (
        Listening("closed"),
        Listening("open"),
        Listening("open", part, (asked,)),
        Listening("answer", part, (asked,)),
        Listening("paused"),
    )
    return tuple(Grammar.build(plan, state) for state in states)


@cache
def vocabulary() -> tuple[str, ...]:
    """Return every word of these grammars, in a fixed order."""
    words = {word for grammar in grammars() for word in grammar._known}
    return tuple(sorted(words))


def words_of(data: bytes) -> tuple[str, ...]:
    """Return an utterance: bytes below 250 choose a word each, what follows a higher one is a word of its own."""
    known = vocabulary()
    head, _, tail = data.partition(b"\xff")
    words = [known[byte % len(known)] for byte in head[:60]]
    return (*words, *text_of(tail).split(" ")) if tail else tuple(words)


def check_utterance(data: bytes) -> None:
    """Any words have a meaning or none; they are never an error, and what is understood is in the automaton."""
    if not data:
        return
    grammar = grammars()[data[0] % len(grammars())]
    words = words_of(data[1:])
    meaning = grammar.interpret(words)
    if not isinstance(meaning, NotUnderstood):
        assert all(word in grammar._known for word in words), f"{words} is not in the vocabulary, yet means {meaning}"
    hash(grammar.meaning_key(words))


def one_line(error: DomainError) -> None:
    """An error is one line, short enough for a screen."""
    message = str(error)
    assert message and "\n" not in message and len(message) < 2000, repr(message)[:300]


def _tags() -> list[bytes]:
    made = [identifiers.to_text(identifiers.TagText(kind, name)) for kind in "BJPGLT" for name in ("RK", "SHOE-03")]
    hostile = ["=1+1", "../../etc", "<script>", "'; DROP TABLE events;--", "BC1:P:SHOE-03:O\u202e", "x" * 4096]
    return [text.encode() for text in (*made, *hostile)]


def _events() -> list[bytes]:
    quantity = {"text": "1.250", "unit": "in"}
    bodies: dict[str, object] = {"text": "x", "int": 1, "texts": ["x"], "quantity": quantity, "overhauls": []}
    found = []
    for kind, fields in KINDS.items():
        body = {name: bodies[rule.rstrip("?-")] for name, rule in fields.items()}
        try:
            whole = checked_body(kind, body)
        except DomainError:
            continue  # a kind whose fields must make sense together
        found.append(canonical(Event("bench-1", 1, "2026-03-02T07:14:05Z", True, kind, whole, FIRST_PREVIOUS)).encode())
    return found


def _plans() -> list[bytes]:
    folders = (ROOT / "capture" / "plans", ROOT / "demo_audio")
    return [path.read_bytes() for folder in folders for path in sorted(folder.glob("*plan*.toml"))] + [
        path.read_bytes() for path in sorted((ROOT / "capture" / "plans").glob("*.toml"))
    ]


def _utterances() -> list[bytes]:
    known = vocabulary()
    calls = ("outboard shoe three one point two four eight", "affirm", "correction one point two four nine")
    return [
        bytes([state, *(known.index(word) % 250 for word in call.split() if word in known)])
        for state in range(5)
        for call in calls
    ]


TARGETS: dict[str, Target] = {
    "tags": Target("tags", check_tag, _tags),
    "plans": Target("plans", check_plan, _plans),
    "events": Target("events", check_event, _events),
    "utterances": Target("utterances", check_utterance, _utterances),
}
