"""A lane's control chart, its CUSUM and what people did under it, on one time axis."""

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import plotly.graph_objects as go
from plotly.subplots import make_subplots

from dashboard import theme
from dashboard.figures.thinning import turns

_SHADE = "rgba(133,127,114,0.16)"
_RANGE = "rgba(213,94,0,0.16)"
_DIAMOND = {"symbol": "diamond-open", "size": 13, "color": theme.VERMILION, "line": {"width": 2.5}}
_FARTHEST = 36  # pixels from its diamond that a reason may stand
MOST_REASONS = 8  # more would cover the points; the table behind the chart has them all
_HALF, _BESIDE = 8, 10  # pixels: half a diamond; from its middle to its reason
_LETTER, _LINE = 8, 24  # pixels, about: of a letter, of a line
_WIDE, _HIGH = 900, (360, 170)  # pixels, about: of the chart and of its two parts
_SHARES = (0.58, 0.28, 0.14)  # of the height: levels, sum, marks
_SYMBOLS = ("square-open", "x-thin-open", "triangle-up-open")  # one a row of marks
_ABOVE = (0, 14)  # pixels: a reason beside its diamond; that of the sum clear of its limit too
_HOUR = 3_600_000  # milliseconds
_CLOCKS = [
    {"dtickrange": [None, 12 * _HOUR], "value": "%H:%M\n%-d %b"},
    {"dtickrange": [12 * _HOUR, None], "value": "%-d %b"},
]


@dataclass(frozen=True, slots=True, eq=False)
class Signal:
    """A point that signals, and its reason in words."""

    at: datetime
    value: float
    said: str


@dataclass(frozen=True, slots=True, eq=False)
class Change:
    """When a change may have begun, and that in words."""

    low: datetime
    since: datetime
    high: datetime
    until: datetime
    before: float
    after: float
    said: str


@dataclass(frozen=True, slots=True, eq=False)
class Mark:
    """Something done or found: the word of its row, a word beside it, and more when pointed at."""

    row: str
    at: datetime
    word: str
    said: str


@dataclass(frozen=True, slots=True, eq=False)
class Drawing:
    """What is drawn: sequences of one length, values in per cent, times in plant time.

    `limit` is that of the sum; `said` and `sum_said` are what a point says when pointed at;
    `breaks` are when the charts start afresh; `rows` are the words of the rows of marks, from the
    top; `names` are the words of the axes and lines.
    """

    at: Sequence[datetime]
    value: Sequence[float]
    center: Sequence[float]
    lower: Sequence[float]
    upper: Sequence[float]
    total: Sequence[float]
    limit: Sequence[float]
    said: Sequence[str]
    sum_said: Sequence[str]
    signals: Sequence[Signal]
    sum_signals: Sequence[Signal]
    changes: Sequence[Change]
    baseline: tuple[datetime, datetime] | None
    marks: Sequence[Mark]
    breaks: Sequence[datetime]
    rows: Sequence[str]
    names: dict[str, str]


def control_chart(drawn: Drawing) -> go.Figure:
    """The chart of levels above, the sum that watches for a rise, and what was done or found."""
    figure = make_subplots(
        rows=3, cols=1, shared_xaxes=True, row_heights=_SHARES, vertical_spacing=0.05
    )
    figure.update_layout(
        template=theme.template(),
        height=720,
        margin_t=52 if drawn.changes else 8,
        hovermode="closest",
        dragmode="select",
        selectdirection="h",
    )
    for values, name, dash in (
        (drawn.upper, "upper", "solid"),
        (drawn.lower, "lower", "solid"),
        (drawn.center, "center", "dash"),
    ):
        figure.add_trace(_line(drawn, values, drawn.names[name], dash), row=1, col=1)
    figure.add_trace(_points(drawn), row=1, col=1)
    figure.add_trace(_diamonds(drawn.signals), row=1, col=1)
    figure.add_trace(_sum(drawn), row=2, col=1)
    figure.add_trace(_line(drawn, drawn.limit, drawn.names["limit"], "dash"), row=2, col=1)
    figure.add_trace(_diamonds(drawn.sum_signals), row=2, col=1)
    _ground(figure, drawn)
    _marks(figure, drawn)
    _reasons(figure, drawn, drawn.signals, row=1)
    _reasons(figure, drawn, drawn.sum_signals, row=2)
    figure.update_xaxes(tickformatstops=_CLOCKS, range=_room(drawn.at))
    figure.update_yaxes(title=drawn.names["value_axis"], row=1, col=1)
    figure.update_yaxes(title=drawn.names["sum_axis"], rangemode="tozero", row=2, col=1)
    return figure


def _marks(figure: go.Figure, drawn: Drawing) -> None:
    """A row of marks for each kind, named by its word; a break is drawn through the charts."""
    for row, symbol in zip(drawn.rows, _SYMBOLS, strict=True):
        of_row = [each for each in drawn.marks if each.row == row]
        beside = _clear(of_row, drawn)
        marks = go.Scatter(
            x=[each.at for each in of_row],
            y=[row] * len(of_row),
            mode="markers+text",
            marker={"symbol": symbol, "size": 11, "color": theme.GREY, "line": {"width": 2}},
            text=beside,
            textposition="middle right",
            customdata=[each.said for each in of_row],
            hovertemplate="%{customdata}<extra></extra>",
        )
        figure.add_trace(marks, row=3, col=1)
    figure.update_yaxes(
        type="category",
        categoryorder="array",
        categoryarray=list(reversed(drawn.rows)),
        range=[-0.7, len(drawn.rows) - 0.3],
        fixedrange=True,
        row=3,
        col=1,
    )
    for at in drawn.breaks:
        for row in (1, 2):
            line = {"color": theme.GREY, "width": 1.5, "dash": "dot"}
            figure.add_vline(x=at, line=line, row=row, col=1)


def _clear(marks: Sequence[Mark], drawn: Drawing) -> list[str]:
    """The words beside the marks of one row, where there is room up to the next one."""
    span = max(drawn.at[-1] - drawn.at[0], timedelta(minutes=1))
    said = []
    ends = [*(each.at for each in marks[1:]), drawn.at[-1] + span / 30]
    for each, end in zip(marks, ends[-len(marks) :] if marks else [], strict=True):
        room = (end - each.at) / span * _WIDE
        said.append(f" {each.word}" if room > _LETTER * (len(each.word) + 3) else "")
    return said


def _ground(figure: go.Figure, drawn: Drawing) -> None:
    """The baseline's days shaded, and where a change may have begun, from what to what."""
    if drawn.baseline:
        first, last = drawn.baseline
        figure.add_vrect(x0=first, x1=last, fillcolor=_SHADE, line_width=0, layer="below")
    for each in drawn.changes:
        figure.add_vrect(x0=each.low, x1=each.high, fillcolor=_RANGE, line_width=0, layer="below")
        levels = [each.before, each.before, each.after, each.after]
        times = [each.low, each.since, each.since, each.until]
        step = go.Scatter(
            x=times,
            y=levels,
            mode="lines",
            line={"color": theme.VERMILION, "width": 2.5},
            hoverinfo="skip",
        )
        figure.add_trace(step, row=1, col=1)
        figure.add_annotation(
            x=each.since,
            y=1,
            yref="y domain",
            yanchor="bottom",
            xanchor="center",
            text=each.said,
            showarrow=False,
            row=1,
            col=1,
        )


def _line(drawn: Drawing, values: Sequence[float], name: str, dash: str) -> go.Scatter:
    kept = turns(values)
    return go.Scatter(
        x=[drawn.at[k] for k in kept],
        y=[values[k] for k in kept],
        mode="lines",
        name=name,
        line={"color": theme.GREY, "width": 2 if dash == "dash" else 1, "dash": dash},
        opacity=1 if dash == "dash" else 0.7,
        hoverinfo="skip",
    )


def _points(drawn: Drawing) -> go.Scatter:
    many = len(drawn.value) > 250
    return go.Scatter(
        x=drawn.at,
        y=drawn.value,
        mode="markers",
        marker={"color": theme.BLUE, "size": 5 if many else 7, "opacity": 0.65 if many else 0.85},
        text=drawn.said,
        hovertemplate="%{text}<extra></extra>",
    )


def _sum(drawn: Drawing) -> go.Scatter:
    """The sum, cut where it starts afresh."""
    at: list[datetime | None] = list(drawn.at)
    total: list[float | None] = list(drawn.total)
    said = list(drawn.sum_said)
    for each in sorted(drawn.breaks, reverse=True):
        place = bisect_left(drawn.at, each)
        if 0 < place < len(drawn.at):
            at.insert(place, drawn.at[place])
            total.insert(place, None)
            said.insert(place, "")
    return go.Scatter(
        x=at,
        y=total,
        mode="lines",
        line={"color": theme.BLUE, "width": 2},
        text=said,
        hovertemplate="%{text}<extra></extra>",
    )


def _diamonds(signals: Sequence[Signal]) -> go.Scatter:
    return go.Scatter(
        x=[each.at for each in signals],
        y=[each.value for each in signals],
        mode="markers",
        marker=_DIAMOND,
        text=[each.said for each in signals],
        hovertemplate="%{text}<extra></extra>",
    )


def _reasons(figure: go.Figure, drawn: Drawing, signals: Sequence[Signal], row: int) -> None:
    """The newest signals' reasons in words beside their diamonds, where there is room for them."""
    first, last = drawn.at[0], drawn.at[-1]
    values = [0.0, *(each.value for each in signals)]
    bottom, span = min(values), (max(values) - min(values)) or 1.0
    places = [
        (
            (each.at - first) / max(last - first, timedelta(minutes=1)) * _WIDE,
            (each.value - bottom) / span * _HIGH[row - 1],
        )
        for each in signals
    ]
    taken = [(place - _HALF, place + _HALF, level) for place, level in places]
    for each, (place, level) in [*zip(signals, places, strict=True)][-MOST_REASONS:][::-1]:
        late = place > _WIDE / 2
        length = _LETTER * len(each.said)
        begin, end = (place - length, place) if late else (place, place + length)
        begin, end = (begin - _BESIDE, end - _BESIDE) if late else (begin + _BESIDE, end + _BESIDE)
        lift = _ABOVE[row - 1]
        while any(a < end and begin < b and abs(level + lift - y) < _LINE for a, b, y in taken):
            lift += _LINE // 2
        if lift > _FARTHEST:
            continue
        taken.append((begin, end, level + lift))
        figure.add_annotation(
            x=each.at,
            y=each.value,
            text=each.said,
            showarrow=False,
            xanchor="right" if late else "left",
            xshift=-_BESIDE if late else _BESIDE,
            yshift=lift,
            row=row,
            col=1,
        )


def _room(at: Sequence[datetime]) -> tuple[datetime, datetime]:
    """The time axis, with a little room at both ends."""
    room = max((at[-1] - at[0]) / 60, timedelta(minutes=30))
    return at[0] - room, at[-1] + room
