"""An open page is told of what arrives, at once and also when another process takes it."""

from __future__ import annotations

from collections.abc import Iterator

import httpx
import pytest

from server.store import Store
from tests.server.shop import AT, PATIENCE_S, Server, chain, job_opened, reading, send


def stream(server: Server) -> Iterator[str]:
    """The lines of the stream, as they come."""
    timeout = httpx.Timeout(PATIENCE_S)
    with httpx.stream("GET", f"{server.url}/live", timeout=timeout, trust_env=False, verify=False) as answer:
        assert answer.headers["content-type"].startswith("text/event-stream")
        assert "default-src 'none'" in answer.headers["content-security-policy"]
        yield from answer.iter_lines()


def next_version(lines: Iterator[str]) -> int:
    return int(next(line.removeprefix("data: ") for line in lines if line.startswith("data: ")))


def test_what_arrives_is_told_to_an_open_page(server: Server) -> None:
    lines = stream(server)
    first = next_version(lines)
    events = chain("live", job_opened("J-LIVE"), reading("J-LIVE", "outboard-shoe-1", "shoe-thickness", "1.250"))
    with server.client("live") as client:
        send(client, "live", events)
        second = next_version(lines)
        send(client, "live", events)  # nothing new: nothing is told
        send(client, "live", chain("live", job_opened("J-LIVELY")))  # a conflict is told
        third = next_version(lines)
    assert (second, third) == (first + 2, first + 3)
    lines.close()  # type: ignore[attr-defined]


def test_what_another_process_takes_is_told_too(server: Server) -> None:
    lines = stream(server)
    first = next_version(lines)
    store = Store.open(server.data / "server.db")
    (event,) = chain("beside", ("badge-read", {"person": "RK", "raw": ""}))
    with store.writing():
        from capture.domain.events import canonical

        store.add_event(event, canonical(event), event.hash, AT)
    store.close()
    assert next_version(lines) == first + 1
    lines.close()  # type: ignore[attr-defined]


def test_an_open_page_does_not_hold_up_the_server_s_end(own_server: Server) -> None:
    lines = stream(own_server)
    next_version(lines)
    own_server.stop()  # raises when the process has not ended in time
    with pytest.raises((StopIteration, httpx.HTTPError)):
        next_version(lines)
    assert own_server.log.read_text() == ""
    own_server.start()
