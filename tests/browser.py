"""Chromium and the app for it to look at: what browser tests and screenshots share."""

import contextlib
import socket
import threading
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from shutil import which
from typing import Any

from selenium import webdriver
from selenium.webdriver.chrome.service import Service
from werkzeug.serving import ThreadedWSGIServer, WSGIRequestHandler

from dashboard.app import create_app
from qa.store import schema
from tests import ports

PROGRAMS = ("chromium", "chromedriver")
FLAGS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-renderer-backgrounding",  # a tab behind another one goes on at its pace
    "--disable-dev-shm-usage",  # small in containers; a page that finds it full dies
)
WIDTHS = (390, 820, 1280, 1920)
SCHEMES = ("light", "dark")
SECONDS = 60  # for what comes at once on a machine that has nothing else to do


class _Request(WSGIRequestHandler):
    timeout = SECONDS  # for a browser that has asked half a question


class _Listening(ThreadedWSGIServer):
    """Answers whoever asked before it was closed, and nobody after.

    Browsers open connections ahead of what they will ask; one of those, left open, would be
    answered by a server that is stopped.
    """

    daemon_threads = False  # closing waits for them

    def __init__(self, *given: Any) -> None:
        self._open: set[Any] = set()
        super().__init__(*given)

    def process_request(self, request: Any, client_address: Any) -> None:
        self._open.add(request)
        super().process_request(request, client_address)

    def shutdown_request(self, request: Any) -> None:
        self._open.discard(request)
        super().shutdown_request(request)

    def server_close(self) -> None:
        for each in tuple(self._open):
            with contextlib.suppress(OSError):  # it was hung up meanwhile
                each.shutdown(socket.SHUT_RD)
        super().server_close()


class Server:
    """The app on a port of this machine; it can be stopped and started again at the same one.

    What stands in `app` answers; a test may put something before it.
    """

    def __init__(self, store: schema.Store, now: Callable[[], datetime]) -> None:
        self.app: Any = create_app(store, now).server
        self.port = ports.free()
        self.start()

    def start(self) -> None:
        self._server = _Listening("127.0.0.1", self.port, self._answer, _Request)
        self._thread = threading.Thread(target=self._server.serve_forever, daemon=True)
        self._thread.start()

    def _answer(self, environ: Any, begin: Any) -> Any:
        return self.app(environ, begin)

    def stop(self) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(SECONDS)

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}"


def missing() -> str | None:
    """The program that this machine lacks to open a browser, if any."""
    return next((name for name in PROGRAMS if not which(name)), None)


def chromium(folder: Path) -> webdriver.Chrome:
    """A browser without a screen, that keeps what it keeps in a folder; the caller quits it."""
    options = webdriver.ChromeOptions()
    options.binary_location = str(which(PROGRAMS[0]))
    for flag in (*FLAGS, f"--user-data-dir={folder}", "--window-size=1280,900"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(str(which(PROGRAMS[1]))))
    driver.set_script_timeout(SECONDS)
    return driver


def look(driver: webdriver.Chrome, width: int, scheme: str, height: int = 900) -> None:
    """Let the next pages be seen at a width in pixels, light or dark."""
    chosen = [{"name": "prefers-color-scheme", "value": scheme}]
    size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": chosen})
    driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)


def look_as_ever(driver: webdriver.Chrome) -> None:
    """Take back what `look` asked for."""
    driver.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})
