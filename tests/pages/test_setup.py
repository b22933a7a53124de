"""Setup in a real browser: a change put in force, a fault beside its field, the versions."""

from collections.abc import Iterator
from typing import Any

import pytest
from selenium.webdriver.common.keys import Keys

from qa.store import records, schema
from tests.pages.conftest import Page, Server
from tests.small_plant import small_plant


@pytest.fixture(scope="module")
def own(tmp_path_factory: pytest.TempPathFactory) -> Iterator[schema.Store]:
    opened = small_plant(tmp_path_factory.mktemp("setup") / "plant.db")
    yield opened
    opened.engine.dispose()


@pytest.fixture
def office(own: schema.Store, chromium: Any) -> Iterator[Page]:
    running = Server(own)
    chromium.get_log("browser")
    yield Page(chromium, running.address)
    running.stop()


def over(page: Any, css: str, text: str) -> None:
    page.find(css).send_keys(Keys.CONTROL, "a")
    page.type(css, text)


def test_a_target_is_changed_and_the_versions_say_so(office: Any, own: schema.Store) -> None:
    office.open("/setup?part=targets")
    over(office, "#setup-target", "98.5")
    office.type("#setup-stamp-who", "lead")
    office.type("#setup-stamp-why", "agreed with the buyer")
    office.click(".setup form [type=submit]")
    office.says("Target, % correct 99 → 98.5", "#setup-said")
    assert records.programme(own).target == 0.985
    office.says("version 2", ".head")
    office.click('nav[aria-label="Parts"] a[href*="part=versions"]')
    office.says("agreed with the buyer", "#setup-versions")
    office.click("#setup-between [type=submit]")
    office.says("From version 1 to version 2:")
    assert office.complaints() == []


def test_a_fault_is_said_beside_its_field(office: Any, own: schema.Store) -> None:
    before = len(records.programmes(own))
    office.open("/setup?part=lanes")
    over(office, "#setup-3-line", "Z")
    office.type("#setup-stamp-who", "lead")
    office.type("#setup-stamp-why", "a new line")
    office.click(".setup form [type=submit]")
    office.says('must be one of A, got "Z"', "#setup-3-line-fault")
    assert office.find("#setup-3-line").get_attribute("value") == "Z"  # nothing typed is lost
    assert len(records.programmes(own)) == before


def test_a_lane_is_added_and_another_taken_away(office: Any, own: schema.Store) -> None:
    office.open("/setup?part=lanes")
    office.type("#setup-6-code", "007")
    office.type("#setup-6-line", "A")
    office.driver.execute_script("document.getElementById('setup-5-gone').value = 'yes'")
    office.type("#setup-stamp-who", "lead")
    office.type("#setup-stamp-why", "lane 6 is rebuilt")
    office.click(".setup form [type=submit]")
    office.says("Lane 007 is new (007, A)", "#setup-said")
    office.find("#setup-5-code[value='007']")
    assert [each.code for each in records.programme(own).lanes] == [*"12345", "007"]


def test_the_whole_text_is_refused_with_every_fault(office: Any, own: schema.Store) -> None:
    before = len(records.programmes(own))
    office.open("/setup?part=text")
    over(office, "#setup-text", "target = 99")
    office.type("#setup-stamp-who", "lead")
    office.type("#setup-stamp-why", "a try")
    office.click(".setup form [type=submit]")
    office.says("target: must be a fraction between 0 and 1", "#setup-fault")
    office.says("site: is missing", "#setup-fault")
    assert len(records.programmes(own)) == before
