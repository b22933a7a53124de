"""Slips at a tote and what the page does about them; what came back while nobody looked."""

import time
from datetime import timedelta
from typing import Any

from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.keys import Keys

from qa.store import records, schema
from tests import browser
from tests.pages.test_tally import fill, value, waiting
from tests.pages.test_tally_strokes import begun, keys, scan
from tests.small_plant import NOW

TOP = "return document.querySelector(arguments[0]).getBoundingClientRect().top"
MORE = '[data-of="tally-stem"][data-step="1"]'
BEGUN = """
const drafts = Object.keys(localStorage).filter((each) => each.includes("tally.draft."));
return drafts.map((each) => JSON.parse(localStorage.getItem(each)).begun).join("");
"""


def focused(page: Any) -> str:
    return str(page.driver.execute_script("return document.activeElement.id"))


def counted(page: Any, tote: str, stems: int) -> None:
    fill(page, tote)
    page.click("#tally-clean")
    page.retype("#tally-stem", str(stems))


def test_a_reject_that_comes_back_is_told_until_its_next_step_is_taken(
    page: Any, plant: schema.Store
) -> None:
    page.open("/tally")
    page.find("#tally-form[data-state]")
    page.server.stop()
    for tote, stems in (("late-1", 12), ("late-2", 0), ("late-3", 0)):
        counted(page, tote, stems)
        page.click("#tally-save")
        page.says(f"Tote {tote} waits in this browser", "#tally-answer")
        page.click("#tally-save")  # which now says "Next tote"
    page.server.start()
    page.wait(lambda _: page.text("#app-outbox") == "Tote late-1: Hold.", "all were sent")
    page.open("/floor")
    page.says("Tote late-1: Hold.", "#app-outbox")
    browser.look(page.driver, 390, "light")
    try:
        page.click("#app-outbox")
        page.says("Tote late-1, lane 1", "#tally-outbox")
        above = page.driver.execute_script(TOP, "#tally-outbox")
        assert above < page.driver.execute_script(TOP, "#tally-tote")
        page.click("#tally-outbox li:last-child .act")
        page.wait(lambda _: waiting(page) == 1, "both accepted ones are seen")
        assert page.text("#app-outbox") == "Tote late-1: Hold."
        page.click("#tally-outbox .act")
    finally:
        browser.look_as_ever(page.driver)
    assert value(page, "tote") == "late-1"
    assert page.text('#tally-purpose [aria-pressed="true"]') == "re-audit"
    page.wait(lambda _: not page.shown("#app-outbox"), "its next step is taken")


def test_no_acceptance_number_is_shown_before_a_verdict(page: Any) -> None:
    page.open("/tally")
    page.find("#tally-form[data-state]")
    page.driver.execute_script("document.querySelector('#tally-how').open = true")
    page.says("at least 200 pieces", "#tally-how")
    assert "accept on" not in page.text("main")


def test_the_same_number_again_is_asked_about_once(page: Any, plant: schema.Store) -> None:
    begun(page, "same-1")
    page.click("#tally-clean")
    page.click("#tally-save")
    page.says("Saved: tote same-1", "#tally-answer")
    assert not page.shown("#tally-twice")
    scan(page, "same-1")
    page.click("#tally-clean")
    page.click("#tally-save")
    page.says("A tote of this number was audited on this lane", "#tally-twice")
    page.click("#tally-number")
    assert focused(page) == "tally-tote"
    keys(page, "same-2", Keys.ENTER)
    assert (value(page, "tote"), value(page, "stem")) == ("same-2", "0")
    page.click("#tally-save")
    page.says("Saved: tote same-2", "#tally-answer")
    scan(page, "same-1")
    page.click("#tally-clean")
    page.click("#tally-save")
    page.click("#tally-re-audit")
    assert focused(page) == "tally-re_sorted_at"
    assert page.text('#tally-purpose [aria-pressed="true"]') == "re-audit"
    page.click('#tally-purpose [data-value="routine"]')
    page.click("#tally-save")
    page.click("#tally-same")
    page.says("Saved: tote same-1", "#tally-answer")
    assert len(records.tallies(plant, tote="same-1")) == 2


def test_a_tote_is_cleared_and_that_is_undone(page: Any) -> None:
    begun(page, "away-1")
    page.click(MORE)
    page.click(MORE)
    page.click("#tally-clear")
    assert (value(page, "tote"), value(page, "stem")) == ("", "")
    assert focused(page) == "tally-tote"
    page.click("#tally-undo")
    assert (value(page, "tote"), value(page, "stem")) == ("away-1", "2")
    page.click("#tally-undo")
    assert value(page, "stem") == "1"
    page.click("#tally-clear")
    page.driver.refresh()
    page.find("#tally-form[data-state]")
    assert value(page, "tote") == ""


def test_a_refusal_leads_to_a_group_of_buttons_and_is_said_beside_save(page: Any) -> None:
    page.open("/tally")
    page.find("#tally-form[data-state]")
    page.type("#tally-tote", "no-lane-1")
    page.type("#tally-inspector", "insp-07")
    page.click("#tally-clean")
    page.click("#tally-save")
    page.says("Lane: ", "#tally-save-fault")
    inside = "return document.activeElement.parentElement.id"
    assert page.driver.execute_script(inside) == "tally-lane"
    page.click('#tally-lane [data-value="3"]')
    assert page.text("#tally-save-fault") == page.text("#tally-lane-fault") == ""


def test_a_re_audit_is_pulled_at_its_first_count_and_its_times_are_the_plants(
    page: Any, plant: schema.Store
) -> None:
    page.open("/tally")
    counted(page, "again-1", 12)
    page.click("#tally-save")
    page.says("Hold", "#tally-answer")
    page.click("#tally-then")
    assert focused(page) == "tally-re_sorted_at"
    page.type("#tally-re_sorted_at", "11:59")
    assert page.driver.execute_script(BEGUN) == ""
    page.click("#tally-clean")
    page.wait(lambda driver: driver.execute_script(BEGUN), "it begins")
    page.retype("#tally-re_sorted_at", f"{NOW + timedelta(minutes=65):%H:%M}")
    page.click("#tally-save")
    page.says("must not be after Pulled at (12:", "#tally-re_sorted_at-fault")
    page.says("got 12:05 on 20 April", "#tally-re_sorted_at-fault")
    assert "pulled_at" not in page.text("main")


def verdict_stays(page: Any, tote: str) -> None:
    """A second and a third tap on Save, as gloves make them."""
    for wait in (0.0, 0.3):
        time.sleep(wait)
        ActionChains(page.driver, duration=0).click(page.find("#tally-save")).perform()
    page.find('#tally-form[data-state="saved"]')
    assert value(page, "tote") == tote


def test_a_second_tap_on_save_leaves_the_verdict(page: Any, plant: schema.Store) -> None:
    begun(page, "glove-1")
    page.retype("#tally-stem", "30")
    page.click("#tally-save")
    page.says("Hold", "#tally-answer")
    verdict_stays(page, "glove-1")
    page.says("Hold", "#tally-answer")
    assert page.text("#tally-save") == "Next tote"
    page.click("#tally-save")  # once it can be used
    page.find('#tally-form[data-state="open"]')
    assert page.text("#tally-last") == "Last verdict: tote glove-1, Hold"
    scan(page, "glove-2")
    keys(page, Keys.ENTER, Keys.ENTER)
    page.says("Saved: tote glove-2", "#tally-answer")
    assert page.text("#tally-last") == "Last verdict: tote glove-2, Accept"
    scan(page, "glove-3")  # at once
    assert value(page, "tote") == "glove-3"
    assert page.attribute("#tally-save", "aria-disabled") is None
    assert page.text("#tally-last") == "Last verdict: tote glove-2, Accept"


def test_a_second_tap_leaves_what_is_said_of_a_tote_that_waits(page: Any) -> None:
    begun(page, "glove-4")
    page.click("#tally-clean")
    page.server.stop()
    page.click("#tally-save")
    page.says("Tote glove-4 waits in this browser", "#tally-answer")
    verdict_stays(page, "glove-4")


def test_the_card_tells_the_verdict_of_a_tote_that_waited(page: Any, plant: schema.Store) -> None:
    begun(page, "card-1")
    page.retype("#tally-stem", "30")
    page.server.stop()
    page.click("#tally-save")
    page.says("Kept here, not sent yet", "#tally-answer")
    page.server.start()
    page.says("Tote card-1: Hold.", "#app-outbox")
    page.says("Hold", "#tally-answer")
    page.says("Saved: tote card-1", "#tally-answer")
    assert "not sent yet" not in page.text("#tally-answer")
    assert page.text("#tally-last") == "Last verdict: tote card-1, Hold"


def test_the_card_tells_that_a_tote_that_waited_was_refused(page: Any) -> None:
    begun(page, "card-2")
    page.type("#tally-stem", "two")
    page.server.stop()
    page.click("#tally-save")
    page.says("Kept here, not sent yet", "#tally-answer")
    page.server.start()
    page.says("Not saved: must be a whole number", "#tally-answer")


def test_save_says_which_tote_and_lane_it_saves(page: Any, plant: schema.Store) -> None:
    begun(page, "name-1")
    assert page.text("#tally-save") == "Save tote name-1, lane 1"
    page.click('#tally-lane [data-value="5"]')
    assert page.text("#tally-save") == "Save tote name-1, lane 5"
    page.retype("#tally-tote", "name-2")
    assert page.text("#tally-save") == "Save tote name-2, lane 5"
    page.click("#tally-undo")
    assert page.text("#tally-save") != "Save tote name-2, lane 5"
    page.click("#tally-clear")
    assert page.text("#tally-save") == "Save this tote"
    scan(page, "name-3")
    keys(page, Keys.ENTER, Keys.ENTER)
    page.says("Saved: tote name-3", "#tally-answer")
    assert page.text("#tally-save") == "Next tote"
    scan(page, "name-4")
    assert page.text("#tally-save") == "Save tote name-4, lane 5"


def test_a_scan_leads_to_the_first_thing_that_is_missing(page: Any) -> None:
    page.open("/tally")
    page.find('#tally-form[data-state="open"]')
    scan(page, "lead-1")
    assert page.text("#tally-save") == "Save tote lead-1"
    assert focused(page) == "tally-inspector"
    keys(page, "insp-07", Keys.ENTER)
    inside = "return document.activeElement.parentElement.id"
    page.wait(lambda d: d.execute_script(inside) == "tally-lane", "the lane is next")
    keys(page, Keys.ENTER)  # the first lane
    assert page.text("#tally-save") == "Save tote lead-1, lane 1"
    scan(page, "lead-2")
    assert value(page, "tote") == "lead-2"
    assert focused(page) == "tally-clean"
