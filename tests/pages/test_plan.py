"""Plan in a real browser: ask, change, compare, be told what is wrong, draw and print a pull."""

import base64
from typing import Any

from tests.browser import look, look_as_ever


def test_a_plan_is_asked_changed_and_compared(page: Any) -> None:
    page.open("/plan")
    page.says("Pull 200, accept on 7, reject on 8.", "#plan-word")
    page.says("major, minor: pull 200, accept on 7", 'nav[aria-label="On the floor"]')
    page.click('nav[aria-label="Ask by"] a:nth-of-type(2)')
    page.says("Pull 80, accept on 3, reject on 4.", "#plan-word")
    page.says("still passes one time in ten", "#plan-answer")
    page.drawn()
    page.find("#plan-oc .main-svg")
    page.retype("#plan-aql", "0.65")
    page.click('#plan-level option[value="II"]')
    page.click("#plan-send")
    page.says("Pull 200, accept on 3, reject on 4.", "#plan-word")
    page.says("a tote with 3.3 % incorrect", "#plan-answer")
    assert "aql=0.65" in page.driver.current_url
    page.find("#plan-send:focus")
    page.click(".plan-compare a")
    page.says("This plan stays on the picture", ".plan-compare")
    page.click('nav[aria-label="Ask by"] a:nth-of-type(4)')
    page.says("Pull 288, accept on 0, reject on 1.", "#plan-word")
    page.says("A: pull 288, accept on 0, reject on 1", ".key")
    page.says("B: pull 200, accept on 3, reject on 4", ".key")
    assert page.complaints() == []


def test_a_plan_sent_as_a_link_is_the_same_plan(page: Any) -> None:
    page.open("/plan?way=points&p1=1&p2=6&lot_size=&sensitivity=80")
    page.says("Pull 110, accept on 3, reject on 4.", "#plan-word")
    page.says("inspectors find 80.0 % of the incorrect pieces", "#plan-answer")
    assert page.value("#plan-lot_size") == ""
    assert page.shown("#plan-sensitivity")


def test_a_wrong_figure_is_told_beside_its_field(page: Any) -> None:
    page.open("/plan")
    page.drawn()
    page.find("#plan-oc .main-svg")
    page.retype("#plan-lot_size", "0")
    page.click("#plan-send")
    page.says("Must be a whole number, 1 or more, got 0.", "#plan-lot_size-fault")
    page.find('#plan-lot_size[aria-invalid="true"]')
    page.drawn()
    assert page.value("#plan-lot_size") == "0"
    assert page.all("#plan-oc") == []
    page.open("/plan?way=claim&target=95&incorrect=1&lot_size=20")
    page.says("Inspect every piece instead: 20 pieces")
    assert page.complaints() == []


def test_totes_are_drawn_and_the_sheet_prints_on_one_page(page: Any) -> None:
    page.open("/plan")
    page.drawn()
    page.retype("#plan-seed", "7")
    page.click("#plan-draw")
    page.says("Drawn at random from seed 7;", "#plan-pull")
    page.drawn()
    assert len(page.all("#plan-pull tbody tr")) == 12
    page.says("never from a moving conveyor or inside a cutting enclosure", "#plan-pull")
    sheet = page.attribute(".plan-sheet", "href")
    assert page.complaints() == []
    page.driver.get(sheet)
    page.says("Pull sheet", "h1")
    assert len(page.all("tbody tr")) == 12
    pdf = base64.b64decode(page.driver.print_page())
    assert pdf.count(b"/Type /Page\n") == 1
    page.driver.get(sheet.replace("totes=12", "totes=30"))
    assert len(page.all("tbody tr")) == 30
    assert base64.b64decode(page.driver.print_page()).count(b"/Type /Page\n") == 1
    assert page.complaints() == []


def test_on_a_phone_what_a_plan_risks_is_read_without_going_sideways(page: Any) -> None:
    look(page.driver, 390, "light")
    try:
        page.open("/plan?way=points&lot_size=4000&p1=1&p2=5")
        page.drawn()
        sizes = "const e = document.querySelector('.plan-risks .scroll');"
        wider = page.driver.execute_script(sizes + "return e.scrollWidth > e.clientWidth;")
        assert not wider
        page.says("of 4,000 pieces", ".plan-risks tbody")
    finally:
        look_as_ever(page.driver)
