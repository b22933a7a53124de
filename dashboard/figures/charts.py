"""A lane's control chart, its CUSUM and what people did under it, on one time axis.

A figure is told as the charts' library takes it, `data` and `layout`: the library's own objects
took a tenth of a second to make one. `tests/test_charts_drawn.py` holds it against them.
"""

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from dashboard import theme
from dashboard.figures.thinning import turns
from dashboard.theme import Figure

_SHADE = "rgba(133,127,114,0.16)"
_RANGE = "rgba(213,94,0,0.16)"
_DIAMOND = {"symbol": "diamond-open", "size": 13, "color": theme.VERMILION, "line": {"width": 2.5}}
_FARTHEST = 36  # pixels from its diamond that a reason may stand
MOST_REASONS = 8  # more would cover the points; the table behind the chart has them all
_HALF, _BESIDE = 8, 10  # pixels: half a diamond; from its middle to its reason
_NEAR = 0.12  # of the width
_LETTER, _LINE = 8, 24  # pixels, about: of a letter, of a line
_WIDE, _HIGH = 900, (360, 170)  # pixels, about: of the chart and of its two parts
_BELOW, _AFTER = 46, 26  # pixels: a time in two lines below the chart; half of one at its end
_NUMBERS = 72  # pixels: of an axis's numbers and its title beside them
_DOMAINS = ((0.478, 1.0), (0.176, 0.428), (0.0, 0.126))  # of the height: levels, sum, marks
_SYMBOLS = ("square-open", "x-thin-open", "triangle-up-open")  # one a row of marks
_ABOVE = (0, 14)  # pixels: a reason beside its diamond; that of the sum clear of its limit too
_CHARTS = (1, 2)  # rows over which a time is laid
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


def control_chart(drawn: Drawing) -> Figure:
    """The chart of levels above, the sum that watches for a rise, and what was done or found."""
    names = drawn.names
    levels = [
        _line(drawn, drawn.upper, names["upper"], "solid"),
        _line(drawn, drawn.lower, names["lower"], "solid"),
        _line(drawn, drawn.center, names["center"], "dash"),
        _points(drawn),
        _diamonds(drawn.signals),
        *map(_step, drawn.changes),
    ]
    sums = [_sum(drawn), _line(drawn, drawn.limit, names["limit"], "dash")]
    rows = [levels, [*sums, _diamonds(drawn.sum_signals)], _marks(drawn)]
    layout = {
        "template": theme.TEMPLATE,
        "height": 720,
        "margin": _room_around(drawn),
        "hovermode": "closest",
        "dragmode": "select",
        "selectdirection": "h",
        **_axes(drawn),
        "shapes": [*_ground(drawn), *_breaks(drawn)],
        "annotations": [
            *(_since(each, drawn.at) for each in drawn.changes),
            *_reasons(drawn, drawn.signals, row=1),
            *_reasons(drawn, drawn.sum_signals, row=2),
        ],
    }
    return {"data": [each | _of(k) for k, row in enumerate(rows, 1) for each in row]} | {
        "layout": layout
    }


def _room_around(drawn: Drawing) -> dict[str, int]:
    """What the axes' words need. A chart that measures it for itself is drawn twice."""
    left = max(_NUMBERS, *(_LETTER * len(row) + 14 for row in drawn.rows))
    return {"l": left, "r": _AFTER, "t": 52 if drawn.changes else 8, "b": _BELOW}


def _of(row: int, domain: str = "") -> dict[str, str]:
    """The axes of a row, for what is drawn in it; the `domain` of one instead of its values."""
    of = "" if row == 1 else str(row)
    return {"xaxis": f"x{of}", "yaxis": f"y{of}{domain}"}


def _beside(row: int, domain: str = "") -> dict[str, str]:
    """The same for what is laid over it."""
    return {name.replace("axis", "ref"): each for name, each in _of(row, domain).items()}


def _axes(drawn: Drawing) -> dict[str, Any]:
    """One axis of time below, which the others follow, and the axes of each row."""
    time = {"domain": [0.0, 1.0], "tickformatstops": _CLOCKS, "range": _room(drawn.at)}
    above = time | {"matches": "x3", "showticklabels": False}
    rows = {
        "type": "category",
        "categoryorder": "array",
        "categoryarray": list(reversed(drawn.rows)),
        "range": [-0.7, len(drawn.rows) - 0.3],
        "fixedrange": True,
    }
    sums = {"title": {"text": drawn.names["sum_axis"]}, "rangemode": "tozero"}
    levels = {"title": {"text": drawn.names["value_axis"]}}
    axes: dict[str, Any] = {}
    for row, (x, y) in enumerate(((above, levels), (above, sums), (time, rows)), 1):
        of = _of(row)
        own = {"automargin": False}
        axes["xaxis" + of["xaxis"][1:]] = x | own | {"anchor": of["yaxis"]}
        own["domain"] = _DOMAINS[row - 1]
        axes["yaxis" + of["yaxis"][1:]] = y | own | {"anchor": of["xaxis"]}
    return axes


def _marks(drawn: Drawing) -> list[dict[str, Any]]:
    """A row of marks for each kind, named by its word."""
    rows = []
    for row, symbol in zip(drawn.rows, _SYMBOLS, strict=True):
        of_row = [each for each in drawn.marks if each.row == row]
        rows.append(
            {
                "type": "scatter",
                "x": [_said(each.at) for each in of_row],
                "y": [row] * len(of_row),
                "mode": "markers+text",
                "marker": {"symbol": symbol, "size": 11, "color": theme.GREY, "line": {"width": 2}},
                "text": _clear(of_row, drawn),
                "textposition": "middle right",
                "customdata": [each.said for each in of_row],
                "hovertemplate": "%{customdata}<extra></extra>",
            }
        )
    return rows


def _breaks(drawn: Drawing) -> list[dict[str, Any]]:
    """A break is drawn through the charts."""
    line = {"color": theme.GREY, "width": 1.5, "dash": "dot"}
    return [_upright("line", at, at, row, line=line) for at in drawn.breaks for row in _CHARTS]


def _clear(marks: Sequence[Mark], drawn: Drawing) -> list[str]:
    """The words beside the marks of one row, where there is room up to the next one."""
    span = max(drawn.at[-1] - drawn.at[0], timedelta(minutes=1))
    said = []
    ends = [*(each.at for each in marks[1:]), drawn.at[-1] + span / 30]
    for each, end in zip(marks, ends[-len(marks) :] if marks else [], strict=True):
        room = (end - each.at) / span * _WIDE
        said.append(f" {each.word}" if room > _LETTER * (len(each.word) + 3) else "")
    return said


def _ground(drawn: Drawing) -> list[dict[str, Any]]:
    """The baseline's days shaded, and where a change may have begun."""
    spans = [(*drawn.baseline, _SHADE)] if drawn.baseline else []
    spans += [(each.low, each.high, _RANGE) for each in drawn.changes]
    return [
        _upright("rect", first, last, row, fillcolor=ink, line={"width": 0}, layer="below")
        for first, last, ink in spans
        for row in _CHARTS
    ]


def _upright(kind: str, first: datetime, last: datetime, row: int, **look: Any) -> dict[str, Any]:
    """Something over the whole height of a row."""
    place = {"x0": _said(first), "x1": _said(last), "y0": 0, "y1": 1}
    return {"type": kind, **place, **_beside(row, " domain"), **look}


def _step(change: Change) -> dict[str, Any]:
    """From what to what a change went."""
    times = (change.low, change.since, change.since, change.until)
    return {
        "type": "scatter",
        "x": [_said(each) for each in times],
        "y": _numbers([change.before, change.before, change.after, change.after]),
        "mode": "lines",
        "line": {"color": theme.VERMILION, "width": 2.5},
        "hoverinfo": "skip",
    }


def _since(change: Change, at: Sequence[datetime]) -> dict[str, Any]:
    """Above its place, and from there inwards where it is near an end."""
    place = (change.since - at[0]) / max(at[-1] - at[0], timedelta(minutes=1))
    return {
        "x": _said(change.since),
        "y": 1,
        "yanchor": "bottom",
        "xanchor": "left" if place < _NEAR else "right" if place > 1 - _NEAR else "center",
        "text": change.said,
        "showarrow": False,
        **_beside(1, " domain"),
    }


def _line(drawn: Drawing, values: Sequence[float], name: str, dash: str) -> dict[str, Any]:
    kept = turns(values)
    return {
        "type": "scatter",
        "x": [_said(drawn.at[k]) for k in kept],
        "y": _numbers([values[k] for k in kept]),
        "mode": "lines",
        "name": name,
        "line": {"color": theme.GREY, "width": 2 if dash == "dash" else 1, "dash": dash},
        "opacity": 1 if dash == "dash" else 0.7,
        "hoverinfo": "skip",
    }


def _points(drawn: Drawing) -> dict[str, Any]:
    many = len(drawn.value) > 250
    look = {"size": 5, "opacity": 0.65} if many else {"size": 7, "opacity": 0.85}
    return {
        "type": "scatter",
        "x": [_said(each) for each in drawn.at],
        "y": _numbers(drawn.value),
        "mode": "markers",
        "marker": {"color": theme.BLUE, **look},
        "text": list(drawn.said),
        "hovertemplate": "%{text}<extra></extra>",
    }


def _sum(drawn: Drawing) -> dict[str, Any]:
    """The sum, cut where it starts afresh."""
    at = [_said(each) for each in drawn.at]
    total: list[float | None] = list(_numbers(drawn.total))
    said = list(drawn.sum_said)
    for each in sorted(drawn.breaks, reverse=True):
        place = bisect_left(drawn.at, each)
        if 0 < place < len(drawn.at):
            at.insert(place, at[place])
            total.insert(place, None)
            said.insert(place, "")
    return {
        "type": "scatter",
        "x": at,
        "y": total,
        "mode": "lines",
        "line": {"color": theme.BLUE, "width": 2},
        "text": said,
        "hovertemplate": "%{text}<extra></extra>",
    }


def _diamonds(signals: Sequence[Signal]) -> dict[str, Any]:
    return {
        "type": "scatter",
        "x": [_said(each.at) for each in signals],
        "y": _numbers([each.value for each in signals]),
        "mode": "markers",
        "marker": _DIAMOND,
        "text": [each.said for each in signals],
        "hovertemplate": "%{text}<extra></extra>",
    }


def _said(moment: datetime) -> str:
    return moment.isoformat()


def _numbers(values: Sequence[float]) -> list[float | None]:
    """With nothing where there is no number."""
    return [None if each != each else each for each in values]


def _reasons(drawn: Drawing, signals: Sequence[Signal], row: int) -> list[dict[str, Any]]:
    """The newest signals' reasons in words beside their diamonds, where there is room for them."""
    first, last, told = drawn.at[0], drawn.at[-1], []
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
        told.append(
            {
                "x": _said(each.at),
                "y": each.value,
                "text": each.said,
                "showarrow": False,
                "xanchor": "right" if late else "left",
                "xshift": -_BESIDE if late else _BESIDE,
                "yshift": lift,
                **_beside(row),
            }
        )
    return told


def _room(at: Sequence[datetime]) -> list[str]:
    """The time axis, with a little room at both ends."""
    room = max((at[-1] - at[0]) / 60, timedelta(minutes=30))
    return [_said(at[0] - room), _said(at[-1] + room)]
