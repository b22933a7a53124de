"""A dashboard on a small plant's store, and a real browser that looks at it."""

import os
from collections.abc import Callable, Iterator
from datetime import datetime
from typing import Any

import pytest
from selenium import webdriver
from selenium.common.exceptions import NoSuchElementException, StaleElementReferenceException
from selenium.webdriver.common.by import By
from selenium.webdriver.remote.webelement import WebElement
from selenium.webdriver.support.ui import WebDriverWait

from qa.store import schema
from tests import browser
from tests.small_plant import NOW, small_plant


@pytest.fixture(scope="session")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Iterator[schema.Store]:
    opened = small_plant(tmp_path_factory.mktemp("plant") / "plant.db")
    yield opened
    opened.engine.dispose()


class Server(browser.Server):
    """The app over a store, at the small plant's hour."""

    def __init__(self, store: schema.Store) -> None:
        super().__init__(store, lambda: NOW)


@pytest.fixture(scope="session")
def now() -> datetime:
    return NOW


@pytest.fixture(scope="session")
def server(plant: schema.Store) -> Iterator[Server]:
    running = Server(plant)
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


class Page:
    """What a test says to the browser."""

    def __init__(self, driver: webdriver.Chrome, address: str) -> None:
        self.driver = driver
        self.address = address

    def open(self, path: str) -> None:
        self.driver.get(self.address + path)

    def wait(self, what: Callable[[webdriver.Chrome], Any], said: str = "") -> Any:
        stale = (NoSuchElementException, StaleElementReferenceException)
        return WebDriverWait(self.driver, browser.SECONDS, 0.1, stale).until(what, said)

    def find(self, css: str) -> WebElement:
        return self.wait(lambda driver: driver.find_element(By.CSS_SELECTOR, css), css)

    def all(self, css: str) -> list[WebElement]:
        return self.driver.find_elements(By.CSS_SELECTOR, css)

    def click(self, css: str) -> None:
        element = self.find(css)
        self.driver.execute_script("arguments[0].scrollIntoView({block:'center'})", element)
        self.wait(lambda _: element.is_displayed() and element.is_enabled(), css)
        element.click()

    def type(self, css: str, text: str) -> None:
        self.find(css).send_keys(text)

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
def page(chromium: webdriver.Chrome, server: Server) -> Page:
    chromium.get(server.address + "/assets/source-sans-3-licence.txt")
    chromium.execute_script("localStorage.clear()")
    chromium.get_log("browser")
    return Page(chromium, server.address)


@pytest.fixture
def own_server(plant: schema.Store) -> Iterator[Server]:
    """A server that a test may stop."""
    running = Server(plant)
    yield running
    running.stop()
