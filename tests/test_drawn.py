"""Parts of a page told as one component: the same elements, in the same order."""

import json
from collections.abc import Iterator
from typing import Any

import pytest
from dash import dcc, html
from flask.testing import FlaskClient

from dashboard.app import create_app
from dashboard.drawn import as_one
from dashboard.pages.setup import SECTIONS
from dashboard.views.ledger import WHATS
from dashboard.views.setup import PARTS, TEXT, VERSIONS
from qa import drift
from qa.store import records, schema
from tests.small_plant import NOW, small_plant
from tests.test_app import drawn

GIVEN = ("-shown", "-fresh")  # how names end to which scripts give something


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Iterator[schema.Store]:
    store = small_plant(tmp_path_factory.mktemp("drawn") / "plant.db")
    yield store
    store.engine.dispose()


@pytest.fixture(scope="module")
def client(plant: schema.Store) -> FlaskClient:
    return create_app(plant, lambda: NOW).server.test_client()


def names(told: Any) -> set[str]:
    """The ids of what is told as plain elements."""
    if isinstance(told, list):
        return {name for each in told for name in names(each)}
    return {told["id"]} if isinstance(told, dict) and "id" in told else set()


def test_elements_are_told_with_what_they_have_and_others_by_their_place() -> None:
    box = dcc.Input(id="typed")
    made = as_one(
        [
            html.H2("Lane 4", className="head"),
            html.P(["of ", 200, None, [html.B("2"), " pieces"]]),
            html.Div([box, html.Br()], style={"left": "2%"}, **{"aria-label": "said"}),
        ]
    )
    assert made.told == [
        ["h2", {"className": "head"}, "Lane 4"],
        ["p", {}, "of ", "200", ["b", {}, "2"], " pieces"],
        ["div", {"style": {"left": "2%"}, "aria-label": "said"}, 0, ["br", {}]],
    ]
    assert made.children == [box]


def test_what_others_give_something_to_stays_the_frameworks_own() -> None:
    shown = html.Div(html.P("none yet"), id="shown")
    made = as_one(html.Section([shown, html.P("below")]), own=("shown",))
    assert made.told == [["section", {}, 0, ["p", {}, "below"]]]
    assert made.children == [shown]


# Every page that is told as one component, and what it shows besides its first view.
SEARCHES = {
    "lane-body": ("", "?lane=2", *(f"?lane=2&category=stem&chart={each}" for each in drift.KINDS)),
    "shift-body": ("",),
    "plan-body": ("", "?way=claim", "?way=aql"),
    "claim-body": ("", "?lane=2"),
    "claim-more": ("",),
    "inspectors-body": ("",),
    "ledger-body": (*(f"?what={each}" for each in WHATS), "?key="),
    "setup-body": ("", *(f"?part={each}" for each in (*PARTS, TEXT, VERSIONS, *SECTIONS))),
}
FRAMEWORKS = {"app-nav", "app-page", "tally-body"}  # Floor has a script of its own, not a callback


def test_no_page_is_left_out_of_what_is_tried_here(client: FlaskClient) -> None:
    asked = client.get("/_dash-dependencies").get_json()
    children = {each["output"] for each in asked if each["output"].endswith(".children")}
    assert children == {f"{each}.children" for each in (*SEARCHES, *FRAMEWORKS)}


@pytest.mark.parametrize(
    ("output", "search"), [(name, each) for name, every in SEARCHES.items() for each in every]
)
def test_no_callback_or_script_gives_anything_to_a_plain_element(
    output: str, search: str, client: FlaskClient, plant: schema.Store
) -> None:
    if search == "?key=":
        search += records.tallies(plant)["key"].iloc[-1]
    asked = client.get("/_dash-dependencies").get_json()
    one = next(each for each in asked if each["output"] == f"{output}.children")
    known = {"search": search}
    inputs = [(e["id"], e["property"], known.get(e["property"])) for e in one["inputs"]]
    state = [(e["id"], e["property"], known.get(e["property"])) for e in one["state"]]
    answer = json.loads(drawn(client, one["output"], *inputs, state=state))
    shown = answer["response"][output]["children"]
    assert shown["type"] == "Drawn"
    plain = names(shown["props"]["told"])
    listening = {each["id"] for one in asked for each in one["inputs"] + one["state"]}
    listening |= {part.split(".")[0] for one in asked for part in one["output"].split("...")}
    assert not plain & listening
    assert not {each for each in plain if each.endswith(GIVEN)}
