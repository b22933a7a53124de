"""Every page by the keyboard alone: all can be reached in order, is seen to be, and lets go."""

from typing import Any

import pytest
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.keys import Keys

from dashboard.app import APART, PAGES
from tests.browser import look, look_as_ever

PATHS = (
    *("/floor", "/lane?lane=2", "/shift?day=2026-04-19&shift=morning", "/plan", "/tally"),
    *("/claim?first=2026-04-01&last=2026-04-10", "/ledger?lane=2&first=2026-04-19", "/inspectors"),
    *("/setup?part=targets", "/words", "/sign-in"),
)
# What a reader can press, fill in or scroll, as far as it is there to be seen.
_WANTED = """
const all = [...document.querySelectorAll("a[href], button, input, select, textarea, summary,"
  + " [tabindex='0']")].filter((e) => !e.disabled && e.type !== "hidden" && e.checkVisibility()
  && getComputedStyle(e).visibility !== "hidden");
all.forEach((e, k) => { e.dataset.reach = k; });
document.body.tabIndex = -1;
document.body.focus();  // where the next step begins
document.body.removeAttribute("tabindex");
window.scrollTo(0, 0);
return all.map((e) => e.outerHTML.slice(0, 120));
"""
_HERE = """
const here = document.activeElement;
if (!here || here === document.body) return null;
const seen = (e) => e && getComputedStyle(e).outlineStyle !== "none"
  && parseFloat(getComputedStyle(e).outlineWidth) >= 2;
let around = here, marked = false;
for (let k = 0; k < 3 && around; k += 1, around = around.parentElement) marked ||= seen(around);
const box = here.getBoundingClientRect();
return [here.dataset.reach === undefined ? -1 : Number(here.dataset.reach), marked,
        box.bottom > 0 && box.top < window.innerHeight, here.outerHTML.slice(0, 120)];
"""


def test_every_page_is_among_them() -> None:
    assert {each.PATH for each in (*PAGES, *APART)} <= {path.partition("?")[0] for path in PATHS}


@pytest.mark.parametrize("path", PATHS)
def test_a_page_is_gone_through_by_tab_alone(page: Any, path: str) -> None:
    look(page.driver, 1280, "light")
    try:
        page.open(path)
        page.drawn()
        page.wait(lambda _: page.all("#tally-form[data-state]") or path != "/tally", "Tally is")
        page.driver.execute_script(
            "document.querySelectorAll('details.how, details.behind').forEach((e) => e.open = true)"
        )
        page.still("main h1")
        wanted = page.driver.execute_script(_WANTED)
        reached = []
        for _ in range(len(wanted) + 3):
            ActionChains(page.driver).send_keys(Keys.TAB).perform()
            here = page.driver.execute_script(_HERE)
            if here is None or (reached and here[0] == reached[0]):
                break
            at, marked, shown, html = here
            assert marked, f"focus cannot be seen on {html}"
            assert shown, f"focus is out of sight on {html}"
            reached.append(at)
        assert reached == sorted(set(reached)), "focus goes back, or stays where it was"
        missed = [html for at, html in enumerate(wanted) if at not in reached]
        assert missed == []
    finally:
        look_as_ever(page.driver)


def test_the_first_stop_leads_past_the_bar_to_what_the_page_says(page: Any) -> None:
    page.open("/plan")
    page.drawn()
    ActionChains(page.driver).send_keys(Keys.TAB).perform()
    assert page.text(":focus") == "Skip to the page's content"
    page.press(":focus", Keys.ENTER)
    page.find("#app-page:focus")
    ActionChains(page.driver).send_keys(Keys.TAB).perform()
    inside = "return document.activeElement.closest('main') !== null"
    assert page.driver.execute_script(inside)


def test_help_opens_by_key_and_leads_to_a_word_and_back(page: Any) -> None:
    page.open("/lane?lane=2")
    page.press("#lane-how summary", Keys.ENTER)
    page.says("Page (1954)", "#lane-how")
    page.press("#lane-how .term", Keys.ENTER)
    page.wait(lambda driver: "/words#" in driver.current_url, "at the glossary")
    term = page.driver.current_url.partition("#")[2]
    page.find(f"[id='{term}']:focus")
    page.driver.back()
    page.says("Page (1954)", "#lane-how")  # what was open is open again


def test_what_was_opened_on_floor_stays_open_when_it_is_drawn_anew(page: Any) -> None:
    page.open("/floor")
    page.press("#floor-how summary", Keys.ENTER)
    page.says("Korn & Graubard", "#floor-how")
    page.driver.execute_script("history.pushState({}, '', '/floor?lane=3')")  # all is drawn anew
    page.wait(lambda _: len(page.all(".rows > li")) == 1, "lane 3 alone")
    page.find("#floor-how[open]")
