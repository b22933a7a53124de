"""Do our inspectors agree: a study's file, what it says, and its tallies for the claim."""

from typing import Any

from dash import Dash, dcc, html
from flask import Response

from dashboard import components, explained
from dashboard.pages.sending import answered, file_sent
from dashboard.texts import Wording, language, told, words
from dashboard.views import study
from dashboard.views.study import MOST_UPLOAD, StudyView
from qa.errors import InvalidStudy

NAME = "claim-study"
LOOK_AT = "/claim/study"
SHOWN = 50  # faults that the page lists
TALLIES = ("found", "incorrect", "passed", "study_correct")  # in the order of the study's own


def register(app: Dash) -> None:
    @app.server.post(LOOK_AT)
    def look_at_study() -> Response:
        say = words().say
        sent = file_sent(MOST_UPLOAD, say("claim_study.too_large", most=MOST_UPLOAD >> 20))
        try:
            return answered(shown(words(), study.look(*sent, language())), digest="")
        except InvalidStudy as reason:
            return answered(faulty(words(), sent[0], reason.faults), digest="")


def panel(words: Wording) -> html.Section:
    say = words.say
    form = html.Form(
        [
            html.Div(
                [
                    html.Span(say("claim_study.file"), className="field-name"),
                    html.Div(className="file", **{"data-file": say("claim_study.file")}),
                    components.fault(f"{NAME}-file"),
                ],
                className="field",
            ),
            html.Button(say("claim_study.look"), type="submit", className="act act-second"),
            components.fault(NAME),
        ],
        className="form",
        autoComplete="off",
        **{"data-look": LOOK_AT, "data-name": NAME, "data-unsent": say("form.unsent")},
    )
    return components.panel(
        say("claim_study.title"),
        html.P(say("claim_study.lead")),
        html.P(say("claim_study.columns"), className="quiet"),
        form,
        html.Div(id=f"{NAME}-shown", className="claim-study", **{"aria-live": "polite"}),
        html.P(html.A(say("inspectors.link"), href="/inspectors", id="claim-inspectors")),
        id=NAME,
    )


def shown(words: Wording, view: StudyView) -> list[Any]:
    """The answer in words, what the claim may take from it, and the figures."""
    told = view.told
    carry = [html.P(told.carried)] if told.carried else []
    if view.carried:
        carry.append(use(words, view))
    tables = [
        components.table(
            each.title, each.heads, [[row[0], *map(components.whole, row[1:])] for row in each.rows]
        )
        for each in told.tables
    ]
    first, *others = told.sentences
    worked = explained.more(explained.how(words, NAME, ("claim_study", {})))
    return [html.P(first, className="answer-next"), *map(html.P, others), *carry, *tables, worked]


def use(words: Wording, view: StudyView) -> html.Form:
    """A button that takes the tallies into the claim that the address asks for."""
    found = view.carried
    tallies = (found.found, found.incorrect, found.passed, found.correct) if found else ()
    return html.Form(
        [
            *(
                dcc.Input(id=f"{NAME}-{name}", name=name, type="hidden", value=str(tally))
                for name, tally in zip(TALLIES, tallies, strict=True)
            ),
            html.Button(words.say("claim_study.use"), type="submit", className="act act-second"),
        ],
        id=f"{NAME}-use",
        **{"data-to": "/claim"},
    )


def faulty(words: Wording, name: str, faults: tuple[str, ...]) -> list[Any]:
    """Every fault of a file, each with its row and column and what to do."""
    beyond = len(faults) - SHOWN
    more = [html.P(words.say("claim_study.more", count=beyond))] if beyond > 0 else []
    return [
        html.P(words.say("claim_study.faults", name=name, count=len(faults)), role="alert"),
        html.Ul([html.Li(components.sentence(told(each))) for each in faults[:SHOWN]]),
        *more,
    ]
