"""Plan: how many pieces, and what do we risk? The wish lives in the page's address."""

from collections.abc import Callable
from datetime import datetime
from typing import Any

from dash import Dash, Input, Output, html
from flask import Response, request

from dashboard import components, explained
from dashboard.drawn import as_one, chart_ahead
from dashboard.pages.plan.curves import counted, picture, risks, work
from dashboard.pages.plan.form import MAIN, PATH, form, said_fields, shown_fields, ways
from dashboard.pages.plan.pulling import SHEET_AT, pull
from dashboard.texts import Wording, language, words
from dashboard.views import plan
from dashboard.views.plan import PlanView
from qa.store.schema import Store

__all__ = ["PATH", "TITLE", "layout", "register"]

TITLE, BODY = "page.plan", "plan-body"


def layout() -> list[Any]:
    return [html.Div([components.skeleton(words()), chart_ahead("plan-oc")], id=BODY)]


def register(app: Dash, store: Store, now: Callable[[], datetime]) -> None:
    @app.callback(Output(BODY, "children"), Input("app-address", "search"))
    def draw(search: str | None) -> Any:
        return as_one(body(words(), plan.view(store, search, now(), language())))

    @app.server.get(SHEET_AT)
    def sheet() -> Response:
        asked = request.query_string.decode("utf-8", "replace")
        return Response(plan.sheet_of(store, asked, now(), language()), mimetype="text/html")


def body(words: Wording, view: PlanView) -> list[Any]:
    say = words.say
    shown = [
        answer(words, view),
        html.Div([form(words, view), picture(words, view)], className="plan"),
    ]
    if view.answered:
        shown += [risks(words, view), work(words, view), pull(words, view)]
    return [
        components.head(say("plan.title"), html.P(say("plan.address"))),
        ways(words, view),
        *shown,
    ]


def answer(words: Wording, view: PlanView) -> html.Section:
    """The answer, in words first; or why there is none."""
    say = words.say
    if view.trouble:
        return html.Section(
            [
                html.H2(say("plan.none")),
                html.P(f"{components.sentence(view.trouble)}."),
                html.P(view.instead, className="answer-next"),
            ],
            className="trouble",
            role="alert",
        )
    if view.told is None:
        stray = [name for name in view.problems if name not in shown_fields(view)]
        listed = [html.P(f"{name} {view.problems[name]}.", className="fault") for name in stray]
        return html.Section(
            [html.H2(say("plan.unclear")), html.P(say("plan.mend")), *listed],
            className="trouble",
            role="alert",
        )
    told, brief, samples = view.told, view.drawn[0].pull, []
    asked = {
        "asked": said_fields(words, view.fields, MAIN[view.way]),
        "counted": counted(words, view),
    }
    if view.samples is not None:
        samples = [components.table(None, *view.samples)]
    return html.Section(
        [
            html.H2(f"{components.sentence(brief)}.", className="answer-word", id="plan-word"),
            html.Div(
                [
                    html.P(told.holds, className="plan-holds"),
                    html.P(told.meaning, className="quiet"),
                    *samples,
                ]
            ),
            html.Div(
                [
                    html.P(f"{told.work} {view.in_shift}".strip()),
                    html.Ul([html.Li(each) for each in told.warnings], className="plan-warnings"),
                ]
            ),
            explained.more(explained.how(words, "plan-answer", ("plan_answer", asked))),
        ],
        className="panel plan-answer",
        id="plan-answer",
        **{"aria-live": "polite"},
    )
