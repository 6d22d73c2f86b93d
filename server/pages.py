"""The lead's pages. All text is escaped; nothing is fetched from elsewhere."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any
from urllib.parse import quote

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, Response
from jinja2 import Environment, FileSystemLoader, StrictUndefined

from capture.domain.events import Event, canonical
from capture.domain.verdicts import RULE
from server.errors import NotFound
from server.export import record_csv
from server.records import JobRecord
from server.search import LONGEST_QUESTION, MOST_HITS, query
from server.shop import shop_of
from server.store import ConflictRow
from server.views import job_summary, job_view

router = APIRouter(include_in_schema=False)

_PLAIN_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*")
_INSTANT = re.compile(r"(\d{4}-\d{2}-\d{2})T(\d{2}:\d{2}:\d{2})(\.\d+)?Z")


def job_link(job: str) -> str:
    """Return the address of a job's page. A name that no path can carry goes behind a question mark.

    >>> job_link("J-2031"), job_link("../x")
    ('/jobs/J-2031', '/jobs?name=..%2Fx')
    """
    return f"/jobs/{job}" if _PLAIN_NAME.fullmatch(job) else f"/jobs?name={quote(job, safe='')}"


def csv_link(job: str) -> str:
    """Return the address of a job's readings as CSV.

    >>> csv_link("J-2031"), csv_link("a/b")
    ('/jobs/J-2031/readings.csv', '/readings.csv?name=a%2Fb')
    """
    return f"/jobs/{job}/readings.csv" if _PLAIN_NAME.fullmatch(job) else f"/readings.csv?name={quote(job, safe='')}"


def instant(text: str) -> str:
    """Return an instant as people read it; anything else stays as it is.

    >>> instant("2026-03-02T07:14:05.120Z"), instant("noon")
    ('2026-03-02 07:14:05 UTC', 'noon')
    """
    found = _INSTANT.fullmatch(text)
    return f"{found[1]} {found[2]} UTC" if found else text


def _environment() -> Environment:
    loader = FileSystemLoader(Path(__file__).parent / "templates")
    made = Environment(loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    made.filters["job_link"] = job_link
    made.filters["csv_link"] = csv_link
    made.filters["instant"] = instant
    return made


_PAGES = _environment()


def render(name: str, http_code: int = 200, **values: Any) -> HTMLResponse:
    """Return a page; every value is escaped by the environment."""
    return HTMLResponse(_PAGES.get_template(name).render(rule=RULE, **values), http_code)


def error_page(http_code: int, message: str, *, headers: dict[str, str] | None = None) -> HTMLResponse:
    """Return an error as a page."""
    page = render("error.html", http_code, message=message, conflicts=0, here="")
    page.headers.update(headers or {})
    return page


@router.get("/")
def jobs(request: Request) -> Response:
    """Show the list of jobs."""
    shop = shop_of(request)
    version = shop.store.version()  # asked first: a page may be newer than it says, never older
    listed = [job_summary(job) for job in shop.records.all()]
    conflicts = shop.store.count_conflicts()
    return render("jobs.html", jobs=listed, version=version, conflicts=conflicts, here="jobs")


@router.get("/jobs")
def job_by_name(request: Request, name: str) -> Response:
    """Show a job whose name no path can carry."""
    return _job(request, name)


@router.get("/jobs/{job}")
def job(request: Request, job: str) -> Response:
    """Show one job's record by position."""
    return _job(request, job)


@router.get("/jobs/{job}/readings.csv")
def readings_csv(request: Request, job: str) -> Response:
    """Give one job's record as CSV."""
    return _csv(request, job)


@router.get("/readings.csv")
def readings_csv_by_name(request: Request, name: str) -> Response:
    """Give the record of a job whose name no path can carry."""
    return _csv(request, name)


def _csv(request: Request, name: str) -> Response:
    file = re.sub(r"[^A-Za-z0-9._-]+", "-", name)[:60] or "job"
    headers = {"content-disposition": f'attachment; filename="{file}.csv"'}
    return Response(record_csv(job_view(_known(request, name))), media_type="text/csv; charset=utf-8", headers=headers)


def _known(request: Request, name: str) -> JobRecord:
    found = shop_of(request).records.job(name)
    if found is None:
        raise NotFound(f"Job {name[:80]!r} is not known here", field="job", value=name[:80])
    return found


def _job(request: Request, name: str) -> Response:
    version = shop_of(request).store.version()
    found = _known(request, name)
    conflicts = shop_of(request).store.conflicts()
    its_own = sum(name in (row.came.body.get("job"), row.held and row.held.body.get("job")) for row in conflicts)
    return render(
        "job.html",
        job=job_view(found),
        version=version,
        cursor=found.row.cursor,
        its_conflicts=its_own,
        conflicts=len(conflicts),
        here="job",
    )


@router.get("/search")
def search(request: Request, q: str = "") -> Response:
    """Show the jobs and facts that hold all words asked for."""
    shop = shop_of(request)
    asked = query(q)
    hits = shop.store.found(asked, MOST_HITS) if asked else []
    by_job: dict[str, list[Event]] = {}
    for event in hits:
        by_job.setdefault(event.body["job"], []).append(event)
    found = [_found(shop.records.job(job), its) for job, its in by_job.items()]
    return render(
        "search.html",
        question=q[:LONGEST_QUESTION],
        found=found,
        is_cut=len(hits) == MOST_HITS,
        conflicts=shop.store.count_conflicts(),
        here="search",
    )


def _corrections(place: dict[str, Any]) -> list[dict[str, Any]]:
    return [old for one in (*place["readings"], *place["findings"]) for old in one["corrections"]]


def _found(job: JobRecord | None, events: list[Event]) -> dict[str, Any]:
    assert job is not None  # its events were just found
    view = job_view(job)
    anchors = {place["id"]: place for group in view.get("groups", ()) for place in group["positions"]}
    replaced = {(old["bench"], old["sequence"]) for place in anchors.values() for old in _corrections(place)}
    facts = []
    for event in events:
        place = anchors.get(event.body.get("position", ""))
        where = place["spoken"] if place else event.body.get("position") or ""
        counts = (event.bench, event.sequence) not in replaced
        anchor = place["anchor"] if place else ""
        facts.append({**_facts(event), "anchor": anchor, "where": where, "counts": counts})
    return {"summary": job_summary(job), "facts": [one for one in facts if one["kind"] != "job-opened"]}


@router.get("/benches")
def benches(request: Request) -> Response:
    """Show the benches that enrolled, and when each last sent something."""
    shop = shop_of(request)
    return render("benches.html", benches=shop.store.benches(), conflicts=shop.store.count_conflicts(), here="benches")


@router.get("/conflicts")
def conflicts(request: Request) -> Response:
    """Show what benches sent that differs from what is held, both sides in full."""
    rows = shop_of(request).store.conflicts()
    return render("conflicts.html", rows=[_conflict(row) for row in rows], conflicts=len(rows), here="conflicts")


def _conflict(row: ConflictRow) -> dict[str, Any]:
    sides = [("held", row.held), ("came later, not taken", row.came)]
    return {
        "bench": row.bench,
        "sequence": row.sequence,
        "received_at": row.received_at,
        "sides": [{"side": side, **_facts(event)} for side, event in sides if event is not None],
    }


def _facts(event: Event) -> dict[str, Any]:
    body = event.body
    quantity = body.get("quantity") or {}
    what = [body.get("position"), body.get("characteristic") or body.get("finding")]
    what += [body.get("severity"), body.get("tag"), body.get("caution")]
    return {
        "kind": event.kind,
        "job": body.get("job") or "",
        "what": ", ".join(text for text in what if text),
        "value": f"{quantity['text']} {quantity['unit']}" if quantity else "",
        "words": body.get("words") or "",
        "by": body.get("by") or body.get("person") or "",
        "at": event.at,
        "text": canonical(event),
    }
