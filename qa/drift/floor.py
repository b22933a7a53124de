"""The floor's charts, each run over its lane's totes, and their findings."""

from collections.abc import Iterator, Sequence
from datetime import datetime
from functools import cache, lru_cache
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from qa.charts import Cusum
from qa.drift.baseline import (
    NEVER,
    Budget,
    Correlation,
    Held,
    Series,
    Spread,
    Watch,
    spread,
    watch,
)
from qa.drift.creeping import gradual
from qa.drift.eras import Era, eras, of_lane, pooled, watched_from
from qa.drift.heads import Carrier, carrier
from qa.drift.known import Known, naive
from qa.drift.levels import Part, levels
from qa.drift.result import (
    AFTER_RETURN,
    NEAR,
    SILENCE,
    Break,
    DriftFinding,
    Excursion,
    LaneChart,
)
from qa.drift.standing import Standing
from qa.drift.telling import Teller
from qa.drift.totes import Totes
from qa.drift.watching import Memory, Rise, Watched
from qa.events import AFRESH, SANITATION
from qa.intervals import Interval, clustered
from qa.programme import Programme
from qa.wording import Wording, utc


class _Stretch(NamedTuple):
    """A chart while one baseline holds: what it is held against, and what it has seen.

    `own` are the lane's totes that the baseline counts, as they stood when it was `fixed`; the
    chart runs from tote `start` to `stop`.
    """

    era: Era
    fixed: np.datetime64
    own: Held | None
    watch: Watch
    correlation: Correlation
    seen: Watched
    start: int
    stop: int


class _Run(NamedTuple):
    """One chart over all its totes: a stretch a baseline, the last one in force."""

    series: Series
    stretches: list[_Stretch]
    breaks: tuple[Break, ...]

    @property
    def now(self) -> _Stretch:
        return self.stretches[-1]

    @property
    def rises(self) -> Iterator[tuple[_Stretch, Rise]]:
        return ((part, rise) for part in self.stretches for rise in part.seen.rises)


class Floor:
    """Every lane's series, with the correlation and the budget that they share."""

    def __init__(
        self,
        found: Totes,
        programme: Programme,
        now: datetime | None,
        words: Wording,
        known: Known,
        memory: Memory | None = None,
    ) -> None:
        found = found.until(now)
        self._checks = found.checks
        self._programme = programme
        self._now = now
        self._known = known.until(now)
        self._tell = Teller(programme, words)
        self._running = found.running
        self._series = found.series
        self._memory = memory or Memory()
        self._standing = Standing(found, known.replaced, now)
        products = {each.product for each in self._series.values()}
        days = {product: self._standing.days(product) for product in products}
        until = NEVER if now is None else naive(pd.Timestamp(now))
        self._eras = eras(self._known, programme, days, until)
        self._spread = cache(self._spread_of)

    def finding(self, lane: str, category: str) -> DriftFinding:
        """What is known of one lane and category."""
        of_lane = self._of_lane(lane)
        down = self._known.down(lane, of_lane.filled_at[-1] if of_lane else None)
        if of_lane is None:
            said = self._tell.down(*down) if down else self._tell.never()
            return self._plain(lane, category, "no audits", said, down=down)
        run = self._run(of_lane, category)
        if run is None:
            return self._plain(lane, category, "watch", self._tell.no_baseline(), down=down)
        excursions = [self._excursion(run, part, category, rise) for part, rise in run.rises]
        past = tuple(each for each in excursions if each.until is not None)
        notes = self._notes(run)
        if len(past) < len(excursions):
            return self._drifting(run, category, excursions[-1], past, notes, down)
        if down:
            status, said = "no audits", self._tell.down(*down)
        else:
            status, said = self._quiet(run, category, past)
        return self._plain(lane, category, status, said, past=past, notes=notes, down=down)

    def chart(self, lane: str, category: str, kind: str = "limits") -> LaneChart | None:
        """What a lane's page draws of one category; None while nothing can be drawn."""
        of_lane = self._of_lane(lane)
        run = self._run(of_lane, category) if of_lane else None
        if run is None:
            return None
        now, x, n = run.now, run.series.counts[category], run.series.inspected
        limits = np.concatenate([np.full(p.stop - p.start, p.watch.limit.limit) for p in _cut(run)])
        return LaneChart(
            lane=lane,
            category=category,
            product=run.series.product,
            at=run.series.filled_at,
            tote=run.series.tote,
            count=x,
            inspected=n,
            chart=levels(_parts(run, category), kind),
            cusum=_drawn(run, limits),
            sum_limit=limits,
            breaks=run.breaks,
            baseline=self._level(now.watch.count, now.watch.inspected, now),
            baseline_totes=_among(run.series, now.own),
            watched=watched_from(run.series, now.era),
            excursions=tuple(
                self._excursion(run, part, category, rise) for part, rise in run.rises
            ),
            correlation=now.correlation.value,
            limit=now.watch.limit.limit,
            arl=now.watch.limit.arl,
            notes=self._notes(run),
        )

    def _of_lane(self, lane: str) -> Series | None:
        """The totes of the product that a lane ran last."""
        return self._series.get((lane, self._running.get(lane, "")))

    def _run(self, lane: Series, category: str) -> _Run | None:
        own = of_lane(self._eras[lane.product], lane.lane)
        starts = [watched_from(lane, era) for era in own]
        breaks = self._known.breaks(lane)
        made = []
        for era, start, stop in zip(own, starts, [*starts[1:], lane.tote.size], strict=True):
            if start < stop or era is own[-1]:
                part = self._stretch(era, lane, category, (start, stop), breaks)
                made += [part] if part else []
        if not made or made[-1].era is not own[-1]:
            return None
        afresh = [
            Break(part.start, _moment(part.era.begins), "baseline")
            for part in made
            if part.era.begins is not None and part.start
        ]
        return _Run(lane, made, tuple(sorted((*breaks, *afresh), key=lambda each: each.position)))

    def _stretch(
        self,
        era: Era,
        lane: Series,
        category: str,
        reach: tuple[int, int],
        breaks: Sequence[Break],
    ) -> _Stretch | None:
        start, stop = reach
        fixed = self._standing.fixed(era, lane.lane)
        state = self._standing.state(era, fixed)
        own = self._standing.held(era, state).get(lane.lane)
        together, differ = self._together(pooled(self._eras[lane.product], era), lane.lane)
        charts = len(self._programme.lanes) * len(self._programme.categories)
        budget = Budget(self._programme.false_alarms_per_week, charts, era.weeks)
        chart = watch(own, category, together, differ, budget)
        if chart is None:
            return None
        x, n = lane.counts[category][:stop], lane.inspected[:stop]
        positions = [each.position for each in breaks if each.kind in AFRESH]
        key = (lane.lane, lane.product, category, era.first, era.last, era.begins)
        seen = self._memory.watched(key, x, n, start, chart, positions)
        rho = differ.of(own if chart.own else None, category).at(chart.level)
        return _Stretch(era, fixed, own, chart, rho, seen, min(start, stop), stop)

    def _together(self, era: Era, lane: str) -> tuple[list[Held], Spread]:
        """All lanes' totes under a baseline of all, as it was fixed for a lane; how they differ.

        Lanes that now run another product are among them, so that a changeover of one lane moves
        no limit of another.
        """
        return self._spread(era, self._standing.state(era, self._standing.fixed(era, lane)))

    def _spread_of(self, era: Era, state: int) -> tuple[list[Held], Spread]:
        lanes = list(self._standing.held(era, state).values())
        return lanes, spread(lanes, self._programme)

    def _excursion(self, run: _Run, part: _Stretch, category: str, rise: Rise) -> Excursion:
        lane, raised = run.series, slice(rise.begin, max(rise.end, rise.begin + 1))
        # It began after the tote before the first likely one, and by the last likely one.
        low, high = lane.filled_at[max(rise.low - 1, 0)], lane.filled_at[rise.high]
        audited = rise.high - rise.low + 1
        until, closed_by = self._ended(run, part, rise)
        last = min(rise.shown if rise.shown is not None else part.stop - 1, part.stop - 1)
        begin = lane.filled_at[rise.begin]
        said = self._known.answer(lane, category, begin, lane.filled_at[last])
        return Excursion(
            since=_moment(begin),
            since_low=_moment(low),
            since_high=_moment(high),
            until=until,
            signalled_at=_moment(lane.filled_at[rise.signal]),
            tote=str(lane.tote[rise.begin]),
            before=self._level(part.watch.count, part.watch.inspected, part),
            after=self._level(lane.counts[category][raised], lane.inspected[raised], part),
            totes_in_set=audited,
            totes_between=self._between(lane.lane, low, high, audited),
            position=rise.begin,
            signal=rise.signal,
            end=rise.end,
            state="closed" if closed_by else "acknowledged" if said else "open",
            closed_by=closed_by,
            acknowledged=said,
        )

    def _ended(self, run: _Run, part: _Stretch, rise: Rise) -> tuple[datetime | None, str]:
        """When a rise was over and by what: its level shown to be back, or another baseline."""
        if rise.shown is not None:
            return _moment(run.series.filled_at[min(rise.end, rise.shown)]), "level"
        if part is not run.now:
            after = run.stretches[run.stretches.index(part) + 1].era
            return None if after.begins is None else _moment(after.begins), "baseline"
        return None, ""

    def _level(
        self, count: NDArray[np.int64], inspected: NDArray[np.int64], part: _Stretch
    ) -> Interval:
        confidence, rho = self._programme.confidence, part.correlation.value
        return _interval(count.tobytes(), inspected.tobytes(), confidence, rho)

    def _between(
        self, lane: str, low: np.datetime64, high: np.datetime64, audited: int
    ) -> int | None:
        """Totes that a running lane fills in a time, less those audited; None at unknown speed."""
        rate = self._programme.line_of(lane).pieces_per_second
        if rate is None:
            return None
        seconds = float((high - low) / np.timedelta64(1, "s"))
        return max(round(seconds * rate / self._programme.pieces_per_tote) - audited, 0)

    def _drifting(
        self,
        run: _Run,
        category: str,
        rise: Excursion,
        past: tuple[Excursion, ...],
        notes: tuple[str, ...],
        down: tuple[datetime, str] | None,
    ) -> DriftFinding:
        head = self._carrier(run, category, rise)
        last = _moment(run.series.last_audit)
        silent = last if self._silent(run.series) else None
        return DriftFinding(
            lane=run.series.lane,
            category=category,
            product=run.series.product,
            status="drifting",
            since=rise.since,
            since_low=rise.since_low,
            since_high=rise.since_high,
            tote=rise.tote,
            before=rise.before,
            after=rise.after,
            head=head.head if head else None,
            totes_between=rise.totes_between,
            sentence=self._tell.risen(category, rise, head, silent, down),
            notes=(*self._tell.dating(rise, gradual=self._gradual(run, category)), *notes),
            past=past,
            last_audit=last,
            acknowledged=rise.acknowledged,
            down_since=down[0] if down else None,
        )

    def _gradual(self, run: _Run, category: str) -> bool:
        """Whether the rise that goes on came little by little."""
        now, rise = run.now, run.now.seen.rises[-1]
        breaks = [each.position for each in run.breaks if each.kind != SANITATION]
        first = max((each for each in breaks if each <= rise.begin), default=now.start)
        last = min((each for each in breaks if each > rise.begin), default=now.stop)
        at = slice(max(first, now.start), last)
        x, n = run.series.counts[category][at], run.series.inspected[at]
        return gradual(x, n, rise.begin - at.start, now.watch)

    def _carrier(self, run: _Run, category: str, rise: Excursion) -> Carrier | None:
        lane = run.series
        checks = self._checks[self._checks["lane"] == lane.lane]
        since = (checks["product"] == lane.product) & (checks["pulled_at"] >= rise.since)
        return carrier(checks[since], category, run.now.correlation.value)

    def _quiet(self, run: _Run, category: str, past: tuple[Excursion, ...]) -> tuple[str, str]:
        """Status and sentence of a chart without a rise that goes on."""
        lane, now = run.series, run.now
        if self._silent(lane):
            return "no audits", self._tell.silent(_moment(lane.last_audit))
        if now.start == now.stop:
            return "watch", self._tell.not_yet(now.era)
        before = self._level(now.watch.count, now.watch.inspected, now)
        path = now.seen.path
        if path.size and path[-1] > NEAR * now.watch.limit.limit:
            breaks = (each.position for each in run.breaks if each.kind != SANITATION)
            afresh = max(breaks, default=0)
            zero = np.flatnonzero(path == 0)
            low = max(int(zero[-1]) + 1 if zero.size else 0, afresh)
            level = self._level(lane.counts[category][low:], lane.inspected[low:], now)
            return "watch", self._tell.near(category, before, level, path.size - low)
        over = past[-1] if past and past[-1].closed_by == "level" else None
        if over and over.until and self._latest(lane) - over.until < AFTER_RETURN:
            return "watch", self._tell.back(category, before, over)
        return "steady", self._tell.steady(category, before)

    def _latest(self, lane: Series) -> datetime:
        return self._now or _moment(lane.last_audit)

    def _silent(self, lane: Series) -> bool:
        return self._latest(lane) - _moment(lane.last_audit) > SILENCE

    def _plain(
        self,
        lane: str,
        category: str,
        status: str,
        sentence: str,
        *,
        past: tuple[Excursion, ...] = (),
        notes: tuple[str, ...] = (),
        down: tuple[datetime, str] | None = None,
    ) -> DriftFinding:
        known = self._of_lane(lane)
        return DriftFinding(
            lane=lane,
            category=category,
            product=known.product if known else "",
            status=status,
            since=None,
            since_low=None,
            since_high=None,
            tote="",
            before=None,
            after=None,
            head=None,
            totes_between=None,
            sentence=sentence,
            notes=notes,
            past=past,
            last_audit=_moment(known.last_audit) if known else None,
            acknowledged=None,
            down_since=down[0] if down else None,
        )

    def _notes(self, run: _Run) -> tuple[str, ...]:
        now = run.now
        lane = run.series.lane if now.watch.own else ""
        late = self._standing.late(now.era, now.fixed, lane)
        told = (now.era, now.watch, now.correlation, run.breaks)
        return self._tell.notes(*told, (late, _moment(now.fixed)) if late else None)


def _among(lane: Series, held: Held | None) -> NDArray[np.bool_]:
    """Which of a lane's totes are among those that a baseline counts."""
    among = np.zeros(lane.tote.size, dtype=np.bool_)
    if held is None or not held.day.size:
        return among
    near = np.flatnonzero((lane.day >= held.day.min()) & (lane.day <= held.day.max()))
    totes = pd.MultiIndex.from_arrays([lane.day[near], lane.tote[near]])
    among[near] = totes.isin(pd.MultiIndex.from_arrays([held.day, held.tote]))
    return among


@lru_cache(maxsize=4096)
def _interval(count: bytes, inspected: bytes, confidence: float, rho: float) -> Interval:
    """Kept, since most rises were over long ago."""
    both = (np.frombuffer(each, dtype=np.int64) for each in (count, inspected))
    return clustered(*both, confidence=confidence, correlation=rho).interval


def _cut(run: _Run) -> list[_Stretch]:
    """The stretches with the first one from the beginning: the totes before it are its baseline."""
    return [run.stretches[0]._replace(start=0), *run.stretches[1:]]


def _parts(run: _Run, category: str) -> list[Part]:
    """Each stretch's totes, and where its charts start afresh."""
    lane, made = run.series, []
    for each in _cut(run):
        at = slice(each.start, each.stop)
        afresh = [one.position for one in run.breaks if each.start < one.position < each.stop]
        counts, inspected = lane.counts[category][at], lane.inspected[at]
        breaks = tuple(one - each.start for one in sorted(set(afresh)))
        made.append(Part(counts, inspected, each.watch, breaks))
    return made


def _drawn(run: _Run, limits: NDArray[np.float64]) -> Cusum:
    """The sum as drawn: over the whole series, 0 before the baseline ends."""
    parts = _cut(run)
    path = np.concatenate([part.seen.path[part.start : part.stop] for part in parts])
    limit, still = run.now.watch.limit, np.zeros_like(path)
    return Cusum(
        path_up=path,
        path_down=still,
        limit_up=limit.limit,
        limit_down=np.inf,
        signals_up=path > limits,
        signals_down=still > 0,
        inspected=run.series.inspected.astype(np.float64),
        baseline=limit.center,
        arl_up=limit.arl,
        arl_down=np.nan,
    )


def _moment(at: np.datetime64) -> datetime:
    return utc(pd.Timestamp(at))
