"""Floor on a wall: new audits in seconds, nothing drawn twice, for weeks, read from 4 m."""

import gc
import math
import os
import time
from collections.abc import Iterator
from datetime import datetime, timedelta
from itertools import count
from pathlib import Path
from typing import Any

import pytest

from dashboard.texts import COOKIE
from qa.audit import parse
from qa.store import records, schema
from tests import browser
from tests.pages.conftest import served
from tests.shots.__main__ import demo
from tests.small_plant import NOW, small_plant

WITHIN = 5.0  # seconds from the record to the screen
REFRESHES = int(os.environ.get("TOTEPROOF_REFRESHES", "150"))
ROWS = "return [...document.querySelectorAll('.rows > li')].map((e) => e.id)"
# A week in a few minutes: the page's ticks come as fast as the browser can.
FAST = """
const set = setInterval;
setInterval = (f, ms) => set(f, ms === 250 ? 4 : ms);
const fetched = fetch;
window.asks = 0;
fetch = (...how) => { asks += 1; return fetched(...how).finally(() => { asks -= 1; }); };
"""
WATCH = """
const body = document.getElementById("floor-body");
window.drawn = 0;
new MutationObserver(() => { drawn += 1 })
  .observe(body, { childList: true, subtree: true, characterData: true });
body.dataset.every = "0";
"""


@pytest.fixture
def floor(plant: schema.Store, page: Any) -> Any:
    """Floor, drawn, after its first question was answered; its server may be stopped."""
    page.open("/floor")
    page.drawn()
    page.says("Heard from the store", "#floor-heard")
    page.still(".rows > li")
    return page


def log(store: schema.Store, now: datetime, lane: str, tote: str, **found: int) -> None:
    fields: dict[str, object] = {"pulled_at": now - timedelta(minutes=2), "lane": lane}
    fields |= {"tote": tote, "inspector": "insp-01", "inspected": 200, **found}
    records.log(store, parse(fields, records.programme(store)), by="test", at=now)


REMEMBER = """
window.were = Object.fromEntries([...document.querySelectorAll(".rows > li")]
  .map((e) => [e.id, [e, e.outerHTML, [...e.querySelectorAll("*")]]]));
"""
STAYED = """
const now = [...document.querySelectorAll(".rows > li")];
const same = now.filter((e) => e.outerHTML === were[e.id][1]);
return [now.every((e) => e === were[e.id][0]), same.map((e) => e.id),
        same.every((e) => were[e.id][2].every((each) => each.isConnected))];
"""


# When a part of the page first says a text.
DRAWN_AT = """
const [id, text] = arguments;
window.drawnAt = null;
new MutationObserver(() => {
  const said = document.getElementById(id).innerText.replaceAll("\u00a0", " ");
  if (said.includes(text)) drawnAt ??= Date.now();
}).observe(document.getElementById("floor-body"),
  { childList: true, subtree: true, characterData: true });
"""


def questions(floor: Any) -> list[float]:
    """When Floor asked what is new, from now on."""
    at: list[float] = []
    app = floor.server.app

    def counted(environ: Any, begin: Any) -> Any:
        if environ["PATH_INFO"] == "/floor/now":
            at.append(time.time())
        return app(environ, begin)

    floor.server.app = counted
    return at


def test_a_new_audit_is_seen_in_seconds_and_every_other_row_stays_the_same_element(
    floor: Any, plant: schema.Store
) -> None:
    asked = questions(floor)
    floor.driver.execute_script(REMEMBER)
    floor.driver.execute_script(DRAWN_AT, "floor-lane-5", "accept · 2 min ago")
    log(plant, NOW, "5", "new-5", stem=1)
    recorded = time.time()
    floor.says("accept · 2 min ago", "#floor-lane-5")
    every, drawn = floor.driver.execute_script(
        "return [Number(document.getElementById('floor-body').dataset.every), drawnAt]"
    )
    print(f"from the record to the screen: {drawn / 1000 - recorded:.1f} s")
    # Seconds are the machine's too; that the next answer is drawn at once is the page's alone.
    assert len([at for at in asked if recorded < at < drawn / 1000]) <= 1
    assert 2 * every / 1000 < WITHIN
    rows, same, inside = floor.driver.execute_script(STAYED)
    assert rows
    assert set(same) == {f"floor-lane-{lane}" for lane in "12346"}
    assert inside


# The page's clock goes on only by hand, in its own ticks; what the machine takes is none of it.
BY_HAND = """
const ticks = [], set = setInterval, fetched = fetch;
window.clock = Date.now();
window.asks = 0;
Date.now = () => clock;
setInterval = (f, ms) => { if (ms !== 250) return set(f, ms); ticks.push(f); return 0; };
fetch = (...how) => { asks += 1; return fetched(...how).finally(() => { asks -= 1; }); };
window.tick = () => { clock += 250; ticks.forEach((each) => each()); };
"""


def test_by_the_page_s_own_clock_a_new_audit_is_seen_within_the_promise(
    chromium: Any, plant: schema.Store
) -> None:
    """However late in its pace of questions the audit comes, and however slow the machine is."""
    said = "return document.getElementById('floor-lane-5')?.innerText.replaceAll('\u00a0', ' ')"
    by_hand = chromium.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", {"source": BY_HAND})
    try:
        with served(chromium, plant, lambda: NOW) as page:
            page.open("/floor")
            answered = "return window.asks === 0"

            def tick() -> None:
                page.driver.execute_script("tick()")
                page.wait(lambda driver: driver.execute_script(answered), "it is answered")

            for _ in range(40):
                if page.driver.execute_script(said):
                    break
                tick()
            for number in range(9):  # from one question to the next, wherever between them
                stem = number % 4
                log(plant, NOW + timedelta(seconds=number), "5", f"clock-{number}", stem=stem)
                mark = f"clock-{number}"
                shown = f"return document.body.innerHTML.includes('{mark}')"
                passed = 0
                while not page.driver.execute_script(shown):
                    tick()
                    passed += 250
                    assert passed <= 1000 * WITHIN, mark
                print(f"{mark}: on the screen {passed / 1000} s later")
                for _ in range(number % 3):
                    tick()
    finally:
        chromium.execute_cdp_cmd("Page.removeScriptToEvaluateOnNewDocument", by_hand)


def test_a_row_that_goes_up_is_moved_and_keeps_the_focus(floor: Any, plant: schema.Store) -> None:
    floor.driver.execute_script(REMEMBER)
    floor.driver.execute_script("document.getElementById('floor-open-5').focus()")
    before = floor.driver.execute_script(ROWS)
    log(plant, NOW, "5", "new-5", double=9)
    floor.says("reject · 2 min ago", "#floor-lane-5")
    after = floor.driver.execute_script(ROWS)
    assert after.index("floor-lane-5") < before.index("floor-lane-5")
    assert set(after) == set(before)
    assert floor.driver.execute_script(STAYED)[0]
    focused = "return document.activeElement.id"
    assert floor.driver.execute_script(focused) == "floor-open-5"


def test_what_says_the_same_is_not_touched(floor: Any) -> None:
    floor.driver.execute_script(
        "window.changes = 0; new MutationObserver((all) => { changes += all.length })"
        ".observe(document.getElementById('floor-body'),"
        " { childList: true, subtree: true, attributes: true, characterData: true })"
    )
    asked = "return performance.getEntriesByType('resource').filter((e) =>"
    asked += " e.name.includes('/floor/now')).length"
    before = floor.driver.execute_script(asked)
    floor.wait(lambda driver: driver.execute_script(asked) >= before + 2, "it was asked for twice")
    assert floor.driver.execute_script("return changes") == 0


def test_a_restarted_server_is_heard_again_and_silence_is_told(
    floor: Any, plant: schema.Store
) -> None:
    floor.says("Heard from the store", "#floor-heard")
    floor.server.stop()
    floor.driver.execute_script("window.real = Date.now; Date.now = () => real() + 25000")
    floor.says("these figures are old", "#floor-heard")
    assert floor.all(".rows > li")
    log(plant, NOW, "4", "after-4", stem=30)
    floor.server.start()
    floor.says("reject · 2 min ago", "#floor-lane-4")
    floor.driver.execute_script("Date.now = real")
    floor.wait(lambda _: "old" not in floor.text("#floor-heard"), "it is heard")


def test_floor_says_what_is_wrong_with_its_address_and_follows_it(floor: Any) -> None:
    floor.open("/floor?lane=99")
    floor.says("Lane must be one of 1, 2, 3, 4, 5, 6")
    floor.driver.execute_script("history.pushState({}, '', '/floor?lane=3')")
    floor.wait(lambda driver: driver.execute_script(ROWS) == ["floor-lane-3"], "lane 3 alone")


# Read from 4 m

INCHES = 65  # of a screen over the line, 16 to 9, with 1920 by 1080 points
DISTANCE = 4_000  # mm
# ISO 9241-303 (as ISO 9241-3 before it): characters are 20 to 22 minutes of arc high by preference
# and never below 16, measured on capitals without accents. The figures are as quoted by others.
LEAST = 16
FROM_AFAR = (".row-lane", ".row-word", ".row-need .last-held", ".row:not(.row-steady) .row-says p",
             ".row-share:not(.row-share-thin) .row-figure b", ".last-word", ".big b")  # fmt: skip
CAPITALS = """
const style = getComputedStyle(arguments[0]);
const ink = document.createElement("canvas").getContext("2d");
ink.font = style.fontWeight + " " + style.fontSize + " " + style.fontFamily;
return ink.measureText("H").actualBoundingBoxAscent;
"""


def minutes_of_arc(points: float) -> float:
    """How high so many points of the screen look from afar."""
    point = INCHES * 25.4 * 16 / math.hypot(16, 9) / 1920  # mm
    return math.degrees(2 * math.atan(points * point / 2 / DISTANCE)) * 60


def test_a_letter_s_angle_is_that_of_its_height_and_distance() -> None:
    assert minutes_of_arc(4_000 * math.tan(math.radians(16 / 60)) / 0.74946) == pytest.approx(
        16, rel=1e-3
    )


def test_what_says_which_lane_needs_whom_is_read_from_4_m(floor: Any, plant: schema.Store) -> None:
    log(plant, NOW, "5", "wall-5", stem=30)  # so that a lot of this day is held
    browser.look(floor.driver, 1920, "light", 1080)
    try:
        floor.says("held", "#floor-lane-5 .row-need")
        floor.drawn()
        for part in FROM_AFAR:
            high = floor.wait(
                lambda driver, part=part: driver.execute_script(CAPITALS, floor.find(part)), part
            )
            print(f"{part}: capitals {high:.1f} px, {minutes_of_arc(high):.1f} minutes of arc")
            assert minutes_of_arc(high) >= LEAST, part
    finally:
        browser.look_as_ever(floor.driver)


LAST_ROW = "return document.querySelector('.rows > li:last-child').getBoundingClientRect().bottom"


def test_all_six_lanes_are_seen_at_once_on_a_screen_over_the_line(page: Any) -> None:
    """The demo's lane 4 drifts, and its sentence is as large as its word."""
    with demo() as address:
        page.address = address
        browser.look(page.driver, 1920, "light", 1080)
        try:
            page.open("/floor")
            page.says("Stem left on has risen", "#floor-lane-4 .row-says")
            page.drawn()
            low = page.driver.execute_script(LAST_ROW)
            print(f"the last lane ends at {low:.0f} px")
            assert len(page.driver.execute_script(ROWS)) == 6
            assert low <= 1080
        finally:
            browser.look_as_ever(page.driver)
            page.leave()


@pytest.mark.parametrize("language", ["en", "es"])
def test_six_lanes_in_trouble_are_seen_at_once_on_a_screen_over_the_line(
    language: str, page: Any, tmp_path: Path
) -> None:
    """Each drifts, has lots held and inspection that is not normal, and is told as large."""
    store = small_plant(tmp_path / "trouble.db", risen="123456")
    server = browser.Server(store, lambda: NOW)
    page.address = server.address
    browser.look(page.driver, 1920, "light", 1080)
    try:
        page.open("/floor")
        page.driver.add_cookie({"name": COOKIE, "value": language, "path": "/"})
        page.open("/floor")
        page.wait(lambda driver: len(driver.execute_script(ROWS)) == 6, "six lanes")
        page.drawn()
        assert len(page.all(".row-drifting")) == 6
        assert len(page.all(".row-need .last-held")) == 6
        assert len(page.all(".row-need .row-inspected")) == 6
        low = page.driver.execute_script(LAST_ROW)
        print(f"the last lane ends at {low:.0f} px")
        assert low <= 1080
        for part in (".row-word", ".row-need .last-held", ".row-says p", ".row-inspected .status"):
            high = page.driver.execute_script(CAPITALS, page.find(part))
            assert minutes_of_arc(high) >= LEAST, part
        browser.look(page.driver, 820, "light")  # in the hand there is room for the sentence
        page.wait(lambda _: page.find(".row-says .row-inspection").is_displayed(), "the sentence")
        assert not page.find(".row-inspected").is_displayed()
    finally:
        page.driver.delete_cookie(COOKIE)
        browser.look_as_ever(page.driver)
        page.leave()
        server.stop()
        store.engine.dispose()


def measured(driver: Any) -> dict[str, float]:
    """What the browser holds after it has thrown away all that it can, between two refreshes."""
    driver.execute_script("document.getElementById('floor-body').dataset.every = '1e9'")
    before = None
    while before != (before := driver.execute_script("return [asks, drawn]")) or before[0]:
        time.sleep(0.5)  # the answer under way comes, and is drawn
    for _ in range(3):
        driver.execute_cdp_cmd("HeapProfiler.collectGarbage", {})
    found = driver.execute_cdp_cmd("Performance.getMetrics", {})["metrics"]
    driver.execute_script("document.getElementById('floor-body').dataset.every = '0'")
    kept = ("JSHeapUsedSize", "Nodes", "JSEventListeners", "Documents")
    return {each["name"]: each["value"] for each in found if each["name"] in kept}


def resident() -> float:
    """MB of memory that this process holds: the server's, and the tests' around it."""
    gc.collect()
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def refreshed(page: Any) -> Iterator[dict[str, float]]:
    """What is held after each quarter of the refreshes."""
    page.open("/floor")
    page.drawn()
    page.driver.execute_script(WATCH)
    for part in range(1, 5):
        most = part * REFRESHES // 4
        until = time.monotonic() + 60 + REFRESHES
        while page.driver.execute_script("return drawn") < most:
            assert time.monotonic() < until, "the page no longer refreshes"
            time.sleep(0.2)
        yield measured(page.driver) | {"server MB": resident()}


@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="asks Linux for its memory")
def test_a_week_of_refreshes_does_not_leak(chromium: Any, plant: schema.Store) -> None:
    """Every refresh draws: the plant's clock goes on a minute whenever it is asked.

    TOTEPROOF_REFRESHES=3000 looks longer; a week of minutes has 10,080.
    """
    asked = count()
    fast = chromium.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", {"source": FAST})
    chromium.execute_cdp_cmd("Performance.enable", {})
    try:
        with served(chromium, plant, lambda: NOW + timedelta(minutes=next(asked) % 600)) as page:
            seen = list(refreshed(page))
    finally:
        chromium.execute_cdp_cmd("Page.removeScriptToEvaluateOnNewDocument", fast)
    print(*seen, sep="\n")
    first, last = seen[1], seen[-1]  # the first quarter fills what is kept on purpose
    assert last["JSHeapUsedSize"] - first["JSHeapUsedSize"] < 1_000_000
    assert abs(last["Nodes"] - first["Nodes"]) < 100
    assert last["JSEventListeners"] == first["JSEventListeners"]
    assert last["Documents"] <= first["Documents"]
    assert last["server MB"] - first["server MB"] < 20
