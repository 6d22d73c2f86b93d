"""What every answer carries and every request must have, whatever route it asks for.

A route is the lead's unless it stands in `OPEN`: a new one is closed by default.
"""

from __future__ import annotations

import re
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any

from server.auth import check_lead
from server.errors import ApiError, NotAllowed
from server.loopback import is_loopback
from server.settings import Settings

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
Asgi = Callable[[Scope, Receive, Send], Awaitable[None]]
Refuse = Callable[[str, ApiError], Asgi]

HEADERS: dict[str, str] = {
    "content-security-policy": (
        "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self'; "
        "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
    "cache-control": "no-store",
}
# Without the lead's password: alive or not, style sheets, enrolment by its own code, a bench's own routes by its token.
OPEN = ("/api/v1/health", "/api/v1/enrolments")
OPEN_UNDER = ("/static/", "/api/v1/benches/")


class Guard:
    """Adds `HEADERS` to every answer; asks for the lead's password where one is set.

    Without a password only requests that name this very machine are answered: a page from elsewhere whose name
    was made to point here does not get to read the records.
    """

    def __init__(self, app: Asgi, settings: Settings, refuse: Refuse) -> None:
        self._app = app
        self._settings = settings
        self._refuse = refuse

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request, or hand it on."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = with_headers(message.get("headers", []))
            await send(message)

        app = self._app
        try:
            self._check(scope)
        except ApiError as error:
            app = self._refuse(scope["path"], error)
        await app(scope, receive, send_with_headers)

    def _check(self, scope: Scope) -> None:
        headers = {name.decode("latin-1").lower(): value.decode("latin-1") for name, value in scope["headers"]}
        if not self._settings.lead_password_sha256:
            host = headers.get("host", "")
            if not is_loopback(re.sub(r":[0-9]+$", "", host)):
                raise NotAllowed(
                    "Without a lead's password this server answers only to 127.0.0.1 and localhost",
                    field="host",
                    value=host[:80],
                )
        path = scope["path"]
        if path not in OPEN and not path.startswith(OPEN_UNDER):
            check_lead(self._settings, headers.get("authorization", ""))


def with_headers(given: list[tuple[bytes, bytes]]) -> list[tuple[bytes, bytes]]:
    """Return the headers with ours added; what the answer set itself stays."""
    names = {name.lower() for name, _ in given}
    ours = [(name.encode(), value.encode()) for name, value in HEADERS.items()]
    return [*given, *((name, value) for name, value in ours if name not in names)]
