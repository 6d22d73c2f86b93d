"""The lead's pages in a real browser: they load without a refusal, can be used by keyboard alone, and fit a phone."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from selenium import webdriver
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from tests.server.shop import ROOT, Server, chain, demo_facts, job_opened, reading, send, until
from tests.tools import needs

pytestmark = pytest.mark.browser

SHOTS = ROOT / "build" / "screenshots"
FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
    "--window-size=1280,1000",
)


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[webdriver.Chrome]:
    chromium = needs.program("chromium", package="chromium")
    driver = needs.program("chromedriver", package="chromium-driver")
    options = webdriver.ChromeOptions()
    options.binary_location = chromium
    for flag in (*FLAGS, f"--user-data-dir={tmp_path_factory.mktemp('chromium')}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    one = webdriver.Chrome(options, webdriver.ChromeService(driver))
    yield one
    one.quit()


@pytest.fixture(scope="module")
def shop(server: Server) -> Server:
    with server.client("browser-bench") as client:
        facts = [*demo_facts("J-2041"), job_opened("J-2042")]
        facts.append(reading("J-2042", "outboard-shoe-1", "shoe-thickness", "1.249"))
        events = chain("browser-bench", *facts)
        assert send(client, "browser-bench", events).status_code == 200
        other = [*facts[:6], reading("J-2041", "outboard-shoe-2", "shoe-thickness", "1.251")]
        assert send(client, "browser-bench", chain("browser-bench", *other)).status_code == 409
    return server


def look(browser: webdriver.Chrome, name: str) -> None:
    """Keep a picture of the whole page."""
    SHOTS.mkdir(parents=True, exist_ok=True)
    size = browser.get_window_size()
    height = browser.execute_script("return document.documentElement.scrollHeight")
    browser.set_window_size(size["width"], max(400, min(height + 150, 6000)))
    path = SHOTS / f"{name}.png"
    assert browser.save_screenshot(str(path))
    browser.set_window_size(size["width"], size["height"])
    assert path.stat().st_size > 5000


def log_of(browser: webdriver.Chrome, kind: str) -> list[dict[str, str]]:
    """What the browser noted since it was last asked."""
    found: list[dict[str, str]] = browser.get_log(kind)  # type: ignore[no-untyped-call]
    return found


def complaints(browser: webdriver.Chrome) -> list[str]:
    """What the browser's console complained of, a refusal by the content policy among it."""
    return [entry["message"] for entry in log_of(browser, "browser") if entry["level"] in ("WARNING", "SEVERE")]


@pytest.mark.parametrize(
    "path, name", [("/", "jobs"), ("/jobs/J-2041", "job"), ("/conflicts", "conflicts"), ("/benches", "benches")]
)
def test_pages_load_whole_from_our_server_alone(browser: webdriver.Chrome, shop: Server, path: str, name: str) -> None:
    log_of(browser, "performance")
    browser.get(shop.url + path)
    look(browser, name)
    assert complaints(browser) == []
    asked = set(re.findall(r'"url":"(https?://[^"]+)"', "".join(e["message"] for e in log_of(browser, "performance"))))
    assert asked and all(url.startswith(shop.url + "/") for url in asked)
    ground = browser.find_element(By.TAG_NAME, "body").value_of_css_property("background-color")
    assert ground not in ("rgba(0, 0, 0, 0)", "rgba(255, 255, 255, 1)"), "the style sheet applies"


def test_a_job_is_found_and_read_by_keyboard_alone(browser: webdriver.Chrome, shop: Server) -> None:
    browser.get(shop.url + "/")
    reached: list[str] = []
    while "J-2041" not in reached:
        browser.switch_to.active_element.send_keys(Keys.TAB)
        reached.append(browser.switch_to.active_element.text)
        assert len(reached) < 200, reached
    assert reached[0] == "Skip to the record" and {"Benchcall", "Jobs", "Benches"} <= set(reached)
    outline = browser.switch_to.active_element.value_of_css_property("outline-style")
    assert outline == "solid", "one can see where one is"
    browser.switch_to.active_element.send_keys(Keys.ENTER)
    until(lambda: browser.current_url.endswith("/jobs/J-2041"), "the job's page")
    link = browser.find_element(By.CSS_SELECTOR, ".attention a")
    assert link.text == "outboard shoe six"
    while browser.switch_to.active_element != link:
        browser.switch_to.active_element.send_keys(Keys.TAB)
    browser.switch_to.active_element.send_keys(Keys.ENTER)
    place = browser.find_element(By.CSS_SELECTOR, "tbody:target")
    assert "1.257 in" in place.text and "nonconforming above" in place.text


def test_colour_is_not_needed_and_dark_is_readable(browser: webdriver.Chrome, shop: Server) -> None:
    for scheme in ("light", "dark"):
        media = {"features": [{"name": "prefers-color-scheme", "value": scheme}]}
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", media)
        browser.get(shop.url + "/jobs/J-2041")
        look(browser, f"job-{scheme}")
        for css in ("body", ".verdict.conforming", ".verdict.nonconforming-above", ".open", "small", ".heard"):
            element = browser.find_element(By.CSS_SELECTOR, css)
            assert contrast(browser, element) >= 4.5, f"{scheme}: {css}"
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})


def test_a_phone_needs_no_scrolling_sideways(browser: webdriver.Chrome, shop: Server) -> None:
    phone = {"width": 390, "height": 844, "deviceScaleFactor": 1, "mobile": True}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", phone)
    try:
        for path in ("/", "/jobs/J-2041", "/conflicts"):
            browser.get(shop.url + path)
            wide, there = browser.execute_script(
                "return [document.documentElement.scrollWidth, document.documentElement.clientWidth]"
            )
            assert wide <= there, path
        browser.save_screenshot(str(SHOTS / "conflicts-phone.png"))
    finally:
        browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


def test_an_open_list_shows_what_arrives_and_keeps_its_place(browser: webdriver.Chrome, shop: Server) -> None:
    browser.get(shop.url + "/")
    until(lambda: browser.find_element(By.ID, "live").text == "Live", "the live connection")
    browser.execute_script("document.querySelector('a[href=\"/jobs/J-2042\"]').focus()")
    facts = [job_opened("J-2043"), reading("J-2043", "outboard-shoe-1", "shoe-thickness", "1.257")]
    with shop.client("browser-live") as client:
        send(client, "browser-live", chain("browser-live", *facts))
    row = until(lambda: browser.find_elements(By.XPATH, "//tr[th/a[.='J-2043']]"), "the new job")[0]
    assert "1 nonconforming" in row.text
    assert browser.switch_to.active_element.text == "J-2042"
    assert browser.find_element(By.ID, "live").text.startswith("Live, last change")
    assert complaints(browser) == []


def test_an_open_job_says_that_something_new_arrived_and_moves_nothing(browser: webdriver.Chrome, shop: Server) -> None:
    events = chain(
        "browser-news",
        job_opened("J-2044"),
        *[reading("J-2044", f"outboard-shoe-{n}", "shoe-thickness", f"1.24{n}") for n in (6, 7)],
    )
    with shop.client("browser-news") as client:
        send(client, "browser-news", events[:2])
        browser.get(shop.url + "/jobs/J-2044")
        until(lambda: browser.find_element(By.ID, "live").text == "Live", "the live connection")
        news = browser.find_element(By.ID, "news")
        assert not news.is_displayed()
        send(client, "browser-news", events)
    until(news.is_displayed, "the notice")
    assert "1.247 in" not in browser.find_element(By.TAG_NAME, "main").text
    news.find_element(By.TAG_NAME, "a").click()
    until(lambda: "1.247 in" in browser.find_element(By.TAG_NAME, "main").text, "the new reading")


def contrast(browser: webdriver.Chrome, element: object) -> float:
    """Contrast of an element's text against what is behind it. Source: WCAG 2.2, relative luminance and 1.4.3."""
    ink, ground = browser.execute_script(
        """let e = arguments[0], ink = getComputedStyle(e).color;
        while (e && getComputedStyle(e).backgroundColor === 'rgba(0, 0, 0, 0)') e = e.parentElement;
        return [ink, getComputedStyle(e).backgroundColor]""",
        element,
    )
    light, dark = sorted((luminance(ink), luminance(ground)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def luminance(colour: str) -> float:
    """Relative luminance of a colour as the browser gives it.

    >>> luminance("rgb(255, 255, 255)")
    1.0
    """
    parts = [int(part) / 255 for part in re.findall(r"\d+", colour)[:3]]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue
