"""Pictures of every page over the demo's store, at every width, light and dark; of the doors too.

``python -m tests.shots [--folder DIR] [--page NAME] [--language CODE]``, or ``--readme`` for README
"""

import argparse
import base64
import logging
import math
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from itertools import product
from pathlib import Path

from selenium import webdriver
from selenium.webdriver.support.ui import WebDriverWait

from dashboard.texts import COOKIE, DEFAULT, LANGUAGES
from qa.cli import answers
from tests import browser
from tests.shots import doors

PAGES = {
    "floor": "/floor",
    "lane": "/lane?lane=4",
    "shift": "/shift",
    "plan": "/plan",
    "claim": "/claim?first=2026-05-01&last=2026-05-14",
    "tally": "/tally",
    "ledger": "/ledger",
    "setup": "/setup?part=categories",
    "people": "/setup?part=people",
    "inspectors": "/inspectors",
    "words": "/words",
}
NAMES = (*PAGES, *doors.PAGES)
README = ("floor", "lane")
README_SCALE = 0.75  # README is read at about this width
SECONDS = 60  # for a page over two months of audits, on a busy machine
_STATE = """
const drawn = [...document.querySelectorAll(".dash-graph")].every((e) => e.querySelector("svg"));
const whole = document.querySelector("main h1") && !document.querySelector(".bone") && drawn;
return whole && document.fonts.status === "loaded" ? document.body.innerHTML.length : null;
"""


def main() -> int:
    """Make the pictures and say where each is."""
    parser = argparse.ArgumentParser(prog="python -m tests.shots", description=__doc__)
    parser.add_argument("--folder", metavar="DIR", type=Path, default=Path(".shots"))
    parser.add_argument("--page", metavar="NAME", choices=NAMES, help=", ".join(NAMES))
    parser.add_argument("--language", metavar="CODE", choices=LANGUAGES, default=DEFAULT)
    parser.add_argument("--readme", action="store_true", help="make README's pictures anew")
    asked = parser.parse_args()
    if lacking := browser.missing():
        parser.error(f"pictures need {lacking}, which is not on this machine")
    logging.getLogger("werkzeug").setLevel(logging.WARNING)
    asked.folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as kept:
        driver = browser.chromium(Path(kept))
        try:
            for made in pictures(driver, asked):
                print(made, flush=True)
        finally:
            driver.quit()
    return 0


def pictures(driver: webdriver.Chrome, asked: argparse.Namespace) -> Iterator[Path]:
    """What is asked for: pages over the demo, and the doors over a store with accounts."""
    names = README if asked.readme else [asked.page] if asked.page else NAMES
    for here, making in ((PAGES, demo), (doors.PAGES, doors.guarded)):
        if not (wanted := [each for each in names if each in here]):
            continue
        with making() as address:
            driver.get(address + "/assets/source-sans-3-licence.txt")
            driver.add_cookie({"name": COOKIE, "value": asked.language, "path": "/"})
            if asked.readme:
                yield from for_readme(driver, address, Path(__file__).parent)
            else:
                yield from shots(driver, address, asked.folder, wanted)


@contextmanager
def demo() -> Iterator[str]:
    """The address of a dashboard over the demo, in the last minute of its last shift."""
    with tempfile.TemporaryDirectory() as folder:
        store, now, _ = answers.demo(Path(folder), lambda *_: None)
        server = browser.Server(store, lambda: now)
        try:
            yield server.address
        finally:
            server.stop()
            store.engine.dispose()


def shots(
    driver: webdriver.Chrome, address: str, folder: Path, pages: Iterable[str]
) -> Iterator[Path]:
    """Each picture's file as it is made: the whole page, however long."""
    for name, width, scheme in product(pages, browser.WIDTHS, browser.SCHEMES):
        browser.look(driver, width, scheme)
        if name in doors.PAGES:
            doors.at(driver, address, name)
        else:
            driver.get(address + PAGES[name])
        settle(driver)
        to = folder / f"{name}-{width}-{scheme}.png"
        to.write_bytes(picture(driver, width))
        yield to


def for_readme(driver: webdriver.Chrome, address: str, folder: Path) -> Iterator[Path]:
    """README's pictures: what fits a desk's screen, smaller."""
    for name in README:
        browser.look(driver, 1280, "light")
        driver.get(address + PAGES[name])
        settle(driver)
        to = folder / f"{name}.png"
        to.write_bytes(picture(driver, 1280, 1000, README_SCALE))
        yield to


def settle(driver: webdriver.Chrome) -> None:
    """Wait until all of a page is there, and has not changed from one look to the next."""
    seen: list[object] = [None]

    def still(_: object) -> bool:
        seen.append(driver.execute_script(_STATE))
        return seen[-1] is not None and seen[-1] == seen[-2]

    WebDriverWait(driver, SECONDS, 0.3).until(still, f"{driver.current_url} is drawn")


def picture(
    driver: webdriver.Chrome, width: int, most: float = math.inf, scale: float = 1
) -> bytes:
    """A PNG from the top of the page to its end, or down to `most` pixels."""
    whole = driver.execute_cdp_cmd("Page.getLayoutMetrics", {})["cssContentSize"]["height"]
    clip = {"x": 0, "y": 0, "width": width, "height": min(whole, most), "scale": scale}
    asked = {"format": "png", "captureBeyondViewport": True, "clip": clip}
    return base64.b64decode(driver.execute_cdp_cmd("Page.captureScreenshot", asked)["data"])


if __name__ == "__main__":
    raise SystemExit(main())
