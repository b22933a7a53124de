"""Tally with no network at all: it opens, what is logged waits, and goes out once."""

import time
from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest
from selenium import webdriver

from qa.store import records, schema
from tests.pages.conftest import Page, served
from tests.pages.test_sign_in import PIN, by_pin, guarded, make_station, sign_in
from tests.small_plant import NOW

__all__ = ["guarded"]
# The worker answers from the next page on; a page that opens while it starts has none of its own.
WORKS = """
return navigator.serviceWorker.getRegistration()
  .then((found) => Boolean(found && found.active && found.active.state === "activated"));
"""
KEPT = "return caches.match('/tally', { cacheName: 'toteproof-tally' }).then(Boolean)"
ASKED = """
return performance.getEntriesByType("resource").filter((e) => e.name.includes("/tally/clock"))
  .length;
"""
ALL = """
const done = arguments[0];
caches.keys().then((names) => Promise.all(names.map((name) => caches.open(name)
  .then((cache) => cache.keys()).then((all) => all.map((each) => each.url)))))
  .then((all) => done(all.flat().map((each) => new URL(each).pathname)));
"""


def offline(page: Any, cut: bool) -> None:
    how = {"offline": cut, "latency": 0, "downloadThroughput": -1, "uploadThroughput": -1}
    page.driver.execute_cdp_cmd("Network.enable", {})
    page.driver.execute_cdp_cmd("Network.emulateNetworkConditions", how)


def cut(page: Any) -> None:
    offline(page, True)
    page.server.stop()


def mended(page: Any) -> None:
    page.server.start()
    offline(page, False)


def opened(page: Any) -> None:
    """Tally as it is with a network, and kept for when there is none."""
    page.open("/tally")
    page.find("#tally-form[data-state]")
    page.wait(lambda driver: driver.execute_script(WORKS), "the worker is there")
    page.wait(lambda driver: driver.execute_script(KEPT), "it is kept")


def log(page: Any, tote: str, lane: str = "1", stems: int = 0) -> None:
    page.find("#tally-form[data-state]")
    page.type("#tally-tote", tote)
    if not page.value("#tally-inspector"):
        page.type("#tally-inspector", "insp-07")
    page.click(f'#tally-lane [data-value="{lane}"]')
    page.click("#tally-clean")
    for _ in range(stems):
        page.click('[data-of="tally-stem"][data-step="1"]')
    page.click("#tally-save")


@pytest.fixture
def tablet(plant: schema.Store, page: Any) -> Iterator[Any]:
    yield page
    offline(page, False)


def test_tally_opens_with_no_network_and_two_totes_are_recorded_once(
    tablet: Any, plant: schema.Store
) -> None:
    begun = time.monotonic()
    opened(tablet)
    tablet.says("logged in it")
    cut(tablet)
    tablet.driver.refresh()
    tablet.says("No network: what you log waits here", "#tally-kept")
    tablet.says("nothing waiting", "#tally-kept")
    assert "logged in it" not in tablet.text("main")
    assert tablet.text('#tally-shift [aria-pressed="true"]') == "by the clock"
    log(tablet, "bare-1")
    tablet.says("Tote bare-1 waits in this browser", "#tally-answer")
    tablet.says("1 waiting", "#tally-kept")
    tablet.click("#tally-save")  # which now says "Next tote"
    tablet.type("#tally-tote", "bare-2")
    tablet.driver.refresh()
    tablet.wait(lambda _: tablet.value("#tally-tote") == "bare-2", "the draft is kept")
    tablet.driver.execute_script("document.getElementById('tally-tote').value = ''")
    log(tablet, "bare-2", lane="2", stems=3)
    tablet.says("2 waiting", "#tally-kept")
    tablet.says("2 totes wait in this browser to be sent.", "#app-outbox")
    mended(tablet)
    tablet.says("The network is back; nothing waiting", "#tally-kept")
    for tote, correct in (("bare-1", 200), ("bare-2", 197)):
        found = records.tallies(plant, tote=tote)
        assert found["correct"].tolist() == [correct]
        since = timedelta(seconds=time.monotonic() - begun)
        assert NOW <= found["pulled_at"].iloc[0] <= NOW + since
    tablet.says("Tote bare-1, lane 1", "#tally-outbox")
    tablet.click("#tally-save")
    tablet.wait(lambda _: not tablet.all("html[data-kept]"), "the live page is back")
    tablet.says("logged in it")


def test_the_live_page_leaves_whoever_is_amid_a_tote_alone(tablet: Any) -> None:
    opened(tablet)
    cut(tablet)
    tablet.driver.refresh()
    tablet.says("No network: what you log waits here", "#tally-kept")
    tablet.type("#tally-tote", "amid-1")
    tablet.click('[data-of="tally-stem"][data-step="1"]')
    mended(tablet)
    tablet.says("The network is back; nothing waiting", "#tally-kept")
    asked = tablet.driver.execute_script(ASKED)
    tablet.wait(lambda driver: driver.execute_script(ASKED) > asked + 2, "asked three times more")
    assert tablet.all("html[data-kept]")
    assert tablet.value("#tally-stem") == "1"


def test_only_tally_is_kept_and_other_pages_say_that_there_is_no_network(tablet: Any) -> None:
    tablet.open("/ledger")
    tablet.drawn()
    opened(tablet)
    kept = tablet.driver.execute_async_script(ALL)
    assert {"/tally", "/no-network"} < set(kept)
    assert all(each in ("/tally", "/no-network") or each.startswith("/assets/") for each in kept)
    cut(tablet)
    tablet.open("/floor?lane=2")
    tablet.says("No network", "h1")
    tablet.says("live figures alone")
    tablet.leave_by('main a[href="/tally"]')
    tablet.says("No network: what you log waits here", "#tally-kept")
    mended(tablet)


def test_a_proxy_that_finds_nobody_behind_it_is_no_network(tablet: Any) -> None:
    opened(tablet)
    app = tablet.server.app

    def nobody(_: Any, begin: Any) -> list[bytes]:
        begin("502 Bad Gateway", [("Content-Type", "text/html")])
        return [b"bad gateway"]

    tablet.server.app = nobody
    tablet.driver.refresh()
    tablet.says("No network: what you log waits here", "#tally-kept")
    log(tablet, "gate-1")
    tablet.says("Tote gate-1 waits in this browser", "#tally-answer")
    tablet.server.app = app
    tablet.says("nothing waiting", "#tally-kept")


def test_what_was_kept_is_not_shown_while_the_network_answers_and_is_made_anew(
    tablet: Any,
) -> None:
    opened(tablet)
    tablet.driver.execute_script(
        "return caches.open('toteproof-tally').then((kept) => kept.put('/tally',"
        " new Response('<h1>an old program</h1>', { headers: { 'Content-Type': 'text/html' } })))"
    )
    tablet.server.stop()
    tablet.driver.refresh()
    tablet.says("an old program", "body")
    tablet.server.start()
    opened(tablet)
    tablet.says("Log a tote", "h1")
    text = "return caches.match('/tally').then((kept) => kept.text())"
    tablet.wait(lambda driver: "tally-form" in driver.execute_script(text), "it is kept anew")


def test_without_a_secure_context_nothing_is_kept(tablet: Any) -> None:
    source = "Object.defineProperty(window, 'isSecureContext', { value: false })"
    driver = tablet.driver
    made = driver.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", {"source": source})
    try:
        tablet.open("/tally")
        tablet.find("#tally-form[data-state]")
        count = "return navigator.serviceWorker.getRegistrations().then((all) => all.length)"
        assert driver.execute_script(count) == 0
        assert driver.execute_async_script(ALL) == []
    finally:
        driver.execute_cdp_cmd("Page.removeScriptToEvaluateOnNewDocument", made)


# With accounts


@pytest.fixture
def station(chromium: webdriver.Chrome, guarded: schema.Store) -> Iterator[Page]:
    """A station's browser at which Rosa signed in by PIN."""
    with served(chromium, guarded) as page:
        page.open("/station")
        sign_in(page, "Lena")
        make_station(page, "Tablet 1")
        by_pin(page, "Rosa", PIN)
        opened(page)
        yield page
        offline(page, False)


def test_a_session_that_ended_meanwhile_loses_nothing(station: Any, guarded: schema.Store) -> None:
    cut(station)
    station.driver.refresh()
    station.says("writes their own name under Inspector", "#tally-kept")
    assert station.value("#tally-inspector") == "Rosa"
    log(station, "ended-1")
    station.says("1 waiting", "#tally-kept")
    station.driver.delete_cookie("toteproof")
    mended(station)
    station.says("Please sign in again", "#app-ended")
    station.says("The network is back; 1 waiting", "#tally-kept")
    assert records.tallies(guarded, tote="ended-1").empty
    station.leave_by("#app-ended a")
    station.says("Who logs here?", "h1")
    by_pin(station, "Rosa", PIN)
    station.find("#tally-form[data-state]")
    station.wait(lambda _: len(records.tallies(guarded, tote="ended-1")) == 1, "it was sent")
    row = records.audits(guarded, tote="ended-1").iloc[0]
    assert row["inspector"] == "Rosa"
    station.says("Tote ended-1, lane 1", "#tally-outbox")


def test_signing_out_takes_the_form_along_and_leaves_what_waits(
    station: Any, guarded: schema.Store
) -> None:
    station.leave_by("#app-person button")
    station.says("Who logs here?", "h1")
    assert not station.driver.execute_script(KEPT)
    cut(station)
    station.open("/tally")
    station.says("No network", "h1")
    assert "Rosa" not in station.driver.page_source
    mended(station)
