"""Events coming up from the benches: read strictly, taken once, in sequence, never overwritten."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from capture.domain.errors import ChainError, DomainError
from capture.domain.events import Event, canonical, from_dict
from capture.domain.evidence import Chain, Key, key_for
from capture.domain.exported import export, to_json
from capture.domain.signature import event_statement, is_public_key, is_signed, job_mark, key_name, seal_statement
from server.errors import ApiError, Conflict, Gap, Malformed, NotFound, WrongSignature
from server.store import Store

MOST_EVENTS = 1000
_LARGEST_SEQUENCE = 2**53  # what any JSON reader keeps exactly


@dataclass(frozen=True, slots=True)
class Received:
    """An event as it came, with its canonical text, the digest of that, and the signature sent beside it."""

    event: Event
    text: str
    digest: str
    signature: str | None = None


@dataclass(frozen=True, slots=True)
class Upload:
    """What one request brought: events in their order, and the bench's seal of the last one, None without."""

    events: list[Received]
    seal: str | None = None


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


def read_enrolment(body: bytes) -> tuple[str, str, Key | None]:
    """Read an enrolment: code, bench, and the bench's public key with the event after which it signs, if any."""
    data = read_json(body)
    with_key = isinstance(data, dict) and "public_key" in data
    asked = read_fields(body, ("code", "bench", "public_key", "signs_after") if with_key else ("code", "bench"))
    if not with_key:
        return asked["code"], asked["bench"], None
    if not is_public_key(asked["public_key"]):
        raise Malformed("public_key must be 64 hex digits", field="public_key", value=asked["public_key"][:80])
    if not re.fullmatch(r"[0-9]{1,15}", asked["signs_after"]):
        raise Malformed("signs_after must be a count", field="signs_after", value=asked["signs_after"][:80])
    return asked["code"], asked["bench"], Key(asked["public_key"], int(asked["signs_after"]))


def read_upload(body: bytes, bench: str) -> Upload:
    """Read the events of an upload, every one checked before any is stored.

    Raises:
        Malformed: names the first event that is wrong, and what is wrong with it.
    """
    data = read_json(body)
    forms = ({"events"}, {"events", "signatures", "seal"})
    if not isinstance(data, dict) or set(data) not in forms or not isinstance(data["events"], list):
        raise Malformed("The body must be an object with events, a list, and signatures and seal", field="events")
    if not 1 <= len(data["events"]) <= MOST_EVENTS:
        raise Malformed(f"Send 1 to {MOST_EVENTS} events at a time", field="events", value=str(len(data["events"])))
    signatures, seal = data.get("signatures", [None] * len(data["events"])), data.get("seal")
    if not isinstance(signatures, list) or len(signatures) != len(data["events"]):
        raise Malformed("signatures must be a list with one entry for each event", field="signatures")
    for one in (*signatures, seal):
        if one is not None and not (isinstance(one, str) and re.fullmatch(r"[0-9a-f]{128}", one)):
            raise Malformed("A signature is 128 hex digits or null", field="signatures", value=repr(one)[:80])
    events = [_read_event(one, bench, place) for place, one in enumerate(data["events"], 1)]
    return Upload([replace(one, signature=by) for one, by in zip(events, signatures, strict=True)], seal)


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


def receive(store: Store, bench: str, upload: Upload, at: str) -> tuple[int, str]:
    """Take what is new and follows; return the last (sequence, hash) held of the bench.

    What is held already is passed over when it is equal. What differs is kept as a conflict and shown to the
    lead. What came before a conflict or a gap in the same upload stays taken.

    Args:
        at: the server's clock, ISO 8601; kept beside the event, never used for order.
    Raises:
        Conflict: another content under a sequence held, or an event that does not follow from the last held.
        Gap: events are missing; `value` is the last sequence held.
        WrongSignature: not signed by the key the bench enrolled with; what came before stays taken.
        StoreError: nothing was stored.
    """
    refusal: ApiError | None = None
    with store.writing():
        last, last_hash = store.last(bench)
        keys, until = store.keys_to_write_by(bench)
        for one in upload.events:
            refusal = _refuse(store, one, last, last_hash) or _not_signed(one, last, keys, until)
            if isinstance(refusal, Conflict):
                store.add_conflict(one.event, one.text, one.digest, at)
            if refusal is not None:
                break
            if one.event.sequence > last:
                store.add_event(one.event, one.text, one.digest, at, one.signature)
                last, last_hash = one.event.sequence, one.digest
        if refusal is None and upload.seal is not None:
            refusal = _keep_seal(store, bench, upload, keys)
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


def _not_signed(one: Received, last: int, keys: Sequence[Key], until: int | None) -> ApiError | None:
    """Return the refusal of an event that its bench's key did not sign, None when it did or need not have."""
    sequence = one.event.sequence
    key = key_for(keys, sequence)
    if sequence <= last or (key is None and not keys):
        return None
    named = f"Event {sequence} of bench {one.event.bench!r}"
    if until is not None and sequence > until:
        return WrongSignature(f"{named} came after its key was revoked", field="signatures", value=str(sequence))
    if key is None:
        return None  # older than the bench's first key
    mark = job_mark(one.event.body.get("job"))
    statement = event_statement(one.event.bench, sequence, mark, one.digest)
    if one.signature is not None and is_signed(key.public, statement, one.signature):
        return None
    how = "is not signed" if one.signature is None else "has a wrong signature"
    message = f"{named} {how}; its key here is {key_name(key.public)}"
    return WrongSignature(message, field="signatures", value=str(sequence))


def _keep_seal(store: Store, bench: str, upload: Upload, keys: Sequence[Key]) -> ApiError | None:
    """Keep the bench's seal of the last event sent, when it is the one held; refuse a seal that is not the bench's."""
    last, seal = upload.events[-1], upload.seal or ""
    if not keys:
        return None
    statement = seal_statement(bench, last.event.sequence, last.digest)
    if not any(is_signed(key.public, statement, seal) for key in keys):
        return WrongSignature(f"The seal of bench {bench!r} is not signed by its key", field="seal")
    store.set_seal(bench, last.event.sequence, last.digest, seal)
    return None


def verify(store: Store) -> list[str]:
    """Check file, texts, hashes, chains, signatures, seals of all benches; return one line for each thing wrong."""
    damage = store.damage()
    wrong = [f"Database {store.path} is damaged ({damage}); restore a backup"] if damage else []
    for bench in store.bench_names():
        try:
            _verify_bench(store, bench)
        except DomainError as error:
            wrong.append(f"Bench {bench}: {error}")
    return wrong


def unsigned(store: Store) -> list[str]:
    """Return one line for each bench whose events are not all signed."""
    found = []
    for bench in store.bench_names():
        first = min((key.after for key in store.keys(bench)[0]), default=store.held(bench)[0])
        if count := min(first, store.held(bench)[0]):
            found.append(f"Bench {bench}: events 1 to {count} are not signed; who has this database could change them")
    return found


def evidence_of(store: Store, bench: str) -> str:
    """Return all that is held of a bench as evidence, see `capture.domain.exported`.

    Raises:
        NotFound: nothing is held of it.
    """
    rows = list(store.rows_of_bench(bench))
    if not rows:
        raise NotFound(f"No events of bench {bench[:80]!r} are held here", field="bench", value=bench[:80])
    seal = store.seal(bench)
    return to_json(export(bench, "", store.keys(bench)[0], rows, seal[2] if seal else None))


def _verify_bench(store: Store, bench: str) -> None:
    keys, _ = store.keys(bench)
    seal = store.seal(bench)
    chain = Chain(bench, keys)
    for row in store.rows_of_bench(bench):
        chain.take(row)
        if seal is not None and seal[:2] == (row.sequence, row.digest):
            statement = seal_statement(bench, row.sequence, row.digest)
            if not any(is_signed(key.public, statement, seal[2]) for key in keys):
                raise ChainError(f"The seal of event {row.sequence} was changed", sequence=row.sequence)
            seal = None
    if seal is not None:
        raise ChainError(
            f"Event {min(seal[0], chain.sequence + 1)} is missing; the bench sealed its log up to event {seal[0]}",
            sequence=min(seal[0], chain.sequence + 1),
            remedy="restore a backup, or let the bench send again",
        )
