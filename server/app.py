"""The server as one ASGI application: routes, errors in one shape, guard around all of it."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from fastapi import FastAPI, Request
from fastapi.exceptions import HTTPException, RequestValidationError
from fastapi.responses import Response
from fastapi.staticfiles import StaticFiles

from server import api, live, pages
from server.errors import ApiError, CannotStore, Malformed, NoToken, NotTheLead, StoreError
from server.records import Records
from server.security import HEADERS, Asgi, Guard
from server.settings import Settings
from server.shop import Shop
from server.store import Store

_ASK: dict[type[ApiError], str] = {NoToken: "Bearer", NotTheLead: 'Basic realm="Benchcall", charset="UTF-8"'}
_CODES = {404: ("not-found", "There is nothing here"), 405: ("method", "This cannot be done here")}


def create_app(settings: Settings) -> FastAPI:
    """Return the application over the database in `settings.data`, which is opened now.

    Raises:
        StoreError: the database cannot be used.
    """
    store = Store.open(settings.database)

    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        yield
        store.close()

    app = FastAPI(
        title="Benchcall server",
        version="1",
        lifespan=lifespan,
        docs_url=None,  # the ready-made pages fetch their scripts from elsewhere
        redoc_url=None,
        openapi_url="/api/v1/openapi.json",
    )
    app.state.shop = Shop(settings, store, Records(store), live.Live(store.version))
    app.include_router(api.router)
    app.include_router(pages.router)
    app.include_router(live.router)
    app.mount("/static", StaticFiles(directory=Path(__file__).parent / "static"))
    app.add_middleware(Guard, settings=settings, refuse=refusal)
    _handle_errors(app)
    return app


def refusal(path: str, error: ApiError) -> Asgi:
    """Return the answer to a refused request, as JSON for programs and as a page for people."""
    headers = {"www-authenticate": _ASK[type(error)]} if type(error) in _ASK else {}
    if path.startswith("/api/"):
        answer = api.json_response(error.as_json(), error.http_code)
        answer.headers.update(headers)
        return answer
    return pages.error_page(error.http_code, str(error), headers=headers)


def _handle_errors(app: FastAPI) -> None:
    async def on_api_error(request: Request, error: Exception) -> Response:
        assert isinstance(error, ApiError)
        return _answer(request, error)

    async def on_store_error(request: Request, error: Exception) -> Response:
        return _answer(request, CannotStore(f"{error}; nothing was stored"))

    async def on_wrong_query(request: Request, error: Exception) -> Response:
        return _answer(request, Malformed("The address lacks a part or has a wrong one", field="query"))

    async def on_http_error(request: Request, error: Exception) -> Response:
        http_code = getattr(error, "status_code", 500)
        code, message = _CODES.get(http_code, ("refused", "The request was refused"))
        shown = ApiError(f"{message}; check the address", field="path", value=request.url.path[:80])
        shown.http_code, shown.code = http_code, code
        answer = _answer(request, shown)
        answer.headers.update(getattr(error, "headers", None) or {})
        return answer

    async def on_fault(request: Request, error: Exception) -> Response:
        shown = ApiError("The server made a mistake; it is in the server's log")
        shown.http_code, shown.code = 500, "fault"
        answer = _answer(request, shown)
        answer.headers.update(HEADERS)  # this one is sent from outside the guard
        return answer

    app.add_exception_handler(ApiError, on_api_error)
    app.add_exception_handler(StoreError, on_store_error)
    app.add_exception_handler(RequestValidationError, on_wrong_query)
    for http_code in _CODES:
        app.add_exception_handler(http_code, on_http_error)
    app.add_exception_handler(HTTPException, on_http_error)
    app.add_exception_handler(Exception, on_fault)


def _answer(request: Request, error: ApiError) -> Response:
    answer = refusal(request.url.path, error)
    assert isinstance(answer, Response)
    return answer
