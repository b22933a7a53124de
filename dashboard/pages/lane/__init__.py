"""Lane: its charts, one category at a time, with what they say in words."""

from collections.abc import Callable
from datetime import datetime
from typing import Any

from dash import Dash, Input, Output, State, dcc, html
from flask import Response, jsonify

from dashboard import components, explained
from dashboard.drawn import as_one, chart_ahead
from dashboard.figures.charts import MOST_REASONS, control_chart
from dashboard.pages.lane import forms
from dashboard.pages.lane.drawing import (
    drawing,
    drawn,
    key,
    name_of,
    reason,
    says,
    summary,
    table,
)
from dashboard.pages.lane.head_checks import heads
from dashboard.pages.sending import sent
from dashboard.texts import Wording, language, words
from dashboard.views import choices, deeds, lane, signals
from dashboard.views.choices import CORRECT, KINDS, WINDOWS
from dashboard.views.keeping import record
from dashboard.views.lane import LaneView
from dashboard.views.signals import Signal
from qa.store.schema import Store

PATH, TITLE = "/lane", "page.lane"
BODY, CHART, CHOSEN = "lane-body", "lane-chart", "lane-chosen"
FRESH = [f"{name}-fresh" for name in forms.NAMES]
MOST_SIGNALS = 20  # listed


def layout() -> list[Any]:
    said = [html.P(id=f"{name}-said", className="said", role="status") for name in forms.NAMES]
    kept = [dcc.Store(id=each) for each in (*FRESH, CHOSEN)]
    ahead = html.Div([components.skeleton(words()), chart_ahead(CHART)], id=BODY)
    return [ahead, *said, *kept]


def register(app: Dash, store: Store, now: Callable[[], datetime]) -> None:
    @app.server.post(forms.EVENT_AT)
    def record_event() -> Response:
        made = deeds.record_event(store, sent("who"), now(), language())
        return jsonify(said=forms.recorded(words(), made))

    @app.server.post(forms.ANSWER_AT)
    def acknowledge() -> Response:
        signal = signals.acknowledge(store, sent("who"), now(), language())
        return jsonify(said=forms.acknowledged(words(), record(store).programme, signal))

    @app.server.post(forms.BASE_AT)
    def choose_baseline() -> Response:
        made = signals.choose_baseline(store, sent("who"), now(), language())
        return jsonify(said=forms.chosen(words(), made))

    @app.server.post(forms.UNDO_AT)
    def withdraw() -> Response:
        kind = signals.withdraw(store, sent("who"), now(), language())
        return jsonify(said=words().say(f"lane.undone_{kind}"))

    @app.callback(
        Output(BODY, "children"),
        Input("app-address", "search"),
        *[Input(each, "data") for each in FRESH],
    )
    def draw(search: str | None, *fresh: int | None) -> Any:
        del fresh  # something was recorded: the same again, from the record as it is now
        asked = choices.read(search, record(store).programme)
        shown = body(words(), lane.view(store, asked, now(), language()))
        return as_one(shown, own=(forms.BASE_BOX,))

    @app.callback(
        Output(forms.BASE_FIRST, "value"),
        Output(forms.BASE_LAST, "value"),
        Output(forms.BASE_BOX, "open"),
        Input(CHOSEN, "data"),
        State(forms.BASE_FIRST, "value"),
        State(forms.BASE_LAST, "value"),
        prevent_initial_call=True,
    )
    def drag(chosen: str | None, first: str | None, last: str | None) -> tuple[Any, Any, bool]:
        ends = forms.ends(chosen)
        if ends is None:
            return first, last, bool(first)
        days = signals.days_between(record(store).programme, *ends)
        if days is None:
            return first, last, bool(first)
        return days[0].isoformat(), days[1].isoformat(), True


def sheet(words: Wording, view: LaneView) -> str:
    """What a sheet on a wall must say besides."""
    of = {"site": view.programme.site, "name": view.programme.name}
    target, year = words.per_cent(view.programme.target), str(view.last_day.year)
    return words.say("shift.paper", **of, year=year, target=target)


def body(words: Wording, view: LaneView) -> list[Any]:
    say = words.say
    days = {"first": words.day(view.first_day), "last": words.day(view.last_day)}
    worst = components.status(view.word, say(f"status.{view.word}"))
    top = [
        components.head(say("lane.title", lane=view.lane), html.P(worst, className="row-word")),
        html.P(sheet(words, view), className="only-print"),
        filters(words, view),
        *([html.P(each, className="last-held") for each in view.gross]),
        components.panel(say("lane.says"), sentences(words, view)),
        *([inspection(words, view)] if view.inspections else ()),
    ]
    recording = forms.events(words, view)
    if not view.charted:
        why = "lane.no_chart" if view.status == "no audits" else "lane.no_baseline"
        return [*top, components.beginning(words, say(why, lane=view.lane)), recording]
    if not view.points:
        return [
            *top,
            components.beginning(words, say("lane.empty", lane=view.lane, **days)),
            recording,
        ]
    chart = components.panel(
        components.sentence(say("lane.chart", category=name_of(words, view), lane=view.lane)),
        html.P(say("lane.period", **days), className="quiet small"),
        explained.charted(
            says(words, view),
            [
                key(words),
                components.graph(
                    words,
                    control_chart(drawing(words, view)),
                    summary(words, view),
                    CHART,
                    chosen=CHOSEN,
                ),
                reasons(words, view),
                *thinned(words, view),
                html.P(say("lane.drag"), className="quiet small no-print"),
            ],
            table(words, view),
            method(words, view),
        ),
    )
    stopped = any(each.stopped for each in view.inspections)
    worked = [history(words, view), *forms.deciding(words, view)]
    rest = [heads(words, view), differences(words, view), *forms.undo(words, view)]
    if stopped:  # what starts inspection again stands before all else
        return [*top, recording, chart, *worked, *rest]
    return [*top, chart, *worked, recording, *rest]


def reasons(words: Wording, view: LaneView) -> html.Ul:
    """Why the newest signals are drawn, where the chart has no room to say it beside them all."""
    marked = [each for each in drawn(view) if each.beyond or each.rise][::-1][:MOST_REASONS]
    zone = view.programme.zone
    told = [
        words.say(
            "lane.reason",
            tote=each.tote,
            when=words.moment(each.at, zone),
            why=reason(words, view, each),
        )
        for each in marked
    ]
    many = sum(bool(each.beyond) for each in drawn(view)) > MOST_REASONS
    look = "lane-reasons lane-reasons-many" if many else "lane-reasons"
    return html.Ul([html.Li(each) for each in told], className=look)


def thinned(words: Wording, view: LaneView) -> list[html.P]:
    """That not every point is drawn, where it is so."""
    shown, count = len(drawn(view)), len(view.points)
    if shown == count:
        return []
    return [html.P(words.say("lane.thinned", shown=shown, count=count), className="quiet small")]


def inspection(words: Wording, view: LaneView) -> html.Section:
    """Inspection that is not normal: why, and what brings it back."""
    said = []
    for each in view.inspections:
        of = words.say(f"class.{each.severity}")
        state = words.say(f"inspection.{each.inspection}", severity=of)
        mark = components.status(each.inspection, words.say(f"inspected.{each.inspection}"))
        said.append(html.Li([mark, html.Span(f"{state} {each.why} {each.back}")]))
    return components.panel(words.say("lane.inspection"), html.Ul(said, className="says lane-says"))


def filters(words: Wording, view: LaneView) -> html.Div:
    say = words.say

    def to(**changed: Any) -> str:
        day = None if view.latest else view.last_day
        kept = {"lane": view.lane, "category": view.category, "days": view.days, "day": day}
        if view.kind != KINDS[0]:
            kept["chart"] = view.kind
        return PATH + choices.query(**{**kept, **changed})

    lanes = [
        (each.code, to(lane=each.code), each.code == view.lane) for each in view.programme.lanes
    ]
    categories = [
        (name_of(words, view, each), to(category=each), each == view.category)
        for each in (CORRECT, *view.programme.category_codes)
    ]
    days = [(say("choice.days", count=each), to(days=each), each == view.days) for each in WINDOWS]
    charts = [(say(f"lane.kind_{each}"), to(chart=each), each == view.kind) for each in KINDS]
    return html.Div(
        [
            components.links(say("choice.lane"), lanes),
            components.links(say("choice.shows"), categories),
            components.links(say("choice.period"), days),
            components.links(say("lane.kind"), charts),
        ],
        className="filters",
    )


def sentences(words: Wording, view: LaneView) -> html.Ul:
    """What each category's finding says, the neediest first."""
    ordered = sorted(view.findings, key=lambda each: lane.STATUSES.index(each.status))
    told = dict.fromkeys((lane.word_of(each), each.sentence) for each in ordered)
    return html.Ul(
        [
            html.Li(
                [
                    components.status(word, words.say(f"status.{word}")),
                    html.Span(components.sentence(sentence)),
                ]
            )
            for word, sentence in told
        ],
        className="says lane-says",
    )


def method(words: Wording, view: LaneView) -> html.Details:
    last, days = view.points[-1], {"first": view.first_day, "last": view.last_day}
    levels = {
        "means": kind_means(words, view),
        "totes": words.say("count.totes", count=len(view.points)),
        "inspected": words.count(sum(each.inspected for each in view.points)),
        "notes": " ".join(view.notes),
        **{name: words.day(day) for name, day in days.items()},
    }
    total = {
        "arl": words.count(view.arl),
        "means": words.say("lane.sum_means"),
        "rules": words.say("lane.run_rules"),
        "limit": words.number(last.limit, ".1f"),
        "sum": words.number(last.total, ".1f"),
        "tote": last.tote,
    }
    return explained.how(words, "lane", ("lane_levels", levels), ("lane_sum", total))


def kind_means(words: Wording, view: LaneView) -> str:
    """What the chart of levels shows, and how its limits are placed."""
    alarms, arl = words.count(10_000 * lane.POINT_ALARM), words.count(view.arl)
    return words.say(f"lane.means_{view.kind}", alarms=alarms, arl=arl)


def history(words: Wording, view: LaneView) -> html.Section:
    """Every signal of the lane, the newest first: what, since when, and how it stands."""
    title, zone = words.say("lane.signals_title"), view.programme.zone
    if not view.signals:
        return components.panel(title, html.P(words.say("lane.signals_none"), className="quiet"))
    names = ("category", "since", "range", "tote", "change", "signal", "state")
    rows = []
    for each in view.signals[:MOST_SIGNALS]:
        rise = lane.rise_of(each)
        was = rise.before
        before = components.level(words, was.fraction, was.low, was.high)
        rows.append(
            [
                forms.named(words, view.programme, each),
                words.moment(rise.since, zone),
                words.span(rise.low, rise.high, zone),
                rise.tote,
                f"{before} → {components.share(words, rise.after)}",
                words.moment(rise.signalled_at, zone),
                state(words, view, each),
            ]
        )
    columns = [words.say(f"lane.rise_{name}") for name in names]
    lead = "lane.signals_lead_correct" if view.category == CORRECT else "lane.signals_lead"
    return components.panel(
        title,
        html.P(words.say(lead), className="quiet"),
        components.table(None, columns, rows, name=title, stacks=["", *columns[1:]]),
    )


def state(words: Wording, view: LaneView, signal: Signal) -> list[Any]:
    """How a signal stands, in a word; and what was said of it."""
    zone, rise = view.programme.zone, signal.excursion
    until = words.moment(rise.until, zone) if rise.until else ""
    told = [html.B(words.say(f"lane.state_{rise.closed_by or rise.state}", until=until))]
    if signal.said:
        when, said = words.moment(signal.said.at, zone), signal.said
        parts = {"by": said.by, "cause": said.cause, "done": said.done}
        told.append(html.P(words.say("lane.answered", when=when, **parts), className="small"))
    return told


def differences(words: Wording, view: LaneView) -> html.Section:
    """Shifts, weekdays and lines that differ; never an inspector."""
    title, lead = words.say("lane.sources"), words.say("lane.sources_lead")
    said = view.sources or (words.say("lane.sources_none"),)
    told = html.Ul([html.Li(each) for each in said])
    doubt = words.per_cent(lane.DOUBT, decimals=0)
    worked = explained.how(words, "lane-sources", ("lane_sources", {"doubt": doubt}))
    return components.panel(title, html.P(lead, className="quiet"), told, explained.more(worked))
