"""On paper and without motion: what a printer gets, and what moves where nothing should."""

import base64
import re
from collections.abc import Iterator
from typing import Any

import pytest

from tests.browser import look_as_ever

SHEET = {"paperWidth": 8.27, "paperHeight": 11.69, "preferCSSPageSize": True}  # A4, in inches
ACROSS = 703  # points of A4, less margins of 12 mm
PAGES = ("/floor", "/lane?lane=2", "/shift?day=2026-04-19&shift=morning", "/plan", "/tally",
         "/claim?first=2026-04-01&last=2026-04-10", "/ledger", "/setup")  # fmt: skip
MOVING = """
return [...document.querySelectorAll("*")].filter((each) => {
  const style = getComputedStyle(each);
  return style.animationName !== "none" || /[1-9]/.test(style.transitionDuration);
}).map((each) => each.tagName + "." + each.getAttribute("class"));
"""


@pytest.fixture
def shown(page: Any) -> Iterator[Any]:
    yield page
    look_as_ever(page.driver)
    page.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "", "features": []})


def sheets(page: Any) -> int:
    """Pages of the PDF that the browser makes of what it shows."""
    made = page.driver.execute_cdp_cmd("Page.printToPDF", SHEET)["data"]
    return len(re.findall(rb"/Type\s*/Page\b", base64.b64decode(made)))


def opened(page: Any, path: str) -> None:
    page.open(path)
    page.drawn()


def test_shift_prints_on_one_sheet_without_what_only_a_screen_is_for(shown: Any) -> None:
    opened(shown, "/shift?day=2026-04-19&shift=morning")
    assert sheets(shown) == 1
    shown.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    for part in (".bar", ".filters", "main form"):
        assert not [each for each in shown.all(part) if each.is_displayed()], part
    inside = shown.attribute(".strip-dot", "clientWidth")
    assert int(inside) >= 4  # its border is paper's colour: a wide one left a point of the dot


def test_a_chart_is_printed_as_wide_as_the_paper_and_then_as_before(shown: Any) -> None:
    opened(shown, "/lane?lane=2")
    shown.still("#lane-chart .main-svg")
    wide = "document.querySelector('#lane-chart .main-svg').getBoundingClientRect().width"
    before = shown.driver.execute_script(f"return {wide}")
    shown.driver.execute_script(
        f"addEventListener('beforeprint', () => {{ window.seen = {wide} }})"
    )
    assert before > ACROSS
    assert 1 <= sheets(shown) <= 3
    assert 0.95 * ACROSS < shown.driver.execute_script("return seen") <= ACROSS
    shown.wait(lambda driver: abs(driver.execute_script(f"return {wide}") - before) < 2)


@pytest.mark.parametrize("path", PAGES)
def test_nothing_moves_where_motion_is_not_wanted(shown: Any, path: str) -> None:
    still = {"features": [{"name": "prefers-reduced-motion", "value": "reduce"}]}
    shown.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", still)
    shown.open(path)
    shown.find("main")
    assert shown.driver.execute_script(MOVING) == []  # while it loads
    opened(shown, path)
    assert shown.driver.execute_script(MOVING) == []
    assert shown.driver.execute_script("return document.getAnimations().length") == 0
    for chart in shown.all(".js-plotly-plot"):
        frames = "return (arguments[0]._transitionData || {})._frames || []"
        assert shown.driver.execute_script(frames, chart) == []
