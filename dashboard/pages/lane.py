"""Lane: its charts, one category at a time, with what they say in words."""

from collections.abc import Callable, Iterator
from datetime import datetime
from typing import Any

from dash import Dash, Input, Output, dcc, html
from flask import Response, jsonify

from dashboard import components
from dashboard.figures.charts import Change, Drawing, Signal, control_chart
from dashboard.figures.scale import high_scale, low_scale
from dashboard.pages.sending import sent
from dashboard.texts import LANGUAGE, Wording, words
from dashboard.views import choices, deeds, lane
from dashboard.views.choices import CORRECT, WINDOWS
from dashboard.views.deeds import KINDS, Event
from dashboard.views.lane import LaneView, Point, Rise
from dashboard.views.record import record
from qa.store.schema import Store

PATH, TITLE = "/lane", "page.lane"
BODY, CHART, FRESH, SAID = "lane-body", "lane-chart", "lane-fresh", "lane-said"
EVENT_AT = "/lane/events"
MOST_ROWS = 60


def layout() -> list[Any]:
    return [
        html.Div(components.skeleton(words()), id=BODY),
        html.P(id=SAID, className="said", role="status"),
        dcc.Store(id=FRESH),
    ]


def register(app: Dash, store: Store, now: Callable[[], datetime]) -> None:
    @app.server.post(EVENT_AT)
    def record_event() -> Response:
        return jsonify(said=recorded(words(), deeds.record_event(store, sent(), now(), LANGUAGE)))

    @app.callback(Output(BODY, "children"), Input("app-address", "search"), Input(FRESH, "data"))
    def draw(search: str | None, fresh: int | None) -> Any:
        del fresh  # something was recorded: the same again, from the record as it is now
        asked = choices.read(search, record(store).programme)
        return body(words(), lane.view(store, asked, now()))


def body(words: Wording, view: LaneView) -> list[Any]:
    say = words.say
    days = {"first": words.day(view.first_day), "last": words.day(view.last_day)}
    worst = components.status(view.status, say(f"status.{view.status}"))
    top = [
        components.head(say("lane.title", lane=view.lane), html.P(worst, className="row-word")),
        filters(words, view),
        components.panel(say("lane.says"), sentences(words, view)),
        *([inspection(words, view)] if view.inspections else ()),
        events(words, view),
    ]
    if not view.charted:
        return [*top, components.note(say("lane.no_chart", lane=view.lane))]
    if not view.points:
        return [*top, components.note(say("lane.empty", lane=view.lane, **days))]
    chart = components.panel(
        components.sentence(say("lane.chart", category=name_of(words, view), lane=view.lane)),
        html.P(say("lane.period", **days), className="quiet small"),
        key(words),
        components.graph(control_chart(drawing(words, view)), summary(words, view), CHART),
        html.Details([html.Summary(say("lane.table")), table(words, view)]),
        html.Details([html.Summary(say("lane.notes")), method(words, view)]),
    )
    return [*top, chart, rises(words, view), heads(words, view)]


def inspection(words: Wording, view: LaneView) -> html.Section:
    """Inspection that is not normal: why, and what brings it back."""
    said = []
    for each in view.inspections:
        of = words.say(f"class.{each.severity}")
        state = words.say(f"inspection.{each.inspection}", severity=of)
        mark = components.status(each.inspection, words.say(f"inspected.{each.inspection}"))
        said.append(html.Li([mark, html.Span(f"{state} {each.why} {each.back}")]))
    return components.panel(words.say("lane.inspection"), html.Ul(said, className="says lane-says"))


def recorded(words: Wording, event: Event) -> str:
    kind = words.say(f"event.{event.kind}")
    return words.say("lane.event_saved", lane=event.lane, kind=kind)


def events(words: Wording, view: LaneView) -> html.Details:
    """What was done to the lane, as people enter it; open where inspection waits for it."""
    say = words.say
    stopped = any(each.stopped for each in view.inspections)
    kinds = [(each, say(f"event.{each}")) for each in KINDS]
    return html.Details(
        [
            html.Summary(say("lane.event")),
            done(words, view),
            html.P(say("lane.event_lead"), className="quiet"),
            components.form(
                words,
                "lane",
                EVENT_AT,
                say("lane.event_save"),
                dcc.Input(id="lane-lane", type="hidden", value=view.lane),
                components.buttons("lane-kind", say("lane.event_kind"), kinds),
                html.Div(
                    [
                        components.field("lane-what", say("lane.event_what")),
                        components.field("lane-who", say("form.who")),
                        components.field("lane-when", say("form.when"), hint=say("form.hint")),
                    ],
                    className="fields",
                ),
            ),
        ],
        className="panel no-print",
        open=stopped or bool(view.events),
    )


def done(words: Wording, view: LaneView) -> Any:
    """What was recorded lately."""
    if not view.events:
        return html.P(words.say("lane.events_none"), className="quiet")
    lines = [
        words.say(
            "lane.event_line",
            when=words.moment(each.at, view.programme.zone),
            kind=words.say(f"event.{each.kind}"),
            by=each.by,
            what=each.what,
        )
        for each in view.events
    ]
    return html.Ul([html.Li(each) for each in lines])


def filters(words: Wording, view: LaneView) -> html.Div:
    say = words.say

    def to(**changed: Any) -> str:
        day = None if view.latest else view.last_day
        kept = {"lane": view.lane, "category": view.category, "days": view.days, "day": day}
        return PATH + choices.query(**{**kept, **changed})

    lanes = [
        (each.code, to(lane=each.code), each.code == view.lane) for each in view.programme.lanes
    ]
    categories = [
        (name_of(words, view, each), to(category=each), each == view.category)
        for each in (CORRECT, *view.programme.category_codes)
    ]
    days = [(say("choice.days", count=each), to(days=each), each == view.days) for each in WINDOWS]
    return html.Div(
        [
            components.links(say("choice.lane"), lanes),
            components.links(say("choice.shows"), categories),
            components.links(say("choice.period"), days),
        ],
        className="filters",
    )


def name_of(words: Wording, view: LaneView, category: str | None = None) -> str:
    asked = category or view.category
    if asked == CORRECT:
        return words.say("category.correct")
    return next(each.name for each in view.programme.categories if each.code == asked)


def sentences(words: Wording, view: LaneView) -> html.Ul:
    """What each category's finding says, the neediest first."""
    ordered = sorted(view.findings, key=lambda each: lane.STATUSES.index(each.status))
    return html.Ul(
        [
            html.Li(
                [
                    components.status(each.status, words.say(f"status.{each.status}")),
                    html.Span(components.sentence(each.sentence)),
                ]
            )
            for each in ordered
        ],
        className="says lane-says",
    )


def key(words: Wording) -> html.Ul:
    marks = ("dot", "diamond", "limit", "center", "range", "base")
    names = ("point", "signal", "limit", "center", "range", "base")
    return html.Ul(
        [
            html.Li([html.I(className=f"key-{mark}"), words.say(f"lane.key_{name}")])
            for mark, name in zip(marks, names, strict=True)
        ],
        className="key",
    )


def drawing(words: Wording, view: LaneView) -> Drawing:
    """The points in per cent and plant time, with the words that stand beside them."""
    say, points = words.say, view.points
    at = [_local(view, each.at) for each in points]
    marked = list(zip(at, points, strict=True))
    correct = view.category == CORRECT
    name = components.sentence(name_of(words, view))
    axis = say("lane.correct_axis") if correct else say("lane.category_axis", category=name)
    return Drawing(
        at=at,
        value=[100 * each.value for each in points],
        center=[100 * each.center for each in points],
        lower=[100 * each.lower for each in points],
        upper=[100 * each.upper for each in points],
        total=[each.total for each in points],
        limit=view.limit,
        said=[point_said(words, view, each) for each in points],
        sum_said=[sum_said(words, view, each) for each in points],
        signals=[Signal(t, 100 * p.value, beyond(words, p)) for t, p in marked if p.beyond],
        sum_signals=[Signal(t, p.total, signal_said(words, p.rise)) for t, p in marked if p.rise],
        changes=list(changes(words, view, at)),
        baseline=view.baseline and tuple(_local(view, each) for each in view.baseline),
        names={
            "upper": say("lane.upper"),
            "lower": say("lane.lower"),
            "center": say("lane.center"),
            "value_axis": axis,
            "sum_axis": say("lane.cusum_correct" if correct else "lane.cusum_axis"),
        },
    )


def changes(words: Wording, view: LaneView, at: list[datetime]) -> Iterator[Change]:
    """When each rise may have begun, as far as the window shows it."""
    zone = view.programme.zone
    for rise in view.rises:
        until = _local(view, rise.until) if rise.until else at[-1]
        low, since, high = (_local(view, each) for each in (rise.low, rise.since, rise.high))
        ends = {"low": words.moment(rise.low, zone), "high": words.moment(rise.high, zone)}
        yield Change(
            low=max(low, at[0]),
            since=max(since, at[0]),
            high=max(high, at[0]),
            until=until,
            before=100 * rise.before.fraction,
            after=100 * rise.after.fraction,
            said=words.say("lane.changed", since=words.moment(rise.since, zone), **ends),
        )


def point_said(words: Wording, view: LaneView, point: Point) -> str:
    return words.say(
        "lane.point",
        tote=point.tote,
        when=words.moment(point.at, view.programme.zone),
        count=point.count,
        inspected=point.inspected,
        share=words.per_cent(point.value),
    )


def sum_said(words: Wording, view: LaneView, point: Point) -> str:
    return words.say(
        "lane.cusum_point",
        tote=point.tote,
        when=words.moment(point.at, view.programme.zone),
        sum=f"{point.total:.1f}",
        limit=f"{view.limit:.1f}",
    )


def beyond(words: Wording, point: Point) -> str:
    which = "lane.beyond_high" if point.beyond == "above" else "lane.beyond_low"
    return words.say(which, count=point.count, inspected=point.inspected)


def signal_said(words: Wording, rise: Rise) -> str:
    levels = {"before": rise.before.fraction, "after": rise.after.fraction}
    return words.say("lane.signal", **{k: words.per_cent(v) for k, v in levels.items()})


def summary(words: Wording, view: LaneView) -> str:
    """What the chart shows, for those who do not see it."""
    return words.say(
        "lane.figure_label",
        category=name_of(words, view),
        lane=view.lane,
        totes=words.say("count.totes", count=len(view.points)),
        first=words.day(view.first_day),
        last=words.day(view.last_day),
        signals=words.say("lane.signals", count=sum(bool(each.beyond) for each in view.points)),
    )


def table(words: Wording, view: LaneView) -> html.Div:
    """The newest totes behind the chart."""
    names = ("tote", "when", "count", "inspected", "share", "limits", "sum", "says_column")
    newest = view.points[-MOST_ROWS:][::-1]
    rows = [
        [
            each.tote,
            words.moment(each.at, view.programme.zone),
            words.count(each.count),
            words.count(each.inspected),
            words.per_cent(each.value),
            limits(words, each),
            f"{each.total:.1f}",
            beyond(words, each) if each.beyond else "",
        ]
        for each in newest
    ]
    caption = words.say("lane.table_caption", count=len(newest))
    return components.table(caption, [words.say(f"lane.{name}") for name in names], rows)


def limits(words: Wording, point: Point) -> str:
    """Both limits; none is written as a dash."""
    ends = (point.lower, point.upper)
    return " / ".join("–" if each != each else words.per_cent(each) for each in ends)


def method(words: Wording, view: LaneView) -> html.Div:
    said = words.say(
        "lane.method",
        alarms=words.count(10_000 * lane.POINT_ALARM),
        arl=words.count(view.arl),
    )
    return html.Div([html.P(each) for each in (said, *view.notes)])


def rises(words: Wording, view: LaneView) -> html.Section:
    title = words.say("lane.rises")
    if not view.rises:
        return components.panel(title, html.P(words.say("lane.rise_none"), className="quiet"))
    zone = view.programme.zone
    names = ("since", "range", "tote", "change", "signal", "until")
    rows = [
        [
            words.moment(each.since, zone),
            words.span(each.low, each.high, zone),
            each.tote,
            f"{words.per_cent(each.before.fraction)} → {components.share(words, each.after)}",
            words.moment(each.signalled_at, zone),
            words.moment(each.until, zone) if each.until else words.say("lane.rise_goes_on"),
        ]
        for each in view.rises[::-1]
    ]
    columns = [words.say(f"lane.rise_{name}") for name in names]
    return components.panel(title, components.table(None, columns, rows))


def heads(words: Wording, view: LaneView) -> html.Section:
    """Each head's share from head checks, on one scale."""
    say = words.say
    days = {"first": words.day(view.first_day), "last": words.day(view.last_day)}
    shares = [each.share for each in view.heads if each.share]
    if view.category == CORRECT:
        scale = high_scale((each.low for each in shares), view.programme.target)
    else:
        scale = low_scale(each.high for each in shares)
    rows = []
    for each in view.heads:
        name = say("lane.head", head=each.head)
        if each.share is None:
            rows.append([name, say("lane.head_none"), "", ""])
            continue
        said = components.share(words, each.share)
        counted = f"{words.count(each.share.count)} / {words.count(each.share.inspected)}"
        rows.append([name, components.strip(each.share, scale, f"{name}: {said}"), said, counted])
    columns = [
        say("lane.head_column"),
        components.ticks(words, scale),
        say("lane.share_column"),
        say("lane.counted_column"),
    ]
    return components.panel(
        say("lane.heads"),
        html.P(say("lane.heads_from", **days), className="quiet"),
        components.table(None, columns, rows, name=say("lane.heads")),
        className="lane-heads",
    )


def _local(view: LaneView, moment: datetime) -> datetime:
    return moment.astimezone(view.programme.zone).replace(tzinfo=None)
