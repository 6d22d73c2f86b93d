"""The JSON routes: enrolment, events coming up, records going out."""

from __future__ import annotations

import json
from typing import Any

from fastapi import APIRouter, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import Response

from server import auth, sync
from server.errors import BrokenOff, NotFound, NotJson, TooLarge
from server.settings import Settings, instant_text
from server.shop import Shop, shop_of
from server.views import job_summary, job_view

router = APIRouter(prefix="/api/v1")

_ANY_OBJECT: dict[str, Any] = {
    "requestBody": {"required": True, "content": {"application/json": {"schema": {"type": "object"}}}}
}


def json_response(content: Any, http_code: int = 200) -> Response:
    """Return JSON in plain ASCII, so that no character of a foreign text can stop it from being sent."""
    return Response(json.dumps(content, allow_nan=False), http_code, media_type="application/json")


async def read_body(request: Request, settings: Settings) -> bytes:
    """Read a body of plain JSON up to the size the server takes.

    Raises:
        NotJson, TooLarge, BrokenOff: nothing of it is used.
    """
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != "application/json" or request.headers.get("content-encoding", "identity") != "identity":
        raise NotJson("The body must be sent as application/json, not packed", field="content-type", value=kind[:80])
    body = bytearray()
    while True:
        message = await request.receive()
        if message["type"] != "http.request":
            raise BrokenOff("The request ended before its body did", field="body")
        body += message.get("body", b"")
        if len(body) > settings.largest_body_bytes:
            raise TooLarge(
                f"The body is larger than {settings.largest_body_bytes} bytes; send fewer events at a time",
                field="body",
            )
        if not message.get("more_body", False):
            return bytes(body)


@router.get("/health")
async def health() -> Response:
    """Say that the server is there, and which version of the interface it speaks."""
    return json_response({"server": "benchcall", "api": 1})


@router.post("/enrolments", openapi_extra=_ANY_OBJECT)
async def enrol(request: Request) -> Response:
    """Trade a one-time code for a bench's token: {"code", "bench", "public_key", "signs_after"} -> {"token"}."""
    shop = shop_of(request)
    code, name, key = sync.read_enrolment(await read_body(request, shop.settings))
    token = await run_in_threadpool(auth.enrol, shop.store, code, name, shop.settings.now(), key)
    return json_response({"token": token})


def _check_token(shop: Shop, bench: str, request: Request) -> None:
    auth.check_token(shop.store, bench, request.headers.get("authorization", ""))


@router.get("/benches/{bench}")
def bench(request: Request, bench: str) -> Response:
    """Say how far the server holds a bench's log: {"acknowledged", "hash", "conflicts"}."""
    shop = shop_of(request)
    _check_token(shop, bench, request)
    sequence, digest = shop.store.held(bench)
    conflicts = shop.store.count_conflicts_of(bench)
    return json_response({"acknowledged": sequence, "hash": digest, "conflicts": conflicts})


@router.post("/benches/{bench}/events", openapi_extra=_ANY_OBJECT)
async def receive_events(request: Request, bench: str) -> Response:
    """Take events of a bench: {"events", "signatures", "seal"} -> {"acknowledged", "hash"} of the last event held."""
    shop = shop_of(request)
    await run_in_threadpool(_check_token, shop, bench, request)
    body = await read_body(request, shop.settings)

    def take() -> tuple[int, str]:
        upload = sync.read_upload(body, bench)
        return sync.receive(shop.store, bench, upload, instant_text(shop.settings.now()))

    sequence, digest = await run_in_threadpool(take)
    return json_response({"acknowledged": sequence, "hash": digest})


@router.get("/jobs")
def jobs(request: Request) -> Response:
    """List the jobs: {"jobs": [...]}, the one that last received something first."""
    return json_response({"jobs": [job_summary(job) for job in shop_of(request).records.all()]})


@router.get("/jobs/{job:path}")
def job(request: Request, job: str) -> Response:
    """Give one job's record by position, as the lead's page shows it."""
    found = shop_of(request).records.job(job)
    if found is None:
        raise NotFound(f"Job {job[:80]!r} is not known here", field="job", value=job[:80])
    return json_response(job_view(found))
