"""Parts of a page told as one component: the same elements, in the same order."""

import json
from collections.abc import Iterator
from typing import Any

import pytest
from dash import dcc, html
from flask.testing import FlaskClient

from dashboard.app import create_app
from dashboard.drawn import as_one
from tests.small_plant import NOW, small_plant
from tests.test_app import drawn

GIVEN = ("-shown", "-fresh")  # how names end to which scripts give something


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[FlaskClient]:
    store = small_plant(tmp_path_factory.mktemp("drawn") / "plant.db")
    yield create_app(store, lambda: NOW).server.test_client()
    store.engine.dispose()


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


@pytest.mark.parametrize("page", ["lane", "shift", "plan", "claim", "ledger", "setup"])
def test_no_callback_or_script_gives_anything_to_a_plain_element(
    page: str, client: FlaskClient
) -> None:
    asked = client.get("/_dash-dependencies").get_json()
    of_page = next(each for each in asked if each["output"] == f"{page}-body.children")
    inputs = [(each["id"], each["property"], None) for each in of_page["inputs"]]
    answer = json.loads(drawn(client, of_page["output"], *inputs))
    shown = answer["response"][f"{page}-body"]["children"]
    assert shown["type"] == "Drawn"
    plain = names(shown["props"]["told"])
    listening = {each["id"] for one in asked for each in one["inputs"] + one["state"]}
    listening |= {part.split(".")[0] for one in asked for part in one["output"].split("...")}
    assert plain
    assert not plain & listening
    assert not {each for each in plain if each.endswith(GIVEN)}
