"""Setup in a real browser: a change put in force, a fault beside its field, the versions."""

from typing import Any

from qa.store import records, schema
from tests.browser import look, look_as_ever


def test_a_target_is_changed_and_the_versions_say_so(page: Any, plant: schema.Store) -> None:
    page.open("/setup?part=targets")
    page.retype("#setup-target", "98.5")
    page.type("#setup-stamp-who", "lead")
    page.type("#setup-stamp-why", "agreed with the buyer")
    page.click(".setup form [type=submit]")
    page.says("Target, % correct 99 → 98.5", "#setup-said")
    assert records.programme(plant).target == 0.985
    page.says("version 2", ".head")
    page.click('nav[aria-label="Parts"] a[href*="part=versions"]')
    page.says("agreed with the buyer", "#setup-versions")
    page.click("#setup-between [type=submit]")
    page.says("From version 1 to version 2:")
    assert page.complaints() == []


def test_a_fault_is_said_beside_its_field(page: Any, plant: schema.Store) -> None:
    before = len(records.programmes(plant))
    page.open("/setup?part=lanes")
    page.retype("#setup-3-line", "Z")
    page.type("#setup-stamp-who", "lead")
    page.type("#setup-stamp-why", "a new line")
    page.click(".setup form [type=submit]")
    page.says('must be one of A, got "Z"', "#setup-3-line-fault")
    assert page.value("#setup-3-line") == "Z"  # nothing typed is lost
    assert len(records.programmes(plant)) == before


def test_a_lane_is_added_and_another_taken_away(page: Any, plant: schema.Store) -> None:
    page.open("/setup?part=lanes")
    page.type("#setup-6-code", "007")
    page.type("#setup-6-line", "A")
    page.still("#setup-5-code")
    page.driver.execute_script("document.getElementById('setup-5-gone').value = 'yes'")
    page.type("#setup-stamp-who", "lead")
    page.type("#setup-stamp-why", "lane 6 is rebuilt")
    page.click(".setup form [type=submit]")
    page.says("Lane 007 is new (007, A)", "#setup-said")
    page.find("#setup-5-code[value='007']")
    assert [each.code for each in records.programme(plant).lanes] == [*"12345", "007"]


def test_the_whole_text_is_refused_with_every_fault(page: Any, plant: schema.Store) -> None:
    before = len(records.programmes(plant))
    page.open("/setup?part=text")
    page.retype("#setup-text", "target = 99")
    page.type("#setup-stamp-who", "lead")
    page.type("#setup-stamp-why", "a try")
    page.click(".setup form [type=submit]")
    page.says("target: must be a fraction between 0 and 1", "#setup-fault")
    page.says("site: is missing", "#setup-fault")
    assert len(records.programmes(plant)) == before


BOXES = """
return Array.from(document.querySelectorAll(".setup .fields"), (group) => new Set(
  Array.from(group.querySelectorAll(".dash-input-container, select"),
    (each) => Math.round(each.getBoundingClientRect().top))).size);
"""


def test_fields_beside_one_another_stand_on_one_line(page: Any) -> None:
    look(page.driver, 1280, "light")
    try:
        page.open("/setup?part=plant")
        page.drawn()
        rows = page.driver.execute_script(BOXES)
        assert rows == [1, 1], "a label of two lines moved its field"
    finally:
        look_as_ever(page.driver)
