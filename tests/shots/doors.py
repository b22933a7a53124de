"""Pictures of the doors, over a store of its own with one lead: the demo has no accounts."""

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from selenium import webdriver
from selenium.common.exceptions import WebDriverException
from selenium.webdriver.common.by import By
from selenium.webdriver.support.ui import WebDriverWait

from dashboard.people import AT_STATION, DOOR_WORDS, OWN_PASSWORD, SIGN_IN
from qa.store import people, records, schema
from tests import browser
from tests.small_plant import PROGRAMME_FILE

PAGES = {
    "sign-in": SIGN_IN,
    "sign-in-words": DOOR_WORDS,
    "password": OWN_PASSWORD,
    "station": AT_STATION,
}
LEAD, WORD, PIN = "Lena", "a dozen sprouts and one", "2580"
NOW = datetime(2026, 5, 14, 9, tzinfo=UTC)
SECONDS = 60


@contextmanager
def guarded() -> Iterator[str]:
    """The address of a dashboard where people sign in."""
    with tempfile.TemporaryDirectory() as folder:
        store = schema.open_store(Path(folder) / "doors.db", create=True)
        text, stamp = PROGRAMME_FILE.read_text(encoding="utf-8"), {"by": "plant", "at": NOW}
        records.put_programme(store, text, reason="the plant is set up", **stamp)
        people.add_account(store, LEAD, "lead", password=WORD, **stamp)
        people.set_pin(store, LEAD, PIN, **stamp)
        server = browser.Server(store, lambda: NOW)
        try:
            yield server.address
        finally:
            server.stop()
            store.engine.dispose()


def at(driver: webdriver.Chrome, address: str, name: str) -> None:
    """Stand at a door as whoever may: one's own password after signing in, a station once made."""
    driver.get(address + PAGES[name])
    if name in ("sign-in", "sign-in-words") or driver.find_elements(By.ID, "pin"):
        return
    if driver.find_elements(By.ID, "password"):
        send(driver, name=LEAD, password=WORD)
    if name == "station":
        send(driver, name="Tablet 1")


def send(driver: webdriver.Chrome, **typed: str) -> None:
    """Fill a door's form in, send it, and wait for what comes of it."""
    form = driver.find_element(By.CSS_SELECTOR, ".door-form")
    for name, text in typed.items():
        form.find_element(By.ID, name).send_keys(text)
    driver.execute_script("window.stays = true")
    form.find_element(By.CSS_SELECTOR, ".act").click()
    gone = "return document.readyState === 'complete' && !window.stays"
    waiting = WebDriverWait(driver, SECONDS, 0.1, ignored_exceptions=[WebDriverException])
    waiting.until(lambda here: here.execute_script(gone), "the form is sent")
