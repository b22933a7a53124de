"""The ledger in a real browser: found, corrected, voided, taken in, and bad input said."""

from collections.abc import Iterator
from pathlib import Path
from threading import Event
from typing import Any

import pytest

from dashboard.views import taking_in
from qa.store import ledger, records, schema
from tests.pages.conftest import Page, Server
from tests.small_plant import small_plant

CSV = "tote,lane,pulled_at,inspector,inspected,stem,over_trim,double\n"
ROWS = "B1,1,2026-04-20 08:10,insp-01,200,1,0,0\nB2,9,2026-04-20 08:20,insp-01,200,1,0,0\n"


@pytest.fixture(scope="module")
def own(tmp_path_factory: pytest.TempPathFactory) -> Iterator[schema.Store]:
    opened = small_plant(tmp_path_factory.mktemp("ledger") / "plant.db")
    yield opened
    opened.engine.dispose()


@pytest.fixture
def book(own: schema.Store, chromium: Any) -> Iterator[Page]:
    running = Server(own)
    chromium.get_log("browser")
    yield Page(chromium, running.address)
    running.stop()


def test_an_audit_is_found_opened_and_corrected(book: Any, own: schema.Store) -> None:
    book.open("/ledger")
    book.find("#ledger-rows tbody tr")
    book.type("#ledger-tote", "4051")
    book.click("#ledger-filters [type=submit]")
    book.says("1 to 1 of 1")
    book.click("#ledger-rows tbody a")
    book.says("Tote 4051, lane 4", "h1")
    for css, text in (("inspected", "199"), ("stamp-who", "lead"), ("stamp-why", "one was torn")):
        book.find(f"#ledger-{css}").clear()
        book.driver.execute_script(f"document.getElementById('ledger-{css}').select()")
        book.type(f"#ledger-{css}", text)
    book.click('[data-name="ledger"] [type=submit]')
    book.says("Inspected: 200 → 199", "#ledger-history")
    book.says("one was torn", "#ledger-history")
    key = ledger.audits(own, ledger.Asked(tote="4051")).rows["key"].iloc[0]
    assert records.history(own, key)["inspected"].tolist() == [200, 199]
    book.click("nav.filters a")
    book.says("1 to 1 of 1")  # the filters are still there
    assert book.complaints() == []


def test_bad_fields_are_said_beside_them_and_nothing_is_recorded(
    book: Any, own: schema.Store
) -> None:
    key = ledger.audits(own, ledger.Asked(tote="5051")).rows["key"].iloc[0]
    book.open(f"/ledger?key={key}")
    book.type("#ledger-stem", "777")
    book.click('[data-name="ledger"] [type=submit]')
    book.says("must be from 0 to inspected", "#ledger-stem-fault")
    book.says("is missing", "#ledger-stamp-who-fault")
    book.says("is missing", "#ledger-stamp-why-fault")
    assert len(records.history(own, key)) == 1


def test_an_audit_is_voided_with_its_reason(book: Any, own: schema.Store) -> None:
    key = ledger.audits(own, ledger.Asked(tote="6051")).rows["key"].iloc[0]
    book.open(f"/ledger?key={key}")
    book.click("#ledger-voiding summary")
    book.type("#ledger-void-stamp-who", "lead")
    book.type("#ledger-void-stamp-why", "logged twice")
    book.click('[data-name="ledger-void"] [type=submit]')
    book.says("This audit is voided")
    book.says("logged twice", "#ledger-history")
    assert records.tallies(own, tote="6051").empty


def test_a_file_is_looked_at_named_row_by_row_and_recorded(
    book: Any, own: schema.Store, tmp_path: Path
) -> None:
    file = tmp_path / "shift.csv"
    file.write_text(CSV + ROWS)
    book.open("/ledger")
    book.click("#ledger-import > summary")
    book.click("#ledger-import form [type=submit]")
    book.says("must be chosen", "#ledger-import-file-fault")
    book.find("#ledger-import input[type=file]").send_keys(str(file))
    book.click("#ledger-import form [type=submit]")
    book.says("one audit would be new on record", "#ledger-import-shown")
    book.says("Must be one of 1, 2, 3, 4, 5, 6", "#ledger-import-shown")
    assert records.tallies(own, tote="B1").empty
    book.click("#ledger-import-record")
    book.says("is missing", "#ledger-import-who-fault")
    book.type("#ledger-import-who", "Ines")
    book.click("#ledger-import-record")
    book.says("recorded, one audit new on record", "#ledger-import-shown")
    assert len(records.tallies(own, tote="B1")) == 1
    complaints = [each for each in book.complaints() if "422" not in each]
    assert complaints == []


def test_a_file_that_takes_long_says_so_while_it_does(
    book: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    go_on = Event()
    quick = taking_in.preview

    def slow(*given: Any) -> Any:
        assert go_on.wait(60)
        return quick(*given)

    monkeypatch.setattr(taking_in, "preview", slow)
    file = tmp_path / "shift.csv"
    file.write_text(CSV + ROWS.replace("B1", "B7"))
    book.open("/ledger")
    book.click("#ledger-import > summary")
    book.find("#ledger-import input[type=file]").send_keys(str(file))
    assert not book.find("#ledger-import-waiting").is_displayed()
    try:
        book.click("#ledger-import form [type=submit]")
        book.says("is being looked at; nothing is recorded yet.", "#ledger-import-waiting")
        book.says("2 s so far.", "#ledger-import-waiting")
    finally:
        go_on.set()
    book.says("one audit would be new on record", "#ledger-import-shown")
    assert not book.find("#ledger-import-waiting").is_displayed()


def test_the_record_is_checked_by_a_button(book: Any) -> None:
    book.open("/ledger")
    book.click('[data-send="/ledger/check"] [type=submit]')
    book.says("the record agrees with itself", "#ledger-said")


def test_an_export_that_cannot_be_is_said_beside_it(book: Any) -> None:
    book.open("/ledger?state=voided")
    book.click("#ledger-export-csv")
    book.says("voided audits are not exported", "#ledger-export-fault")


def test_a_bad_filter_is_said_beside_its_field(book: Any) -> None:
    book.open("/ledger?first=yesterday")
    book.says("Must be a date such as", "#ledger-first-fault")
    assert book.find("#ledger-first").get_attribute("aria-invalid") == "true"
