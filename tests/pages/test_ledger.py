"""The ledger in a real browser: found, corrected, voided, taken in, and bad input said."""

import re
from pathlib import Path
from threading import Event
from typing import Any

import pytest
from selenium.webdriver.common.keys import Keys

from dashboard.views import taking_in
from qa.store import ledger, records, schema
from tests.browser import SECONDS, look, look_as_ever
from tests.pages.test_every_page import broken_rules

CSV = "tote,lane,pulled_at,inspector,inspected,stem,over_trim,double\n"
ROWS = "B1,1,2026-04-20 08:10,insp-01,200,1,0,0\nB2,9,2026-04-20 08:20,insp-01,200,1,0,0\n"


def test_an_audit_is_found_opened_and_corrected(page: Any, plant: schema.Store) -> None:
    page.open("/ledger")
    page.type("#ledger-tote", "4051")
    page.click("#ledger-filters [type=submit]")
    page.says("1 to 1 of 1")
    page.click("#ledger-rows tbody a")
    page.says("Tote 4051, lane 4", "h1")
    for css, text in (("inspected", "199"), ("stamp-who", "lead"), ("stamp-why", "one was torn")):
        page.retype(f"#ledger-{css}", text)
    page.click('[data-name="ledger"] [type=submit]')
    page.says("Inspected: 200 → 199", "#ledger-history")
    page.says("one was torn", "#ledger-history")
    key = ledger.audits(plant, ledger.Asked(tote="4051")).rows["key"].iloc[0]
    assert records.history(plant, key)["inspected"].tolist() == [200, 199]
    page.click("nav.filters a")
    page.says("1 to 1 of 1")  # the filters are still there
    assert page.complaints() == []


def test_bad_fields_are_said_beside_them_and_nothing_is_recorded(
    page: Any, plant: schema.Store
) -> None:
    key = ledger.audits(plant, ledger.Asked(tote="5051")).rows["key"].iloc[0]
    page.open(f"/ledger?key={key}")
    page.type("#ledger-stem", "777")
    page.click('[data-name="ledger"] [type=submit]')
    page.says("must be from 0 to inspected", "#ledger-stem-fault")
    page.says("is missing", "#ledger-stamp-who-fault")
    page.says("is missing", "#ledger-stamp-why-fault")
    assert len(records.history(plant, key)) == 1


def test_an_audit_is_voided_with_its_reason(page: Any, plant: schema.Store) -> None:
    key = ledger.audits(plant, ledger.Asked(tote="6051")).rows["key"].iloc[0]
    page.open(f"/ledger?key={key}")
    page.click("#ledger-voiding summary")
    page.type("#ledger-void-stamp-who", "lead")
    page.type("#ledger-void-stamp-why", "logged twice")
    page.click('[data-name="ledger-void"] [type=submit]')
    page.says("This audit is voided")
    page.says("logged twice", "#ledger-history")
    assert records.tallies(plant, tote="6051").empty


def test_a_file_is_looked_at_named_row_by_row_and_recorded(
    page: Any, plant: schema.Store, tmp_path: Path
) -> None:
    file = tmp_path / "shift.csv"
    file.write_text(CSV + ROWS)
    page.open("/ledger")
    page.click("#ledger-import > summary")
    page.click("#ledger-import form [type=submit]")
    page.says("must be chosen", "#ledger-import-file-fault")
    page.choose("#ledger-import input[type=file]", file)
    page.click("#ledger-import form [type=submit]")
    page.says("one audit would be new on record", "#ledger-import-shown")
    page.says("Must be one of 1, 2, 3, 4, 5, 6", "#ledger-import-shown")
    assert records.tallies(plant, tote="B1").empty
    page.click("#ledger-import-record")
    page.says("is missing", "#ledger-import-who-fault")
    page.type("#ledger-import-who", "Ines")
    page.click("#ledger-import-record")
    page.says("recorded, one audit new on record", "#ledger-import-shown")
    assert len(records.tallies(plant, tote="B1")) == 1
    complaints = [each for each in page.complaints() if "422" not in each]
    assert complaints == []


def seconds_so_far(page: Any) -> int:
    found = re.search(r"(\d+) s so far\.", page.text("#ledger-import-waiting"))
    return int(found[1]) if found else -1


def test_a_file_that_takes_long_says_so_while_it_does(
    page: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    go_on = Event()
    quick = taking_in.preview

    def slow(*given: Any) -> Any:
        assert go_on.wait(10 * SECONDS)
        return quick(*given)

    monkeypatch.setattr(taking_in, "preview", slow)
    file = tmp_path / "shift.csv"
    file.write_text(CSV + ROWS.replace("B1", "B7"))
    page.open("/ledger")
    page.click("#ledger-import > summary")
    page.choose("#ledger-import input[type=file]", file)
    assert not page.shown("#ledger-import-waiting")
    try:
        page.click("#ledger-import form [type=submit]")
        page.says("is being looked at; nothing is recorded yet.", "#ledger-import-waiting")
        page.wait(lambda _: seconds_so_far(page) >= 2, "the seconds go on")
    finally:
        go_on.set()
    page.says("one audit would be new on record", "#ledger-import-shown")
    assert not page.shown("#ledger-import-waiting")


def test_the_record_is_checked_by_a_button(page: Any) -> None:
    page.open("/ledger")
    page.click('[data-send="/ledger/check"] [type=submit]')
    page.says("the record agrees with itself", "#ledger-said")


def test_an_export_that_cannot_be_is_said_beside_it(page: Any) -> None:
    page.open("/ledger?state=voided")
    page.click("#ledger-export-csv")
    page.says("voided audits are not exported", "#ledger-export-fault")


def test_a_bad_filter_is_said_beside_its_field(page: Any) -> None:
    page.open("/ledger?first=yesterday")
    page.says("Must be a date such as", "#ledger-first-fault")
    page.find('#ledger-first[aria-invalid="true"]')


def test_on_a_phone_the_filters_are_folded_into_what_they_say(page: Any) -> None:
    look(page.driver, 390, "dark")
    try:
        page.open("/ledger?lane=2&shift=morning")
        page.drawn()
        page.says("Filters: Lane 2; Shift Morning; recorded, newest first", "#ledger-fold")
        top = "return document.querySelector('#ledger-rows').getBoundingClientRect().top"
        assert page.driver.execute_script(top) < 700, "the list begins on the first screen"
        assert not page.shown("#ledger-tote")
        page.press("#ledger-fold", Keys.ENTER)
        assert page.attribute("#ledger-fold", "aria-expanded") == "true"
        assert broken_rules(page) == []
        page.type("#ledger-tote", "2051")
        page.click("#ledger-filters [type=submit]")
        page.says("Filters: Tote 2051; Lane 2; Shift Morning", "#ledger-fold")
        assert not page.shown("#ledger-tote")
        page.open("/ledger?first=yesterday")
        page.says("Must be a date such as", "#ledger-first-fault")  # what is wrong is not folded
    finally:
        look_as_ever(page.driver)


def test_on_a_wide_screen_the_filters_stand_open(page: Any) -> None:
    look(page.driver, 820, "light")
    try:
        page.open("/ledger?lane=2")
        page.drawn()
        assert page.shown("#ledger-tote")
        assert not page.shown("#ledger-fold")
    finally:
        look_as_ever(page.driver)


LINES = """
const link = document.querySelector("#ledger-rows tbody a");
link.firstChild.data = "520308";
const text = document.createRange();
text.selectNodeContents(link);
return new Set(Array.from(text.getClientRects(), (each) => Math.round(each.top))).size;
"""


def test_no_totes_number_is_broken_over_two_lines(page: Any) -> None:
    look(page.driver, 820, "light")
    try:
        page.open("/ledger")
        page.drawn()
        assert page.driver.execute_script(LINES) == 1
    finally:
        look_as_ever(page.driver)
