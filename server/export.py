"""A job's record as a table for spreadsheets, values as said, text that no spreadsheet takes for a formula."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator, Mapping
from typing import Any

COLUMNS = (
    "what",
    "counts",
    "position",
    "title",
    "value",
    "unit",
    "verdict",
    "limits",
    "source",
    "standing",
    "working",
    "words heard",
    "confirmed by",
    "by",
    "at",
    "clock set",
    "gauge",
    "tag",
    "engine",
    "margin",
    "plan revision",
    "bench",
    "event",
)
_NUMBER = re.compile(r"-?[0-9]+(\.[0-9]+)?")
# What starts a formula in one spreadsheet or another, also written wide, also behind blanks or control characters.
_FORMULA = re.compile(r"[\s\x00-\x1f\u200b-\u200f\u202a-\u202e\ufeff]*[=+\-@\uff1d\uff0b\uff0d\uff20]|[\t\r]")


def inert(text: str) -> str:
    """Return a cell that stays text: a number as it is, anything that could be a formula behind an apostrophe.

    >>> inert("-0.002"), inert("=1+1"), inert("-2+3"), inert("ok")
    ('-0.002', "'=1+1", "'-2+3", 'ok')
    """
    if _NUMBER.fullmatch(text):
        return text
    return f"'{text}" if _FORMULA.match(text) else text


def record_csv(job: Mapping[str, Any]) -> bytes:
    """Return a job's view as CSV: UTF-8 with its mark, so that spreadsheets read every sign as it is.

    One row for each reading, correction, computed value and finding; `counts` is "yes" or "corrected later".
    """
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(COLUMNS)
    for row in _rows(job):
        writer.writerow([inert(row.get(name, "")) for name in COLUMNS])
    return b"\xef\xbb\xbf" + text.getvalue().encode("utf-8")


def _rows(job: Mapping[str, Any]) -> Iterator[dict[str, str]]:
    for group in job.get("groups", ()):
        for place in group["positions"]:
            for one in place["readings"]:
                for old in one["corrections"]:
                    yield {
                        **_fact("reading", "corrected later", old),
                        "position": old["position"],
                        **_value(old),
                        "title": one["title"],
                    }
                yield {
                    **_fact("reading", "yes", one),
                    "position": place["id"],
                    **_value(one),
                    **_verdict(one),
                    "title": one["title"],
                }
            for one in place["derived"]:
                row = {"what": "computed", "counts": "yes", "position": place["id"], "title": one["title"]}
                yield {**row, **_value(one), **_verdict(one), "event": " and ".join(map(str, one["inputs"]))}
            for one in place["findings"]:
                for old in one["corrections"]:
                    yield {
                        **_fact("finding", "corrected later", old),
                        "position": old["position"],
                        "title": f"{old['severity']} {old['finding']}".strip(),
                    }
                yield {
                    **_fact("finding", "yes", one),
                    "position": place["id"],
                    "working": one["answer"],
                    "title": f"{one['severity']} {one['title']}".strip(),
                }


def _fact(what: str, counts: str, one: Mapping[str, Any]) -> dict[str, str]:
    return {
        "what": what,
        "counts": counts,
        "words heard": one["words"],
        "confirmed by": one["confirmed_by"],
        "by": one["by"],
        "at": one["at"],
        "clock set": "yes" if one["clock_synchronised"] else "no",
        "gauge": one.get("gauge", ""),
        "tag": one.get("tag", ""),
        "engine": one["engine"],
        "margin": one["margin"],
        "plan revision": one["plan_revision"],
        "bench": one["bench"],
        "event": str(one["sequence"]),
    }


def _value(one: Mapping[str, Any]) -> dict[str, str]:
    return {"value": one["value"]["text"], "unit": one["value"]["unit"]}


def _verdict(one: Mapping[str, Any]) -> dict[str, str]:
    verdict = one["verdict"]
    names = ("limits", "source", "standing", "working")
    return {"verdict": verdict["kind"], **{name: verdict[name] for name in names}}
