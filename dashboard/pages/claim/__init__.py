"""Claim: may we say 99 %? The wish lives in the page's address."""

from collections.abc import Callable, Mapping
from datetime import date, datetime
from typing import Any
from urllib.parse import urlencode

from dash import Dash, Input, Output, State, dcc, html
from flask import Response, request

from dashboard import components, explained, people
from dashboard.drawn import as_one
from dashboard.pages.claim import study
from dashboard.pages.claim.picture import picture, sizes
from dashboard.texts import Wording, language, words
from dashboard.texts import told as said_in
from dashboard.views import claim
from dashboard.views.claim import (
    FIGURES,
    KINDS,
    PAPER,
    STUDY,
    Answered,
    Beside,
    Change,
    ClaimView,
)
from dashboard.views.claim_days import windows
from dashboard.views.claim_paper import LONGEST
from qa.store.schema import Store

PATH, TITLE = "/claim", "page.claim"
BODY, MORE = "claim-body", "claim-more"
STATEMENT_AT, JSON_AT, AUDITS_AT = "/claim/statement", "/claim/statement.json", "/claim/audits.csv"
SHARES = ("target", "share", "confidence")
STATES = {"supported": "release", "contradicted": "hold"}  # the look of an answer
CHANGES = {
    "method": "claim_change.method",
    "correlation": "claim_change.correlation",
    "without lane": "claim_change.without_lane",
    "without day": "claim_change.without_day",
}


def layout() -> list[Any]:
    return [
        html.Div(components.skeleton(words()), id=BODY),
        *([study.panel(words())] if people.may(people.GOVERN) else ()),
    ]


def register(app: Dash, store: Store, now: Callable[[], datetime]) -> None:
    study.register(app)

    @app.server.get(STATEMENT_AT)
    def statement() -> Response:
        made = claim.statement_of(store, asked_for(), language())
        return sent(made, "application/pdf", "buyer-statement.pdf")

    @app.server.get(JSON_AT)
    def statement_json() -> Response:
        made, _ = claim.files_of(store, asked_for(), language())
        return sent(made, "application/json", "buyer-statement.json")

    @app.server.get(AUDITS_AT)
    def audits() -> Response:
        _, made = claim.files_of(store, asked_for(), language())
        return sent(made, "text/csv", "audits.csv")

    @app.callback(Output(BODY, "children"), Input("app-address", "search"))
    def draw(search: str | None) -> Any:
        return as_one(body(words(), claim.view(store, search, language(), now())), own=(MORE,))

    @app.callback(Output(MORE, "children"), Input(BODY, "children"), State("app-address", "search"))
    def draw_more(answered: Any, search: str | None) -> Any:
        del answered  # the answer stands first; what takes longer comes after it
        found = claim.beside(store, search, language())
        return as_one(more(words(), found)) if found else []


def asked_for() -> str:
    return request.query_string.decode("utf-8", "replace")


def sent(made: bytes | str, kind: str, name: str) -> Response:
    """A file that a browser keeps under a name of its own."""
    return Response(
        made,
        mimetype=kind,
        headers={"Content-Disposition": f'attachment; filename="{name}"'},
    )


def body(words: Wording, view: ClaimView) -> list[Any]:
    say = words.say
    shown: list[Any] = []
    if view.answered:
        shown = [answer(words, view.answered, view.fields), picture(words, view.answered)]
    elif view.reason:
        shown = [components.beginning(words, f"{components.sentence(view.reason)}.")]
    return [
        components.head(say("claim.title"), *addressed(words, view)),
        *shown[:1],
        html.Div([form(words, view), *shown[1:]], className="claim-asked"),
        html.Div(waiting(words, view), id=MORE),
    ]


def addressed(words: Wording, view: ClaimView) -> list[html.P]:
    """That this page's address is the claim, or the one that is."""
    say = words.say
    if view.answered is None:
        return []
    if not view.full:
        return [html.P(say("claim.address"))]
    link = html.A(say("claim.full_address"), href=f"{PATH}?{view.full}", id="claim-full")
    return [html.P([say("claim.open_address"), " ", link, "."])]


def waiting(words: Wording, view: ClaimView) -> list[Any]:
    """What stands there while that is worked out which takes longer than the answer."""
    average = view.answered is not None and view.answered.claim.kind == KINDS[0]
    return [components.skeleton(words)] if average else []


def answer(words: Wording, found: Answered, asked: Mapping[str, str]) -> html.Section:
    """The answer in words, what it rests on, and what a naive count would have said."""
    say, told = words.say, found.told
    left = [
        say("claim.left_out", purpose=say(f"purpose.{purpose}"), count=count)
        for purpose, count in found.left_out
    ]
    left_out = [say("claim.left", what=words.listed(left))] if left else []
    known = {**sizes(words, found.claim), "likeness": " ".join(found.how)}
    quiet = (*map(said_in, found.claim.assumed), *left_out, say("claim.workmanship"))
    return html.Section(
        [
            html.H2(components.sentence(told.word), className="answer-word", id="claim-word"),
            html.P(told.sentence, className="answer-next"),
            *(html.P(each) for each in found.cautions),
            html.P(told.rests),
            html.P(told.naive),
            *(html.P(each, className="quiet") for each in quiet),
            explained.more(explained.how(words, "claim", ("claim_answer", known))),
            files(words, urlencode({name: text for name, text in asked.items() if text})),
        ],
        className="panel answer",
        **{"data-state": STATES.get(found.claim.answer, "open")},
    )


def files(words: Wording, asked: str) -> html.Nav:
    """The statement on paper and as data, and the audits that it rests on."""
    every = (
        ("statement", STATEMENT_AT, "buyer-statement.pdf"),
        ("statement_json", JSON_AT, "buyer-statement.json"),
        ("audits_csv", AUDITS_AT, "audits.csv"),
    )
    return html.Nav(
        [
            html.A(
                words.say(f"claim.{name}"),
                href=f"{at}?{asked}",
                className="choice",
                id=f"claim-{name.replace('_', '-')}",
                download=file,
                target="_blank",
            )
            for name, at, file in every
        ],
        className="choices claim-files",
        **{"aria-label": words.say("claim.files")},
    )


def form(words: Wording, view: ClaimView) -> html.Form:
    say, programme = words.say, view.programme
    lanes = [("", say("claim.all_lanes")), *((each.code, each.code) for each in programme.lanes)]
    products = [(each.code, each.name) for each in programme.products]
    known = {each.code: each.name for each in programme.specifications}
    figures = [(each, say(f"claim_figure.{each}")) for each in FIGURES]
    kinds = [(each, say(f"claim_kind.{each}")) for each in KINDS]
    on_paper = ("confidence", *PAPER)
    house = [] if "house" in known else [("house", say("claim.house"))]
    return html.Form(
        [
            html.Div(
                [
                    field(words, view, "kind", kinds),
                    field(words, view, "figure", figures),
                    field(words, view, "target"),
                    *([field(words, view, "share")] if view.fields["kind"] != KINDS[0] else ()),
                    days(words, view),
                    field(words, view, "lane", lanes),
                    *([field(words, view, "product", products)] if len(products) > 1 else ()),
                    field(words, view, "specification", [*house, *known.items()]),
                ],
                className="fields",
            ),
            html.Details(
                [
                    html.Summary(say("claim.study")),
                    html.P(say("claim.study_lead"), className="quiet"),
                    html.Div([field(words, view, each) for each in STUDY], className="fields"),
                ],
                open=any(view.fields[each] for each in STUDY),
            ),
            html.Details(
                [
                    html.Summary(say("claim.paper")),
                    html.P(say("claim.paper_lead"), className="quiet"),
                    html.Div([field(words, view, each) for each in on_paper], className="fields"),
                ],
                open=any(view.fields[each] for each in on_paper),
            ),
            html.Button(say("claim.ask"), type="submit", className="act", id="claim-send"),
        ],
        id="claim-form",
        className="panel plan-form",
        autoComplete="off",
        **{"data-to": PATH},
    )


def days(words: Wording, view: ClaimView) -> html.Div:
    """First and last day, typed, and quick choices of both."""
    say = words.say
    choices = [
        (say("choice.days", count=each.days), PATH + each.search, each.chosen)
        for each in windows(view.fields)
    ]
    typed = [field(words, view, "first"), field(words, view, "last")]
    quick = [components.links(say("choice.period"), choices)] if choices else []
    return html.Div([*typed, *quick], className="claim-days")


def field(
    words: Wording, view: ClaimView, name: str, known: list[tuple[str, str]] | None = None
) -> html.Div:
    identity, value = f"claim-{name}", view.fields[name]
    if name in SHARES:
        value = components.figured(words, value)
    longest = LONGEST if name in PAPER else 18
    if known:
        options = [html.Option(text, value=each, selected=each == value) for each, text in known]
        box: Any = html.Select(options, id=identity, name=name, className="select")
    else:
        box = dcc.Input(id=identity, name=name, type="text", value=value, maxLength=longest)
    problem = view.problems.get(name)
    told = html.P(
        f"{components.sentence(problem)}." if problem else "",
        id=f"{identity}-fault",
        className="fault",
        role="alert",
        **({"data-fault-of": identity} if problem else {}),
    )
    label = html.Label(words.say(f"claim_field.{name}"), htmlFor=identity)
    return html.Div([label, box, told], className="field field-bad" if problem else "field")


def more(words: Wording, found: Beside) -> list[Any]:
    """How many more totes would settle it, and what would change the answer."""
    say = words.say
    rows = [
        [
            say(CHANGES[each.change], what=named(words, each)),
            words.count(each.totes),
            *map(components.whole, (each.way.lower, each.way.upper)),
            each.way.answer,
        ]
        for each in found.changes
    ]
    columns = [say(f"claim_column.{each}") for each in ("change", "totes", "low", "high", "answer")]
    table = components.table(
        None, columns, rows, name=say("claim.changes"), numbers=(1, 2, 3), stacks=["", *columns[1:]]
    )
    ahead = [html.P(each) for each in found.ahead]
    known = sizes(words, found.claim)
    worked = explained.more(explained.how(words, "claim-ahead", ("claim_ahead", known)))
    parts = [components.panel(say("claim.ahead"), *ahead, worked)] if ahead else []
    changed = explained.more(explained.how(words, "claim-changes", ("claim_changes", known)))
    return [
        *parts,
        html.Details(
            [html.Summary(say("claim.changes")), html.P(say("claim.changes_lead")), table, changed],
            className="panel",
            id="claim-changes",
        ),
    ]


def named(words: Wording, change: Change) -> str:
    """What a row of the table changes, as people call it."""
    if change.change == "method":
        return change.way.name
    if change.change == "without day":
        return words.day(date.fromisoformat(change.value))
    return change.value
