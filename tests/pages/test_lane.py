"""The lane's page in a real browser: a signal answered, a baseline dragged, an event withdrawn."""

from datetime import timedelta
from typing import Any

import pytest
from selenium.webdriver.common.action_chains import ActionChains

from dashboard.texts import COOKIE
from qa.store import deeds, schema, signals
from qa.store.deeds import Event
from tests.small_plant import NOW


@pytest.fixture
def own(plant: schema.Store) -> schema.Store:
    """A plant whose lane 2 was cleaned."""
    event = Event("e1", "SP1", "A", "2", NOW - timedelta(days=9), "sanitation", "weekly clean")
    deeds.record_event(plant, event, by="Ines", at=NOW)
    return plant


def send(page: Any, form: str) -> None:
    page.click(f"form[data-name={form}] [type=submit]")


def withdraw(page: Any, which: str, why: str) -> None:
    page.drawn()
    page.driver.execute_script(
        "document.querySelector('form[data-name=lane-undo]').closest('details').open = true"
    )
    page.click(f'#lane-undo-which [data-value^="{which}"]')
    page.type("#lane-undo-why", why)
    page.type("#lane-undo-who", "Ines")
    send(page, "lane-undo")


def test_a_signal_is_acknowledged_and_the_answer_withdrawn(page: Any, own: schema.Store) -> None:
    page.open("/lane?lane=2&category=stem&days=30")
    page.says("open: it goes on, and nobody has acknowledged it")
    send(page, "lane-ack")
    page.says("is missing", "#lane-ack-cause-fault")
    page.wait(lambda _: ["422" in each for each in page.complaints()] == [True], "422, once")
    page.type("#lane-ack-cause", "worn nozzle")
    page.type("#lane-ack-done", "nozzle changed")
    page.type("#lane-ack-who", "Ines")
    send(page, "lane-ack")
    page.says("Acknowledged: stem left on, signalled at", "#lane-ack-said")
    page.says("acknowledged: it goes on")
    page.says("Acknowledged by Ines at 12:00 on 20 April: worn nozzle; nozzle changed.")
    assert signals.acknowledgements(own)["cause"].tolist() == ["worn nozzle"]
    withdraw(page, "acknowledgement|", "the wrong signal")
    page.says("The signal is open again.", "#lane-undo-said")
    page.says("open: it goes on, and nobody has acknowledged it")
    assert page.complaints() == []


def test_an_event_is_withdrawn_and_its_break_is_gone(page: Any, own: schema.Store) -> None:
    page.open("/lane?lane=2&category=stem&days=30")
    page.says("sanitation, by Ines: weekly clean")
    page.says("sanitation", "#lane-chart")
    withdraw(page, "event|e1", "it was lane 3")
    page.says("Withdrawn: the event.", "#lane-undo-said")
    page.wait(lambda _: "sanitation" not in page.text("#lane-chart"))
    assert deeds.events(own).empty


def test_the_chart_is_chosen_and_keeps_the_other_choices(page: Any) -> None:
    page.open("/lane?lane=2&category=stem&days=30")
    for kind, axis in (("ewma", "mean, %"), ("laney", ", %"), ("standardised", "deviations")):
        page.click(f'.filters nav:last-child a[href*="chart={kind}"]')
        page.says(f"Stem left on, {axis}".replace(", ,", ","), "#lane-chart")
        assert "lane=2&category=stem&days=30" in page.driver.current_url
        assert f"chart={kind}" in page.driver.current_url
        chosen = f'.filters nav:last-child a[href*="chart={kind}"]'
        assert page.attribute(chosen, "aria-current"), "the choice is marked"
    page.open("/lane?lane=2&category=stem&days=30&chart=crystal")
    page.says("Chart must be one of limits, ewma, laney, standardised")
    assert page.complaints() == []


def test_a_baseline_is_chosen_by_dragging_over_the_chart(page: Any, own: schema.Store) -> None:
    page.open("/lane?lane=2&category=stem&days=30")
    page.drawn()
    plot = page.still("#lane-chart .nsewdrag")
    wide = plot.size["width"]
    drag = ActionChains(page.driver).move_to_element_with_offset(plot, -round(wide * 0.35), 0)
    drag.click_and_hold().move_by_offset(round(wide * 0.2), 5)
    drag.move_by_offset(round(wide * 0.2), 0).release().perform()
    page.wait(lambda _: page.value("#lane-base-first"), "the first day")
    first, last = page.value("#lane-base-first"), page.value("#lane-base-last")
    assert "2026-03-22" <= first < last <= "2026-04-16"
    page.find("#lane-base-box[open]")
    page.click('#lane-base-reach [data-value="lane"]')
    page.type("#lane-base-why", "new heads")
    page.type("#lane-base-who", "Ines")
    send(page, "lane-base")
    page.says("from now on lane 2 is held against", "#lane-base-said")
    kept = signals.baselines(own).iloc[-1]
    assert (kept["lane"], str(kept["first_day"].date()), str(kept["last_day"].date())) == (
        *("2", first, last),
    )
    page.says("closed: another baseline holds since 12:00 on 20 April")
    assert page.complaints() == []


@pytest.mark.parametrize(
    ("language", "said"),
    [
        ("en", "The chart is not drawn: its library did not load."),
        ("es", "El gráfico no se dibuja: su biblioteca no se cargó."),
    ],
)
@pytest.mark.parametrize("answer", ["404 NOT FOUND", "200 OK"])  # with 200 it is an empty file
def test_a_chart_whose_library_does_not_load_says_so_beside_its_table(
    page: Any, language: str, said: str, answer: str
) -> None:
    app = page.server.app

    def without(environ: Any, begin: Any) -> Any:
        if "plotly" not in environ["PATH_INFO"]:
            return app(environ, begin)
        begin(answer, [("Content-Type", "text/javascript"), ("Cache-Control", "no-store")])
        return [b""]

    page.driver.execute_cdp_cmd("Network.clearBrowserCache", {})
    page.server.app = without
    page.driver.add_cookie({"name": COOKIE, "value": language, "path": "/"})
    page.open("/lane?lane=2&category=stem&days=30")
    page.says(said, "#lane-chart")
    assert page.all(".chart-more details table")
    page.complaints()
    page.server.app = app
    page.driver.execute_cdp_cmd("Network.clearBrowserCache", {})
    page.driver.refresh()
    page.wait(lambda driver: driver.execute_script(DRAWN), "the chart is drawn")
    assert said not in page.text("#lane-chart")


DRAWN = "return Boolean(document.querySelector('#lane-chart svg'))"
