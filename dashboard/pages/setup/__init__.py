"""Setup: the plant's own arrangements, in forms; each change dated, the past left as it was."""

from collections.abc import Callable
from datetime import datetime
from typing import Any

from dash import Dash, Input, Output, dcc, html
from flask import Response, jsonify

from dashboard import components
from dashboard.pages.sending import sent
from dashboard.pages.setup import forms, versions
from dashboard.texts import LANGUAGE, Wording, words
from dashboard.views import setup
from dashboard.views.setup import SetupView
from qa.amending import PARTS
from qa.store.schema import Store

PATH, TITLE = "/setup", "page.setup"
BODY, FRESH, SAID = "setup-body", "setup-fresh", "setup-said"
CHANGE_AT = "/setup/changes"
# More sections, by the name that the address gives them: what one shows of a store.
SECTIONS: dict[str, Callable[[Wording, Store], Any]] = {}


def layout() -> list[Any]:
    return [
        html.Div(components.skeleton(words()), id=BODY),
        html.P(id=SAID, className="said", role="status"),
        dcc.Store(id=FRESH),
    ]


def register(app: Dash, store: Store, now: Callable[[], datetime]) -> None:
    @app.server.post(CHANGE_AT)
    def change() -> Response:
        told = setup.change(store, sent(setup.WHO), now(), LANGUAGE)
        return jsonify(said=versions.changed(words(), told))

    @app.callback(Output(BODY, "children"), Input("app-address", "search"), Input(FRESH, "data"))
    def draw(search: str | None, fresh: int | None) -> Any:
        del fresh  # something was changed: the same again, as it is now
        view = setup.view(store, search, tuple(SECTIONS))
        section = SECTIONS.get(view.part)
        return body(words(), view, section(words(), store) if section else None)


def body(words: Wording, view: SetupView, section: Any) -> list[Any]:
    say = words.say
    if section is None:
        section = versions.body(words, view) if view.part == setup.VERSIONS else forms.body(
            words, view, CHANGE_AT
        )  # fmt: skip
    names = (*PARTS, setup.TEXT, setup.VERSIONS, *SECTIONS)
    parts = [
        (say(f"setup_part.{each}"), f"{PATH}?part={each}", each == view.part) for each in names
    ]
    return [
        components.head(say("setup.title"), html.P(say("setup.lead", version=view.version))),
        html.Div(components.links(say("setup.parts"), parts), className="filters"),
        section,
    ]
