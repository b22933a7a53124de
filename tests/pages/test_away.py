"""A page in a browser while the store's server is away: it says so, and comes back by itself."""

from collections.abc import Iterator
from typing import Any

import pytest
from selenium import webdriver

from qa.store import schema
from tests.databases import Cluster
from tests.pages.conftest import Page, served
from tests.small_plant import small_plant


@pytest.fixture(scope="module")
def far(postgres: Cluster) -> Iterator[schema.Store]:
    opened = small_plant(postgres.database())
    yield opened
    opened.engine.dispose()


@pytest.fixture
def shown(chromium: webdriver.Chrome, far: schema.Store) -> Iterator[Page]:
    with served(chromium, far) as page:
        yield page


def test_a_page_that_is_open_says_it_and_draws_what_it_missed(
    shown: Any, postgres: Cluster
) -> None:
    shown.open("/setup?part=lanes")
    shown.says("Each lane with its line")
    shown.drawn()
    assert not shown.shown("#app-away")
    postgres.stop()
    try:
        shown.driver.execute_script(
            "history.pushState({}, '', '/setup?part=shifts');"
            "window.dispatchEvent(new CustomEvent('_dashprivate_pushstate'))"
        )
        shown.says("The store does not answer at the moment.", "#app-away")
        shown.says("Each lane with its line")  # what was there stays
    finally:
        postgres.start()
    shown.says("In plant time.")
    shown.wait(lambda _: not shown.shown("#app-away"), "it is no longer said")


def test_a_page_that_is_opened_meanwhile_comes_by_itself(shown: Any, postgres: Cluster) -> None:
    postgres.stop()
    try:
        shown.open("/setup?part=lanes")
        shown.says("does not answer: ", "main")
    finally:
        postgres.start()
    shown.says("Each lane with its line")
