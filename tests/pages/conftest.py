"""A dashboard on a small plant's store, and a real browser that looks at it."""

import os
import threading
from collections.abc import Callable, Iterator
from datetime import datetime
from shutil import which
from typing import Any

import pytest
from selenium import webdriver
from selenium.common.exceptions import NoSuchElementException, StaleElementReferenceException
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.by import By
from selenium.webdriver.remote.webelement import WebElement
from selenium.webdriver.support.ui import WebDriverWait
from werkzeug.serving import make_server

from dashboard.app import create_app
from qa.store import schema
from tests.small_plant import NOW, small_plant

FLAGS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
SECONDS = 15


@pytest.fixture(scope="session")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Iterator[schema.Store]:
    opened = small_plant(tmp_path_factory.mktemp("plant") / "plant.db")
    yield opened
    opened.engine.dispose()


class Server:
    """The app on a port of this machine; it can be stopped and started again at the same one."""

    def __init__(self, store: schema.Store) -> None:
        self._app = create_app(store, lambda: NOW).server
        self.port = 0
        self.start()

    def start(self) -> None:
        self._server = make_server("127.0.0.1", self.port, self._app, threaded=True)
        self.port = self._server.server_port
        self._thread = threading.Thread(target=self._server.serve_forever, daemon=True)
        self._thread.start()

    def stop(self) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(SECONDS)

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}"


@pytest.fixture(scope="session")
def now() -> datetime:
    return NOW


@pytest.fixture(scope="session")
def server(plant: schema.Store) -> Iterator[Server]:
    running = Server(plant)
    yield running
    running.stop()


def _missing(name: str) -> None:
    said = f"the browser tests need {name}, which is not on this machine"
    if os.environ.get("CI"):
        pytest.fail(said)
    pytest.skip(said)


@pytest.fixture(scope="session")
def chromium(tmp_path_factory: pytest.TempPathFactory) -> Iterator[webdriver.Chrome]:
    browser, driver = which("chromium"), which("chromedriver")
    if not browser or not driver:
        _missing("Chromium" if not browser else "chromedriver")
    options = webdriver.ChromeOptions()
    options.binary_location = str(browser)
    for flag in (*FLAGS, f"--user-data-dir={tmp_path_factory.mktemp('chromium')}"):
        options.add_argument(flag)
    options.add_argument("--window-size=1280,900")
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    opened = webdriver.Chrome(options=options, service=Service(str(driver)))
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
        return WebDriverWait(self.driver, SECONDS, 0.1, stale).until(what, said)

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
