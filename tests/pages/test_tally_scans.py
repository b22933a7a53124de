"""What fingers and scanners do to a tote that is open: keys meant for it, and keys that are not."""

from typing import Any

import pytest
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.actions.action_builder import ActionBuilder
from selenium.webdriver.common.actions.pointer_input import PointerInput
from selenium.webdriver.common.keys import Keys

from qa.store import records, schema
from tests.pages.test_tally_strokes import begun, found, keys, scan

MORE = '[data-of="tally-stem"][data-step="1"]'


def opened(page: Any, tote: str) -> None:
    """A tote is open, and on a machine of any speed what comes in one go is a scan."""
    begun(page, tote)
    page.wait(lambda _: page.value("#tally-tote") == tote, "it is scanned")
    page.driver.execute_script(
        "document.getElementById('tally-form').dataset.scanGap = String(60 * 1000)"
    )


def focus(page: Any, css: str) -> None:
    page.driver.execute_script("document.querySelector(arguments[0]).focus()", css)


def focused(page: Any, css: str) -> bool:
    same = "return document.activeElement === document.querySelector(arguments[0])"
    return bool(page.driver.execute_script(same, css))


@pytest.mark.parametrize(
    "on", [MORE, "#tally-save", "#tally-undo", "#tally-over_trim", "#tally-tote"]
)
def test_a_scan_changes_nothing_of_a_tote_that_is_counted(
    page: Any, plant: schema.Store, on: str
) -> None:
    opened(page, "T-2")
    page.click(MORE)
    focus(page, on)
    for other in ("T-4", "900123"):
        scan(page, other)
        page.says(f"T-2 is not saved yet; {other} was not taken.", "#tally-scanned")
    assert focused(page, on)
    assert page.value("#tally-tote") == "T-2"
    assert (page.value("#tally-stem"), page.value("#tally-over_trim")) == ("1", "")
    page.says("199", "#tally-sum")
    assert records.tallies(plant, tote="T-2").empty
    page.click("#tally-save")
    page.says("Saved: tote T-2", "#tally-answer")
    page.says("900123 was not taken: scan it again.", "#tally-scanned")
    scan(page, "900123")
    page.wait(lambda _: page.value("#tally-tote") == "900123", "the next tote begins")
    assert page.text("#tally-scanned") == ""
    assert found(plant, "T-2") == [[1, 0, 0, 199]]


def test_a_number_of_digits_scanned_twice_is_no_count(page: Any) -> None:
    opened(page, "900123")
    scan(page, "900123")
    assert focused(page, "#tally-clean")
    assert page.value("#tally-tote") == "900123"
    assert page.value("#tally-stem") == ""
    assert page.text("#tally-scanned") == ""


def test_a_scan_takes_the_place_of_a_number_with_nothing_counted(page: Any) -> None:
    opened(page, "T-2")
    for last, on in enumerate(("#tally-clean", MORE, "#tally-stem", "#tally-tote"), 90124):
        focus(page, on)
        number = str(last)
        scan(page, number)
        page.wait(lambda _, n=number: page.value("#tally-tote") == n, "it is taken")
        assert page.value("#tally-stem") == ""
        assert focused(page, "#tally-clean")


def test_a_text_field_takes_a_scan_for_itself(page: Any) -> None:
    opened(page, "T-2")
    page.click(MORE)
    page.driver.execute_script("document.querySelector('#tally-form details').open = true")
    focus(page, "#tally-raw_lot")
    scan(page, "RAW-77")
    page.wait(lambda _: page.value("#tally-raw_lot") == "RAW-77", "it is there")
    assert page.text("#tally-scanned") == ""


def test_keys_at_a_persons_pace_count(page: Any, plant: schema.Store) -> None:
    begun(page, "slow-1")
    slowly = ActionChains(page.driver)
    for key in ("1", "1", "1", Keys.ENTER):
        slowly.send_keys(key).pause(0.25)
    slowly.perform()
    assert page.value("#tally-stem") == "111"
    focus(page, MORE)
    keys(page, Keys.ENTER)
    assert page.value("#tally-stem") == "112"


def test_what_is_typed_takes_the_place_of_a_count(page: Any) -> None:
    begun(page, "zero-1")
    page.click("#tally-clean")
    for kind, css, typed in (("mouse", "#tally-stem", "1"), ("touch", "#tally-over_trim", "2")):
        pointer = ActionBuilder(page.driver, mouse=PointerInput(kind, kind))
        pointer.pointer_action.move_to(page.still(css)).pointer_down().pointer_up()
        pointer.perform()
        page.wait(lambda _, css=css: focused(page, css), "it is entered")
        keys(page, typed)
        assert page.value(css) == typed
    page.says("197", "#tally-sum")


def test_a_stepper_that_was_held_and_left_swallows_no_key(page: Any) -> None:
    begun(page, "held-1")
    more = page.still(MORE)
    ActionChains(page.driver).click_and_hold(more).perform()
    page.wait(lambda _: int(page.value("#tally-stem") or 0) >= 2, "it goes on")
    ActionChains(page.driver).move_to_element(
        page.find("#tally-correct-fault, h1")
    ).release().perform()
    counted = int(page.value("#tally-stem"))
    focus(page, MORE)
    keys(page, Keys.ENTER)
    assert int(page.value("#tally-stem")) == counted + 1
