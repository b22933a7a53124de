"""Taps and keystrokes for a tote, counted by the browser, and what may go wrong meanwhile."""

from typing import Any

import pytest
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.keys import Keys

from qa.store import records, schema

CLEAN, DEFECTS = 6, 12  # strokes at most, after the tote's number is scanned
COUNT = """
window.strokes = 0;
for (const each of ["pointerdown", "keydown"])
  addEventListener(each, (event) => { if (event.isTrusted) strokes += 1; }, true);
"""


def scan(page: Any, tote: str) -> None:
    """As a scanner does it: keys wherever the focus is, and Enter."""
    ActionChains(page.driver).send_keys(tote, Keys.ENTER).perform()


def keys(page: Any, *pressed: str) -> None:
    ActionChains(page.driver).send_keys(*pressed).perform()


def begun(page: Any, tote: str) -> None:
    """At a station that logged before, a number is scanned, and from now on strokes count."""
    page.open("/assets/source-sans-3-licence.txt")
    page.driver.execute_script(
        "localStorage.setItem('toteproof.tally.memory',"
        " JSON.stringify({ lane: '1', inspector: 'insp-07' }))"
    )
    page.open("/tally")
    page.find('#tally-form[data-state="open"]')
    scan(page, tote)
    page.driver.execute_script(COUNT)


def strokes(page: Any) -> int:
    return int(page.driver.execute_script("return strokes"))


def found(plant: schema.Store, tote: str) -> list[list[int]]:
    rows = records.tallies(plant, tote=tote)
    return rows[["stem", "over_trim", "double", "correct"]].to_numpy().tolist()


def test_a_clean_tote_by_taps(page: Any, plant: schema.Store) -> None:
    begun(page, "tap-1")
    page.click("#tally-clean")
    page.click("#tally-save")
    page.says("Saved: tote tap-1", "#tally-answer")
    print(f"a clean tote by taps: {strokes(page)}")
    assert strokes(page) <= CLEAN
    assert found(plant, "tap-1") == [[0, 0, 0, 200]]


def test_three_defects_by_taps(page: Any, plant: schema.Store) -> None:
    begun(page, "tap-2")
    for category in ("stem", "over_trim", "stem"):
        page.click(f'[data-of="tally-{category}"][data-step="1"]')
    page.click("#tally-save")
    page.says("Saved: tote tap-2", "#tally-answer")
    print(f"three defects by taps: {strokes(page)}")
    assert strokes(page) <= DEFECTS
    assert found(plant, "tap-2") == [[2, 1, 0, 197]]


def test_a_clean_tote_by_keyboard(page: Any, plant: schema.Store) -> None:
    begun(page, "key-1")
    keys(page, Keys.ENTER)
    page.says("200", "#tally-sum")
    keys(page, Keys.ENTER)
    page.says("Saved: tote key-1", "#tally-answer")
    print(f"a clean tote by keyboard: {strokes(page)}")
    assert strokes(page) <= CLEAN
    assert found(plant, "key-1") == [[0, 0, 0, 200]]


def test_three_defects_by_keyboard(page: Any, plant: schema.Store) -> None:
    begun(page, "key-2")
    keys(page, *("1", Keys.ENTER) * 3)
    page.says("197", "#tally-sum")
    keys(page, Keys.ENTER)
    page.says("Saved: tote key-2", "#tally-answer")
    print(f"three defects by keyboard: {strokes(page)}")
    assert strokes(page) <= DEFECTS
    assert found(plant, "key-2") == [[1, 1, 1, 197]]


def test_a_scanner_and_enter_alone_log_one_tote_after_the_other(
    page: Any, plant: schema.Store
) -> None:
    begun(page, "row-0")
    for tote in ("row-0", "row-1", "row-2"):
        if tote != "row-0":
            scan(page, tote)  # straight over the verdict of the one before
        page.wait(lambda _, tote=tote: page.value("#tally-tote") == tote)
        keys(page, Keys.ENTER, Keys.ENTER)
        page.says(f"Saved: tote {tote}", "#tally-answer")
    for tote in ("row-0", "row-1", "row-2"):
        assert found(plant, tote) == [[0, 0, 0, 200]]


def test_a_scan_after_a_tapped_choice_still_goes_to_the_tote(page: Any) -> None:
    page.open("/tally")
    page.find('#tally-form[data-state="open"]')
    page.click('#tally-lane [data-value="4"]')
    scan(page, "over-4")
    assert page.value("#tally-tote") == "over-4"
    assert page.text('#tally-lane [aria-pressed="true"]') == "4"
    assert page.text('#tally-purpose [aria-pressed="true"]') == "routine"


def test_everything_is_reached_by_keyboard(page: Any) -> None:
    """From the top of the form to its end by Tab alone, and nothing is left out."""
    page.open("/tally")
    page.find('#tally-form[data-state="open"]')
    page.driver.execute_script("document.getElementById('tally-tote').focus()")
    seen = set()
    for _ in range(60):
        here = page.driver.switch_to.active_element
        seen.add(here.get_attribute("id") or here.get_attribute("aria-label") or here.text)
        keys(page, Keys.TAB)
    for each in ("tally-tote", "tally-inspector", "6", "study", "Night", "tally-inspected",
                 "one more stem left on", "tally-stem", "tally-clean", "tally-save"):  # fmt: skip
        assert each in seen, each


# What may go wrong meanwhile


def cut(page: Any, off: bool) -> None:
    how = {"offline": off, "latency": 0, "downloadThroughput": -1, "uploadThroughput": -1}
    page.driver.execute_cdp_cmd("Network.enable", {})
    page.driver.execute_cdp_cmd("Network.emulateNetworkConditions", how)


def test_a_cut_network_keeps_the_tote_and_sends_it_once(page: Any, plant: schema.Store) -> None:
    begun(page, "cut-1")
    cut(page, True)
    try:
        keys(page, Keys.ENTER, Keys.ENTER)
        page.says("Tote cut-1 waits in this browser", "#tally-answer")
        page.says("1 tote waits in this browser to be sent.", "#app-outbox")
        assert found(plant, "cut-1") == []
    finally:
        cut(page, False)
    page.wait(lambda _: not page.shown("#app-outbox"), "it was sent")
    assert found(plant, "cut-1") == [[0, 0, 0, 200]]


@pytest.mark.parametrize("tabs", [1, 2])
def test_an_answer_lost_on_its_way_records_nothing_twice(
    page: Any, plant: schema.Store, tabs: int
) -> None:
    """The audit is on record and nobody was told; one tab sends it again, or two at once."""
    tote = f"lost-{tabs}"
    first = page.driver.current_window_handle
    begun(page, tote)
    app, lost = page.server.app, []

    def losing(environ: Any, begin: Any) -> Any:
        if environ["PATH_INFO"] != "/tally/audits":
            return app(environ, begin)
        lost.extend(app(environ, lambda *_: None))
        begin("200 OK", [("Content-Type", "application/json")])
        return [b""]

    page.server.app = losing
    try:
        keys(page, Keys.ENTER, Keys.ENTER)
        page.says(f"Tote {tote} waits in this browser", "#tally-answer")
        assert lost
        if tabs == 2:
            page.driver.switch_to.new_window("tab")
            page.open("/tally")
            page.says("to be sent", "#app-outbox")
    finally:
        page.server.app = app
    page.wait(lambda _: not page.shown("#app-outbox"), "it was sent")
    if tabs == 2:
        page.driver.close()
        page.driver.switch_to.window(first)
        page.wait(lambda _: not page.shown("#app-outbox"), "and seen there")
    assert found(plant, tote) == [[0, 0, 0, 200]]
    page.says("Accept", "#tally-outbox")
