"""A dashboard on a small plant's store, and a real browser that looks at it."""

import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from itertools import count
from pathlib import Path
from typing import Any

import pytest
from argon2 import PasswordHasher
from selenium import webdriver
from selenium.common.exceptions import (
    ElementClickInterceptedException,
    ElementNotInteractableException,
    NoSuchElementException,
    StaleElementReferenceException,
    WebDriverException,
)
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.remote.webelement import WebElement
from selenium.webdriver.support.ui import WebDriverWait

from qa.store import people, records, schema
from tests import browser
from tests.small_plant import NOW, small_plant


@pytest.fixture(scope="session")
def plant_to_copy(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A file to copy: filling a plant takes longer than most tests."""
    made = tmp_path_factory.mktemp("plant") / "plant.db"
    small_plant(made).engine.dispose()
    return made


@pytest.fixture
def plant(plant_to_copy: Path, tmp_path: Path) -> Iterator[schema.Store]:
    """A plant of the test's own, in which it may record what it likes."""
    opened = schema.open_store(shutil.copy(plant_to_copy, tmp_path))
    yield opened
    opened.engine.dispose()


@pytest.fixture
def quick_hashes(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Passwords and PINs kept in a way that costs no time, and is good for tests alone."""
    hasher = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
    people._nobodys.cache_clear()
    monkeypatch.setattr(people, "_hasher", lambda: hasher)
    yield
    people._nobodys.cache_clear()


@pytest.fixture(scope="session")
def now() -> datetime:
    return NOW


@pytest.fixture(scope="session")
def of_all(
    plant_to_copy: Path, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[schema.Store, browser.Server]]:
    """What the tests look at that record nothing."""
    store = schema.open_store(shutil.copy(plant_to_copy, tmp_path_factory.mktemp("of-all")))
    running = browser.Server(store, lambda: NOW)
    yield store, running
    running.stop()
    store.engine.dispose()


@pytest.fixture
def server(request: pytest.FixtureRequest) -> Iterator[browser.Server]:
    """The app over the test's own plant where it asks for one; it may be stopped then."""
    if "plant" not in request.fixturenames:
        store, running = request.getfixturevalue("of_all")
        before = records.newest(store)
        yield running
        said = "a test that records asks for `plant`, so that no other sees what it recorded"
        assert records.newest(store) == before, said
        return
    running = browser.Server(request.getfixturevalue("plant"), lambda: NOW)
    yield running
    running.stop()


@pytest.fixture(scope="session")
def chromium(tmp_path_factory: pytest.TempPathFactory) -> Iterator[webdriver.Chrome]:
    if lacking := browser.missing():
        said = f"the browser tests need {lacking}, which is not on this machine"
        if os.environ.get("CI"):
            pytest.fail(said)
        pytest.skip(said)
    opened = browser.chromium(tmp_path_factory.mktemp("chromium"))
    yield opened
    opened.quit()


# What chromedriver says of an element or a script whose document went away meanwhile.
_GONE = ("aborted by navigation", "document unloaded", "does not belong to the document",
         "Cannot find context", "No node with given id")  # fmt: skip
# An element stands where it will be: the framework draws nothing, and it is not on the move.
_STILL = """
const [element, done] = [arguments[0], arguments[arguments.length - 1]];
element.scrollIntoView({ block: "center", behavior: "instant" });
const place = () => JSON.stringify(element.getBoundingClientRect());
const draws = () => Boolean(window.store && window.store.getState().isLoading);
const before = draws() || place();
requestAnimationFrame(() => requestAnimationFrame(() => {
  done(element.isConnected && !draws() && place() === before);
}));
"""
_DRAWN = """
const drawn = [...document.querySelectorAll(".dash-graph")].every((e) => e.querySelector("svg"));
return Boolean(document.querySelector("main h1")) && !document.querySelector(".bone") && drawn
  && !(window.store && window.store.getState().isLoading) && document.fonts.status === "loaded";
"""


class Page:
    """What a test says to the browser."""

    def __init__(self, driver: webdriver.Chrome, server: browser.Server) -> None:
        self.driver = driver
        self.server = server
        self._left = count()
        self.address = server.address

    def begin(self) -> None:
        """At the address, as a browser that never was there, with nothing else open in it."""
        self.driver.get(self.address + "/assets/source-sans-3-licence.txt")
        self.driver.delete_all_cookies()
        self.driver.execute_script("localStorage.clear(); sessionStorage.clear()")
        self.driver.get_log("browser")

    def leave(self) -> None:
        """Ask nothing of a server any more that is about to stop."""
        self.driver.get("about:blank")
        self.driver.get_log("browser")

    def open(self, path: str) -> None:
        self.driver.get(self.address + path)

    def wait(self, what: Callable[[webdriver.Chrome], Any], said: str = "") -> Any:
        """Until something is so; while what it speaks of is not there, it is not so."""

        def so(driver: webdriver.Chrome) -> Any:
            try:
                return what(driver)
            except (NoSuchElementException, StaleElementReferenceException):
                return None
            except WebDriverException as reason:
                if any(each in str(reason.msg) for each in _GONE):
                    return None
                raise

        return WebDriverWait(self.driver, browser.SECONDS, 0.1).until(so, said)

    def drawn(self) -> None:
        """Wait until all of a page is there, with its charts."""
        self.wait(lambda driver: driver.execute_script(_DRAWN), "all is drawn")

    def find(self, css: str) -> WebElement:
        """An element as it is now: another one may stand there after anything is drawn."""
        return self.wait(lambda driver: driver.find_element(By.CSS_SELECTOR, css), css)

    def all(self, css: str) -> list[WebElement]:
        return self.driver.find_elements(By.CSS_SELECTOR, css)

    def still(self, css: str) -> WebElement:
        """An element once nothing draws it anew or moves it."""

        def so(driver: webdriver.Chrome) -> WebElement | None:
            element = driver.find_element(By.CSS_SELECTOR, css)
            return element if driver.execute_async_script(_STILL, element) else None

        return self.wait(so, f"{css} stands still")

    def act(self, css: str, what: Callable[[WebElement], Any]) -> None:
        """Do something to an element that can be used, once.

        The driver refuses an element that is gone, out of sight, off or beneath another before
        anything happens to it; only then is it tried again.
        """

        def done(_: webdriver.Chrome) -> bool:
            element = self.still(css)
            off = element.get_attribute("aria-disabled") == "true"
            if off or not (element.is_displayed() and element.is_enabled()):
                return False
            try:
                what(element)
            except (ElementClickInterceptedException, ElementNotInteractableException):
                return False
            return True

        self.wait(done, f"{css} can be used")

    def click(self, css: str) -> None:
        self.act(css, lambda element: element.click())

    def turn(self, act: Callable[[], Any]) -> None:
        """Do what leads to another document, and wait until that one is here and whole.

        Until then the old one answers, with fields of the same names.
        """
        left = next(self._left)
        self.driver.execute_script("window.isLeft = arguments[0]", left)
        act()
        here = "return window.isLeft !== arguments[0] && document.readyState === 'complete'"
        self.wait(lambda driver: driver.execute_script(here, left), "another document")

    def leave_by(self, css: str) -> None:
        """Click what leads to another document: a form's button, or a link without a script."""
        self.turn(lambda: self.click(css))

    def press(self, css: str, *keys: str) -> None:
        self.act(css, lambda element: element.send_keys(*keys))

    def type(self, css: str, text: str) -> None:
        """Type at the end of what a field says, and see that it arrived."""
        self.press(css, text)
        typed = text.rpartition(Keys.NULL)[2].rstrip(Keys.ENTER)
        self.wait(lambda _: self.value(css).endswith(typed), f"{css} says {typed}")

    def retype(self, css: str, text: str) -> None:
        """Type over what a field says."""
        self.type(css, Keys.CONTROL + "a" + Keys.NULL + text)
        self.wait(lambda _: self.value(css) == text, f"{css} says {text} alone")

    def choose(self, css: str, file: Path) -> None:
        """Choose a file, in a field that may be out of sight."""
        self._now(css, lambda element: element.send_keys(str(file)))

    def text(self, css: str) -> str:
        """What a part of the page says now; "" is an answer too."""
        return str(self._now(css, lambda element: element.text)[0])

    def value(self, css: str) -> str:
        return str(self.attribute(css, "value"))

    def attribute(self, css: str, name: str) -> str | None:
        found: str | None = self._now(css, lambda element: element.get_attribute(name))[0]
        return found

    def shown(self, css: str) -> bool:
        return bool(self._now(css, lambda element: element.is_displayed())[0])

    def _now(self, css: str, what: Callable[[WebElement], Any]) -> tuple[Any]:
        """What is asked of an element; of the next one where it goes while it is asked."""
        found: tuple[Any] = self.wait(
            lambda driver: (what(driver.find_element(By.CSS_SELECTOR, css)),), css
        )
        return found

    def says(self, text: str, css: str = "main") -> None:
        """Wait until a part of the page says a text."""
        self.wait(
            lambda driver: text in driver.find_element(By.CSS_SELECTOR, css).text,
            f'"{text}" in {css}',
        )

    def complaints(self) -> list[str]:
        """What the browser's console has to say against the page."""
        return [entry["message"] for entry in self.driver.get_log("browser")]


@pytest.fixture
def page(chromium: webdriver.Chrome, server: browser.Server) -> Iterator[Page]:
    with looked_at(chromium, server) as opened:
        yield opened


@contextmanager
def looked_at(driver: webdriver.Chrome, server: browser.Server) -> Iterator[Page]:
    """A browser before a server, that asks nothing of it any more when the block ends."""
    opened = Page(driver, server)
    opened.begin()
    yield opened
    opened.leave()


@contextmanager
def served(
    driver: webdriver.Chrome, store: schema.Store, now: Callable[[], datetime] = lambda: NOW
) -> Iterator[Page]:
    """A browser before the app over a store, which is stopped when the block ends."""
    running = browser.Server(store, now)
    try:
        with looked_at(driver, running) as opened:
            yield opened
    finally:
        running.stop()
