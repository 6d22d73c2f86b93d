"""The lead's pages show every fact as it was said, escape everything, and say nothing of their own about a machine."""

from __future__ import annotations

import html
import re
from html.parser import HTMLParser

import pytest

from capture.domain.record import fold
from server.pages import job_link
from tests.server.shop import PLAN, Server, chain, demo_facts, finding, job_opened, reading, send, tag

RULE = (
    "Verdicts speak of the stated limits and their source, not of the machine. "
    "The maker's manual, local codes and licensed practice rule."
)


class Page(HTMLParser):
    """Text, tags, attributes and ids of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str, str]] = []
        self.words: list[str] = []
        self.feed(text)
        self.text = " ".join(" ".join(self.words).split())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(tag, name, value or "") for name, value in attrs]

    def handle_data(self, data: str) -> None:
        self.words.append(data)

    def values(self, name: str) -> list[str]:
        return [value for _, found, value in self.attributes if found == name]


@pytest.fixture(scope="module")
def filled(server: Server) -> Server:
    with server.client("bench-1") as client:
        assert send(client, "bench-1", chain("bench-1", *demo_facts("J-2031"))).status_code == 200
    return server


def test_the_list_counts_what_the_record_counts(filled: Server) -> None:
    page = Page(filled.get("/").text)
    line = page.text[page.text.index("J-2031") :]
    for text in ("Aldermoor Weir, unit 2", "2 nonconforming", "1 finding", "14 of 24", "10"):
        assert text in line
    assert "/jobs/J-2031" in page.values("href")


def test_the_job_page_shows_every_fact_of_the_record(filled: Server) -> None:
    events = chain("bench-1", *demo_facts("J-2031"))
    record = fold(events)["J-2031"]
    shown = Page(filled.get("/jobs/J-2031").text).text
    for entry in record.entries:
        body = entry.reading.body
        for text in (str(entry.quantity), entry.verdict.working, body["words"], f"event {entry.reading.sequence}"):
            assert text in shown
        for old in entry.history:
            assert f"{old.body['quantity']['text']} in" in shown and old.body["words"] in shown
    for derived in record.derived:
        assert f"{derived.text} in" in shown and derived.verdict.working in shown
    for text in ("whisper", "tiny.en", "3.41", "confirmed by voice", "confirmed by pedal", "M-104", "Corrected from"):
        assert text in shown
    for text in ("ask the lead", "the plan gives no answer", "rule of thumb for oil seal rings", "common practice"):
        assert text in shown
    for text in ("tag 00417", "tag BC1:P:SHOE-O1:X", "acknowledged by RK", "not acknowledged", "computed"):
        assert text in shown
    assert "outboard shoe 7, 8" in shown and "inboard shoe 1, 2, 3, 4, 5, 6, 7, 8" in shown
    assert RULE in shown


def test_a_correction_shows_the_value_that_counts_and_all_before_it(filled: Server) -> None:
    groups = filled.get("/api/v1/jobs/J-2031").json()["groups"]
    place = next(place for place in groups[0]["positions"] if place["id"] == "outboard-shoe-4")
    (entry,) = place["readings"]
    assert entry["shown"] == "1.250 in" and entry["verdict"]["kind"] == "conforming"
    assert [(old["shown"], old["words"]) for old in entry["corrections"]] == [
        ("1.205 in", "outboard shoe four one point two zero five")
    ]


def test_every_verdict_has_a_word_and_a_shape_of_its_own(filled: Server) -> None:
    text = filled.get("/jobs/J-2031").text
    shapes = dict(re.findall(r'<svg class="mark ([a-z-]+)"[^>]*>(.*?)</svg>', text, flags=re.S))
    verdicts = {"conforming", "nonconforming-above", "nonconforming-below", "undecided", "no-limits", "left", "finding"}
    assert verdicts <= set(shapes)
    assert len({shapes[name] for name in verdicts}) == len(verdicts)
    found = re.findall(r'<span class="verdict ([a-z-]+)"><svg.*?</svg>\s*<span>(.*?)</span>', text, flags=re.S)
    assert {name.replace("-", " ") == word for name, word in found if name != "finding"} == {True}
    assert {name for name, _ in found} >= {"conforming", "nonconforming-above", "no-limits"}


@pytest.mark.parametrize("path", ["/", "/jobs/J-2031", "/benches", "/conflicts", "/nothing-here"])
def test_no_page_calls_a_machine_safe_or_fit(filled: Server, path: str) -> None:
    shown = Page(filled.get(path).text).text.lower()
    assert not re.search(r"\b(safe|fit|safely|fitness|pass(ed)?|fail(ed)?|approved?)\b", shown)
    assert RULE.lower() in shown


@pytest.mark.parametrize("path", ["/", "/jobs/J-2031", "/benches", "/conflicts", "/nothing-here"])
def test_pages_fetch_nothing_from_elsewhere_and_hold_no_inline_code(filled: Server, path: str) -> None:
    page = Page(filled.get(path).text)
    for name in ("href", "src", "action", "srcset", "data", "poster"):
        assert all(not value or value.startswith(("/", "#")) for value in page.values(name))
        assert not [value for value in page.values(name) if value.startswith("//")]
    assert "style" not in {name for _, name, _ in page.attributes} and "style" not in page.tags
    assert not [name for _, name, _ in page.attributes if name.startswith("on")]
    sheet = filled.get("/static/style.css").text
    assert "url(" not in sheet and "@import" not in sheet and "//" not in sheet


@pytest.mark.parametrize(
    "path", ["/", "/jobs/J-2031", "/nothing-here", "/static/style.css", "/api/v1/jobs", "/api/v1/x"]
)
def test_every_answer_carries_the_security_headers(filled: Server, path: str) -> None:
    headers = filled.get(path).headers
    assert "default-src 'none'" in headers["content-security-policy"]
    assert "unsafe" not in headers["content-security-policy"] and "http" not in headers["content-security-policy"]
    assert headers["x-content-type-options"] == "nosniff" and headers["referrer-policy"] == "no-referrer"
    assert "server" not in headers


HOSTILE = [
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "' onmouseover='alert(1)",
    "{{ 7 * 7 }}{% raw %}",
    "</td></table><h1>all conforming</h1>",
    "\u202etxet\u202c",
    '=HYPERLINK("x")',
    "javascript:alert(1)",
    "a\u0000b",
]


@pytest.mark.parametrize("number", range(len(HOSTILE)))
def test_hostile_text_is_shown_as_text_in_every_field(server: Server, number: int) -> None:
    evil = HOSTILE[number]
    bench, job = f"evil-{number}", f"J{number} {evil}"
    facts = [
        job_opened(job),
        tag(job, "outboard-shoe-1", evil),
        tag(job, evil, evil),
        reading(
            job,
            "outboard-shoe-1",
            "shoe-thickness",
            "1.257",
            words=evil,
            by=evil,
            engine=evil,
            model=evil,
            margin=evil,
            gauge=evil,
            tag=evil,
            confirmed_by=evil,
            confirmation_words=evil,
            plan_revision=evil,
            verdict=evil,
            working=evil,
        ),
        reading(job, evil, evil, "1.257", replaces=4, words=evil),
        reading(job, "outboard-shoe-2", "shoe-thickness", "1.250"),
        finding(job, "outboard-shoe-2", evil, evil, by=evil),
        finding(job, evil, "wiping", evil, replaces=7),
        ("caution-acknowledged", {"job": job, "caution": evil, "by": evil, "confirmed_by": "voice"}),
    ]
    plain = Page(server.get("/").text)
    with server.client(bench) as client:
        assert send(client, bench, chain(bench, *facts)).status_code == 200
        other = [job_opened(job), ("badge-read", {"person": evil, "raw": evil})]
        assert send(client, bench, chain(bench, *other)).status_code == 409
    for path in ("/", job_link(job), "/conflicts", "/jobs?name=" + "%3Cb%3E", "/%3Cscript%3E"):
        page = Page(server.get(path).text)
        assert {"img", "h4", "style"}.isdisjoint(page.tags), path
        assert page.tags.count("script") == page.values("src").count("/static/live.js") <= 1, path
        assert not [name for _, name, _ in page.attributes if name.startswith("on")], path
        assert page.tags.count("h1") == 1, path
        assert not [value for value in page.values("href") if value and not value.startswith(("/", "#"))], path
    shown = Page(server.get(job_link(job)).text)
    assert " ".join(evil.replace("\u0000", "\ufffd").split()) in shown.text.replace("\u0000", "\ufffd")
    assert set(shown.tags) >= set(plain.tags) - {"code"}


@pytest.mark.parametrize("job", ["../etc", "..", ".", "a/b", "a?b#c", "%2e%2e", "ü ñ", "", " "])
def test_a_job_of_any_name_has_a_page(server: Server, job: str) -> None:
    bench = f"named-{abs(hash(job)) % 10**8}"
    with server.client(bench) as client:
        send(client, bench, chain(bench, job_opened(job), reading(job, "outboard-shoe-1", "shoe-thickness", "1.250")))
    links = [link for link in Page(server.get("/").text).values("href") if link == job_link(job)]
    assert links, "the list links to it"
    page = server.get(links[0])
    assert page.status_code == 200 and "1.250 in" in page.text


def test_a_plan_that_cannot_be_read_is_said_and_the_readings_still_show(server: Server) -> None:
    broken = PLAN.replace('unit_system = "inch"', 'unit_system = "cubits"')
    facts = [job_opened("J-BROKEN", plan=broken), reading("J-BROKEN", "outboard-shoe-1", "shoe-thickness", "1.248")]
    with server.client("broken") as client:
        send(client, "broken", chain("broken", *facts))
    shown = Page(server.get("/jobs/J-BROKEN").text).text
    assert "No limits could be applied." in shown and "cubits" in shown and "1.248 in" in shown
    assert "no limits" in shown and "Not in the plan" in shown


def test_a_job_whose_opening_has_not_arrived_is_listed_and_said(server: Server) -> None:
    facts = [reading("J-EARLY", "outboard-shoe-1", "shoe-thickness", "1.248")]
    with server.client("early") as client:
        send(client, "early", chain("early", *facts))
    assert "has not arrived yet" in server.get("/").text
    assert "has not arrived yet" in server.get("/jobs/J-EARLY").text


def test_a_verdict_the_bench_said_otherwise_is_shown_beside_ours(server: Server) -> None:
    facts = [
        job_opened("J-OTHER"),
        reading("J-OTHER", "outboard-shoe-1", "shoe-thickness", "1.248", verdict="nonconforming below", working="then"),
        reading("J-OTHER", "outboard-shoe-2", "shoe-thickness", "1.248", verdict="conforming", working="same"),
    ]
    with server.client("other") as client:
        send(client, "other", chain("other", *facts))
    shown = Page(server.get("/jobs/J-OTHER").text).text
    assert shown.count("The bench said") == 1 and "The bench said nonconforming below: then" in shown


def test_a_page_shows_what_arrived_after_it_was_first_asked_for(server: Server) -> None:
    events = chain(
        "growing",
        job_opened("J-GROWS"),
        *[reading("J-GROWS", f"outboard-shoe-{n}", "shoe-thickness", f"1.24{n}") for n in (6, 7)],
    )
    with server.client("growing") as client:
        send(client, "growing", events[:2])
        assert "1.247 in" not in server.get("/jobs/J-GROWS").text
        send(client, "growing", events)
    assert "1.247 in" in server.get("/jobs/J-GROWS").text


def test_an_unknown_job_is_said_on_a_page_and_as_json(server: Server) -> None:
    page = server.get("/jobs/NOBODY")
    assert page.status_code == 404 and "Job 'NOBODY' is not known here" in html.unescape(page.text)
    answer = server.get("/api/v1/jobs/NOBODY")
    assert answer.status_code == 404 and answer.json()["field"] == "job"


@pytest.mark.parametrize("host", ["rebound.example", "127.0.0.1.example:80", "192.0.2.7", "", "localhost.example"])
def test_without_a_password_a_name_made_to_point_here_is_refused(server: Server, host: str) -> None:
    answer = server.get("/", headers={"Host": host})
    assert answer.status_code == 403 and "<table" not in answer.text
    assert answer.headers["x-frame-options"] == "DENY"


@pytest.mark.parametrize("host", ["localhost", "localhost:8080", "127.0.0.1", "[::1]:8080", "127.0.0.2:1"])
def test_without_a_password_this_machine_s_own_names_are_answered(server: Server, host: str) -> None:
    assert server.get("/", headers={"Host": host}).status_code == 200


def test_a_reading_as_left_is_named_as_such_beside_the_one_as_found(server: Server) -> None:
    kind, body = reading("J-left", "outboard-shoe-1", "shoe-thickness", "1.250")
    with server.client("bench-left") as client:
        facts = [job_opened("J-left"), (kind, body), (kind, {**body, "stage": "as left"})]
        assert send(client, "bench-left", chain("bench-left", *facts)).status_code == 200
    shown = Page(server.get("/jobs/J-left").text).text
    assert "Shoe thickness, as left" in shown
