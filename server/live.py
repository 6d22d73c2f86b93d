"""Tells open pages that something changed; they then fetch what they show.

One watcher asks the database while anybody listens, so that events taken by another process are told as well.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable

from fastapi import APIRouter, Request
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import Response, StreamingResponse

from server.errors import StoreError, TooMany
from server.shop import shop_of

router = APIRouter(include_in_schema=False)

ASK_EVERY_S = 0.5
ALIVE_EVERY_S = 15.0
MOST_LISTENERS = 200


class Live:
    """The listeners of one server. `should_end` is asked so that open pages do not hold up its end."""

    def __init__(self, version: Callable[[], int]) -> None:
        self._version = version  # only ever grows
        self._changed = asyncio.Condition()
        self._current = 0
        self._watcher: asyncio.Task[None] | None = None
        self.listeners = 0
        self.should_end: Callable[[], bool] = lambda: False

    async def changes(self) -> AsyncIterator[int | None]:
        """Yield the version there is and each later one, and None now and then, until the server ends."""
        self.listeners += 1
        try:
            last, quiet_s = await run_in_threadpool(self._version), 0.0
            yield last
            self._watch()
            while not self.should_end():
                later = await self._later(last)
                quiet_s += ASK_EVERY_S
                if later is not None or quiet_s >= ALIVE_EVERY_S:
                    yield later
                    last, quiet_s = later or last, 0.0
        finally:
            self.listeners -= 1

    async def _later(self, last: int) -> int | None:
        async with self._changed:
            try:
                await asyncio.wait_for(self._changed.wait_for(lambda: self._current > last), ASK_EVERY_S)
            except TimeoutError:
                return None
            return self._current

    def _watch(self) -> None:
        if self._watcher is None or self._watcher.done():
            self._watcher = asyncio.create_task(self._ask())

    async def _ask(self) -> None:
        while self.listeners and not self.should_end():
            try:
                current = await run_in_threadpool(self._version)
            except StoreError:
                current = self._current  # pages say it when they are fetched; the watcher goes on
            async with self._changed:
                if current > self._current:
                    self._current = current
                    self._changed.notify_all()
            await asyncio.sleep(ASK_EVERY_S)


@router.get("/live")
async def live(request: Request) -> Response:
    """Stream an event whenever a bench has sent something (server-sent events)."""
    listening = shop_of(request).live
    if listening.listeners >= MOST_LISTENERS:
        raise TooMany(f"{MOST_LISTENERS} pages are open already; this one shows what it has", field="live")

    async def stream() -> AsyncIterator[str]:
        yield "retry: 2000\n\n"
        async for version in listening.changes():
            yield ": still here\n\n" if version is None else f"event: changed\ndata: {version}\n\n"

    return StreamingResponse(stream(), media_type="text/event-stream")
