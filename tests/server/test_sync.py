"""What benches send is taken once, whole and in sequence; anything else is refused by name and changes nothing."""

from __future__ import annotations

import gzip
import json
from typing import Any

import httpx
import pytest

from capture.domain.events import Event, canonical, to_dict
from capture.domain.record import fold
from capture.store.eventlog import EventLog
from capture.upload import upload_pending
from server.views import job_view
from tests.server.shop import (
    AT,
    Server,
    chain,
    demo_facts,
    job_opened,
    put,
    reading,
    run,
    send,
    tag,
)


def held(client: httpx.Client, bench: str) -> int:
    count = client.get(f"/api/v1/benches/{bench}").json()["acknowledged"]
    assert isinstance(count, int)
    return count


def check_error(answer: httpx.Response, http_code: int, code: str) -> dict[str, str]:
    """Every JSON error has one shape: four texts."""
    assert answer.status_code == http_code, answer.text
    error = answer.json()
    assert list(error) == ["code", "message", "field", "value"] and all(isinstance(v, str) for v in error.values())
    assert error["code"] == code and error["message"] and "\n" not in error["message"]
    return {str(name): str(value) for name, value in error.items()}


def facts_for(job: str) -> list[tuple[str, dict[str, Any]]]:
    return [job_opened(job), *[reading(job, f"outboard-shoe-{n}", "shoe-thickness", f"1.24{n}") for n in range(1, 6)]]


# ---- taken whole


def test_server_and_bench_fold_the_same_record(server: Server, log: EventLog) -> None:
    put(log, *demo_facts("J-FOLD"))
    with server.client(log.bench) as client:
        report = upload_pending(log, client)
    assert (report.sent, report.acknowledged) == (18, 18) and log.acknowledged == 18
    shown = server.get("/api/v1/jobs/J-FOLD").json()
    record = fold(log.events())["J-FOLD"]
    readings = [one for group in shown["groups"] for place in group["positions"] for one in place["readings"]]
    assert [one["shown"] for one in readings] == [str(entry.quantity) for entry in record.entries]
    assert [one["verdict"]["working"] for one in readings] == [entry.verdict.working for entry in record.entries]
    from server.records import JobRecord
    from server.store import JobRow

    at_the_bench = job_view(JobRecord(JobRow("J-FOLD", 0, shown["received_at"]), record))
    assert json.loads(json.dumps(at_the_bench)) == shown


def test_sent_twice_counts_once(server: Server) -> None:
    events = chain("twice", *facts_for("J-TWICE"))
    with server.client("twice") as client:
        answers = [send(client, "twice", events) for _ in range(3)]
        answers.append(send(client, "twice", events[2:4]))
    wanted = {"acknowledged": 6, "hash": events[-1].hash}
    assert [answer.json() for answer in answers] == [wanted] * 4
    assert server.get("/api/v1/jobs/J-TWICE").json()["counts"]["readings"] == 5


def test_values_and_tags_are_the_same_text_everywhere(server: Server, log: EventLog) -> None:
    # ../shared/cases C14 (1.2500 became 1.25) and C20 (tag 00417 became 417)
    put(log, job_opened("J-TEXT"), reading("J-TEXT", "outboard-shoe-1", "shoe-thickness", "1.2500"))
    put(log, *[tag("J-TEXT", f"outboard-shoe-{n}", text) for n, text in enumerate(("4172", "00417", "417"), 1)])
    with server.client(log.bench) as client:
        upload_pending(log, client)
    places = server.get("/api/v1/jobs/J-TEXT").json()["groups"][0]["positions"]
    assert places[0]["readings"][0]["value"] == {"text": "1.2500", "unit": "in"}
    assert [place["tag"] for place in places[:3]] == ["4172", "00417", "417"]
    page = server.get("/jobs/J-TEXT").text
    assert "1.2500 in" in page and "tag <bdi>00417</bdi>" in page and "tag <bdi>417</bdi>" in page


def test_order_is_by_sequence_never_by_clock(server: Server, log: EventLog) -> None:
    # ../shared/cases C23: clock two weeks back, then set, then back again after a boot without network
    put(log, job_opened("J-CLOCK"))
    stamps = [
        ("1.247", "2026-02-20T08:00:00Z", False),
        ("1.248", "2026-03-06T08:10:00Z", True),
        ("1.249", "2026-02-27T09:00:00Z", False),
    ]
    for text, at, synchronised in stamps:
        put(log, reading("J-CLOCK", "outboard-shoe-1", "shoe-thickness", text), at=at, synchronised=synchronised)
    with server.client(log.bench) as client:
        assert upload_pending(log, client).acknowledged == 4
    place = server.get("/api/v1/jobs/J-CLOCK").json()["groups"][0]["positions"][0]
    (counts,) = place["readings"]
    in_order = [*counts["corrections"], counts]
    assert [(one["value"]["text"], one["at"], one["clock_synchronised"]) for one in in_order] == stamps


# ---- refused, and nothing changed


def test_other_content_under_a_held_sequence_is_refused_kept_and_shown(server: Server) -> None:
    # ../shared/cases C21, third step: the same id with 1.249 must not overwrite 1.248
    first = chain("clash", job_opened("J-CLASH"), reading("J-CLASH", "outboard-shoe-3", "shoe-thickness", "1.248"))
    other = chain("clash", job_opened("J-CLASH"), reading("J-CLASH", "outboard-shoe-3", "shoe-thickness", "1.249"))
    with server.client("clash") as client:
        assert send(client, "clash", first).status_code == 200
        for _ in range(2):
            error = check_error(send(client, "clash", other), 409, "conflict")
            assert (error["field"], error["value"]) == ("sequence", "2")
        assert held(client, "clash") == 2
    (entry,) = server.get("/api/v1/jobs/J-CLASH").json()["groups"][0]["positions"][2]["readings"]
    assert entry["value"]["text"] == "1.248" and entry["corrections"] == []
    page = server.get("/conflicts").text
    assert page.count("Event 2 of <bdi>clash</bdi>") == 1, "the same conflict is kept once"
    assert "1.248 in" in page and "1.249 in" in page
    assert "See both sides" in server.get("/jobs/J-CLASH").text


def test_an_event_that_does_not_follow_is_refused_and_shown(server: Server) -> None:
    held_events = chain("fork", *facts_for("J-FORK")[:2])
    forked = chain(
        "fork",
        job_opened("J-FORK"),
        reading("J-FORK", "outboard-shoe-1", "shoe-thickness", "1.250"),
        reading("J-FORK", "outboard-shoe-2", "shoe-thickness", "1.251"),
    )
    with server.client("fork") as client:
        send(client, "fork", held_events)
        error = check_error(send(client, "fork", forked[2:]), 409, "conflict")
        assert "does not follow from event 2" in error["message"]
        assert held(client, "fork") == 2
    assert "Event 3 of <bdi>fork</bdi>" in server.get("/conflicts").text


def test_a_gap_is_refused_and_says_what_is_held(server: Server) -> None:
    events = chain("gap", *facts_for("J-GAP"))
    with server.client("gap") as client:
        send(client, "gap", events[:2])
        error = check_error(send(client, "gap", events[3:]), 409, "gap")
        assert (error["field"], error["value"]) == ("acknowledged", "2")
        assert send(client, "gap", events[2:]).json()["acknowledged"] == 6


def test_what_stood_before_a_conflict_in_one_upload_stays_taken(server: Server) -> None:
    events = chain("prefix", *facts_for("J-PREFIX"))
    changed = Event("prefix", 4, AT, True, "badge-read", {"person": "XX", "raw": ""}, "f" * 64)
    with server.client("prefix") as client:
        check_error(send(client, "prefix", [*events[:3], changed]), 409, "conflict")
        assert held(client, "prefix") == 3
        assert send(client, "prefix", events).json()["acknowledged"] == 6


GOOD = json.dumps({"events": [to_dict(chain("strict", job_opened("J-STRICT"))[0])]})
READ = json.dumps(
    {"events": [to_dict(chain("strict", reading("J-STRICT", "outboard-shoe-3", "shoe-thickness", "1.248"))[0])]}
)


@pytest.mark.parametrize(
    "body",
    [
        # ../shared/cases C13: NaN and Infinity as numbers and as text
        pytest.param(READ.replace('"1.248"', "NaN"), id="NaN"),
        pytest.param(READ.replace('"1.248"', "-Infinity"), id="-Infinity"),
        pytest.param(READ.replace('"1.248"', '"NaN"'), id="NaN as text"),
        pytest.param(READ.replace('"1.248"', '"Infinity"'), id="Infinity as text"),
        pytest.param(READ.replace('"1.248"', '"1e3"'), id="exponent"),
        pytest.param(READ.replace('"1.248"', "1.248"), id="value as a number"),
        pytest.param(READ.replace('"1.248"', '"\\u0661.248"'), id="digits of another script"),
        pytest.param(READ.replace('"unit": "in"', '"unit": "furlong"'), id="unit"),
        pytest.param(
            '{"id":"6d0e3c5a-0001-4a00-8000-000000000001","value":"NaN","unit":"inch"}', id="C13 as it stands"
        ),
        pytest.param(GOOD.replace('"sequence": 1', '"sequence": 1, "sequence": 1'), id="key twice"),
        pytest.param(GOOD.replace('{"events"', '{"events": [], "events"'), id="key twice above"),
        pytest.param(GOOD.replace('"sequence": 1', '"sequence": 1.0'), id="sequence as a float"),
        pytest.param(GOOD.replace('"sequence": 1', '"sequence": true'), id="sequence as true"),
        pytest.param(GOOD.replace('"sequence": 1', '"sequence": "1"'), id="sequence as text"),
        pytest.param(GOOD.replace('"sequence": 1', '"sequence": 0'), id="sequence 0"),
        pytest.param(GOOD.replace('"sequence": 1', '"sequence": 1' + "0" * 30), id="sequence too large"),
        pytest.param(GOOD.replace('"sequence": 1', '"sequence": 1' + "0" * 5000), id="number of 5000 digits"),
        pytest.param(GOOD.replace('"schema": 1', '"schema": 2'), id="schema"),
        pytest.param(GOOD.replace('"schema": 1', '"schema": 1, "extra": 1'), id="field too many"),
        pytest.param(GOOD.replace('"kind": "job-opened"', '"kind": "job-deleted"'), id="kind"),
        pytest.param(GOOD.replace('"bench": "strict"', '"bench": "twice"'), id="another bench"),
        pytest.param(GOOD.replace('"J-STRICT"', '"\\ud800"'), id="lone surrogate"),
        pytest.param(GOOD.replace('"J-STRICT"', "null"), id="job as null"),
        pytest.param('{"events": []}', id="no events"),
        pytest.param('{"events": {}}', id="no list"),
        pytest.param("[]", id="list"),
        pytest.param("", id="nothing"),
        pytest.param(GOOD[:-1], id="cut off"),
        pytest.param("[" * 100_000, id="nested deeply"),
        pytest.param(b"\xff\xfe" + GOOD.encode(), id="not UTF-8"),
        pytest.param("\ufeff" + GOOD, id="byte order mark"),
    ],
)
def test_what_is_not_strictly_the_schema_is_refused_and_no_row_is_made(server: Server, body: str | bytes) -> None:
    with server.client("strict") as client:
        content = body if isinstance(body, bytes) else body.encode("utf-8", "surrogatepass")
        answer = client.post(
            "/api/v1/benches/strict/events", content=content, headers={"Content-Type": "application/json"}
        )
        check_error(answer, 422, "malformed")
        assert held(client, "strict") == 0


def test_one_bad_event_keeps_the_whole_upload_out(server: Server) -> None:
    events = [to_dict(event) for event in chain("whole", *facts_for("J-WHOLE"))]
    events[4]["body"]["quantity"]["text"] = "NaN"
    with server.client("whole") as client:
        error = check_error(client.post("/api/v1/benches/whole/events", json={"events": events}), 422, "malformed")
        assert "Event 5 of the upload" in error["message"] and error["value"] == "NaN"
        assert held(client, "whole") == 0


def test_a_body_too_large_or_packed_or_unannounced_is_refused(server: Server) -> None:
    path = "/api/v1/benches/large/events"
    with server.client("large") as client:
        kind = {"Content-Type": "application/json"}
        check_error(client.post(path, content=b" " * 4_000_001, headers=kind), 413, "too-large")
        zipped = {**kind, "Content-Encoding": "gzip"}
        check_error(client.post(path, content=gzip.compress(GOOD.encode()), headers=zipped), 415, "not-json")
        check_error(client.post(path, content=GOOD.encode(), headers={"Content-Type": "text/plain"}), 415, "not-json")
        assert held(client, "large") == 0


# ---- who may send


def test_only_the_bench_s_own_token_counts(server: Server) -> None:
    events = chain("mine", job_opened("J-MINE"))
    with server.client("mine") as mine, server.client("theirs") as theirs:
        theirs_token = theirs.headers["authorization"].encode()
        for header in (b"", b"Bearer", b"Bearer wrong", b"Basic x", theirs_token, b"Bearer \xff\xfe"):
            answer = httpx.post(
                f"{server.url}/api/v1/benches/mine/events",
                json={},
                headers={b"Authorization": header} if header else None,
                trust_env=False,
                verify=False,
            )
            check_error(answer, 401, "token")
            assert answer.headers["www-authenticate"] == "Bearer"
        assert send(mine, "mine", events).status_code == 200
        check_error(send(mine, "nobody", events), 401, "token")


def test_a_code_enrols_one_bench_once(server: Server) -> None:
    code = server.code("fresh")
    ask = {"code": code.lower().replace("-", " "), "bench": "fresh"}
    url = f"{server.url}/api/v1/enrolments"
    wrong = httpx.post(url, json={"code": code, "bench": "another"}, trust_env=False, verify=False)
    assert "fresh" not in check_error(wrong, 403, "not-allowed")["message"]
    token = httpx.post(url, json=ask, trust_env=False, verify=False).json()["token"]
    assert len(token) >= 40
    again = check_error(httpx.post(url, json=ask, trust_env=False, verify=False), 403, "not-allowed")
    assert code not in json.dumps(again) and token not in json.dumps(again)
    check_error(httpx.post(url, json={"code": "x", "bench": "../x"}, trust_env=False, verify=False), 422, "malformed")
    check_error(httpx.post(url, json={"code": 5, "bench": "fresh"}, trust_env=False, verify=False), 422, "malformed")


def test_enrolling_again_ends_the_old_token(server: Server) -> None:
    with server.client("twofold") as old, server.client("twofold") as new:
        assert old.get("/api/v1/benches/twofold").status_code == 401
        assert new.get("/api/v1/benches/twofold").status_code == 200


def test_neither_tokens_nor_codes_are_kept_or_logged_in_clear(server: Server) -> None:
    code = server.code("secret")
    with server.client("secret") as client:
        token = client.headers["authorization"].split()[1]
        client.get("/api/v1/benches/secret")
        client.post("/api/v1/benches/secret/events", content=b"{", headers={"Content-Type": "application/json"})
    kept = b"".join(path.read_bytes() for path in server.data.iterdir()) + server.log.read_bytes()
    assert b"enrolment_codes" in kept
    for secret in (token, code, code.replace("-", "")):
        assert secret.encode() not in kept


# ---- and it stays as it came


def test_verify_names_what_was_changed_in_the_server_s_database(own_server: Server) -> None:
    import sqlite3

    events = chain("bench-1", *facts_for("J-1"))
    with own_server.client("bench-1") as client:
        send(client, "bench-1", events)
    own_server.stop()
    whole = run("verify", own_server.data)
    assert whole.returncode == 0 and whole.stdout.endswith("6 events of 1 benches, chains whole\n")
    assert "Bench bench-1: events 1 to 6 are not signed" in whole.stdout
    raw = sqlite3.connect(own_server.data / "server.db")
    with pytest.raises(sqlite3.IntegrityError, match="never changed"):
        raw.execute("UPDATE events SET canonical = 'x' WHERE sequence = 2")
    raw.execute("DROP TRIGGER events_never_update")
    text = canonical(events[1]).replace("1.241", "1.251")
    raw.execute("UPDATE events SET canonical = ? WHERE sequence = 2", (text,))
    raw.commit()
    raw.close()
    changed = run("verify", own_server.data)
    assert changed.returncode == 1
    assert changed.stdout.startswith("Bench bench-1: Event 2 was changed after it was written")
    own_server.start()
