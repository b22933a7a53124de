"""The first hour: a store with a programme and nothing else, up to its first audit."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from selenium import webdriver

from qa.store import records, schema
from tests.pages.conftest import Page, served
from tests.small_plant import NOW, PROGRAMME_FILE

SAYS = {
    "/floor": ("No audit is recorded yet", "Tally"),
    "/lane": ("Charts begin with the first routine audits", "Tally"),
    "/shift": ("No audit is recorded for the Morning shift of 20 April", "Tally"),
    "/plan": ("Pull 200, accept on 7, reject on 8", "A plan speaks of workmanship only"),
    "/claim": ("A claim needs a routine audit", "Log an audit"),
    "/tally": ("0 audits logged in it", "The verdict appears here as soon as the tote is saved"),
    "/ledger": ("No audit is recorded yet", "Import a file"),
    "/setup": ("version 1", "Pieces in a full tote"),
    "/inspectors": ("There is nothing to compare yet", "routine audits of at least two inspectors"),
}


@pytest.fixture
def begun(tmp_path: Path, chromium: webdriver.Chrome) -> Iterator[tuple[schema.Store, Page]]:
    """A store with a programme only, and a browser before it."""
    store = schema.open_store(tmp_path / "new.db", create=True)
    text = PROGRAMME_FILE.read_text(encoding="utf-8")
    records.put_programme(store, text, by="lead", at=NOW, reason="the plant is set up")
    with served(chromium, store) as page:
        yield store, page
    store.engine.dispose()


def test_every_page_says_what_to_do_until_the_first_audit_is_there(
    begun: tuple[schema.Store, Page],
) -> None:
    store, page = begun
    for path, (so, then) in SAYS.items():
        page.open(path)
        page.says(so)
        page.says(then)
        page.drawn()
        assert not page.all(".trouble"), f"{path} takes an empty store for a fault"
    page.open("/ledger")
    page.says("No audit is recorded yet")
    assert not page.all("#ledger-filters, #ledger-export-csv"), "nothing is there to choose from"
    page.open("/floor")
    page.click('.note a[href="/tally"]')
    page.find("#tally-form[data-state]")
    page.type("#tally-tote", "T1")
    page.type("#tally-inspector", "insp-07")
    page.click('#tally-lane [data-value="2"]')
    page.click("#tally-clean")
    page.click("#tally-save")
    page.says("Accept", "#tally-answer")
    assert len(records.tallies(store, tote="T1")) == 1
    page.open("/floor")
    page.says("100 %")
    page.open("/lane?lane=2")
    page.says("Lane 2 has audits, and none of them in its baseline")
    for path in SAYS:
        page.open(path)
        page.drawn()
        assert not page.all(".trouble"), f"{path} takes one audit for a fault"
    assert not [each for each in page.complaints() if "favicon" not in each]
