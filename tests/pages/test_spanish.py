"""The pages in Spanish: a tote logged, the switch pressed, figures typed, and every width."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from selenium import webdriver

from dashboard import texts
from dashboard.texts import COOKIE
from qa.store import people, records, schema
from tests.browser import WIDTHS, look, look_as_ever
from tests.pages.conftest import Page, served
from tests.pages.test_every_page import OVER, PAGES, UPON
from tests.small_plant import NOW

AT: dict[str, Any] = {"by": "plant", "at": NOW}


@pytest.fixture
def spanish(page: Page) -> Page:
    """A browser whose reader chose Spanish."""
    page.driver.add_cookie({"name": COOKIE, "value": "es", "path": "/"})
    return page


def test_a_tote_is_logged_in_spanish(spanish: Page, plant: schema.Store) -> None:
    spanish.open("/tally")
    spanish.says("Registrar un contenedor", "h1")
    spanish.find("#tally-form[data-state]")
    spanish.type("#tally-tote", "es-1")
    spanish.retype("#tally-inspector", "insp-07")
    spanish.click('#tally-lane [data-value="1"]')
    spanish.click("#tally-save")
    spanish.says("diga qué se encontró, o pulse que todas son correctas", "#tally-correct-fault")
    spanish.click("#tally-clean")
    spanish.click("#tally-save")
    spanish.says("Aceptar", "#tally-answer .answer-word")
    spanish.says("No es permiso de envío", "#tally-answer")
    spanish.says("Guardado: contenedor es-1, carril 1, 200 de 200 correctas.", "#tally-answer")
    assert len(records.tallies(plant, tote="es-1")) == 1
    assert spanish.complaints() == []


def test_a_figure_is_typed_with_a_comma(spanish: Page) -> None:
    spanish.open("/plan?way=points")
    spanish.retype("#plan-p1", "1,5")
    spanish.click("#plan-send")
    spanish.says("con 1,5 %", "#plan-answer")
    assert "p1=1%2C5" in spanish.driver.current_url  # the link means the same to every reader
    assert spanish.value("#plan-p1") == "1,5"


def ticks(page: Page, chart: str) -> list[str]:
    """What stands at the axes of a chart."""
    page.drawn()
    page.still(f"{chart} .main-svg")
    told = "return [...document.querySelectorAll(arguments[0])].map((each) => each.textContent)"
    each = f"{chart} [class$=tick] text"
    found: list[str] = page.wait(lambda driver: driver.execute_script(told, each), each)
    return found


def test_a_chart_has_the_marks_and_months_of_the_language(spanish: Page) -> None:
    spanish.open("/lane?lane=2&category=stem")
    months = ticks(spanish, "#lane-chart")
    assert any("abr" in each for each in months)
    assert not any("Apr" in each for each in months)
    spanish.open("/plan?way=numbers&n=200&ac=7")
    figures = ticks(spanish, "#plan-out")
    assert any("," in each for each in figures)
    assert not any("." in each for each in figures)


def test_the_switch_is_on_a_page_and_keeps_where_one_is(page: Page) -> None:
    page.open("/plan?way=aql")
    page.says("How many pieces", "h1")
    page.leave_by('#app-language [value="es"]')
    page.says("¿Cuántas piezas", "h1")
    assert page.driver.current_url.endswith("/plan?way=aql")
    assert page.attribute("html", "lang") == "es"
    page.open("/floor")
    page.says("¿Qué carril me necesita ahora?", "h1")
    page.leave_by('#app-language [value="en"]')
    page.says("Which lane needs me now?", "h1")


_KEPT = """
const done = arguments[0];
caches.match("/no-network").then((kept) => (kept ? kept.text() : "")).then(done, () => done(""));
"""


def test_what_is_said_without_a_network_follows_the_switch(page: Page) -> None:
    page.open("/floor")
    page.driver.execute_async_script("navigator.serviceWorker.ready.then(arguments[0])")
    page.leave_by('#app-language [value="es"]')
    page.says("¿Qué carril me necesita ahora?", "h1")
    title = texts.words("es").say("offline.title")
    page.wait(lambda driver: title in driver.execute_async_script(_KEPT), title)


@pytest.fixture
def guarded(tmp_path: Path, chromium: webdriver.Chrome) -> Iterator[Page]:
    """A server with an account, and nobody signed in."""
    store = schema.open_store(tmp_path / "guarded.db", create=True)
    people.add_account(store, "Lena", "lead", **AT)
    people.set_password(store, "Lena", "a dozen sprouts and one", **AT)
    with served(chromium, store) as page:
        yield page
    store.engine.dispose()


def test_the_switch_is_at_the_doors_too(guarded: Page) -> None:
    guarded.open("/plan?way=aql")
    guarded.says("Sign in", "h1")
    guarded.leave_by('.bar-language [value="es"]')
    guarded.says("Iniciar sesión", "h1")
    guarded.type("#name", "Lena")
    guarded.type("#password", "another word altogether")
    guarded.leave_by(".door-form .act")
    guarded.says("Este nombre y esta contraseña no van juntos.", "#fault")
    guarded.leave_by('.bar-language [value="en"]')
    guarded.says("Sign in", "h1")


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("path", PAGES)
def test_nothing_overflows_or_overlaps_in_spanish(spanish: Page, path: str, width: int) -> None:
    look(spanish.driver, width, "light")
    try:
        spanish.open(path)
        spanish.drawn()
        spanish.wait(lambda driver: driver.execute_script(OVER) == [], f"nothing beyond {width} px")
        spanish.wait(lambda driver: driver.execute_script(UPON) == [], f"texts apart at {width} px")
    finally:
        look_as_ever(spanish.driver)
