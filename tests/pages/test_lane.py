"""The lane's page in a real browser: a signal answered, a baseline dragged, an event withdrawn."""

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from selenium.webdriver.common.action_chains import ActionChains

from qa.store import deeds, schema, signals
from qa.store.deeds import Event
from tests.pages.conftest import Page, Server
from tests.small_plant import NOW, small_plant


@pytest.fixture
def own(tmp_path: Path, page: Page) -> Iterator[schema.Store]:
    """A plant of its own, since these tests change what the lane's page says."""
    store = small_plant(tmp_path / "plant.db")
    event = Event("e1", "SP1", "A", "2", NOW - timedelta(days=9), "sanitation", "weekly clean")
    deeds.record_event(store, event, by="Ines", at=NOW)
    running = Server(store)
    page.address = running.address
    yield store
    running.stop()
    store.engine.dispose()


def send(page: Any, form: str) -> None:
    page.click(f"form[data-name={form}] [type=submit]")


def test_a_signal_is_acknowledged_and_the_answer_withdrawn(page: Any, own: schema.Store) -> None:
    page.open("/lane?lane=2&category=stem&days=30")
    page.says("open: it goes on, and nobody has acknowledged it")
    send(page, "lane-ack")
    page.says("is missing", "#lane-ack-cause-fault")
    assert ["422" in each for each in page.complaints()] == [True]
    page.type("#lane-ack-cause", "worn nozzle")
    page.type("#lane-ack-done", "nozzle changed")
    page.type("#lane-ack-who", "Ines")
    send(page, "lane-ack")
    page.says("Acknowledged: stem left on, signalled at", "#lane-ack-said")
    page.says("acknowledged: it goes on")
    page.says("Acknowledged by Ines at 12:00 on 20 April: worn nozzle; nozzle changed.")
    assert signals.acknowledgements(own)["cause"].tolist() == ["worn nozzle"]
    page.driver.execute_script(
        "document.querySelector('form[data-name=lane-undo]').closest('details').open = true"
    )
    page.click('#lane-undo-which [data-value^="acknowledgement|"]')
    page.type("#lane-undo-why", "the wrong signal")
    page.type("#lane-undo-who", "Ines")
    send(page, "lane-undo")
    page.says("The signal is open again.", "#lane-undo-said")
    page.says("open: it goes on, and nobody has acknowledged it")
    assert page.complaints() == []


def test_an_event_is_withdrawn_and_its_break_is_gone(page: Any, own: schema.Store) -> None:
    page.open("/lane?lane=2&category=stem&days=30")
    page.says("sanitation, by Ines: weekly clean")
    page.says("sanitation", "#lane-chart")
    page.driver.execute_script(
        "document.querySelector('form[data-name=lane-undo]').closest('details').open = true"
    )
    page.click('#lane-undo-which [data-value="event|e1"]')
    page.type("#lane-undo-why", "it was lane 3")
    page.type("#lane-undo-who", "Ines")
    send(page, "lane-undo")
    page.says("Withdrawn: the event.", "#lane-undo-said")
    page.wait(lambda _: "sanitation" not in page.find("#lane-chart").text)
    assert deeds.events(own).empty


def test_the_chart_is_chosen_and_keeps_the_other_choices(page: Any) -> None:
    page.open("/lane?lane=2&category=stem&days=30")
    for kind, axis in (("ewma", "mean, %"), ("laney", ", %"), ("standardised", "deviations")):
        page.click(f'.filters nav:last-child a[href*="chart={kind}"]')
        page.says(f"Stem left on, {axis}".replace(", ,", ","), "#lane-chart")
        assert "lane=2&category=stem&days=30" in page.driver.current_url
        assert f"chart={kind}" in page.driver.current_url
        chosen = page.find(f'.filters nav:last-child a[href*="chart={kind}"]').get_attribute(
            "aria-current"
        )
        assert chosen, "the choice is marked"
    page.open("/lane?lane=2&category=stem&days=30&chart=crystal")
    page.says("Chart must be one of limits, ewma, laney, standardised")
    assert page.complaints() == []


def test_a_baseline_is_chosen_by_dragging_over_the_chart(page: Any, own: schema.Store) -> None:
    page.open("/lane?lane=2&category=stem&days=30")
    plot = page.find("#lane-chart .nsewdrag")
    page.driver.execute_script("arguments[0].scrollIntoView({block:'center'})", plot)
    wide = plot.size["width"]
    drag = ActionChains(page.driver).move_to_element_with_offset(plot, -round(wide * 0.35), 0)
    drag.click_and_hold().move_by_offset(round(wide * 0.2), 5)
    drag.move_by_offset(round(wide * 0.2), 0).release().perform()
    value = lambda name: page.find(f"#lane-base-{name}").get_attribute("value")  # noqa: E731 - short
    page.wait(lambda _: value("first"), "the first day")
    first, last = value("first"), value("last")
    assert "2026-03-22" <= first < last <= "2026-04-16"
    assert page.find("#lane-base-box").get_attribute("open")
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
