"""Floor: one row a lane, the neediest first, kept up to date by itself."""

from collections.abc import Callable
from datetime import datetime
from typing import Any

from dash import Dash, html
from flask import Response, request
from plotly.io.json import to_json_plotly

from dashboard import components, explained
from dashboard.figures.scale import Scale, high_scale
from dashboard.pages import left_open
from dashboard.texts import Wording, language, told, words
from dashboard.views import choices, floor
from dashboard.views.floor import FloorView, Mark, Row
from dashboard.views.keeping import record
from dashboard.views.record import Inspection, Share
from qa.errors import QAError
from qa.store.schema import Store

PATH, TITLE = "/floor", "page.floor"
NOW_AT = "/floor/now"
BODY, HEARD = "floor-body", "floor-heard"
EVERY = 2_000  # milliseconds from one question to the next: an audit is on the screen within five
BACK = ("locked", "held", "before")  # lots that stand back
MOST_AUDITS = 24  # in the table behind the strips
INTERVAL_COLUMNS = ("lane", "over", "correct", "low", "high", "incorrect", "inspected", "totes")
AUDIT_COLUMNS = ("tote", "lane", "pulled", "incorrect", "inspected", "share", "verdict")


def layout() -> list[Any]:
    say = words().say
    ages = {"data-fresh": say("floor.heard", seconds="{s}")}
    ages |= {"data-stale": say("floor.stale", seconds="{s}")}
    asks = {"data-at": NOW_AT, "data-every": str(EVERY)}
    return [
        html.Div(components.skeleton(words()), id=BODY, **asks),
        html.P(id=HEARD, className="quiet small", **ages),
    ]


def register(app: Dash, store: Store, now: Callable[[], datetime]) -> None:
    """Floor draws itself by a script, which asks here: the framework makes every element anew."""

    @app.server.get(NOW_AT)
    def listen() -> Response:
        known = request.args.get("known", "")
        try:
            pulse = floor.pulse(store, now())
            said = {"pulse": pulse} if pulse == known else {"pulse": pulse, "body": drawn()}
        except QAError as fault:
            if known:
                raise  # what is on the screen stays there, and how old it is is said
            said = {"pulse": "", "body": [components.trouble(words(), told(str(fault)))]}
        return app.server.response_class(to_json_plotly(said), mimetype="application/json")

    def drawn() -> list[Any]:
        asked = choices.read(request.args.get("search"), record(store).programme)
        return body(words(), floor.view(store, asked, now(), language()))


def body(words: Wording, view: FloorView) -> list[Any]:
    say, zone = words.say, view.programme.zone
    moment = say(
        "floor.when",
        day=words.day(view.day),
        shift=view.shift_name,
        clock=words.clock(view.now, zone),
    )
    top = components.head(say("floor.title"), html.P(moment))
    if view.empty:
        return [top, components.beginning(words, say("floor.empty"))]
    shares = [share for row in view.rows for share in (row.shift, row.week) if share]
    scale = high_scale((share.low for share in shares), view.programme.target)
    rows = [lane_row(words, view, scale, row) for row in view.rows]
    look = "rows rows-many" if view.many else "rows"
    caution = [html.P(view.caution, className="row-caution")] if view.caution else []
    return [
        top,
        whole_line(words, view),
        *caution,
        explained.charted(
            says(words, view),
            [scale_row(words, view, scale), html.Ol(rows, className=look), key(words)],
            intervals(words, view),
            audits(words, view),
            how(words, view),
        ),
    ]


def says(words: Wording, view: FloorView) -> str:
    """Which lanes lie beside the target beyond chance, and what the recent audits came to."""
    target, weeks = view.programme.target, [(row.lane, row.week) for row in view.rows if row.week]
    sides = {
        "below": [lane for lane, share in weeks if share.high < target],
        "above": [lane for lane, share in weeks if share.low > target],
    }
    marks = [mark for row in view.rows for mark in row.recent]
    rejected = sum(mark.verdict == "reject" for mark in marks)
    told = [
        said for side, lanes in sides.items() if (said := _beside(words, view, side, sorted(lanes)))
    ] or [words.say("floor.says_neither")]
    level = words.say(
        "floor.says_week",
        days=floor.WEEK,
        target=words.per_cent(target),
        lanes=words.listed(told),
    )
    judged = words.say("floor.says_recent", count=len(marks), rejected=rejected)
    if rejected:
        settled = sum(mark.settled for mark in marks)
        judged = words.say("floor.says_settled", judged=judged, settled=settled)
    return f"{level} {components.sentence(judged)}."


def _beside(words: Wording, view: FloorView, side: str, lanes: list[str]) -> str:
    """The whole line and the lanes that lie on one side of the target beyond chance."""
    line, target = view.line_week, view.programme.target
    with_line = line and (line.high < target if side == "below" else line.low > target)
    if not lanes:
        return words.say(f"floor.says_line_{side}") if with_line else ""
    key = f"floor.says_both_{side}" if with_line else f"floor.says_{side}"
    return words.say(key, count=len(lanes), lanes=words.listed(lanes))


def intervals(words: Wording, view: FloorView) -> html.Details:
    """What stands behind the intervals: each lane this shift and over the last days."""
    say, rows, target = words.say, [], view.programme.target
    for row in view.rows:
        spans = ((say("floor.this_shift"), row.shift), (week(words), row.week))
        rows += [
            [row.lane, name, *explained.ends(words, share, target), *explained.counts(words, share)]
            for name, share in spans
            if share
        ]
    columns = [say(f"floor_column.{name}") for name in INTERVAL_COLUMNS]
    title = say("floor.intervals")
    return explained.behind(words, "floor", columns, rows, texts=(0, 1), title=title)


def audits(words: Wording, view: FloorView) -> html.Details:
    """What stands behind the strips, the newest first."""
    say, zone = words.say, view.programme.zone
    marks = [(mark, row.lane) for row in view.rows for mark in row.recent]
    marks.sort(key=lambda each: each[0].pulled_at, reverse=True)
    rows = [
        [
            mark.tote,
            lane,
            words.moment(mark.pulled_at, zone),
            *map(words.count, (mark.incorrect, mark.inspected)),
            words.per_cent(_incorrect(mark)),
            say(f"verdict_word.{mark.verdict}"),
        ]
        for mark, lane in marks[:MOST_AUDITS]
    ]
    columns = [say(f"floor_column.{name}") for name in AUDIT_COLUMNS]
    return explained.behind(
        words,
        "floor-recent",
        columns,
        rows,
        of=len(marks),
        newest=True,
        texts=(0, 1, 2, 6),
        title=say("floor.audits"),
    )


def how(words: Wording, view: FloorView) -> html.Details:
    programme = view.programme
    marks = [mark for row in view.rows for mark in row.recent]
    newest = max(mark.pulled_at for mark in marks)
    share = {
        "confidence": words.per_cent(programme.confidence, decimals=0)[:-2],
        "days": floor.WEEK,
        "shift": explained.rests(words, view.line_shift),
        "week": explained.rests(words, view.line_week),
    }
    lanes, categories = len(programme.lanes), len(programme.categories)
    status = {
        "near": words.per_cent(floor.NEAR, decimals=0),
        "hours": floor.WATCHED_HOURS,
        "silence": floor.SILENT_HOURS,
        "charts": lanes * categories,
        "lanes": lanes,
        "categories": categories,
        "alarms": words.number(programme.false_alarms_per_week),
        "count": programme.false_alarms_per_week,
    }
    recent = {
        "recent": floor.RECENT,
        "audits": words.say("count.audits", count=len(marks)),
        "when": words.moment(newest, programme.zone),
    }
    return explained.how(
        words, "floor", ("floor_share", share), ("floor_status", status), ("floor_recent", recent)
    )


def week(words: Wording) -> str:
    return words.say("floor.week", days=floor.WEEK)


def whole_line(words: Wording, view: FloorView) -> html.Section:
    """The whole line's figure, and how many lanes stand how."""
    say = words.say
    of = view.programme.target
    week = view.line_week and components.share(words, view.line_week, of)
    counts = [
        components.status(each, say("floor.lanes", number=count, status=say(f"status.{each}")))
        for each in floor.WORDS
        if (count := sum(row.word == each for row in view.rows))
    ]
    target = words.per_cent(of)
    said = [say("floor.target", target=target)]
    said += [say("floor.line_week", days=floor.WEEK, figure=week)] if week else []
    return html.Section(
        [
            html.Div(
                [
                    html.P(say("floor.line"), className="quiet"),
                    html.P(_big(words, view.line_shift, of), className="big"),
                ],
                className="floor-whole",
            ),
            html.Div([html.P(each, className="quiet") for each in said]),
            html.Div([*counts, *standing_in_all(words, view)], className="floor-count"),
        ],
        className="panel floor-line",
    )


def standing_in_all(words: Wording, view: FloorView) -> list[html.A]:
    """Lots that stand back, each count leading to where they are listed."""
    said = [(name, sum(getattr(row, name) for row in view.rows)) for name in BACK]
    return [
        html.A(
            words.say(f"floor.lots_{name}", count=count),
            href=listed_at(view),
            className="quiet" if name == "before" else "last-held",
        )
        for name, count in said
        if count
    ]


def listed_at(view: FloorView) -> str:
    """Where the lots that stand back are listed: Shift."""
    shown = {} if view.latest else {"day": view.day, "shift": view.shift}
    return f"/shift{choices.query(**shown)}#{left_open.IDENTITY}"


def lane_row(words: Wording, view: FloorView, scale: Scale, row: Row) -> html.Li:
    say = words.say
    title = say("floor.open_lane", lane=row.lane)
    return html.Li(
        [
            html.A(
                row.lane,
                href=f"/lane{choices.query(lane=row.lane)}",
                id=f"floor-open-{row.lane}",
                className="row-lane",
                **{"aria-label": title},
            ),
            html.Div(
                [
                    html.P(
                        components.status(row.word, say(f"status.{row.word}")),
                        className="row-word",
                    ),
                    *standing(words, view, row),
                    *(inspected(words, row) if view.many else ()),
                ],
                className="row-need",
            ),
            html.Div(row_says(words, row), className="row-says"),
            html.Div(
                [
                    share_line(words, view, scale, say("floor.this_shift"), row.shift),
                    share_line(words, view, scale, week(words), row.week, thin=True),
                ],
                className="row-share-cell",
            ),
            html.Div(
                [recent(words, view, row), last_audit(words, view, row)], className="row-last"
            ),
        ],
        className=f"row row-{row.word.replace(' ', '-')}",
        id=f"floor-lane-{row.lane}",
    )


def row_says(words: Wording, row: Row) -> list[html.P]:
    """Whom to call, what its charts say, and inspection that is not normal."""
    said = [html.P(components.sentence(row.brief), title=components.sentence(row.sentence))]
    if row.caution:
        said.append(html.P(row.caution, className="row-caution"))
    quiet = row.status == "steady" and row.gross
    return [
        *(html.P(each, className="last-held") for each in row.gross),
        *([] if quiet else said),
        *(html.P(inspection(words, each), className="row-inspection") for each in row.inspections),
    ]


def standing(words: Wording, view: FloorView, row: Row) -> list[html.P]:
    """Lots that stand locked or held, before anything that only may be wrong."""
    said = [("locked", row.locked), ("held_short" if view.many else "held", row.held)]
    return [
        html.P(
            html.A(words.say(f"floor.{name}", count=count), href=listed_at(view)),
            className="last-held",
        )
        for name, count in said
        if count
    ]


def inspected(words: Wording, row: Row) -> list[html.P]:
    """Inspection that is not normal, in a word each, for a screen that is read from afar."""
    told: dict[str, list[str]] = {}
    for found in row.inspections:
        said = words.say(
            f"inspection.{found.inspection}", severity=words.say(f"class.{found.severity}")
        )
        told.setdefault(found.inspection, []).append(said)
    return [
        html.P(
            [
                html.Span(words.say("floor.inspection"), className="quiet"),
                components.status(each, words.say(f"inspected.{each}")),
            ],
            className="row-inspected",
            title=" ".join(said),
        )
        for each, said in told.items()
    ]


def inspection(words: Wording, found: Inspection) -> list[Any]:
    """Inspection that is not normal, as a word and what it is of."""
    of = words.say(f"class.{found.severity}")
    told = words.say(f"inspection.{found.inspection}", severity=of)
    mark = components.status(found.inspection, words.say(f"inspected.{found.inspection}"))
    return [mark, " ", told]


def share_line(
    words: Wording,
    view: FloorView,
    scale: Scale,
    name: str,
    share: Share | None,
    *,
    thin: bool = False,
) -> html.Div:
    label = html.Span(name, className="quiet")
    look = "row-share row-share-thin" if thin else "row-share"
    if share is None:
        none = html.Span(words.say("share.none"), className="quiet")
        return html.Div([label, none, html.Span()], className=look)
    target = view.programme.target
    figures = (*explained.ends(words, share, target), words.per_cent(target))
    shown = (each.removesuffix(" %") for each in figures)
    told = dict(zip(("share", "low", "high", "target"), shown, strict=True))
    said = words.say("share.strip", **told)
    thinned = "strip-thin" if thin else ""
    strip = components.strip(share, scale, f"{name}: {said}", target=target, look=thinned)
    shown = html.Span(components.figure(words, share, target), className="row-figure")
    return html.Div([label, strip, shown], className=look)


def scale_row(words: Wording, view: FloorView, scale: Scale) -> html.Div:
    """Names of the columns, with the common scale above its own."""
    say = words.say
    confidence = words.per_cent(view.programme.confidence, decimals=0)
    return html.Div(
        [
            html.Span(say("floor.lane"), className="quiet small"),
            html.Span(say("floor.need"), className="quiet small"),
            html.Div(
                [
                    html.P(say("floor.share", confidence=confidence[:-2]), className="quiet small"),
                    html.Div(
                        [html.Span(), components.ticks(words, scale), html.Span()],
                        className="row-share",
                    ),
                ],
                className="row-share-cell",
            ),
            html.Span(say("floor.recent"), className="quiet small"),
        ],
        className="row scale-row",
        **{"aria-hidden": "true"},
    )


def last_audit(words: Wording, view: FloorView, row: Row) -> html.P:
    """Age and verdict of the last audit."""
    if not row.recent:
        return html.P(words.say("share.none"), className="last quiet")
    last = row.recent[-1]
    locked = last.floor == "locked"
    said = words.say("floor_word.locked" if locked else f"verdict_word.{last.verdict}")
    look = "last-word last-held" if last.floor in ("hold", "locked") else "last-word"
    when = components.age(words, last.pulled_at, view.now)
    return html.P([html.Span(said, className=look), f" · {when}"], className="last")


def recent(words: Wording, view: FloorView, row: Row) -> html.Div:
    """A bar for each of the last audits; the height is the share incorrect."""
    most = max((_incorrect(mark) for each in view.rows for mark in each.recent), default=0)
    said = words.say(
        "floor.recent_label",
        audits=words.say("count.audits", count=len(row.recent)),
        lane=row.lane,
        rejected=sum(mark.verdict == "reject" for mark in row.recent),
        list=", ".join(words.count(mark.incorrect) for mark in row.recent),
    )
    marks = [
        html.Span(
            html.Span(
                className="recent-bar",
                style={"height": f"{100 * _incorrect(mark) / (most or 1):.0f}%"},
            ),
            className="recent-mark recent-failed" if mark.verdict == "reject" else "recent-mark",
            title=words.say(
                "floor.mark",
                tote=mark.tote,
                when=words.moment(mark.pulled_at, view.programme.zone),
                incorrect=mark.incorrect,
                inspected=mark.inspected,
                verdict=words.say(f"verdict_word.{mark.verdict}"),
            ),
        )
        for mark in row.recent
    ]
    return html.Div(marks, className="recent", role="img", **{"aria-label": said})


def key(words: Wording) -> html.P:
    said = f"{words.say('floor.key_strip')} {words.say('floor.key_recent')}"
    return html.P(said, className="quiet small floor-key")


def _incorrect(mark: Mark) -> float:
    return mark.incorrect / mark.inspected


def _big(words: Wording, share: Share | None, target: float) -> list[Any]:
    if share is None:
        return [words.say("share.none")]
    return components.figure(words, share, target)
