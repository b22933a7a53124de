"""A plan's curves: what it accepts, how much is looked at, and what goes out."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from dashboard import theme
from dashboard.theme import Figure

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


def oc_curve(panel: Panel) -> Figure:
    """The operating characteristics, with the points that are read back."""
    # Below and to the left of a falling curve there is always room.
    beside = {"xanchor": "left", "xshift": 4, "yshift": -10}
    return {
        "data": [*_traces(panel), *map(_drop, panel.marks)],
        "layout": _layout(
            panel,
            height=400,
            top=104,
            notes=[
                *(_note(0, each.y, each.said, **beside) for each in panel.marks),
                *(_note(x, y, f"<b>{letter}</b>", xshift=14) for letter, x, y in _letters(panel)),
            ],
        ),
    }


def work_curve(panel: Panel) -> Figure:
    """Pieces looked at, or what goes out, over the quality that comes in."""
    top = max((max(line.y) for line in panel.lines), default=1.0)
    marks = enumerate(sorted(panel.marks, key=lambda each: each.y))
    return {
        "data": list(_traces(panel)),
        "layout": _layout(
            panel,
            height=330,
            top=(1.1 + 0.08 * len(panel.marks)) * top,
            notes=[
                _note(each.x, each.y, each.said, xanchor="left", yshift=11 + _LIFT * lift)
                for lift, each in marks
            ],
        ),
    }


def _layout(panel: Panel, height: int, top: float, notes: list[dict[str, Any]]) -> dict[str, Any]:
    return {
        "template": theme.TEMPLATE,
        "height": height,
        "hovermode": "closest",
        "annotations": notes,
        "xaxis": {"title": {"text": panel.x_axis}, "rangemode": "tozero"},
        "yaxis": {"title": {"text": panel.y_axis}, "range": [0, top], "separatethousands": True},
    }


def _note(x: float, y: float, text: str, **place: Any) -> dict[str, Any]:
    return {"x": x, "y": y, "text": text, "showarrow": False, **place}


def _traces(panel: Panel) -> Iterator[dict[str, Any]]:
    for line in panel.lines:
        yield {
            "type": "scatter",
            "x": line.x,
            "y": line.y,
            "mode": "lines",
            "name": line.name,
            "line": {"color": INKS[line.plan], "width": 2.5, "dash": line.dash},
            "hovertemplate": f"{line.name}<br>%{{x:.2f}}: %{{y:,.1f}}<extra></extra>",
        }


def _drop(mark: Mark) -> dict[str, Any]:
    """From the axis to a point of the curve and down to what quality it stands at."""
    return {
        "type": "scatter",
        "x": [0, mark.x, mark.x],
        "y": [mark.y, mark.y, 0],
        "mode": "lines",
        "line": {"color": theme.GREY, "width": 1, "dash": "dot"},
        "hoverinfo": "skip",
    }


def _letters(panel: Panel) -> Iterator[tuple[str, float, float]]:
    for plan, letter in enumerate(panel.letters):
        line = next(each for each in panel.lines if each.plan == plan)
        height = 100 * _HEIGHTS[plan]
        at = min(range(len(line.y)), key=lambda k, y=line.y, h=height: abs(y[k] - h))
        yield letter, line.x[at], line.y[at]
