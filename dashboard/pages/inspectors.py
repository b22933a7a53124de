"""For the lead: which inspector's findings differ from the others'. Not among the pages' names."""

from collections.abc import Callable
from datetime import datetime
from typing import Any

from dash import Dash, Input, Output, html

from dashboard import components
from dashboard.texts import Wording, language, words
from dashboard.views import sources
from dashboard.views.sources import Source
from qa.store.schema import Store

PATH, TITLE = "/inspectors", "inspectors.title"
BODY = "inspectors-body"


def layout() -> list[Any]:
    return [html.Div(components.skeleton(words()), id=BODY)]


def register(app: Dash, store: Store, now: Callable[[], datetime]) -> None:
    del now  # it speaks of the whole record

    @app.callback(Output(BODY, "children"), Input("app-address", "pathname"))
    def draw(path: str | None) -> Any:
        del path
        return body(words(), sources.inspectors(store, language()))


def body(words: Wording, found: tuple[Source, ...]) -> list[Any]:
    say = words.say
    top = components.head(say("inspectors.title"), html.P(say("inspectors.lead")))
    if not found:
        return [top, components.note(say("inspectors.none"))]
    beyond = [each.sentence for each in found if each.beyond_chance]
    rest = [each.sentence for each in found if not each.beyond_chance]
    said = [html.Li(each) for each in beyond] or [html.Li(say("inspectors.quiet"))]
    doubt = words.per_cent(sources.DOUBT, decimals=0)
    note = say("inspectors.chance", count=len(found), doubt=doubt)
    return [
        top,
        components.panel(
            say("inspectors.beyond"), html.Ul(said), html.P(note, className="quiet small")
        ),
        html.Details(
            [html.Summary(say("inspectors.rest")), html.Ul([html.Li(each) for each in rest])],
            className="panel",
        ),
    ]
