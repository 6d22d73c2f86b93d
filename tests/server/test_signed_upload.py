"""The server takes from a bench only what that bench's key signed, and names what it refuses."""

from __future__ import annotations

import sqlite3
from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx
import pytest

from capture.domain.evidence import Key, Row
from capture.domain.signature import Signer
from capture.errors import UploadError
from capture.store.eventlog import EventLog
from capture.upload import body_of, enrol, open_client, upload_pending
from tests.server.shop import Server, put, run

KEY, OTHER = Signer(bytes(range(32))), Signer(bytes(range(1, 33)))
JSON = {"Content-Type": "application/json"}


def badges(*people: str) -> list[tuple[str, dict[str, Any]]]:
    return [("badge-read", {"person": person, "raw": ""}) for person in people]


def signed_log(path: Path, bench: str, *people: str, key: Signer = KEY) -> EventLog:
    log = EventLog.open(path, bench, signer=key)
    put(log, *badges(*people))
    return log


def enrolled(server: Server, log: EventLog) -> httpx.Client:
    """Enrol as the bench does, over the network, with its public key."""
    return open_client(server.url, enrol(server.url, server.code(log.bench), log.bench, log.keys[-1]))


def post(client: httpx.Client, bench: str, rows: list[Row], seal: str | None) -> httpx.Response:
    return client.post(f"/api/v1/benches/{bench}/events", content=body_of(rows, seal), headers=JSON)


def test_a_signed_log_goes_up_and_the_server_s_copy_verifies_by_key(own_server: Server, tmp_path: Path) -> None:
    with signed_log(tmp_path / "a.db", "signed", "RK", "TM", "JD") as log, enrolled(own_server, log) as client:
        assert upload_pending(log, client, batch=2).acknowledged == 3
    own_server.stop()
    done = run("verify", own_server.data)
    assert (done.returncode, done.stdout) == (0, "3 events of 1 benches, chains whole\n")
    raw = sqlite3.connect(own_server.data / "server.db", isolation_level=None)
    raw.execute("DROP TRIGGER events_never_delete")
    raw.execute("DELETE FROM events WHERE sequence = 3")
    raw.close()
    cut = run("verify", own_server.data)
    assert cut.returncode == 1
    assert "Bench signed: Event 3 is missing; the bench sealed its log up to event 3" in cut.stdout
    own_server.start()


@pytest.mark.parametrize(
    "name, change, expect",
    [
        ("wrong", lambda row: replace(row, signature="0" * 128), "Event 2 of bench 'wrong' has a wrong signature"),
        ("missing", lambda row: replace(row, signature=None), "Event 2 of bench 'missing' is not signed"),
    ],
)
def test_a_wrong_signature_is_refused_by_name_and_what_came_before_stays(
    server: Server, tmp_path: Path, name: str, change: Any, expect: str
) -> None:
    with signed_log(tmp_path / "a.db", name, "RK", "TM") as log, enrolled(server, log) as client:
        first, second = log.rows()
        answer = post(client, name, [first, change(second)], log.seal(second.sequence, second.digest))
        assert answer.status_code == 422 and answer.json()["code"] == "signature"
        assert expect in answer.json()["message"] and answer.json()["value"] == "2"
        assert client.get(f"/api/v1/benches/{name}").json()["acknowledged"] == 1
        assert upload_pending(log, client).acknowledged == 2


def test_a_log_of_another_key_is_refused_until_the_bench_enrols_again(server: Server, tmp_path: Path) -> None:
    with signed_log(tmp_path / "a.db", "rekeyed", "RK") as log, enrolled(server, log) as client:
        upload_pending(log, client)
    with signed_log(tmp_path / "a.db", "rekeyed", "TM", key=OTHER) as log:
        with open_client(server.url, client.headers["authorization"].split()[1]) as old:
            with pytest.raises(UploadError, match="Event 2 of bench 'rekeyed' has a wrong signature.*enrol this bench"):
                upload_pending(log, old)
        with enrolled(server, log) as new:
            assert upload_pending(log, new).acknowledged == 2


def test_pending_events_of_the_old_key_still_go_up_after_enrolling_with_a_new_one(
    server: Server, tmp_path: Path
) -> None:
    with signed_log(tmp_path / "a.db", "pending", "RK") as log, enrolled(server, log) as client:
        upload_pending(log, client)
        put(log, *badges("TM"))
    with signed_log(tmp_path / "a.db", "pending", "JD", key=OTHER) as log, enrolled(server, log) as client:
        assert upload_pending(log, client).acknowledged == 3


def test_a_revoked_bench_sends_nothing_more_and_what_it_sent_stays(own_server: Server, tmp_path: Path) -> None:
    with signed_log(tmp_path / "a.db", "gone", "RK", "TM") as log, enrolled(own_server, log) as client:
        upload_pending(log, client)
        done = run("revoke", own_server.data, "--bench", "gone")
        assert done.stdout == "Bench gone is revoked; its events 1 to 2 stay, nothing more is taken from it\n"
        put(log, *badges("JD"))
        with pytest.raises(UploadError, match="refused this bench's token; enrol this bench again"):
            upload_pending(log, client)
        assert (log.acknowledged, log.last[0]) == (2, 3)
        with enrolled(own_server, log) as again:  # the lead gave a new code: the same key counts again
            assert upload_pending(log, again).acknowledged == 3
    assert run("revoke", own_server.data, "--bench", "nobody").returncode == 2
    assert run("verify", own_server.data).returncode == 0


def test_a_log_from_before_signing_is_taken_and_what_follows_must_be_signed(
    own_server: Server, tmp_path: Path
) -> None:
    with EventLog.open(tmp_path / "a.db", "older") as log:
        put(log, *badges("RK", "TM"))
    with signed_log(tmp_path / "a.db", "older", "JD") as log, enrolled(own_server, log) as client:
        assert upload_pending(log, client).acknowledged == 3
        (third,) = log.rows(after=2)
        assert third.signature is not None
    done = run("verify", own_server.data)
    assert done.returncode == 0 and "Bench older: events 1 to 2 are not signed" in done.stdout


def test_a_seal_that_the_bench_did_not_make_is_refused(server: Server, tmp_path: Path) -> None:
    with signed_log(tmp_path / "a.db", "sealed", "RK") as log, enrolled(server, log) as client:
        (row,) = log.rows()
        answer = post(client, "sealed", [row], OTHER.sign(b"anything"))
        assert answer.status_code == 422 and answer.json()["field"] == "seal"


@pytest.mark.parametrize(
    "more",
    [
        {"public_key": "ab" * 32},
        {"public_key": "AB" * 32, "signs_after": "0"},
        {"public_key": "ab" * 32, "signs_after": "-1"},
        {"public_key": "ab" * 32, "signs_after": 0},
        {"public_key": "ab" * 32, "signs_after": "0", "extra": ""},
    ],
)
def test_an_enrolment_with_a_malformed_key_is_refused_and_uses_no_code(server: Server, more: dict[str, Any]) -> None:
    asked = {"code": server.code("odd"), "bench": "odd"}
    answer = httpx.post(f"{server.url}/api/v1/enrolments", json=asked | more, trust_env=False, verify=False)
    assert answer.status_code == 422
    assert enrol(server.url, asked["code"], "odd", Key(KEY.public, 0))


def test_signatures_that_do_not_belong_to_their_events_are_malformed(server: Server, tmp_path: Path) -> None:
    with signed_log(tmp_path / "a.db", "uneven", "RK") as log, enrolled(server, log) as client:
        (row,) = log.rows()
        body = body_of([row], None).decode()
        for changed in (
            body.replace('"signatures":[', '"signatures":[null,'),
            body.replace(row.signature or "?", "xyz"),
            body.replace(row.signature or "?", "AB" * 64),
            body.replace('"seal":null', '"seal":1'),
        ):
            answer = client.post("/api/v1/benches/uneven/events", content=changed.encode(), headers=JSON)
            assert answer.status_code == 422 and answer.json()["code"] == "malformed", changed[-200:]
