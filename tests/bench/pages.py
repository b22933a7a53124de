"""Every page in a browser, over a million audits: first useful paint, a filter, and what it sends.

Times are medians. A page is useful when its heading and its charts stand and no skeleton is left; a
filter's change is over with the last change that it makes to the page.
"""

import logging
import statistics
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from selenium import webdriver
from selenium.webdriver.support.ui import WebDriverWait

from dashboard.views import choices, floor, keeping
from qa.audit import parse
from qa.store import records
from qa.store.schema import Store
from tests import browser
from tests.bench.million import end, million

USEFUL, FILTER, KILOBYTES, REFRESH = 1.5, 0.3, 300, 0.5  # what is wanted, seconds and kB
TIMES = 5
SECONDS = 120
QUIET = 600  # milliseconds without a change, after which a page stands
LOOKS = 0.3  # seconds; the server is in this process, and each look takes of its time


@dataclass(frozen=True)
class Page:
    """A page, and two addresses that a filter on it leads to in turn."""

    name: str
    path: str
    filters: tuple[str, ...] = ()


PAGES = (
    Page("Floor", "/floor", ("?lane=4", "?lane=2")),
    Page("Lane", "/lane?lane=4", ("?lane=4&days=90", "?lane=2&category=stem&days=30")),
    Page("Shift", "/shift", ("?day=2046-07-27&shift=night", "?day=2046-07-26&shift=morning")),
    Page("Plan", "/plan", ("?aql=1.0", "?aql=2.5")),
    Page("Claim", "/claim", ("?lane=4", "?lane=2")),
    Page("Tally", "/tally"),
    Page("Ledger", "/ledger", ("?lane=4", "?tote=123-415920")),
    Page("Setup", "/setup", ("?part=lanes", "?part=categories")),
)

# Before any script of the page: when it became useful, and when it last changed.
_WATCH = f"""
window.benchChanged = 0;
const aside = (node) => (node.closest ? node : node.parentElement)?.closest(
  "#floor-heard, header, nav");
new MutationObserver((all) => {{
  if (all.some((e) => !aside(e.target)))
    window.benchChanged = performance.now();
}}).observe(document, {{subtree: true, childList: true, characterData: true, attributes: true}});
const look = () => {{
  const drawn = [...document.querySelectorAll(".dash-graph")].every((e) => e.querySelector("svg"));
  if (document.querySelector("main h1") && !document.querySelector(".bone") && drawn)
    window.benchUseful ??= performance.now();
  else requestAnimationFrame(look);
}};
requestAnimationFrame(look);
window.benchQuiet = () => window.benchChanged && performance.now() - window.benchChanged > {QUIET};
"""
_FOLLOW = """
window.benchChanged = 0; window.benchFrom = performance.now();
history.pushState({}, "", arguments[0]);
window.dispatchEvent(new CustomEvent("_dashprivate_pushstate"));
"""
_SENT = """
const all = performance.getEntriesByType("resource").concat(
  performance.getEntriesByType("navigation"));
const still = (e) => /\\/assets\\/|_dash-component-suites/.test(e.name);
const sum = (some) => some.reduce((kept, e) => kept + e.encodedBodySize, 0);
return [sum(all.filter((e) => !still(e))), sum(all.filter(still))];
"""


def results(word: str = "") -> Iterator[dict[str, Any]]:
    """What was measured of each page whose line has the word, as the other rows tell it."""
    wanted = [page for page in PAGES if word.lower() in f"pages: {page.name}".lower()]
    if not wanted or browser.missing():
        return
    logging.getLogger("werkzeug").setLevel(logging.WARNING)
    store = million()
    now = end(store)
    yield _told("pages: first reading after a start", *_began(store), 60.0)
    server = browser.Server(store, lambda: now)
    with tempfile.TemporaryDirectory() as folder:
        driver = browser.chromium(Path(folder))
        try:
            driver.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", {"source": _WATCH})
            for page in wanted:
                yield from _page(driver, server.address, page)
        finally:
            driver.quit()
            server.stop()
    yield _told("pages: Floor made anew after one more audit", *_one_more(store, now), REFRESH)
    store.engine.dispose()


def _told(name: str, seconds: float, said: str, wanted: float) -> dict[str, Any]:
    return {
        "name": f"{name}{said}",
        "usual_seconds": wanted,
        "ours_seconds": seconds,
        "ratio": wanted / seconds,
        "goal": 1.0,
        "reached": seconds <= wanted,
        "answers_equal": True,
    }


def _page(driver: webdriver.Chrome, address: str, page: Page) -> Iterator[dict[str, Any]]:
    paints, sent = [], (0, 0)
    for _ in range(TIMES + 1):  # the first fills the browser's cache
        driver.get(address + page.path)
        paints.append(_when(driver, "return window.benchUseful"))
        _when(driver, "return window.benchQuiet()")
        sent = driver.execute_script(_SENT)
    data, still = (round(each / 1000) for each in sent)
    said = f": first useful paint, {data} kB sent and {still} kB of scripts"
    told = _told(f"pages: {page.name}", statistics.median(paints[1:]) / 1000, said, USEFUL)
    yield {**told, "reached": told["reached"] and data <= KILOBYTES}
    if not page.filters:
        return
    where, changes = page.path.partition("?")[0], []
    for turn in range(2 * TIMES):
        driver.execute_script(_FOLLOW, where + page.filters[turn % len(page.filters)])
        _when(driver, "return window.benchQuiet()")
        changes.append(driver.execute_script("return window.benchChanged - window.benchFrom"))
    yield _told(f"pages: {page.name}", statistics.median(changes) / 1000, ": a filter", FILTER)


def _when(driver: webdriver.Chrome, script: str) -> float:
    found: float = WebDriverWait(driver, SECONDS, LOOKS).until(
        lambda seen: seen.execute_script(script), script
    )
    return found


def _began(store: Store) -> tuple[float, str]:
    start = time.perf_counter()
    keeping.record(store)
    return time.perf_counter() - start, ""


def _one_more(store: Store, now: datetime) -> tuple[float, str]:
    """The median time from an audit's being recorded to Floor's being worked out with it."""
    programme, times = records.programme(store), []
    for number in range(TIMES):
        made = parse(
            {
                "pulled_at": (now - timedelta(seconds=50 - number)).isoformat(),
                "lane": programme.lanes[number % len(programme.lanes)].code,
                "tote": f"bench-{time.time_ns()}",
                "inspector": "insp-01",
                "inspected": 200,
                "stem": 1,
            },
            programme,
        )
        records.log(store, made, by="bench", at=now)
        start = time.perf_counter()
        shown = floor.view(store, choices.Choices(), now)
        times.append(time.perf_counter() - start)
        if not any(mark.tote == made.tote for row in shown.rows for mark in row.recent):
            raise AssertionError(f"Floor does not show tote {made.tote}")
        records.void(store, made.key, by="bench", at=now, reason="a measurement")
        floor.view(store, choices.Choices(), now)
    return statistics.median(times), ""
