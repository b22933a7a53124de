"""A lane's chart: a signal's reason stands beside its diamond and covers no other."""

from datetime import datetime, timedelta

import plotly.graph_objects as go

from dashboard.figures.charts import Drawing, Signal, control_chart

DAY = datetime(2026, 5, 1)
HIGH, WIDE = 360, 900  # pixels, about: of the chart of levels
LETTER, LINE = 8, 24


def drawing(signals: list[Signal]) -> Drawing:
    at = [DAY + timedelta(hours=k) for k in range(200)]
    flat = [0.0] * len(at)
    return Drawing(
        at=at,
        value=flat,
        center=flat,
        lower=flat,
        upper=flat,
        total=flat,
        limit=flat,
        said=[""] * len(at),
        sum_said=[""] * len(at),
        signals=signals,
        sum_signals=[],
        changes=[],
        baseline=None,
        marks=[],
        breaks=[],
        rows=["events", "holds", "findings"],
        names=dict.fromkeys(("limit", "upper", "lower", "center", "value_axis", "sum_axis"), ""),
    )


def reasons(signals: list[Signal]) -> list[str]:
    return [each.text for each in go.Figure(control_chart(drawing(signals))).layout.annotations]


def test_a_reason_is_said_beside_a_signal_that_stands_alone() -> None:
    signals = [Signal(DAY + timedelta(hours=60), 5.0, "above its limit: 9 of 200")]
    assert reasons(signals) == ["above its limit: 9 of 200"]


def test_no_reason_covers_another_signal() -> None:
    signals = [
        Signal(DAY + timedelta(hours=100 + 3 * k), 5.0 + 0.4 * (k % 5), f"above its limit: {k}")
        for k in range(30)
    ]
    shown = go.Figure(control_chart(drawing(signals))).layout.annotations
    last, span = DAY + timedelta(hours=199), timedelta(hours=199)
    for note in shown:
        late = note.xanchor == "right"
        place = (datetime.fromisoformat(note.x) - DAY) / span * WIDE + note.xshift
        begin, end = (place - LETTER * len(note.text), place) if late else (place, place + 200)
        high = note.y / 6.6 * HIGH + note.yshift
        for each in signals:
            beside = begin < (each.at - DAY) / span * WIDE < end
            near = abs(each.value / 6.6 * HIGH - high) < LINE / 2
            assert not (beside and near), (note.text, each.said)
    assert all(each.at <= last for each in signals)
