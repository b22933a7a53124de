"""Setup: the plant's own arrangements, in forms; each change dated, the past left as it was."""

from collections.abc import Callable
from datetime import datetime
from typing import Any

from dash import Dash, Input, Output, dcc, html
from flask import Response, jsonify

from dashboard import components
from dashboard.drawn import as_one
from dashboard.pages.sending import sent
from dashboard.pages.setup import accounts, forms, versions
from dashboard.texts import Wording, language, words
from dashboard.views import people, setup
from dashboard.views.setup import SetupView
from qa.amending import PARTS
from qa.store.schema import Store

PATH, TITLE = "/setup", "page.setup"
BODY = "setup-body"
CHANGE_AT = "/setup/changes"
FORMS = ("setup", *accounts.FORMS)
Shown = Callable[[Wording, Store, str | None, datetime], Any]


def layout() -> list[Any]:
    said = [html.P(id=f"{name}-said", className="said", role="status") for name in FORMS]
    return [
        html.Div(components.skeleton(words()), id=BODY),
        *said,
        *(dcc.Store(id=f"{name}-fresh") for name in FORMS),
    ]


def of_people(words: Wording, store: Store, search: str | None, now: datetime) -> Any:
    return accounts.body(words, people.view(store, search, now))


# Sections that are none of the programme's, by the name that the address gives them.
SECTIONS: dict[str, Shown] = {accounts.PART: of_people}


def register(app: Dash, store: Store, now: Callable[[], datetime]) -> None:
    @app.server.post(CHANGE_AT)
    def change() -> Response:
        told = setup.change(store, sent(setup.WHO), now(), language())
        return jsonify(said=versions.changed(words(), told))

    @app.server.post(accounts.CHANGE_AT)
    def change_people() -> Response:
        done = people.change(store, sent(people.WHO), now(), language())
        return jsonify(**accounts.done(words(), done))

    @app.callback(
        Output(BODY, "children"),
        Input("app-address", "search"),
        *(Input(f"{name}-fresh", "data") for name in FORMS),
    )
    def draw(search: str | None, *fresh: int | None) -> Any:
        del fresh  # something was changed: the same again, as it is now
        view = setup.view(store, search, tuple(SECTIONS))
        section = SECTIONS.get(view.part)
        return as_one(
            body(words(), view, section(words(), store, search, now()) if section else None)
        )


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
