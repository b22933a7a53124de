"""People on Setup in a real browser: added, changed, shut; a token told once; phone width."""

import re
from collections.abc import Iterator
from typing import Any

import pytest
from selenium import webdriver

from qa.store import people, schema
from tests.browser import look, look_as_ever
from tests.pages.conftest import Page, served
from tests.pages.test_every_page import OVER
from tests.small_plant import NOW

WORD = "a dozen sprouts and one"
PEOPLE = "/setup?part=people"


@pytest.fixture
def guarded(plant: schema.Store, quick_hashes: None) -> schema.Store:
    people.add_account(plant, "Lena", "lead", password=WORD, by="plant", at=NOW)
    return plant


@pytest.fixture
def office(chromium: webdriver.Chrome, guarded: schema.Store) -> Iterator[Page]:
    """A lead's browser on People."""
    with served(chromium, guarded) as page:
        page.open(PEOPLE)
        page.type("#name", "Lena")
        page.type("#password", WORD)
        page.leave_by(".door-form .act")
        page.says("Who may sign in")
        page.complaints()
        yield page


def send(page: Any, deed: str, **fields: str) -> None:
    for name, text in {**fields, "stamp-why": "a new season"}.items():
        page.type(f"#setup-{deed}-{name}", text)
    page.click(f"form[data-name=setup-{deed}] [type=submit]")


def test_a_person_is_added_changed_and_shut(office: Any, guarded: schema.Store) -> None:
    send(office, "add", name="Rosa")
    office.says("Rosa may sign in, as recorder. The password, told this once:", "#setup-add-said")
    made = office.text("#setup-add-said code")
    assert re.fullmatch(r"([a-z2-9]{5}-){2}[a-z2-9]{5}", made)
    office.says("Rosa", "#setup-accounts")
    office.drawn()
    assert office.value("#setup-add-name") == ""
    assert made not in office.text("#setup-body")
    office.click("#setup-accounts a[href*=Rosa]")
    office.says("Is recorder, and signs in by: password.", "#setup-account")
    assert office.attribute("#setup-add-said", "textContent") == ""  # told once
    send(office, "pin", pin="11")
    office.says("a PIN must have 4 to 8 digits, not all the same", "#setup-pin-fault")
    assert office.value("#setup-pin-pin") == "11"
    send(office, "pin", pin="37")
    office.says("Rosa has a new PIN", "#setup-pin-said")
    office.says("signs in by: password, PIN", "#setup-account")
    send(office, "shut")
    office.says("Rosa is shut, and signed out everywhere.", "#setup-shut-said")
    office.find("#setup-open-stamp-why")
    office.says("Rosa was shut", "#setup-people-history")
    assert people.changes(guarded)[0].reason == "a new season"
    assert [each for each in office.complaints() if "422" not in each and "[DOM]" not in each] == []


def test_a_token_is_told_once_and_revoked(office: Any, guarded: schema.Store) -> None:
    send(office, "token", name="scale 3")
    office.says("The token of scale 3 (recorder), told this once:", "#setup-token-said")
    token = office.text("#setup-token-said code")
    found = people.device(guarded, token, people.TOKEN)
    assert found
    assert found.name == "scale 3"
    office.says("scale 3", "#setup-devices")
    send(office, "revoke")
    office.says("scale 3 opens nothing any more.", "#setup-revoke-said")
    office.says("revoked", "#setup-devices")
    assert people.device(guarded, token, people.TOKEN) is None


def test_the_last_lead_is_kept_and_told(office: Any) -> None:
    office.open(f"{PEOPLE}&account=Lena")
    send(office, "shut")
    office.says(
        "Lena is the only lead who can sign in; make another one first", "#setup-shut-fault"
    )
    office.says("Lena, lead", "#app-person")


@pytest.mark.parametrize("path", [PEOPLE, f"{PEOPLE}&account=Lena"])
@pytest.mark.parametrize("width", [390, 820, 1280])
def test_nothing_overflows(office: Any, path: str, width: int) -> None:
    look(office.driver, width, "light")
    try:
        office.open(path)
        office.drawn()
        office.find("#setup-people-history")
        office.wait(lambda d: d.execute_script(OVER) == [], f"nothing beyond {width} px")
    finally:
        look_as_ever(office.driver)


WIDER = """
return Array.from(document.querySelectorAll(".scroll")).filter((e) => e.scrollWidth > e.clientWidth)
  .map((each) => each.getAttribute("aria-label"));
"""


def test_no_list_goes_on_sideways_on_a_phone(office: Any) -> None:
    send(office, "token", name="scanner 1")
    office.says("scanner 1", "#setup-devices")
    look(office.driver, 390, "light")
    try:
        office.drawn()
        office.wait(lambda driver: driver.execute_script(WIDER) == [], "rows are stacked")
    finally:
        look_as_ever(office.driver)
