"""The real server, made to kill itself with SIGKILL at one exact point of an upload.

    python -m tests.server.dying_server DATA PORT within|before|after

within: when the second event of an upload is put in; before: just before the commit; after: when the events are
committed and the answer is about to go out.
"""

from __future__ import annotations

import os
import signal
import socket
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import uvicorn

from capture.domain.events import Event
from server import api
from server.app import create_app
from server.settings import Settings
from server.store import Store


def die() -> None:
    """End at once, as a power cut would."""
    os.kill(os.getpid(), signal.SIGKILL)


def arm(where: str) -> None:
    """Put the end where it was asked for."""
    if where == "within":
        add = Store.add_event

        def add_or_die(
            self: Store, event: Event, text: str, digest: str, received_at: str, signature: str | None = None
        ) -> None:
            if event.sequence % 2 == 0:
                die()
            add(self, event, text, digest, received_at, signature)

        Store.add_event = add_or_die  # type: ignore[method-assign]
    elif where == "before":
        writing = Store.writing

        @contextmanager
        def writing_or_dying(self: Store) -> Iterator[None]:
            with writing(self):
                yield
                if self.last("bench-1")[0]:
                    die()

        Store.writing = writing_or_dying  # type: ignore[method-assign]
    else:
        respond = api.json_response

        def respond_or_die(content: Any, http_code: int = 200) -> Any:
            if content.get("acknowledged"):
                die()
            return respond(content, http_code)

        api.json_response = respond_or_die


def main() -> None:
    """Serve until the point is reached."""
    data, port, where = sys.argv[1:]
    app = create_app(Settings(Path(data)))
    arm(where)
    listening = socket.create_server(("127.0.0.1", int(port)))
    print("listening", flush=True)
    uvicorn.Server(uvicorn.Config(app, log_level="warning")).run(sockets=[listening])


if __name__ == "__main__":
    main()
