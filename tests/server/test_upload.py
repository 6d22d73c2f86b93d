"""The upload loses nothing, doubles nothing and says in one line what is in its way, whatever the network does."""

from __future__ import annotations

import shutil
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest

from capture.domain.events import canonical
from capture.errors import UploadError
from capture.store.eventlog import EventLog
from capture.upload import UploadReport, enrol, open_client, upload_pending
from tests.server.proxy import Mischief, Proxy, answer
from tests.server.shop import ROOT, Server, chain, job_opened, put, reading, send

BADGE: tuple[str, dict[str, Any]] = ("badge-read", {"person": "RK", "raw": "BC1:B:RK:7"})


def fill(log: EventLog, count: int) -> None:
    put(log, *[("badge-read", {"person": f"P{number}", "raw": ""}) for number in range(count)])


def held_by(server: Server, log: EventLog, client: httpx.Client) -> list[str]:
    """Return the canonical texts the server holds of this bench, read from its database."""
    from server.store import Store

    store = Store.open(server.data / "server.db")
    try:
        return [text for text, _ in store.events_of_bench(log.bench)]
    finally:
        store.close()


def texts(log: EventLog) -> list[str]:
    return [canonical(event) for event in log.events()]


def refused(log: EventLog, client: httpx.Client, batch: int = 200) -> str:
    """Upload, and return the one line it was refused with; nothing may be lost or acknowledged by it."""
    before = (list(log.events()), log.acknowledged)
    with pytest.raises(UploadError) as caught:
        upload_pending(log, client, batch)
    assert (list(log.events()), log.acknowledged) == before
    line = str(caught.value)
    assert "\n" not in line and line.isprintable()
    return line


@contextmanager
def between(server: Server, client: httpx.Client, mischief: Mischief) -> Iterator[tuple[Proxy, httpx.Client]]:
    """Put a proxy between a bench and the server."""
    token = client.headers["authorization"].split()[1]
    with Proxy(server.port, mischief) as proxy, open_client(proxy.url, token) as through:
        yield proxy, through


@pytest.fixture
def client(server: Server, log: EventLog) -> Iterator[httpx.Client]:
    with server.client(log.bench) as one:
        yield one


# ---- as it should be


def test_a_log_goes_up_in_batches_and_only_what_is_new_later(
    server: Server, log: EventLog, client: httpx.Client
) -> None:
    fill(log, 7)
    assert upload_pending(log, client, batch=3) == UploadReport(sent=7, acknowledged=7, requests=4)
    assert upload_pending(log, client, batch=3) == UploadReport(sent=0, acknowledged=7, requests=1)
    fill(log, 1)
    assert upload_pending(log, client, batch=3) == UploadReport(sent=1, acknowledged=8, requests=2)
    assert held_by(server, log, client) == texts(log) and log.acknowledged == 8


def test_large_events_go_in_smaller_requests(
    server: Server, log: EventLog, client: httpx.Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("capture.upload.LARGEST_REQUEST_BYTES", 3000)
    put(log, *[("badge-read", {"person": f"P{n}", "raw": "é" * 1000}) for n in range(3)], BADGE)
    assert upload_pending(log, client) == UploadReport(sent=4, acknowledged=4, requests=4)
    assert held_by(server, log, client) == texts(log)


def test_an_event_too_large_for_the_server_is_named_and_stays(
    server: Server, log: EventLog, client: httpx.Client
) -> None:
    put(log, BADGE, ("badge-read", {"person": "RK", "raw": "x" * 4_000_000}))
    with pytest.raises(UploadError, match="refused events 2 to 2 with 413"):
        upload_pending(log, client)
    assert log.acknowledged == 1 and log.last[0] == 2


def test_text_of_any_plane_goes_up_unchanged(server: Server, log: EventLog, client: httpx.Client) -> None:
    put(
        log,
        *[("badge-read", {"person": text, "raw": ""}) for text in ("é", "\u202eRK", "𝟙\u0000\n", "\ufffe", "'\"\\")],
    )
    upload_pending(log, client)
    assert held_by(server, log, client) == texts(log)


# ---- lost answers


def test_a_lost_answer_is_asked_for_again_and_counts_once(server: Server, log: EventLog, client: httpx.Client) -> None:
    # ../shared/cases C21: the server commits, the connection is dropped before the answer, the same bytes come again
    put(log, job_opened("J-LOST"), reading("J-LOST", "outboard-shoe-3", "shoe-thickness", "1.248"))
    lost: list[bytes] = []

    def lose_the_first(request: bytes, ask: Callable[[bytes], bytes]) -> bytes:
        whole = ask(request)
        if request.startswith(b"POST") and not lost:
            lost.append(whole)
            return b""
        return whole

    with between(server, client, lose_the_first) as (proxy, through):
        assert upload_pending(log, through) == UploadReport(sent=2, acknowledged=2, requests=2)
    posts = [request.partition(b"\r\n\r\n")[2] for request in proxy.requests if request.startswith(b"POST")]
    assert len(posts) == 2 and posts[0] == posts[1] and b'"acknowledged": 2' in lost[0]
    assert held_by(server, log, client) == texts(log) and log.acknowledged == 2
    assert server.get("/api/v1/jobs/J-LOST").json()["counts"]["readings"] == 1


def test_answers_lost_every_time_are_given_up_and_made_good_later(
    server: Server, log: EventLog, client: httpx.Client
) -> None:
    fill(log, 2)

    def lose_all(request: bytes, ask: Callable[[bytes], bytes]) -> bytes:
        whole = ask(request)
        return b"" if request.startswith(b"POST") else whole

    with between(server, client, lose_all) as (proxy, through):
        assert "broke off its answer 3 times" in refused(log, through)
    assert sum(request.startswith(b"POST") for request in proxy.requests) == 3
    assert log.acknowledged == 0  # the bench does not know yet, the server does
    assert upload_pending(log, client) == UploadReport(sent=0, acknowledged=2, requests=1)
    assert held_by(server, log, client) == texts(log)


@pytest.mark.parametrize("where, held", [("within", 0), ("before", 0), ("after", 4)])
def test_a_server_killed_in_an_upload_keeps_all_or_nothing_of_it(tmp_path: Path, where: str, held: int) -> None:
    own_server = Server(tmp_path / "data")
    with EventLog.open(tmp_path / "events.db", "bench-1") as log:
        fill(log, 4)
        token = own_server.enrolled("bench-1")
        with socket.create_server(("127.0.0.1", 0)) as free:
            own_server.port = free.getsockname()[1]
        dying = subprocess.Popen(
            [sys.executable, "-m", "tests.server.dying_server", str(own_server.data), str(own_server.port), where],
            cwd=ROOT,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert dying.stdout is not None and dying.stdout.readline() == "listening\n"
        with open_client(own_server.url, token) as client:
            refused(log, client)
            assert dying.wait(timeout=20) == -9
            dying.stdout.close()
            own_server.start()
            assert len(held_by(own_server, log, client)) == held
            assert upload_pending(log, client).acknowledged == 4
            assert held_by(own_server, log, client) == texts(log)
        assert (log.acknowledged, log.verify()[0]) == (4, 4)
    own_server.stop()


# ---- not the server at all


@pytest.mark.parametrize(
    "reply, expect",
    [
        (answer("200 OK", b"<html>Welcome to the guest network</html>"), "answered 200 and no JSON"),
        (answer("502 Bad Gateway", b"<html>502</html>"), "answered 502 and no JSON"),
        (answer("302 Found", b""), "answered 302 and no JSON"),
        (answer("200 OK", b"[1]", "application/json"), "no JSON"),
        (answer("200 OK", b'{"acknowledged": true, "hash": "x"}', "application/json"), "without a count and a hash"),
        (answer("200 OK", b'{"acknowledged": 2}', "application/json"), "without a count and a hash"),
        (answer("200 OK", b'{"acknowledged": -1, "hash": ""}', "application/json"), "without a count and a hash"),
        (answer("200 OK", b"x" * 200_000), "200 and a long page"),
        (answer("200 OK", b"{" * 50_000, "application/json"), "no JSON"),
        (b"HTTP/1.1 200 OK\r\nContent-Length: 100\r\n\r\n{", "broke off its answer 3 times"),
        (b"SSH-2.0-x\r\n\r\n", "broke off its answer 3 times"),
        (answer("503 Unavailable", b'{"message": "\\u001b[2J\\u202eno\\nroom"}', "application/json"), "?[2J?no room"),
    ],
)
def test_an_answer_no_benchcall_server_gives_is_named(
    server: Server, log: EventLog, client: httpx.Client, reply: bytes, expect: str
) -> None:
    fill(log, 2)
    with between(server, client, lambda request, ask: reply) as (_, through):
        line = refused(log, through)
    assert expect in line and line.count(";") >= 1


@pytest.mark.parametrize(
    "body", [b'{"acknowledged": 2, "hash": "%s"}' % (b"0" * 64), b'{"acknowledged": 999, "hash": "x"}', b'{"x": 1}']
)
def test_an_acknowledgement_without_the_event_s_own_hash_does_not_count(
    server: Server, log: EventLog, client: httpx.Client, body: bytes
) -> None:
    fill(log, 2)

    def lie(request: bytes, ask: Callable[[bytes], bytes]) -> bytes:
        return answer("200 OK", body, "application/json") if request.startswith(b"POST") else ask(request)

    with between(server, client, lie) as (_, through):
        refused(log, through)
    assert held_by(server, log, client) == []


def test_a_server_that_is_away_is_named_with_its_address(log: EventLog) -> None:
    fill(log, 1)
    with open_client("http://127.0.0.1:9", "t" * 43) as client:
        line = refused(log, client)
    assert line.startswith("Server http://127.0.0.1:9 is away") and "stay here" in line


def test_a_server_that_never_answers_is_given_up(log: EventLog) -> None:
    fill(log, 1)
    with socket.create_server(("127.0.0.1", 0)) as silent:
        port = silent.getsockname()[1]
        with open_client(f"http://127.0.0.1:{port}", "t" * 43, timeout_s=0.2) as client:
            assert "did not answer in time" in refused(log, client)


@pytest.mark.parametrize(
    "url", ["", "shop-server", "ftp://shop", "http://", "http://a b", "http://shop/path", "http://u:p@shop"]
)
def test_an_address_that_cannot_be_one_is_named(url: str) -> None:
    with pytest.raises(UploadError, match="Server address .* cannot be used"):
        open_client(url, "token")


# ---- tokens and codes


def test_a_wrong_token_is_said_and_not_shown(server: Server, log: EventLog) -> None:
    fill(log, 1)
    with open_client(server.url, "A" * 43) as client:
        line = refused(log, client)
    assert "refused this bench's token; enrol this bench again" in line and "AAAA" not in line


def test_a_damaged_token_is_said_before_anything_is_sent() -> None:
    with pytest.raises(UploadError, match="token of this bench is damaged") as caught:
        open_client("http://127.0.0.1:9", "ab\ncd")
    assert "ab" not in str(caught.value).replace("damaged", "")


def test_a_wrong_code_is_said_and_not_shown(server: Server) -> None:
    with pytest.raises(UploadError, match="refused the code for bench 'bench-7'") as caught:
        enrol(server.url, "ABCD-EFGH", "bench-7")
    assert "ABCD" not in str(caught.value)


# ---- logs and servers that do not fit together


def test_a_server_restored_from_an_older_backup_gets_the_rest_again(own_server: Server, tmp_path: Path) -> None:
    with EventLog.open(tmp_path / "events.db", "bench-1") as log, own_server.client("bench-1") as client:
        fill(log, 2)
        upload_pending(log, client)
        own_server.stop()
        shutil.copytree(own_server.data, tmp_path / "backup")
        own_server.start()
        fill(log, 3)
        assert upload_pending(log, client).acknowledged == 5
        own_server.kill()
        shutil.rmtree(own_server.data)
        shutil.copytree(tmp_path / "backup", own_server.data)
        own_server.start()
        assert upload_pending(log, client) == UploadReport(sent=3, acknowledged=5, requests=2)
        assert held_by(own_server, log, client) == texts(log)


def test_two_benches_of_one_name_are_both_told_and_nothing_is_merged(
    server: Server, log: EventLog, client: httpx.Client, tmp_path: Path
) -> None:
    fill(log, 3)
    shutil.copy(log.path, tmp_path / "copy.db")
    shutil.copy(f"{log.path}-wal", tmp_path / "copy.db-wal")
    with EventLog.open(tmp_path / "copy.db", log.bench) as copy:
        put(log, ("badge-read", {"person": "HERE", "raw": ""}))
        put(copy, ("badge-read", {"person": "THERE", "raw": ""}), ("badge-read", {"person": "THERE", "raw": ""}))
        upload_pending(log, client)
        line = refused(copy, client)
    assert "keeps what it has: Event 4" in line
    assert held_by(server, log, client) == texts(log)
    page = server.get("/conflicts").text
    assert "THERE" in page and "HERE" in page


def test_a_log_that_lost_its_end_is_told_what_the_server_holds(
    server: Server, log: EventLog, client: httpx.Client, tmp_path: Path
) -> None:
    events = chain(log.bench, *[("badge-read", {"person": f"P{n}", "raw": ""}) for n in range(5)])
    send(client, log.bench, events)
    put(log, ("badge-read", {"person": "P0", "raw": ""}), ("badge-read", {"person": "P1", "raw": ""}))
    assert "holds 5 events" in refused(log, client)
    assert len(held_by(server, log, client)) == 5
