"""A lane's control chart with its CUSUM under it, on one time axis."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import plotly.graph_objects as go
from plotly.subplots import make_subplots

from dashboard import theme

_SHADE = "rgba(133,127,114,0.16)"
_RANGE = "rgba(213,94,0,0.16)"
_DIAMOND = {"symbol": "diamond-open", "size": 13, "color": theme.VERMILION, "line": {"width": 2.5}}
_MOST_REASONS = 8  # more would cover the points; the table behind the chart has them all
_LETTER, _LINE = 8, 24  # pixels, about: of a letter, of a line
_WIDE, _HIGH = 900, (350, 170)  # pixels, about: of the chart and of its two parts
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
class Drawing:
    """What is drawn: sequences of one length, values in per cent, times in plant time.

    `said` and `sum_said` are what a point says when pointed at; `names` are the words of the
    axes and lines.
    """

    at: Sequence[datetime]
    value: Sequence[float]
    center: Sequence[float]
    lower: Sequence[float]
    upper: Sequence[float]
    total: Sequence[float]
    limit: float
    said: Sequence[str]
    sum_said: Sequence[str]
    signals: Sequence[Signal]
    sum_signals: Sequence[Signal]
    changes: Sequence[Change]
    baseline: tuple[datetime, datetime] | None
    names: dict[str, str]


def control_chart(drawn: Drawing) -> go.Figure:
    """The chart of levels above, the sum that watches for a rise below."""
    figure = make_subplots(
        rows=2, cols=1, shared_xaxes=True, row_heights=[0.66, 0.34], vertical_spacing=0.07
    )
    figure.update_layout(
        template=theme.template(),
        height=640,
        margin_t=52 if drawn.changes else 8,
        hovermode="closest",
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
    figure.add_hline(y=drawn.limit, row=2, col=1, line={"color": theme.GREY, "dash": "dash"})
    figure.add_trace(_diamonds(drawn.sum_signals), row=2, col=1)
    _ground(figure, drawn)
    _reasons(figure, drawn, drawn.signals, row=1)
    _reasons(figure, drawn, drawn.sum_signals, row=2)
    figure.update_xaxes(tickformatstops=_CLOCKS, range=_room(drawn.at))
    figure.update_yaxes(title=drawn.names["value_axis"], row=1, col=1)
    figure.update_yaxes(title=drawn.names["sum_axis"], rangemode="tozero", row=2, col=1)
    return figure


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
    return go.Scatter(
        x=drawn.at,
        y=values,
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
    return go.Scatter(
        x=drawn.at,
        y=drawn.total,
        mode="lines",
        line={"color": theme.BLUE, "width": 2},
        text=drawn.sum_said,
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
    """The newest signals' reasons in words beside their diamonds, clear of one another."""
    first, last = drawn.at[0], drawn.at[-1]
    taken: list[tuple[float, float, float]] = []
    top = max((each.value for each in signals), default=1.0) or 1.0
    for each in signals[-_MOST_REASONS:]:
        place = (each.at - first) / max(last - first, timedelta(minutes=1)) * _WIDE
        late = place > _WIDE / 2
        length = _LETTER * len(each.said)
        begin, end = (place - length, place) if late else (place, place + length)
        level, lift = each.value / top * _HIGH[row - 1], 0
        while any(a < end and begin < b and abs(level + lift - y) < _LINE for a, b, y in taken):
            lift += _LINE // 2
        taken.append((begin, end, level + lift))
        figure.add_annotation(
            x=each.at,
            y=each.value,
            text=each.said,
            showarrow=False,
            xanchor="right" if late else "left",
            xshift=-10 if late else 10,
            yshift=lift,
            row=row,
            col=1,
        )


def _room(at: Sequence[datetime]) -> tuple[datetime, datetime]:
    """The time axis, with a little room at both ends."""
    room = max((at[-1] - at[0]) / 60, timedelta(minutes=30))
    return at[0] - room, at[-1] + room
