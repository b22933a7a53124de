"""Tally on a bad day: no network, reloads, two tabs, slips. Nothing is lost, nothing twice."""

from typing import Any

import pytest
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.keys import Keys

from qa.store import records, schema
from tests.browser import look, look_as_ever

SLOW_TAP = """
const more = document.querySelector('[data-of="tally-stem"][data-step="1"]');
const done = arguments[0], at = { bubbles: true, button: 0 };
more.dispatchEvent(new PointerEvent("pointerdown", at));
setTimeout(() => {
  more.dispatchEvent(new PointerEvent("pointerup", at));
  more.click();
  done();
}, 560);
"""


def fill(page: Any, tote: str, lane: str = "1") -> None:
    page.find("#tally-form[data-state]")
    page.type("#tally-tote", tote)
    if not page.value("#tally-inspector"):
        page.type("#tally-inspector", "insp-07")
    page.click(f'#tally-lane [data-value="{lane}"]')


def value(page: Any, field: str) -> str:
    return str(page.value(f"#tally-{field}"))


def waiting(page: Any) -> int:
    return int(page.driver.execute_script("return window.toteproof.outbox.items().length"))


def test_totes_wait_while_the_server_is_down_and_go_out_once_by_themselves(
    page: Any, plant: schema.Store
) -> None:
    page.open("/tally")
    fill(page, "down-1")
    page.click("#tally-clean")
    page.server.stop()
    page.click("#tally-save")
    page.says("Tote down-1 waits in this browser", "#tally-answer")
    page.says("hold the tote until its verdict is here", "#tally-answer")
    page.says("1 tote waits in this browser to be sent.", "#app-outbox")
    page.click("#tally-save")  # which now says "Next tote"
    fill(page, "down-2", lane="2")
    for _ in range(12):
        page.click('[data-of="tally-stem"][data-step="1"]')
    page.click("#tally-save")
    page.says("Tote down-2, lane 2", "#tally-outbox")
    page.says("2 totes wait in this browser to be sent.", "#app-outbox")
    assert records.tallies(plant, tote="down-1").empty
    page.server.start()
    page.says("Tote down-2: Hold.", "#app-outbox")
    page.says("Accept", "#tally-outbox")
    told = "return [...document.querySelectorAll('#tally-outbox p')].map((e) => e.textContent)"
    said = page.driver.execute_script(told)
    assert [each.partition(".")[0] for each in said] == ["Accept", "Hold"]
    for tote in ("down-1", "down-2"):
        assert len(records.tallies(plant, tote=tote)) == 1
    for left in (1, 0):
        page.click("#tally-outbox li:last-child .act:last-child")
        page.wait(lambda _, left=left: waiting(page) == left, "one is seen")
    assert not page.shown("#tally-outbox")
    assert not page.shown("#app-outbox")


def test_what_waits_outlives_a_reload_and_goes_out_from_any_page(
    page: Any, plant: schema.Store
) -> None:
    page.open("/tally")
    fill(page, "asleep-1")
    page.click("#tally-clean")
    page.server.stop()
    page.click("#tally-save")
    page.says("Kept here, not sent yet", "#tally-answer")
    page.server.start()
    page.open("/floor")
    page.find("#floor-lane-1")
    page.wait(lambda _: len(records.tallies(plant, tote="asleep-1")) == 1, "it was sent")
    page.open("/tally")
    page.says("Tote asleep-1, lane 1", "#tally-outbox")


def test_what_the_server_refuses_later_comes_back_into_the_form(
    page: Any, plant: schema.Store
) -> None:
    page.open("/tally")
    fill(page, "wrong-2")
    page.type("#tally-stem", "two")
    page.server.stop()
    page.click("#tally-save")
    page.says("Kept here", "#tally-answer")
    page.server.start()
    page.says("Not saved: must be a whole number", "#tally-outbox")
    page.says("1 to put right.", "#app-outbox")
    page.click("#tally-save")
    fill(page, "busy-2")
    page.click("#tally-outbox .act")
    page.says("Save the tote in the form first", "#tally-outbox")
    assert value(page, "tote") == "busy-2"
    page.click("#tally-clean")
    page.click("#tally-save")
    page.says("Saved: tote busy-2", "#tally-answer")
    page.click("#tally-outbox .act")
    assert (value(page, "tote"), value(page, "stem")) == ("wrong-2", "two")
    page.says("must be a whole number", "#tally-stem-fault")
    page.retype("#tally-stem", "2")
    page.click("#tally-save")
    page.says("Saved: tote wrong-2", "#tally-answer")
    assert waiting(page) == 0
    assert records.tallies(plant, tote="wrong-2")["stem"].tolist() == [2]


def test_a_draft_outlives_a_reload_and_two_tabs_keep_their_own(page: Any) -> None:
    page.open("/tally")
    fill(page, "draft-1", lane="4")
    page.type("#tally-stem", "3")
    page.driver.refresh()
    page.wait(lambda _: value(page, "tote") == "draft-1", "the draft is back")
    assert value(page, "stem") == "3"
    first = page.driver.current_window_handle
    page.driver.switch_to.new_window("tab")
    page.open("/tally")
    page.find("#tally-form[data-state]")
    assert value(page, "tote") == ""
    fill(page, "draft-2")
    page.driver.refresh()
    page.wait(lambda _: value(page, "tote") == "draft-2", "the second tab's own")
    page.driver.close()
    page.driver.switch_to.window(first)
    page.driver.refresh()
    page.wait(lambda _: value(page, "tote") == "draft-1", "the first tab's own")


def test_a_tab_that_is_gone_leaves_its_draft_to_the_next(page: Any) -> None:
    page.open("/tally")
    fill(page, "left-1")
    page.driver.execute_script(
        "for (const k of Object.keys(localStorage)) if (k.startsWith('toteproof.tally.draft.'))"
        " { const d = JSON.parse(localStorage.getItem(k)); d.seen -= 60000;"
        " localStorage.setItem('toteproof.tally.draft.gone', JSON.stringify(d));"
        " localStorage.removeItem(k); } sessionStorage.clear();"
    )
    page.driver.get(page.address + "/assets/source-sans-3-licence.txt")
    page.driver.execute_script(
        "for (const k of Object.keys(localStorage))"
        " if (k.startsWith('toteproof.tally.draft.') && !k.endsWith('gone'))"
        " localStorage.removeItem(k); sessionStorage.clear();"
    )
    page.open("/tally")
    page.wait(lambda _: value(page, "tote") == "left-1", "the draft of the tab that is gone")


def test_slips_are_undone_one_by_one(page: Any) -> None:
    page.open("/tally")
    fill(page, "slip-1")
    assert page.attribute("#tally-undo", "disabled") is None
    page.click('[data-of="tally-stem"][data-step="1"]')
    page.click('[data-of="tally-stem"][data-step="1"]')
    page.click('#tally-lane [data-value="5"]')
    page.click("#tally-undo")
    assert page.text('#tally-lane [aria-pressed="true"]') == "1"
    page.click("#tally-undo")
    assert value(page, "stem") == "1"
    page.says("199", "#tally-sum")
    page.click("#tally-undo")
    assert value(page, "stem") == ""
    page.says("not counted yet", "#tally-sum")


def test_a_held_stepper_goes_on_counting_and_a_tap_counts_one(page: Any) -> None:
    page.open("/tally")
    page.find("#tally-form[data-state]")
    more = page.still('[data-of="tally-stem"][data-step="1"]')
    ActionChains(page.driver).move_to_element(more).click().perform()
    assert value(page, "stem") == "1"
    ActionChains(page.driver).click_and_hold(more).perform()
    page.wait(lambda _: int(value(page, "stem")) >= 4, "it goes on")
    ActionChains(page.driver).release().perform()
    counted = int(value(page, "stem"))
    ActionChains(page.driver).move_to_element(more).click().perform()
    assert int(value(page, "stem")) == counted + 1


def test_a_tap_that_takes_its_time_counts_one(page: Any) -> None:
    """Let go after a stepper is taken for held, and before it would count again."""
    page.open("/tally")
    page.find("#tally-form[data-state]")
    page.still('[data-of="tally-stem"][data-step="1"]')
    page.driver.execute_async_script(SLOW_TAP)
    assert value(page, "stem"), "it counts"


def test_the_one_tap_says_how_many_and_a_tote_seen_before_is_told(
    page: Any, plant: schema.Store
) -> None:
    page.open("/tally")
    page.find("#tally-form[data-state]")
    assert page.text("#tally-clean") == "All 200 correct"
    page.retype("#tally-inspected", "150")
    assert page.text("#tally-clean") == "All 150 correct"
    last = records.tallies(plant, lane="3").iloc[-1]
    page.type("#tally-tote", last["tote"] + Keys.ENTER)
    page.says(f"{last['correct']} of {last['inspected']} correct", "#tally-before")
    page.says("Audited before:", "#tally-before")
    page.type("#tally-tote", Keys.CONTROL + "a" + Keys.NULL + "new-number" + Keys.ENTER)
    page.wait(lambda _: page.text("#tally-before") == "", "nothing is on record of it")


@pytest.mark.parametrize("most", [6])
def test_a_clean_tote_takes_few_strokes_after_its_number(
    plant: schema.Store, page: Any, most: int
) -> None:
    """By keyboard and scanner alone: Enter is what a scanner sends after the number."""
    page.open("/tally")
    fill(page, "warm-up")
    page.click("#tally-clean")
    page.click("#tally-save")
    page.says("Saved: tote warm-up", "#tally-answer")
    page.click("#tally-save")
    page.find('#tally-form[data-state="open"]')
    page.type("#tally-tote", "scan-1")
    taps = ["#tally-clean", "#tally-save"]
    for tap in taps:
        page.click(tap)
    page.says("Saved: tote scan-1", "#tally-answer")
    assert len(taps) <= most


GLOVE = 75  # CSS pixels: 20 mm; what is seldom pressed has 64
SIZES = """
return Array.from(document.querySelectorAll(arguments[0]), (e) => e.getBoundingClientRect())
  .map((each) => Math.min(each.width, each.height)).filter((each) => each > 0);
"""


@pytest.mark.parametrize("width", [390, 820, 1280])
def test_what_is_pressed_for_every_tote_is_big_enough_for_gloves(page: Any, width: int) -> None:
    look(page.driver, width, "light")
    try:
        page.open("/tally")
        page.find("#tally-form[data-state]")
        page.drawn()
        often = "#tally-lane .choice, .step, .counter input, .tally-sum .act"
        for css, least in ((often, GLOVE), (".tally .choice", 64)):
            sizes = page.driver.execute_script(SIZES, css)
            assert sizes
            assert min(sizes) >= least, css
    finally:
        look_as_ever(page.driver)


def test_a_saved_tote_offers_the_next_one_and_no_clearing(page: Any, plant: schema.Store) -> None:
    page.open("/tally")
    fill(page, "next-1")
    assert page.shown("#tally-clear")
    page.click("#tally-clean")
    page.click("#tally-save")
    page.says("Saved: tote next-1", "#tally-answer")
    assert not page.shown("#tally-clear")
    assert len(records.tallies(plant, tote="next-1")) == 1
