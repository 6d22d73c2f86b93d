"""A record as a page of HTML that stands alone: what was measured, where, against what, by whom.

Made on the bench without a server, from the same fold as the lead's page. Page and report speak of stated
limits only.
"""

from __future__ import annotations

from html import escape

from capture.domain.both_units import resolution_of, shown_in_both
from capture.domain.events import AS_FOUND, Event
from capture.domain.interval_events import interval_text
from capture.domain.record import Entry, InspectionRecord
from capture.domain.verdicts import RULE

_WEAR_HEAD = ("position", "what", "wear", "since", "working")
_MARKS = {"conforming": "●", "nonconforming below": "▼", "nonconforming above": "▲", "undecided": "◆", "no limits": "–"}

_STYLE = """
body{font:15px/1.45 system-ui,sans-serif;max-width:70rem;margin:2rem auto;padding:0 1rem;color:#1b1f23}
h1{font-size:1.5rem}h2{font-size:1.1rem;margin-top:2rem}table{border-collapse:collapse;width:100%}
th,td{text-align:left;vertical-align:top;padding:.35rem .6rem;border-bottom:1px solid #cdd3d9}
td.value{font-variant-numeric:tabular-nums;white-space:nowrap}small{color:#56606a}
@media print{body{margin:0}}
"""


def _row(*cells: str) -> str:
    return "<tr>" + "".join(f"<td>{cell}</td>" for cell in cells) + "</tr>"


def _table(head: tuple[str, ...], rows: list[str]) -> str:
    titles = "".join(f'<th scope="col">{escape(title)}</th>' for title in head)
    return f"<table><thead><tr>{titles}</tr></thead><tbody>{''.join(rows)}</tbody></table>"


def _verdict(kind: str) -> str:
    return f"{_MARKS.get(kind, '?')} {escape(kind)}"


def _history(earlier: tuple[Event, ...]) -> str:
    said = [f"{e.body['quantity']['text']} {e.body['quantity']['unit']} (event {e.sequence})" for e in earlier]
    return f"<br><small>corrected from {escape(', '.join(said))}</small>" if said else ""


def _replaced(earlier: tuple[Event, ...]) -> str:
    said = [f"{interval_text(event)} (event {event.sequence})" for event in earlier]
    return f"<br><small>corrected from {escape('; '.join(said))}</small>" if said else ""


def _heard(event: Event) -> str:
    body = event.body
    who = f"{escape(body['by'])}, {escape(body['confirmed_by'])}, event {event.sequence}"
    return f"“{escape(body['words'])}”<br><small>{who}</small>"


def _also(record: InspectionRecord, entry: Entry) -> str:
    """Return the value in the unit of the other system, as a second text."""
    step = resolution_of(record.plan, entry.reading.body["gauge"], entry.quantity.unit)
    other = shown_in_both(entry.quantity, step)
    return f"<br><small>{escape(other)}</small>" if other else ""


def _stage(stage: str) -> str:
    return "" if stage == AS_FOUND else f"<br><small>{escape(stage)}</small>"


def page(record: InspectionRecord, *, last_hash: str) -> str:
    """Return the report as HTML; `last_hash` is the hash of the log's last event it was made from."""
    readings = [
        _row(
            escape(entry.position),
            escape(entry.characteristic) + _stage(entry.stage),
            escape(str(entry.quantity)) + _also(record, entry) + _history(entry.history),
            _verdict(entry.verdict.kind),
            escape(entry.verdict.working),
            _heard(entry.reading),
        )
        for entry in record.entries
    ]
    readings += [
        _row(
            escape(held.position),
            escape(held.characteristic) + _stage(held.stage),
            escape(held.interval.text) + _replaced(held.history),
            _verdict(held.verdict.kind),
            escape(held.verdict.working) + (f"<br>{escape(held.differs)}" if held.differs else ""),
            _heard(held.reading),
        )
        for held in record.intervals
    ]
    derived = [
        _row(
            escape(d.position),
            escape(d.derived) + _stage(d.stage),
            escape(d.text),
            _verdict(d.verdict.kind),
            escape(d.verdict.working),
            f"<small>from events {', '.join(str(n) for n in d.inputs)}</small>",
        )
        for d in record.derived
    ]
    worn = [
        _row(escape(one.position), escape(one.of), escape(one.text), escape(one.since.isoformat()), escape(one.working))
        for one in record.wear
    ]
    wear_table = f"<h2>Wear since the last overhaul</h2>{_table(_WEAR_HEAD, worn)}" if worn else ""
    findings = [
        _row(escape(f.position), escape(f.finding), escape(f.severity or ""), escape(f.answer)) for f in record.findings
    ]
    tags = [_row(escape(position), escape(tag)) for position, tag in record.tags]
    left = [_row(escape(position), escape(characteristic)) for position, characteristic in record.left]
    plan = record.plan
    cautions = "".join(f"<li>{escape(text)}</li>" for text in plan.cautions)
    head = ("position", "characteristic", "value as said", "verdict", "working", "heard")
    return f"""<!doctype html>
<html lang="en"><head><meta charset="utf-8"><title>Inspection record {escape(record.job)}</title>
<style>{_STYLE}</style></head><body>
<h1>Inspection record {escape(record.job)}</h1>
<p>{escape(plan.machine)} · {escape(plan.title)} · plan revision {escape(plan.revision)}</p>
<p>{escape(RULE)}</p>
<h2>Readings</h2>{_table(head, readings)}
<h2>Derived</h2>{_table(("position", "derived", "value", "verdict", "working", "inputs"), derived)}
{wear_table}
<h2>Findings</h2>{_table(("position", "finding", "severity", "the plan's answer"), findings)}
<h2>Tags</h2>{_table(("position", "tag"), tags)}
<h2>Not measured yet</h2>{_table(("position", "characteristic"), left)}
<h2>Cautions of the plan</h2><ul>{cautions}</ul>
<p><small>Made from the log ending in hash {escape(last_hash)}.</small></p>
</body></html>
"""
