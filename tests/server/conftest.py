"""One server for all tests that do not end theirs; each test uses benches and jobs of its own names."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from capture.store.eventlog import EventLog
from tests.server.shop import Server


@pytest.fixture(scope="session")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    one = Server(tmp_path_factory.mktemp("server") / "data").start()
    yield one
    one.stop()


@pytest.fixture
def own_server(tmp_path: Path) -> Iterator[Server]:
    """A server of this test alone, to be killed and started again."""
    one = Server(tmp_path / "data").start()
    yield one
    one.stop()


@pytest.fixture
def log(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[EventLog]:
    """A bench's log; the bench is named after the test."""
    bench = "".join(sign if sign.isalnum() else "-" for sign in request.node.name)[-40:]
    with EventLog.open(tmp_path / "events.db", bench) as one:
        yield one
