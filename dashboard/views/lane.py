"""Lane: what happened on this lane, and since when?"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

import numpy as np
import pandas as pd

from dashboard.views import record as kept_record
from dashboard.views.choices import CORRECT, WINDOWS, Choices
from dashboard.views.record import ALL, Share
from qa import drift
from qa.drift import DriftFinding, Excursion, LaneChart
from qa.programme import Programme
from qa.store.schema import Store

STATUSES = ("drifting", "watch", "no audits", "steady")


@dataclass(frozen=True, slots=True)
class Head:
    """What head checks say of one head in one category."""

    head: str
    share: Share | None


@dataclass(frozen=True, slots=True)
class LaneView:
    """One lane over some production days, one category (or all together) at a time.

    `shown` marks the points of the chart that lie in the window; `heads` are of the window too.
    """

    programme: Programme
    now: datetime
    lane: str
    category: str
    days: int
    first_day: date
    last_day: date
    status: str
    findings: tuple[DriftFinding, ...]
    chart: LaneChart | None
    shown: np.ndarray
    excursions: tuple[Excursion, ...]
    heads: tuple[Head, ...]

    @property
    def empty(self) -> bool:
        """Whether there is nothing to draw."""
        return self.chart is None or not self.shown.any()


def view(store: Store, choices: Choices, now: datetime) -> LaneView:
    """The lane that the choices name, else the neediest one."""
    kept = kept_record.record(store)
    programme = kept.programme
    findings = kept_record.findings(kept, now)
    lane = choices.lane or str(drift.lanes(findings)["lane"].iloc[0])
    of_lane = tuple(each for each in findings if each.lane == lane)
    worst = min(of_lane, key=lambda each: STATUSES.index(each.status))
    usual = worst.category if worst.status in ("drifting", "watch") else CORRECT
    category = choices.category or usual
    counted = ALL if category == CORRECT else category
    chart = kept_record.chart(kept, lane, counted, now)
    last = choices.day or kept_record.day_and_shift(programme, now)[0]
    days = choices.days or WINDOWS[2]
    first = last - timedelta(days=days - 1)
    shown = _within(chart, programme, first, last)
    checks = kept_record.of_days(kept.tallies, first, last)
    return LaneView(
        programme=programme,
        now=now,
        lane=lane,
        category=category,
        days=days,
        first_day=first,
        last_day=last,
        status=worst.status,
        findings=of_lane,
        chart=chart,
        shown=shown,
        excursions=_overlapping(chart, shown),
        heads=_heads(checks, programme, lane, counted),
    )


def _within(
    chart: LaneChart | None, programme: Programme, first: date, last: date
) -> np.ndarray:
    """The points between the beginning of a production day and the end of another."""
    if chart is None:
        return np.zeros(0, dtype=bool)
    starts = min(each.start for each in programme.shifts)
    ends = [
        pd.Timestamp.combine(day, starts).tz_localize(programme.zone).tz_convert(None)
        for day in (first, last + timedelta(days=1))
    ]
    begin, end = (each.to_datetime64() for each in ends)
    return np.asarray((chart.at >= begin) & (chart.at < end))


def _overlapping(chart: LaneChart | None, shown: np.ndarray) -> tuple[Excursion, ...]:
    if chart is None or not shown.any():
        return ()
    begin, end = np.flatnonzero(shown)[[0, -1]]
    return tuple(each for each in chart.excursions if each.position <= end and each.end >= begin)


def _heads(
    tallies: pd.DataFrame, programme: Programme, lane: str, counted: str
) -> tuple[Head, ...]:
    checks = tallies[(tallies["lane"] == lane) & (tallies["purpose"] == "head-check")]
    heads: Sequence[str] = next(each.heads for each in programme.lanes if each.code == lane)
    return tuple(
        Head(head, kept_record.share(checks[checks["head"] == head], counted, programme))
        for head in heads
    )
