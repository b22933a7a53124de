"""A plan's curves: what it accepts, how much is looked at, and what goes out."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import plotly.graph_objects as go

from dashboard import theme

INKS = (theme.BLUE, theme.VERMILION, theme.GREEN)  # of the plans on one picture, in order
_LIFT = 16  # pixels, so that words over one another stay apart
_HEIGHTS = (0.72, 0.55, 0.38)  # where the letters stand on their curves


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """One curve: x and y in per cent or pieces, its ink by the plan's place, its dash."""

    x: Sequence[float]
    y: Sequence[float]
    plan: int
    name: str
    dash: str = "solid"


@dataclass(frozen=True, slots=True)
class Mark:
    """A point of a curve that is worth reading, and what it says."""

    x: float
    y: float
    said: str


@dataclass(frozen=True, slots=True, eq=False)
class Panel:
    """Curves over one pair of axes; `letters` name the plans beside their first curves."""

    lines: Sequence[Line]
    x_axis: str
    y_axis: str
    marks: Sequence[Mark] = ()
    letters: Sequence[str] = ()


def oc_curve(panel: Panel) -> go.Figure:
    """The operating characteristics, with the points that are read back."""
    figure = go.Figure(layout={"template": theme.template(), "height": 400, "hovermode": "closest"})
    for trace in _traces(panel):
        figure.add_trace(trace)
    for mark in panel.marks:
        figure.add_trace(_drop(mark))
        # Below and to the left of a falling curve there is always room.
        figure.add_annotation(
            x=0, y=mark.y, text=mark.said, showarrow=False, xanchor="left", xshift=4, yshift=-10
        )
    for letter, x, y in _letters(panel):
        figure.add_annotation(x=x, y=y, text=f"<b>{letter}</b>", showarrow=False, xshift=14)
    figure.update_xaxes(title=panel.x_axis, rangemode="tozero")
    figure.update_yaxes(title=panel.y_axis, range=[0, 104])
    return figure


def work_curve(panel: Panel) -> go.Figure:
    """Pieces looked at, or what goes out, over the quality that comes in."""
    figure = go.Figure(layout={"template": theme.template(), "height": 330, "hovermode": "closest"})
    for trace in _traces(panel):
        figure.add_trace(trace)
    for lift, mark in enumerate(sorted(panel.marks, key=lambda each: each.y)):
        figure.add_annotation(
            x=mark.x,
            y=mark.y,
            text=mark.said,
            showarrow=False,
            xanchor="left",
            yshift=11 + _LIFT * lift,
        )
    top = max((max(line.y) for line in panel.lines), default=1.0)
    figure.update_xaxes(title=panel.x_axis, rangemode="tozero")
    figure.update_yaxes(title=panel.y_axis, range=[0, (1.1 + 0.08 * len(panel.marks)) * top])
    return figure


def _traces(panel: Panel) -> Iterator[go.Scatter]:
    for line in panel.lines:
        yield go.Scatter(
            x=line.x,
            y=line.y,
            mode="lines",
            name=line.name,
            line={"color": INKS[line.plan], "width": 2.5, "dash": line.dash},
            hovertemplate=f"{line.name}<br>%{{x:.2f}}: %{{y:,.1f}}<extra></extra>",
        )


def _drop(mark: Mark) -> go.Scatter:
    """From the axis to a point of the curve and down to what quality it stands at."""
    return go.Scatter(
        x=[0, mark.x, mark.x],
        y=[mark.y, mark.y, 0],
        mode="lines",
        line={"color": theme.GREY, "width": 1, "dash": "dot"},
        hoverinfo="skip",
    )


def _letters(panel: Panel) -> Iterator[tuple[str, float, float]]:
    for plan, letter in enumerate(panel.letters):
        line = next(each for each in panel.lines if each.plan == plan)
        height = 100 * _HEIGHTS[plan]
        at = min(range(len(line.y)), key=lambda k, y=line.y, h=height: abs(y[k] - h))
        yield letter, line.x[at], line.y[at]
