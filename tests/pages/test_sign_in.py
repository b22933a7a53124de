"""The doors in a real browser: signing in, being locked out, a role without a right, a station."""

from collections.abc import Iterator
from typing import Any

import pytest
from selenium import webdriver

from qa.store import people, records, schema
from qa.store.sign_ins import MOST_OWN
from tests.browser import SCHEMES, WIDTHS, look, look_as_ever
from tests.pages.conftest import Page, served
from tests.pages.test_every_page import OVER, broken_rules
from tests.small_plant import NOW

WORD, PIN = "a dozen sprouts and one", "2580"
NAMES = {"Lena": "lead", "Rosa": "recorder", "Vera": "viewer", "Otto": "viewer"}


@pytest.fixture
def guarded(plant: schema.Store, quick_hashes: None) -> schema.Store:
    """A plant with an account of three roles; Rosa has a PIN too."""
    for name, role in NAMES.items():
        people.add_account(plant, name, role, by="plant", at=NOW)
        people.set_password(plant, name, WORD, by="plant", at=NOW)
    people.set_pin(plant, "Rosa", PIN, by="plant", at=NOW)
    return plant


@pytest.fixture
def door(chromium: webdriver.Chrome, guarded: schema.Store) -> Iterator[Page]:
    with served(chromium, guarded) as page:
        yield page


def sign_in(door: Page, name: str, password: str = WORD) -> None:
    door.retype("#name", name)
    door.type("#password", password)
    door.leave_by(".door-form .act")


def make_station(door: Page, name: str) -> None:
    """Of a lead's browser."""
    door.says("Make this browser a station", "h1")
    door.type("#name", name)
    door.leave_by(".door-form .act")
    door.says("Who logs here?", "h1")


def by_pin(door: Page, name: str, pin: str) -> None:
    door.click(f'.station-name:has([value="{name}"])')
    for digit in pin:
        door.click(f'[data-digit="{digit}"]')
    door.leave_by("#station .act")


def path(door: Page) -> str:
    return str(door.driver.current_url).removeprefix(door.address)


def test_signing_in_leads_to_what_was_asked_for_and_out_again(door: Page) -> None:
    door.open("/lane?lane=2&days=14")
    door.says("Sign in", "h1")
    sign_in(door, "Lena")
    door.says("Lane 2", "h1")
    assert path(door) == "/lane?lane=2&days=14"
    door.says("Lena, lead", "#app-person")
    door.find("#lane-chart .main-svg")
    assert door.complaints() == []
    door.leave_by("#app-person button")
    door.says("Sign in", "h1")
    door.turn(door.driver.back)
    door.says("Sign in", "h1")


def test_a_wrong_password_and_then_the_lock_are_told(door: Page) -> None:
    door.open("/")
    for _ in range(MOST_OWN):
        sign_in(door, "Otto", "not the password")
        door.says("do not go together", "#fault")
    sign_in(door, "Otto")
    door.says("The next one is looked at in 15 minutes", "#fault")
    assert door.value("#name") == "Otto"


def test_a_role_without_a_right_is_not_offered_the_page(door: Page) -> None:
    door.open("/floor")
    sign_in(door, "Rosa")
    door.says("Which lane needs me now?", "h1")
    door.open("/lane?lane=2")
    door.says("Record what was done to this lane")
    door.drawn()
    assert door.all("form[data-send]") == []
    door.says("Tally", "#app-nav")
    door.leave_by("#app-person button")
    door.open("/tally")
    sign_in(door, "Vera", WORD + "x")
    door.says("do not go together", "#fault")
    sign_in(door, "Vera")
    door.says("Your role has no right to this. Ask the lead.")
    door.says("Floor", "#app-nav")
    assert "Tally" not in door.text("#app-nav")
    door.open("/lane?lane=2")
    door.says("Lane 2", "h1")


def test_an_ended_session_is_told_and_nothing_typed_is_lost(
    door: Page, guarded: schema.Store
) -> None:
    door.open("/tally")
    sign_in(door, "Rosa")
    door.find("#tally-form[data-state]")
    assert door.value("#tally-inspector") == "Rosa"
    assert door.attribute("#tally-inspector", "readonly")
    door.type("#tally-tote", "kept-1")
    door.click('#tally-lane [data-value="1"]')
    door.click("#tally-clean")
    door.driver.delete_cookie("toteproof")
    door.click("#tally-save")
    door.says("Please sign in again", "#app-ended")
    door.says("Please sign in again", "#tally-verdict")
    door.leave_by("#app-ended a")
    sign_in(door, "Rosa")
    door.find("#tally-form[data-state]")
    assert path(door) == "/tally"
    assert door.value("#tally-tote") == "kept-1"
    door.click("#tally-save")
    door.says("Accept", "#tally-verdict")
    row = records.tallies(guarded, tote="kept-1").iloc[0]
    assert row["inspector"] == "Rosa"


def test_a_station_is_made_and_an_inspector_logs_by_pin(door: Page, guarded: schema.Store) -> None:
    door.open("/station")
    sign_in(door, "Lena")
    make_station(door, "Tablet 1")
    by_pin(door, "Rosa", "2589")
    door.says("This PIN is not that inspector's", "#fault")
    for digit in "99":
        door.click(f'[data-digit="{digit}"]')
    door.click('[data-digit=""]')
    by_pin(door, "Rosa", PIN)
    door.says("Rosa, at Tablet 1", "#app-person")
    door.find("#tally-form[data-state]")
    door.type("#tally-tote", "pin-1")
    door.click('#tally-lane [data-value="1"]')
    door.click("#tally-clean")
    door.click("#tally-save")
    door.says("Accept", "#tally-verdict")
    row = records.audits(guarded, tote="pin-1").iloc[0]
    assert (row["inspector"], row["source"]) == ("Rosa", "station Tablet 1")
    assert [each for each in door.complaints() if "401" not in each] == []
    door.leave_by("#app-person button")
    door.says("Who logs here?", "h1")


def test_the_words_are_at_the_doors_and_lead_back_to_the_one_that_was_left(door: Page) -> None:
    door.open("/sign-in")
    door.leave_by(".foot a")
    door.says("The most incorrect pieces in the sample")
    door.leave_by(".filters a")
    door.says("Sign in", "h1")
    door.open("/station")
    sign_in(door, "Lena")
    make_station(door, "Tablet 4")
    door.leave_by(".foot a")
    door.leave_by(".filters a")
    door.says("Who logs here?", "h1")


@pytest.mark.parametrize("width", [360, 820, 1280])
def test_keys_are_big_enough_for_gloves(door: Page, width: int) -> None:
    door.open("/station")
    sign_in(door, "Lena")
    make_station(door, "Tablet 2")
    door.find(".pad:not([hidden])")
    door.driver.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": False},
    )
    try:
        door.still(".pad")
        sizes: Any = door.driver.execute_script(
            "return Array.from(document.querySelectorAll('.pad .step, .station-name'),"
            " (each) => [each.offsetWidth, each.offsetHeight])"
        )
        wide = door.driver.execute_script("return document.documentElement.scrollWidth")
    finally:
        door.driver.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
    assert wide <= width
    assert len(sizes) == 12
    for each in sizes:
        assert min(each) >= 75  # 20 mm, as Tally's own keys


def open_door(door: Page, which: str) -> None:
    """Each door as it stands, and as it stands when it refused somebody."""
    if which.startswith("sign-in"):
        door.open("/sign-in")
        if which.endswith("words"):
            door.leave_by(".foot a")
            return
        if which.endswith("refused"):
            sign_in(door, "nobody at all " + "x" * 20, "not the password")
            door.says("do not go together", "#fault")
        return
    door.open("/station")
    sign_in(door, "Lena")
    if which == "make a station":
        door.says("Make this browser a station", "h1")
        return
    make_station(door, "Tablet 3")
    if which.endswith("refused"):
        door.click('.station-name:has([value="Rosa"])')
        door.type("#pin", "9999")
        door.leave_by("#station .act")
        door.says("This PIN is not that inspector's", "#fault")


DOORS = (
    "sign-in",
    "sign-in, refused",
    "sign-in, words",
    "make a station",
    "station",
    "station, refused",
)


@pytest.mark.parametrize("which", DOORS)
def test_no_door_overflows(door: Page, which: str) -> None:
    open_door(door, which)
    try:
        for width in WIDTHS:
            look(door.driver, width, "light")
            said = f"nothing beyond {width} px"
            door.wait(lambda driver: driver.execute_script(OVER) == [], said)
    finally:
        look_as_ever(door.driver)


@pytest.mark.parametrize("which", DOORS)
def test_accessibility_rules_are_kept_at_the_doors(door: Page, which: str) -> None:
    try:
        for scheme in SCHEMES:
            look(door.driver, 820, scheme)
            door.driver.delete_all_cookies()
            open_door(door, which)
            assert broken_rules(door) == [], scheme
    finally:
        look_as_ever(door.driver)
