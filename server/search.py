"""Full-text search: which words of an event are found, and how a question becomes a query of SQLite's FTS5."""

from __future__ import annotations

from capture.domain.errors import DomainError
from capture.domain.events import Event
from capture.domain.plan import load

LONGEST_QUESTION = 200
MOST_HITS = 300
_SAID = ("position", "characteristic", "finding", "severity", "tag", "gauge", "words", "by", "person", "caution")


def indexed(event: Event) -> str:
    """Return the text an event is found by; "" for one that belongs to no job.

    A job is found by its name, its machine, and its plan's title; a fact by place, value, words, tag, gauge, person.
    """
    body = event.body
    job = body.get("job")
    if not isinstance(job, str):
        return ""
    said = [job, *(body[name] for name in _SAID if isinstance(body.get(name), str))]
    quantity = body.get("quantity")
    if quantity:
        said.append(f"{quantity['text']} {quantity['unit']}")
    if event.kind == "job-opened":
        said += [body["plan_id"], body["plan_revision"], *_plan_names(body["plan_text"])]
    return "\n".join(said).replace("\0", " ")


def _plan_names(text: str) -> list[str]:
    try:
        plan = load(text)
    except DomainError:
        return []
    return [plan.machine, plan.title]


def query(question: str) -> str:
    """Return the FTS5 query of what was typed: every word must be there, the end of a word may be left out.

    Whatever is typed is taken as words, never as operators. "" when there is nothing to look for.

    >>> query('J-2031 wip'), query('"OR NEAR('), query("  ")
    ('"J-2031"* "wip"*', '"OR"* "NEAR"*', '')
    """
    words = "".join(sign if sign.isprintable() else " " for sign in question[:LONGEST_QUESTION]).split()
    # FTS5 takes a word without a letter or digit for nothing at all, and then nothing is found
    words = [word.replace('"', " ").strip("()*^:,.;+-' ") for word in words]
    return " ".join(f'"{word}"*' for word in words if any(sign.isalnum() for sign in word))
