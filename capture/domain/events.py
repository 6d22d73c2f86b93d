"""The facts that happened at a bench, their JSON form and their hash chain.

An event is never changed: a correction is a new event. The envelope orders events by the bench's own
sequence, never by its clock. `canonical` is the text that is hashed, sent and kept; bench, server and
a log carried by hand all use it.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from capture.domain.errors import ChainError, EventError
from capture.domain.overhauls import AS_FOUND, AS_LEFT, READING_STAGES, read_earlier, to_plain
from capture.domain.units import Quantity

__all__ = [
    "AS_FOUND",
    "AS_LEFT",
    "END_SAYS",
    "FIRST_PREVIOUS",
    "GAUGE_RESULTS",
    "KINDS",
    "READING_STAGES",
    "SAID",
    "SCHEMA",
    "Event",
    "canonical",
    "checked_body",
    "from_dict",
    "from_json",
    "quantity_of",
    "reading_stage",
    "to_dict",
    "verify_chain",
]

SCHEMA = 1
FIRST_PREVIOUS = "0" * 64
GAUGE_RESULTS: tuple[str, ...] = ("good", "bad", "dropped")
MARK_ORIGINS: tuple[str, ...] = ("seen", "made")
END_SAYS: tuple[str, ...] = ("goes", "does not go")  # of an end of a limit gauge

# Fields of every statement that was heard or typed, read back and confirmed.
SAID: dict[str, str] = {
    "job": "text",
    "by": "text",
    "confirmed_by": "text",  # "voice" | "pedal" | "typed"
    "words": "text",
    "engine": "text",
    "model": "text",
    "margin": "text?",
    "clip": "text?",  # SHA-256 of the audio clip kept as evidence
    "plan_revision": "text",
}

# kind -> fields of its body: name -> "text", "text?" (may be absent or null), "int", "int?", "texts", "quantity".
# "text-" may be absent too, and then is not in the body: a field added later must not change an older event's hash.
KINDS: dict[str, dict[str, str]] = {
    "job-opened": {
        "job": "text",
        "by": "text?",
        "plan_id": "text",
        "plan_revision": "text",
        "plan_text": "text",
        "earlier": "overhauls-",  # of the same machine, oldest first: `capture.domain.overhauls`
    },
    "badge-read": {"person": "text", "raw": "text"},
    "tag-bound": {"job": "text", "tag": "text", "symbology": "text", "position": "text", "by": "text"},
    "reading-taken": {
        "job": "text",
        "position": "text",
        "characteristic": "text",
        "quantity": "quantity",
        "replaces": "int?",  # sequence of the reading this one corrects
        "by": "text",
        "confirmed_by": "text",  # "voice" | "pedal" | "typed"
        "words": "text",
        "confirmation_words": "text?",
        "engine": "text",
        "model": "text",
        "margin": "text?",
        "clip": "text?",  # SHA-256 of the audio clip kept as evidence
        "gauge": "text?",
        "tag": "text?",
        "plan_revision": "text",
        "verdict": "text?",
        "working": "text?",
        "temperature": "quantity?",  # of the part
        "gauge_temperature": "quantity?",
        "stage": "text-",  # "as found" when absent, or "as left"
    },
    "interval-taken": {
        "job": "text",
        "position": "text",
        "characteristic": "text",
        "goes": "quantity?",  # a feeler that goes; at least one of these four is given
        "does_not": "quantity?",
        "go_end": "text-",  # of a limit gauge: "goes" | "does not go"
        "no_go_end": "text-",
        "replaces": "int?",
        "by": "text",
        "confirmed_by": "text",
        "words": "text",
        "engine": "text",
        "model": "text",
        "margin": "text?",
        "clip": "text?",
        "gauge": "text?",
        "plan_revision": "text",
        "stage": "text-",
    },
    "gauge-checked": {
        "gauge": "text",
        "result": "text",  # "good" | "bad" | "dropped"
        "by": "text",
        "standard": "quantity?",
        "reading": "quantity?",
        "words": "text?",
    },
    "finding-noted": {
        "job": "text",
        "position": "text",
        "finding": "text",
        "severity": "text?",
        "extent": "text?-",
        "face": "text?-",
        "replaces": "int?",
        "by": "text",
        "confirmed_by": "text",
        "words": "text",
        "engine": "text",
        "model": "text",
        "margin": "text?",
        "clip": "text?",
        "plan_revision": "text",
    },
    "stage-entered": {**SAID, "stage": "text"},  # one of `stages.STAGES`
    "parts-removed": {**SAID, "positions": "texts"},  # in the order they came off
    "removal-withdrawn": {**SAID, "position": "text"},  # called off, but it is still on
    "part-missing": {**SAID, "position": "text"},
    "mark-noted": {**SAID, "position": "text", "mark": "text", "origin": "text"},  # origin: one of MARK_ORIGINS
    "facing-noted": {**SAID, "position": "text", "facing": "text"},
    "basket-filled": {**SAID, "basket": "text", "positions": "texts", "count": "int"},  # count: as counted by a person
    "cleaned": {**SAID, "positions": "texts", "method": "text"},  # method: id of a [[cleaning]] of the plan
    "part-returned": {**SAID, "position": "text", "mark": "text?", "tag": "text?"},  # from its basket, mark as seen now
    "tag-questioned": {"job": "text", "tag": "text", "position": "text", "by": "text"},  # a bound tag seen elsewhere
    "tag-explained": {**SAID, "tag": "text", "position": "text"},  # where the questioned tag belongs
    "photo-kept": {"job": "text", "position": "text", "photo": "text", "by": "text"},  # photo: SHA-256 of the JPEG
    "clip-removed": {"clip": "text", "reason": "text", "by": "text"},  # by the shop's rule; the digest stays
    "caution-acknowledged": {"job": "text", "caution": "text", "by": "text", "confirmed_by": "text"},
}


@dataclass(frozen=True, slots=True)
class Event:
    """One fact. `body` holds the fields `KINDS` names for its `kind`.

    `bench`: name of the bench; `sequence`: 1, 2, 3 ... without a gap; `at`: bench clock, ISO 8601 UTC with
    "Z"; `clock_synchronised`: whether that clock could be believed; `previous`: hash of the event before.
    """

    bench: str
    sequence: int
    at: str
    clock_synchronised: bool
    kind: str
    body: Mapping[str, Any]
    previous: str

    @property
    def hash(self) -> str:
        """SHA-256 of the canonical JSON, hex; the next event's `previous`."""
        return hashlib.sha256(canonical(self).encode("utf-8")).hexdigest()


def _is_int(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _is_quantity(value: Any) -> bool:
    return isinstance(value, Mapping) and set(value) == {"text", "unit"}


_FITS: dict[str, Callable[[Any], bool]] = {
    "text": lambda value: isinstance(value, str),
    "int": _is_int,
    "texts": lambda value: isinstance(value, (list, tuple)) and all(isinstance(one, str) for one in value),
    "quantity": _is_quantity,
    "overhauls": lambda value: isinstance(value, (list, tuple)),
}


_TEXTS = frozenset(("text", "text?", "text-"))


def _check_field(kind: str, name: str, rule: str, value: Any) -> None:
    if value is None and rule.endswith(("?", "-")):
        return
    base = rule.rstrip("?-")
    if not _FITS[base](value):
        raise EventError(
            f"Event {kind!r} has {name} = {value!r}, which is not {base}",
            thing=name,
            value=repr(value)[:80],
            remedy="write it as the schema says",
        )
    if base == "quantity":
        Quantity(value["text"], value["unit"])


def checked_body(kind: str, body: Mapping[str, Any]) -> dict[str, Any]:
    """Return `body` with absent optional fields as None, those with "-" left out; raise EventError when it does
    not fit `kind`."""
    try:
        fields = KINDS[kind]
    except KeyError:
        raise EventError(
            f"Event kind {kind!r} is not known", thing="kind", value=kind, remedy=f"use one of {', '.join(KINDS)}"
        ) from None
    if not body.keys() <= fields.keys():
        unknown = sorted(set(body) - set(fields))
        raise EventError(f"Event {kind!r} has unknown field {unknown[0]!r}", thing=unknown[0], remedy="leave it out")
    whole: dict[str, Any] = {}
    for name, rule in fields.items():
        if name not in body and not rule.endswith(("?", "-")):
            raise EventError(f"Event {kind!r} lacks {name!r}", thing=name, remedy="give it")
        value = body.get(name)
        if type(value) is str and rule in _TEXTS:  # nearly every field: the quick way, for logs of many thousands
            whole[name] = value
            continue
        if value is None and rule[-1] == "?":
            whole[name] = None
            continue
        _check_field(kind, name, rule, value)
        if value is None and rule.endswith("-"):
            continue
        if rule == "overhauls-":
            value = to_plain(read_earlier(value))
        whole[name] = dict(value) if isinstance(value, Mapping) else value
    _check_sense(kind, whole)
    return whole


def _check_sense(kind: str, body: Mapping[str, Any]) -> None:
    """Refuse a body whose fields are each right but say nothing together."""
    if kind == "interval-taken":
        _check_ends(body)
    if body.get("stage", AS_FOUND) not in READING_STAGES and kind in ("reading-taken", "interval-taken"):
        raise EventError(
            f"Event {kind!r} has stage = {body['stage']!r}",
            thing="stage",
            value=body["stage"][:80],
            remedy=f"use one of {', '.join(READING_STAGES)}",
        )
    for of_kind, name, choices in (
        ("gauge-checked", "result", GAUGE_RESULTS),
        ("mark-noted", "origin", MARK_ORIGINS),
    ):
        if kind == of_kind and body[name] not in choices:
            raise EventError(
                f"Event {kind!r} has {name} = {body[name]!r}",
                thing=name,
                value=body[name][:80],
                remedy=f"use one of {', '.join(choices)}",
            )
    if kind == "basket-filled" and body["count"] != len(body["positions"]):
        raise EventError(
            f"Event 'basket-filled' has count = {body['count']} for {len(body['positions'])} parts",
            thing="count",
            value=str(body["count"]),
            remedy="count again before anything is stored",
        )


def _check_ends(body: Mapping[str, Any]) -> None:
    feelers = [name for name in ("goes", "does_not") if body[name] is not None]
    ends = [name for name in ("go_end", "no_go_end") if name in body]
    if not feelers and not ends:
        raise EventError("Event 'interval-taken' has no end", thing="goes", remedy="give goes, does_not or both")
    if feelers and ends:
        remedy = "give what feelers say, or what a limit gauge says"
        raise EventError(f"Event 'interval-taken' has {feelers[0]} and {ends[0]}", thing=ends[0], remedy=remedy)
    for name in ends:
        if body[name] not in END_SAYS:
            remedy = f"use one of {', '.join(END_SAYS)}"
            raise EventError(
                f"Event 'interval-taken' has {name} = {body[name]!r}", thing=name, value=body[name][:80], remedy=remedy
            )


def quantity_of(event: Event) -> Quantity:
    """Return the quantity of a reading event."""
    value = event.body["quantity"]
    return Quantity(value["text"], value["unit"])


def reading_stage(event: Event) -> str:
    """Return the stage of a reading or interval: "as found" or "as left"; one that names none is as found."""
    return str(event.body.get("stage") or AS_FOUND)


def to_dict(event: Event) -> dict[str, Any]:
    """Return the JSON object of an event (without its hash, which follows from it)."""
    return {
        "schema": SCHEMA,
        "bench": event.bench,
        "sequence": event.sequence,
        "at": event.at,
        "clock_synchronised": event.clock_synchronised,
        "kind": event.kind,
        "body": dict(event.body),
        "previous": event.previous,
    }


def canonical(event: Event) -> str:
    """Return the one text of an event: sorted keys, no blanks, UTF-8, no floats anywhere."""
    return json.dumps(to_dict(event), sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def from_dict(data: Any) -> Event:
    """Read an event from its JSON object, checking every field.

    Raises:
        EventError: anything missing, unknown, of the wrong type, or of another schema.
    """
    wanted = {"schema", "bench", "sequence", "at", "clock_synchronised", "kind", "body", "previous"}
    if not isinstance(data, Mapping) or set(data) != wanted:
        got = sorted(data) if isinstance(data, Mapping) else type(data).__name__
        raise EventError(f"Event has fields {got}", thing="event", remedy=f"give exactly {sorted(wanted)}")
    if data["schema"] != SCHEMA or isinstance(data["schema"], bool):
        raise EventError(f"Event schema is {data['schema']!r}", thing="schema", remedy=f"this program reads {SCHEMA}")
    types = {"bench": str, "sequence": int, "at": str, "clock_synchronised": bool, "kind": str, "previous": str}
    for name, kind in types.items():
        value = data[name]
        if not isinstance(value, kind) or (kind is int and isinstance(value, bool)):
            raise EventError(f"Event has {name} = {value!r}", thing=name, remedy=f"give a {kind.__name__}")
    if data["sequence"] < 1:
        raise EventError(f"Event sequence is {data['sequence']}", thing="sequence", remedy="it starts at 1")
    if not isinstance(data["body"], Mapping):
        raise EventError("Event body is not an object", thing="body", remedy="give an object")
    return Event(
        bench=data["bench"],
        sequence=data["sequence"],
        at=data["at"],
        clock_synchronised=data["clock_synchronised"],
        kind=data["kind"],
        body=checked_body(data["kind"], data["body"]),
        previous=data["previous"],
    )


def _no_duplicates(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    keys = [key for key, _ in pairs]
    if len(set(keys)) != len(keys):
        twice = next(key for key in keys if keys.count(key) > 1)
        raise EventError(f"JSON object has key {twice!r} twice", thing=twice, remedy="give it once")
    return dict(pairs)


def _no_constant(text: str) -> Any:
    raise EventError(f"JSON holds {text}", thing="number", value=text, remedy="numbers are finite digits")


def from_json(text: str) -> Event:
    """Read an event from JSON text; doubled keys, NaN and Infinity are refused."""
    try:
        data = json.loads(text, object_pairs_hook=_no_duplicates, parse_constant=_no_constant)
    except json.JSONDecodeError as error:
        raise EventError(f"Event is not JSON ({error})", thing="event", remedy="send the text unchanged") from None
    except RecursionError:
        raise EventError("Event is nested too deeply", thing="event", remedy="send the text unchanged") from None
    except EventError:
        raise
    except ValueError as error:  # a number of thousands of digits
        raise EventError(f"Event is not JSON ({error})", thing="number", remedy="send the text unchanged") from None
    event = from_dict(data)
    if not text.isascii() or "\\u" in text:
        _check_is_text(event)
    return event


def _check_is_text(event: Event) -> None:
    """Refuse lone surrogates: what cannot be written as UTF-8 can be neither hashed nor kept."""
    try:
        canonical(event).encode("utf-8")
    except UnicodeEncodeError:
        raise EventError("Event holds a character that is not text", thing="event", remedy="send UTF-8") from None


def verify_chain(events: Iterable[Event], *, previous: str = FIRST_PREVIOUS, after: int = 0) -> tuple[int, str]:
    """Check sequence and hash chain of one bench's events; return the last (sequence, hash).

    Raises:
        ChainError: names the first sequence at which the chain breaks.
    """
    sequence = after
    for event in events:
        if event.sequence != sequence + 1:
            raise ChainError(
                f"Event {sequence + 1} is missing; the log goes on with {event.sequence}",
                sequence=sequence + 1,
                remedy="look for the lost part of the log",
            )
        if event.previous != previous:
            raise ChainError(
                f"Event {event.sequence} does not follow from event {sequence}",
                sequence=event.sequence,
                value=event.previous,
                remedy="one of the two was changed after it was written",
            )
        sequence, previous = event.sequence, event.hash
    return sequence, previous
