"""A record as plain texts and lists: what the pages print and what the API gives, made once for both.

Nothing is computed here that speaks of a measured value: values are the digits as said, verdicts come from the fold.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from capture.domain.both_units import shown_in_both
from capture.domain.events import AS_FOUND, Event, quantity_of
from capture.domain.interval_events import interval_text
from capture.domain.record import DerivedEntry, Entry, FindingEntry, InspectionRecord, IntervalEntry
from capture.domain.verdicts import NONCONFORMING_ABOVE, NONCONFORMING_BELOW, RULE, UNDECIDED, Verdict
from capture.domain.wear_since import WearEntry
from server.records import JobRecord

NONCONFORMING = (NONCONFORMING_BELOW, NONCONFORMING_ABOVE)
_ELSEWHERE = "not in the plan"


def job_summary(job: JobRecord) -> dict[str, Any]:
    """Return one line of the list of jobs."""
    record = job.record
    summary: dict[str, Any] = {"job": job.row.job, "received_at": job.row.received_at, "is_open": record is not None}
    if record is None:
        return {**summary, "machine": "", "title": "", "revision": "", "problem": "", "counts": None}
    return {
        **summary,
        "machine": record.machine,
        "title": record.plan.title,
        "revision": record.revision,
        "problem": record.problem,
        "counts": _counts(record),
    }


def job_view(job: JobRecord) -> dict[str, Any]:
    """Return one job's record by position, for the page and the API alike."""
    record = job.record
    view = {**job_summary(job), "rule": RULE}
    if record is None:
        return view
    positions = _positions(record)
    return {
        **view,
        "plan_id": record.plan.id,
        "opened": _who_and_when(record.opened),
        "people": list(record.people),
        "cautions": _cautions(record),
        "attention": _attention(positions),
        "groups": _groups(record, positions),
        "left": _left(record),
    }


def _counts(record: InspectionRecord) -> dict[str, int]:
    verdicts = [one.verdict.kind for one in record.entries] + [one.verdict.kind for one in record.intervals]
    verdicts += [one.verdict.kind for one in record.derived]
    return {
        "readings": len(record.entries),
        "left": len(record.left),
        "wanted": sum(len(record.plan.characteristics_at(one.id)) for one in record.plan.positions),
        "nonconforming": sum(kind in NONCONFORMING for kind in verdicts),
        "undecided": verdicts.count(UNDECIDED),
        "findings": len(record.findings),
        "to_answer": len([one for one in record.findings if one.answer]),
        "corrections": sum(len(one.history) for one in record.entries)
        + sum(len(one.history) for one in record.findings),
    }


def _who_and_when(event: Event) -> dict[str, Any]:
    return {
        "bench": event.bench,
        "sequence": event.sequence,
        "at": event.at,
        "clock_synchronised": event.clock_synchronised,
        "by": event.body.get("by") or "",
        "hash": event.hash,
    }


def _heard(event: Event) -> dict[str, Any]:
    """Return how a fact came in: words, engine, margin, and how it was confirmed."""
    names = ("confirmed_by", "words", "confirmation_words", "engine", "model", "margin", "clip", "plan_revision")
    return {**_who_and_when(event), **{name: event.body.get(name) or "" for name in names}}


def _verdict(verdict: Verdict) -> dict[str, str]:
    return {
        "kind": verdict.kind,
        "working": verdict.working,
        "limits": verdict.limits_text,
        "source": verdict.source,
        "standing": verdict.standing,
    }


def _reading(event: Event) -> dict[str, Any]:
    quantity = quantity_of(event)
    value = {"text": quantity.text, "unit": quantity.unit}
    return {**_taken(event), "value": value, "shown": str(quantity), "also": shown_in_both(quantity)}


def _taken(event: Event) -> dict[str, Any]:
    """Return what a reading has, be it a value or an interval."""
    body = event.body
    return {
        **_heard(event),
        "position": body["position"],
        "characteristic": body["characteristic"],
        "gauge": body.get("gauge") or "",
        "tag": body.get("tag") or "",
        "bench_verdict": body.get("verdict") or "",
        "bench_working": body.get("working") or "",
    }


def _titled(title: str, stage: str) -> str:
    return title if stage == AS_FOUND else f"{title}, {stage}"


def _entry(entry: Entry, titles: Mapping[str, str]) -> dict[str, Any]:
    reading = _reading(entry.reading)
    verdict = _verdict(entry.verdict)
    return {
        **reading,
        "title": _titled(titles.get(entry.characteristic, entry.characteristic), entry.stage),
        "stage": entry.stage,
        "verdict": verdict,
        "doubt": entry.doubt,
        "differs": "",
        "bench_differs": reading["bench_verdict"] not in ("", verdict["kind"]),
        "corrections": [_reading(one) for one in entry.history],
    }


def _interval(entry: IntervalEntry, titles: Mapping[str, str]) -> dict[str, Any]:
    """Return a reading that is an interval, with the fields of one that is a value."""
    return {
        **_taken(entry.reading),
        "value": {"text": entry.interval.text, "unit": ""},
        "shown": entry.interval.text,
        "also": "",
        "title": _titled(titles.get(entry.characteristic, entry.characteristic), entry.stage),
        "stage": entry.stage,
        "verdict": _verdict(entry.verdict),
        "bench_differs": False,
        "doubt": entry.doubt,
        "differs": entry.differs,
        "corrections": [
            {**_taken(one), "value": {"text": text, "unit": ""}, "shown": text}
            for one in entry.history
            for text in (interval_text(one),)
        ],
    }


def _wear(entry: WearEntry, titles: Mapping[str, str]) -> dict[str, Any]:
    reached = entry.reached
    return {
        "of": entry.of,
        "title": titles.get(entry.of, entry.of),
        "value": {"text": entry.text.partition(" ")[0], "unit": entry.unit},
        "shown": entry.text,
        "since": entry.since.isoformat(),
        "working": entry.working,
        "limit_from": reached.earliest.isoformat() if reached and reached.earliest else "",
        "limit_to": reached.latest.isoformat() if reached and reached.latest else "",
        "inputs": list(entry.inputs),
    }


def _derived(entry: DerivedEntry, titles: Mapping[str, str]) -> dict[str, Any]:
    shown = f"{entry.text} {entry.unit}" if entry.unit != "1" else entry.text
    return {
        "derived": entry.derived,
        "title": _titled(titles.get(entry.derived, entry.derived), entry.stage),
        "stage": entry.stage,
        "value": {"text": entry.text, "unit": entry.unit},
        "shown": shown,
        "verdict": _verdict(entry.verdict),
        "inputs": list(entry.inputs),
    }


def _finding(entry: FindingEntry, spoken: Mapping[str, str]) -> dict[str, Any]:
    return {
        **_heard(entry.event),
        "finding": entry.finding,
        "title": spoken.get(entry.finding, entry.finding),
        "severity": entry.severity or "",
        "answer": entry.answer,
        "corrections": [
            {**_heard(one), **{name: one.body.get(name) or "" for name in ("position", "finding", "severity")}}
            for one in entry.history
        ],
    }


def _positions(record: InspectionRecord) -> dict[str, dict[str, Any]]:
    """Return position id -> everything known of it; first the plan's positions in its order, then any other."""
    plan = record.plan
    characteristics = {one.id: one.title for one in plan.characteristics}
    derived_titles = {one.id: one.title for one in plan.derived}
    findings = {one.id: one.spoken for one in plan.findings}
    known = {one.id: one for one in plan.positions}
    named = [one.position for one in record.entries] + [one.position for one in record.intervals]
    named += [one.position for one in record.findings]
    named += [place for place, _ in record.tags]
    positions: dict[str, dict[str, Any]] = {}
    for name in dict.fromkeys([*known, *named]):
        at = known.get(name)
        positions[name] = {
            "id": name,
            "anchor": f"at-{len(positions) + 1}",
            "spoken": at.spoken if at else name,
            "group": at.group if at else _ELSEWHERE,
            "short": str(at.number) if at and at.number is not None else "",
            "tag": dict(record.tags).get(name, ""),
            "readings": [_entry(one, characteristics) for one in record.entries if one.position == name]
            + [_interval(one, characteristics) for one in record.intervals if one.position == name],
            "derived": [_derived(one, derived_titles) for one in record.derived if one.position == name],
            "wear": [_wear(one, characteristics | derived_titles) for one in record.wear if one.position == name],
            "findings": [_finding(one, findings) for one in record.findings if one.position == name],
            "left": [characteristics.get(what, what) for where, what in record.left if where == name],
        }
    for position in positions.values():
        position["state"] = _state(position)
    return positions


def _state(position: Mapping[str, Any]) -> str:
    """Return the one word a position's mark stands for: what needs looking at first wins."""
    kinds = [one["verdict"]["kind"] for one in (*position["readings"], *position["derived"])]
    for kind in (NONCONFORMING_ABOVE, NONCONFORMING_BELOW, UNDECIDED):
        if kind in kinds:
            return kind
    if any(one["answer"] for one in position["findings"]):
        return "finding"
    if position["left"]:
        return "left" if not kinds else "partly read"
    return "conforming" if "conforming" in kinds else "no limits" if kinds else "nothing asked"


def _groups(record: InspectionRecord, positions: Mapping[str, dict[str, Any]]) -> list[dict[str, Any]]:
    names = [*record.plan.group_spoken, (_ELSEWHERE, "Not in the plan")]
    titles = {one.id: one.title for one in record.plan.derived}
    of_set = [one for one in record.derived if one.position not in positions]  # a spread has its group's name
    groups = [
        {
            "id": name,
            "spoken": spoken,
            "positions": [one for one in positions.values() if one["group"] == name],
            "derived": [_derived(one, titles) for one in of_set if one.position == name],
        }
        for name, spoken in names
    ]
    return [group for group in groups if group["positions"]]


def _attention(positions: Mapping[str, dict[str, Any]]) -> list[dict[str, Any]]:
    """Return what the lead has to look at: outside its limits, undecided, or answered by the plan."""
    found = []
    for place in positions.values():
        for one in (*place["readings"], *place["derived"]):
            if one["verdict"]["kind"] in (*NONCONFORMING, UNDECIDED):
                found.append(
                    {
                        **_where(place),
                        "kind": one["verdict"]["kind"],
                        "what": one["title"],
                        "shown": one["shown"],
                        "why": one["verdict"]["working"],
                    }
                )
        for one in place["findings"]:
            if one["answer"]:
                what = f"{one['severity']} {one['title']}".strip()
                found.append({**_where(place), "kind": "finding", "what": what, "shown": "", "why": one["answer"]})
    return found


def _where(place: Mapping[str, Any]) -> dict[str, str]:
    return {"anchor": place["anchor"], "position": place["spoken"]}


def _cautions(record: InspectionRecord) -> list[dict[str, Any]]:
    """Return the plan's cautions, and any acknowledged that is no longer in it, with who acknowledged each."""
    texts = dict.fromkeys([*record.plan.cautions, *(caution for caution, _ in record.cautions)])
    return [
        {"caution": text, "by": list(dict.fromkeys(who for caution, who in record.cautions if caution == text))}
        for text in texts
    ]


def _left(record: InspectionRecord) -> list[dict[str, Any]]:
    """Return what is not read yet, one line for each characteristic of a group."""
    titles = {one.id: one.title for one in record.plan.characteristics}
    spoken = dict(record.plan.group_spoken)
    places = {one.id: one for one in record.plan.positions}
    lines: dict[tuple[str, str], list[str]] = {}
    for where, what in record.left:
        place = places[where]
        lines.setdefault((place.group, what), []).append("" if place.number is None else str(place.number))
    return [
        {
            "group": spoken.get(group, group),
            "what": titles.get(what, what),
            "numbers": [n for n in numbers if n],
            "count": len(numbers),
        }
        for (group, what), numbers in lines.items()
    ]
