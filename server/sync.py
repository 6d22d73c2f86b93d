"""Events coming up from the benches: read strictly, taken once, in sequence, never overwritten."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from capture.domain.errors import ChainError, DomainError
from capture.domain.events import Event, canonical, from_dict, from_json, verify_chain
from server.errors import ApiError, Conflict, Gap, Malformed
from server.store import Store

MOST_EVENTS = 1000
_LARGEST_SEQUENCE = 2**53  # what any JSON reader keeps exactly


@dataclass(frozen=True, slots=True)
class Received:
    """An event as it came, with its canonical text and the digest of that."""

    event: Event
    text: str
    digest: str


def read_json(body: bytes) -> Any:
    """Read JSON strictly: UTF-8, no doubled keys, no NaN or Infinity, no floats where we keep none.

    Raises:
        Malformed: says what was wrong; nothing else is ever raised, whatever the bytes.

    >>> read_json(b'{"a": 1}')
    {'a': 1}
    """
    try:
        return json.loads(body.decode("utf-8"), object_pairs_hook=_each_key_once, parse_constant=_no_constant)
    except UnicodeDecodeError:
        raise Malformed("The body is not UTF-8 text", field="body") from None
    except RecursionError:
        raise Malformed("The body is nested too deeply", field="body") from None
    except ValueError as error:  # not JSON, or a number with thousands of digits
        raise Malformed(f"The body is not JSON ({str(error)[:120]})", field="body") from None


def _each_key_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for key, value in pairs:
        if key in found:
            raise Malformed(f"Key {key[:80]!r} is given twice; give it once", field=key[:80])
        found[key] = value
    return found


def _no_constant(text: str) -> Any:
    raise Malformed(f"{text} is not a number; numbers are finite digits", field="number", value=text)


def read_fields(body: bytes, names: Sequence[str]) -> dict[str, str]:
    """Read a JSON object that has exactly these fields, each a text.

    >>> read_fields(b'{"code": "x"}', ["code"])
    {'code': 'x'}
    """
    data = read_json(body)
    if not isinstance(data, dict) or set(data) != set(names):
        raise Malformed(f"The body must be an object with exactly {', '.join(names)}", field="body")
    for name in names:
        if not isinstance(data[name], str):
            raise Malformed(f"{name} must be a text", field=name, value=repr(data[name])[:80])
    return data


def read_events(body: bytes, bench: str) -> list[Received]:
    """Read the events of an upload, every one checked before any is stored.

    Raises:
        Malformed: names the first event that is wrong, and what is wrong with it.
    """
    data = read_json(body)
    if not isinstance(data, dict) or set(data) != {"events"} or not isinstance(data["events"], list):
        raise Malformed("The body must be an object with exactly one field, events, a list", field="events")
    if not 1 <= len(data["events"]) <= MOST_EVENTS:
        raise Malformed(f"Send 1 to {MOST_EVENTS} events at a time", field="events", value=str(len(data["events"])))
    return [_read_event(one, bench, place) for place, one in enumerate(data["events"], 1)]


def _read_event(data: Any, bench: str, place: int) -> Received:
    try:
        event = from_dict(data)
        text = canonical(event)
        digest = hashlib.sha256(text.encode("utf-8")).hexdigest()
    except UnicodeEncodeError:
        raise Malformed(f"Event {place} of the upload holds a character that is not text", field="events") from None
    except DomainError as error:
        message = f"Event {place} of the upload: {error}"
        raise Malformed(message[:400], field=error.thing[:80], value=error.value[:80]) from None
    if event.bench != bench:
        raise Malformed(
            f"Event {place} of the upload is of bench {event.bench[:80]!r}, not {bench!r}",
            field="bench",
            value=event.bench[:80],
        )
    if event.sequence > _LARGEST_SEQUENCE:
        raise Malformed(f"Event {place} of the upload has a sequence too large", field="sequence")
    return Received(event, text, digest)


def receive(store: Store, bench: str, received: Sequence[Received], at: str) -> tuple[int, str]:
    """Take what is new and follows; return the last (sequence, hash) held of the bench.

    What is held already is passed over when it is equal. What differs is kept as a conflict and shown to the
    lead. What came before a conflict or a gap in the same upload stays taken.

    Args:
        at: the server's clock, ISO 8601; kept beside the event, never used for order.
    Raises:
        Conflict: another content under a sequence held, or an event that does not follow from the last held.
        Gap: events are missing; `value` is the last sequence held.
        StoreError: nothing was stored.
    """
    refusal: ApiError | None = None
    with store.writing():
        last, last_hash = store.last(bench)
        for one in received:
            refusal = _refuse(store, one, last, last_hash)
            if isinstance(refusal, Conflict):
                store.add_conflict(one.event, one.text, one.digest, at)
            if refusal is not None:
                break
            if one.event.sequence > last:
                store.add_event(one.event, one.text, one.digest, at)
                last, last_hash = one.event.sequence, one.digest
    if refusal is not None:
        raise refusal
    return last, last_hash


def _refuse(store: Store, one: Received, last: int, last_hash: str) -> ApiError | None:
    event = one.event
    if event.sequence <= last:
        if store.hash_of(event.bench, event.sequence) == one.digest:
            return None
        return Conflict(
            f"Event {event.sequence} of bench {event.bench!r} is held with other content; nothing was overwritten, "
            "the lead sees both",
            field="sequence",
            value=str(event.sequence),
        )
    if event.sequence > last + 1:
        return Gap(
            f"Event {last + 1} of bench {event.bench!r} is missing before event {event.sequence}; send from there",
            field="acknowledged",
            value=str(last),
        )
    if event.previous != last_hash:
        return Conflict(
            f"Event {event.sequence} of bench {event.bench!r} does not follow from event {last} as held; "
            "it was not taken, the lead sees it",
            field="sequence",
            value=str(event.sequence),
        )
    return None


def verify(store: Store) -> list[str]:
    """Check file, texts, hashes and chains of all benches; return one line for each thing that is wrong."""
    damage = store.damage()
    wrong = [f"Database {store.path} is damaged ({damage}); restore a backup"] if damage else []
    for bench in store.bench_names():
        try:
            verify_chain(_checked(store, bench))
        except ChainError as error:
            wrong.append(f"Bench {bench}: {error}")
        except DomainError as error:
            wrong.append(f"Bench {bench}: an event cannot be read ({error})")
    return wrong


def _checked(store: Store, bench: str) -> Any:
    for text, digest in store.events_of_bench(bench):
        event = from_json(text)
        if event.bench != bench or event.hash != digest or canonical(event) != text:
            raise ChainError(
                f"Event {event.sequence} was changed after it was received",
                sequence=event.sequence,
                remedy="compare it with the bench's log",
            )
        yield event
