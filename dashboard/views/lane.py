"""Lane answers: what happened on this lane, and since when."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from dashboard.views import keeping
from dashboard.views import record as kept_record
from dashboard.views import signals as kept_signals
from dashboard.views import sources as kept_sources
from dashboard.views.choices import CORRECT, WINDOWS, Choices
from dashboard.views.keeping import ALL, Record
from dashboard.views.record import Inspection, Share
from dashboard.views.signals import Signal
from qa import drift
from qa.drift import DOUBT, DriftFinding, Excursion, LaneChart
from qa.drift.known import naive
from qa.intervals import Interval
from qa.programme import Programme
from qa.store.schema import Store
from qa.tally import stratified
from qa.wording import utc

__all__ = [
    "DOUBT",
    "POINT_ALARM",
    "STATUSES",
    "Done",
    "Head",
    "LaneView",
    "Level",
    "Mark",
    "Point",
    "Rise",
    "rise_of",
    "view",
]

STATUSES = drift.STATUSES
EVENTS = 10  # listed
USUAL_DAYS = WINDOWS[2]
POINT_ALARM = 0.0027  # chance that a point in control lies beyond its limits (`qa.charts`)


@dataclass(frozen=True, slots=True)
class Head:
    """What head checks say of one head in one category."""

    head: str
    share: Share | None


@dataclass(frozen=True, slots=True)
class Level:
    """A fraction with its interval."""

    fraction: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Rise:
    """A rise that the sum found (of percent correct: a fall). Times are UTC.

    `until` is None while it goes on.
    """

    since: datetime
    low: datetime
    high: datetime
    until: datetime | None
    signalled_at: datetime
    tote: str
    before: Level
    after: Level


@dataclass(frozen=True, slots=True)
class Point:
    """One tote: its share, the limits at its size, and the sum; `beyond` is "above" or "below".

    `value` is what is drawn: the share, its weighted mean, or how many standard deviations it is
    off. A limit that no count could cross is nan. `rise` is the one that signals at this tote.
    """

    tote: str
    at: datetime
    count: int
    inspected: int
    share: float
    value: float
    center: float
    lower: float
    upper: float
    total: float
    limit: float
    beyond: str
    rise: Rise | None


@dataclass(frozen=True, slots=True)
class Done:
    """Something that a person did to the lane."""

    key: str
    at: datetime
    kind: str
    what: str
    by: str


@dataclass(frozen=True, slots=True)
class Mark:
    """What stands on the time axis below the charts: of a row ("event", "hold", "finding").

    `kind` is an event's kind, or what the floor does with a lot; `what` says more.
    """

    row: str
    at: datetime
    kind: str
    what: str


@dataclass(frozen=True, slots=True)
class LaneView:
    """One lane over some production days, one category (or percent correct) at a time.

    `level` is that of the baseline in force now, `baseline` its first and last tote of the lane.
    """

    programme: Programme
    now: datetime
    lane: str
    category: str
    kind: str
    days: int
    first_day: date
    last_day: date
    latest: bool
    status: str
    findings: tuple[DriftFinding, ...]
    charted: bool
    points: tuple[Point, ...]
    limit: float
    arl: float
    rises: tuple[Rise, ...]
    level: Level | None
    baseline: tuple[datetime, datetime] | None
    heads: tuple[Head, ...]
    notes: tuple[str, ...]
    inspections: tuple[Inspection, ...]
    events: tuple[Done, ...]
    marks: tuple[Mark, ...]
    breaks: tuple[drift.Break, ...]
    signals: tuple[Signal, ...]
    gross: tuple[str, ...]
    product: str
    sources: tuple[str, ...]

    @property
    def word(self) -> str:
        """The lane's need in one word."""
        down = any(each.down_since for each in self.findings)
        return kept_record.word(self.status, self.gross, down=down)


def word_of(found: DriftFinding) -> str:
    """What is known of a category in one word."""
    return kept_record.word(found.status, (), down=found.down_since is not None)


def view(store: Store, choices: Choices, now: datetime, language: str = "en") -> LaneView:
    """The lane that the choices name, else the neediest one."""
    kept = keeping.record(store, language)
    programme = kept.programme
    findings = kept_record.findings(kept, now)
    lane = choices.lane or str(drift.lanes(findings)["lane"].iloc[0])
    of_lane = tuple(each for each in findings if each.lane == lane)
    worst = min(of_lane, key=lambda each: STATUSES.index(each.status))
    usual = worst.category if worst.status in ("drifting", "watch") else CORRECT
    category = choices.category or usual
    kind = choices.chart or drift.KINDS[0]
    chart = kept_record.chart(kept, lane, ALL if category == CORRECT else category, now, kind)
    today = kept_record.day_and_shift(programme, now)[0]
    last, days = choices.day or today, choices.days or USUAL_DAYS
    first = last - timedelta(days=days - 1)
    begin, end = _days(programme, first, last)
    points = _points(chart, category, kind, begin, end) if chart else ()
    return LaneView(
        programme=programme,
        now=now,
        lane=lane,
        category=category,
        kind=kind,
        days=days,
        first_day=first,
        last_day=last,
        latest=last >= today,
        status=worst.status,
        findings=of_lane,
        charted=chart is not None,
        points=points,
        limit=chart.limit if chart else np.nan,
        arl=chart.arl if chart else np.nan,
        rises=tuple(
            _rise(each, category)
            for each in (chart.excursions if chart else ())
            if each.since_low < end and (each.until is None or each.until > begin)
        ),
        level=_level(chart.baseline, category) if chart else None,
        baseline=_baseline(chart, begin) if points else None,
        heads=_heads(kept_record.window(kept, first, last), programme, lane, category),
        notes=chart.notes if chart else (),
        inspections=kept_record.inspections(kept, lane),
        events=_events(kept, lane)[:EVENTS],
        marks=_marks(kept, lane, chart, begin, end),
        breaks=tuple(each for each in chart.breaks if begin <= each.at < end) if chart else (),
        signals=kept_signals.of_lane(kept, lane, now, whole=category == CORRECT),
        gross=kept_record.gross_sentences(kept, lane, now),
        product=chart.product if chart else "",
        sources=kept_sources.differences(kept),
    )


def _events(kept: Record, lane: str) -> tuple[Done, ...]:
    """What was done to the lane, the newest first."""
    every = kept.known.until(None).events
    if every is None:
        return ()
    newest = every[every["lane"] == lane].iloc[::-1]
    return tuple(
        Done(row.key, utc(row.happened_at), row.kind, row.what, row.by)
        for row in newest.itertuples()
    )


def _marks(
    kept: Record, lane: str, chart: LaneChart | None, begin: datetime, end: datetime
) -> tuple[Mark, ...]:
    """Events, lots held back and food-safety findings of the window, in order of time."""
    found = [Mark("event", each.at, each.kind, each.what) for each in _events(kept, lane)]
    said = {each.at for each in found}
    breaks = chart.breaks if chart else ()
    found += [Mark("event", e.at, e.kind, "") for e in breaks if e.at not in said]
    held = kept.judged.held_back(lane, begin, end)
    found += [Mark("hold", utc(each.last_pulled_at), each.floor, each.lot) for each in held]
    findings = kept.findings[kept.findings["lane"] == lane]
    found += [
        Mark("finding", utc(row.found_at), "finding", f"{row.tote}: {row.what}")
        for row in findings.itertuples()
    ]
    inside = [each for each in found if begin <= each.at < end]
    return tuple(sorted(inside, key=lambda each: each.at))


def _days(programme: Programme, first: date, last: date) -> tuple[datetime, datetime]:
    """When the first production day begins and the last one ends, in UTC."""
    clock = min(each.start for each in programme.shifts)
    ends = (first, last + timedelta(days=1))
    begin, end = (datetime.combine(day, clock, programme.zone) for day in ends)
    return utc(begin), utc(end)


def _points(
    chart: LaneChart, category: str, kind: str, begin: datetime, end: datetime
) -> tuple[Point, ...]:
    rises = {each.signal: _rise(each, category) for each in chart.excursions}
    filled: NDArray[np.datetime64] = chart.at
    first, last = (np.searchsorted(filled, naive(pd.Timestamp(each))) for each in (begin, end))
    shown = slice(first, last)
    limits = chart.chart
    count, levels = chart.count, [limits.statistic, limits.center, limits.lower, limits.upper]
    low, high = chart.count < limits.least, chart.count > limits.most
    if category == CORRECT:
        count = chart.inspected - chart.count
        whole = 0.0 if kind == "standardised" else 1.0
        levels = [whole - each for each in (levels[0], levels[1], levels[3], levels[2])]
        low, high = high, low
    beyond = np.where(high, "above", np.where(low, "below", ""))
    if kind == "ewma":  # a mean stays beyond for long: it signals where it gets there
        beyond[1:][beyond[1:] == beyond[:-1]] = ""
    at = pd.DatetimeIndex(filled[shown]).tz_localize(UTC).to_pydatetime()
    sums = (chart.cusum.path_up, chart.sum_limit)
    columns = (count, chart.inspected, count / chart.inspected, *levels, *sums, beyond)
    told = (np.asarray(each)[shown].tolist() for each in columns)
    signalled = map(rises.get, range(first, last))
    return tuple(map(Point, map(str, chart.tote[shown]), at, *told, signalled))


def rise_of(signal: Signal) -> Rise:
    """A signal as the page tells it."""
    return _rise(signal.excursion, CORRECT if signal.category == ALL else signal.category)


def _rise(found: Excursion, category: str) -> Rise:
    return Rise(
        found.since,
        found.since_low,
        found.since_high,
        found.until,
        found.signalled_at,
        found.tote,
        _level(found.before, category),
        _level(found.after, category),
    )


def _level(found: Interval, category: str) -> Level:
    fraction, low, high = (float(each) for each in (found.estimate, found.low, found.high))
    if category == CORRECT:
        return Level(1 - fraction, 1 - high, 1 - low)
    return Level(fraction, low, high)


def _baseline(chart: LaneChart | None, begin: datetime) -> tuple[datetime, datetime] | None:
    """The baseline's first and last tote of this lane, as far as the window shows it."""
    if chart is None or not chart.baseline_totes.any():
        return None
    filled: NDArray[np.datetime64] = np.compress(chart.baseline_totes, chart.at)
    first, last = (utc(pd.Timestamp(filled[k])) for k in (0, -1))
    return (max(first, begin), last) if last > begin else None


def _heads(
    tallies: pd.DataFrame, programme: Programme, lane: str, category: str
) -> tuple[Head, ...]:
    checks = tallies[(tallies["lane"] == lane) & (tallies["purpose"] == "head-check")]
    heads: Sequence[str] = next(each.heads for each in programme.lanes if each.code == lane)
    totes = dict(list(stratified(checks, ("head",), [category]).groupby("head")))
    shares = {head: kept_record.share_of(of, category, programme) for head, of in totes.items()}
    return tuple(Head(head, shares.get(head)) for head in heads)
