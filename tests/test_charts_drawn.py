"""A lane's chart as it is told to the charts' library: what is known of it, and nothing else."""

from dataclasses import replace
from datetime import datetime, timedelta
from itertools import pairwise
from math import nan
from typing import Any

import plotly.graph_objects as go
import pytest

from dashboard import theme
from dashboard.figures.charts import Change, Drawing, Mark, Signal, control_chart

START = datetime(2026, 4, 1, 6)
SIZE = 40
AT = [START + timedelta(hours=k) for k in range(SIZE)]
VALUE = [float(k % 5) for k in range(SIZE)]
NAMES = ("limit", "upper", "lower", "center", "value_axis", "sum_axis")


@pytest.fixture
def drawing() -> Drawing:
    return Drawing(
        at=AT,
        value=VALUE,
        center=[1.5] * SIZE,
        lower=[nan] * SIZE,
        upper=[4.0 + k % 2 for k in range(SIZE)],
        total=[k / 10 for k in range(SIZE)],
        limit=[4.5] * SIZE,
        said=[f"tote {k}" for k in range(SIZE)],
        sum_said=[f"sum {k}" for k in range(SIZE)],
        signals=[Signal(AT[9], 4.0, "above its limit: 9 of 200")],
        sum_signals=[],
        changes=[Change(AT[4], AT[6], AT[8], AT[20], 1.0, 3.0, "since six")],
        baseline=(AT[0], AT[3]),
        marks=[Mark("events", AT[11], "cleaned", "nozzle cleaned")],
        breaks=[AT[12]],
        rows=["events", "holds", "findings"],
        names={name: name for name in NAMES},
    )


def told(figure: go.Figure, **having: Any) -> Any:
    """The one trace that has these."""
    [found] = [each for each in figure.data if all(each[n] == v for n, v in having.items())]
    return found


def test_the_library_knows_all_that_it_is_told(drawing: Drawing) -> None:
    figure = go.Figure(control_chart(drawing))  # raises at any name or value that it does not know
    assert {(each.xaxis, each.yaxis) for each in figure.data} == {
        ("x", "y"),
        ("x2", "y2"),
        ("x3", "y3"),
    }
    assert figure.layout.xaxis.matches == figure.layout.xaxis2.matches == "x3"
    assert (figure.layout.yaxis.title.text, figure.layout.yaxis2.title.text) == NAMES[-2:]
    domains = [figure.layout[name].domain for name in ("yaxis", "yaxis2", "yaxis3")]
    assert all(above[0] > below[1] for above, below in pairwise(domains))


def test_points_sum_and_lines_stand_where_they_were_worked_out(drawing: Drawing) -> None:
    figure = go.Figure(control_chart(drawing))
    points = told(figure, mode="markers", text=tuple(drawing.said))
    assert list(points.x) == [each.isoformat() for each in AT]
    assert list(points.y) == VALUE
    assert points.marker.color == theme.BLUE
    total = told(figure, yaxis="y2", name=None, mode="lines")
    cut = list(total.y).index(None)
    assert list(total.x)[cut] == AT[12].isoformat()
    assert [each for each in total.y if each is not None] == list(drawing.total)
    assert [each for each in total.text if each] == list(drawing.sum_said)
    assert list(told(figure, name="center").y) == [1.5, 1.5]
    assert list(told(figure, name="lower").y) == [None, None]
    assert list(told(figure, name="upper").y) == list(drawing.upper)


def test_what_people_did_and_what_changed_is_laid_over_the_charts(drawing: Drawing) -> None:
    figure = go.Figure(control_chart(drawing))
    assert list(told(figure, textposition="middle right", text=(" cleaned",)).y) == ["events"]
    assert list(told(figure, mode="lines", yaxis="y", name=None).y) == [1.0, 1.0, 3.0, 3.0]
    assert [each.text for each in figure.layout.annotations] == [
        "since six",
        "above its limit: 9 of 200",
    ]
    spans = [(each.type, each.x0, each.x1) for each in figure.layout.shapes]
    ends = [("rect", AT[0], AT[3]), ("rect", AT[4], AT[8]), ("line", AT[12], AT[12])]
    assert spans == [(k, a.isoformat(), b.isoformat()) for k, a, b in ends for _ in range(2)]
    assert {each.yref for each in figure.layout.shapes} == {"y domain", "y2 domain"}


@pytest.mark.parametrize(("place", "side"), [(0, "left"), (6, "center"), (SIZE - 1, "right")])
def test_what_a_change_says_stands_inside_the_chart(
    drawing: Drawing, place: int, side: str
) -> None:
    change = Change(AT[place], AT[place], AT[place], AT[-1], 1.0, 3.0, "since then")
    figure = go.Figure(control_chart(replace(drawing, changes=[change])))
    assert [e.xanchor for e in figure.layout.annotations if e.text == "since then"] == [side]


def test_no_axis_measures_its_words_and_there_is_room_for_the_longest(drawing: Drawing) -> None:
    rows = ["events", "holds", "notificaciones"]
    figure = go.Figure(control_chart(replace(drawing, rows=rows)))
    axes = [figure.layout[f"{of}axis{k}"] for of in "xy" for k in ("", "2", "3")]
    assert not any(each.automargin for each in axes)
    assert figure.layout.margin.l >= 7 * len("notificaciones")
