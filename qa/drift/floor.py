"""The floor's charts, each run over its lane's totes, and their findings in words."""

from datetime import datetime, timedelta
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from qa.charts import Cusum, p_chart
from qa.drift.baseline import (
    FEW_TOTES,
    FIRST_DAYS,
    Budget,
    Series,
    Watch,
    correlation,
    period,
    series,
    watch,
)
from qa.drift.heads import Carrier, carrier
from qa.drift.result import (
    AFTER_RETURN,
    NEAR,
    SILENCE,
    DriftFinding,
    Excursion,
    LaneChart,
)
from qa.drift.watching import Rise, Watched, watched
from qa.intervals import Interval, clustered
from qa.programme import Programme
from qa.tally import checked
from qa.wording import Wording, decimals_for, utc


class _Run(NamedTuple):
    """One chart and what it has seen."""

    series: Series
    watch: Watch
    seen: Watched


class Floor:
    """Every lane's series, with the correlation and the budget that they share."""

    def __init__(
        self, tallies: pd.DataFrame, programme: Programme, now: datetime | None, words: Wording
    ) -> None:
        if now is not None:
            tallies = tallies[checked(tallies)["pulled_at"] <= now]
        self._tallies = tallies
        self._programme = programme
        self._now = now
        self._words = words
        self._series = series(tallies, programme)
        self._correlation = correlation(list(self._series.values()), programme)
        self._periods = {
            product: period(tallies, programme, product)
            for product in {each.product for each in self._series.values()}
        }

    def finding(self, lane: str, category: str) -> DriftFinding:
        """What is known of one lane and category."""
        if lane not in self._series:
            return self._plain(lane, category, "no audits", self._words.say("drift.never"))
        run = self._run(lane, category)
        if run is None:
            said = self._words.say("drift.no_baseline", category=self._name(category))
            return self._plain(lane, category, "watch", said)
        excursions = [self._excursion(run, category, rise) for rise in run.seen.rises]
        past = tuple(each for each in excursions if each.until is not None)
        notes = self._notes(run)
        if len(past) < len(excursions):
            return self._drifting(run, category, excursions[-1], past, notes)
        status, sentence = self._quiet(run, category, past)
        return self._plain(lane, category, status, sentence, past=past, notes=notes)

    def chart(self, lane: str, category: str) -> LaneChart | None:
        """What a lane's page draws of one category; None while nothing can be drawn."""
        run = self._run(lane, category) if lane in self._series else None
        if run is None:
            return None
        held, x, n = run.watch, run.series.counts[category], run.series.inspected
        limits = "beta_binomial" if held.correlation else "exact"
        return LaneChart(
            lane=lane,
            category=category,
            product=run.series.product,
            at=run.series.filled_at,
            tote=run.series.tote,
            count=x,
            inspected=n,
            chart=p_chart(
                x, n, center=held.level, correlation=held.correlation or None, limits=limits
            ),
            cusum=_drawn(run),
            baseline=self._level(held.count, held.inspected),
            baseline_totes=run.series.baseline,
            watched=run.series.watched,
            excursions=tuple(self._excursion(run, category, each) for each in run.seen.rises),
            correlation=held.correlation,
            limit=held.limit.limit,
            arl=held.limit.arl,
            notes=self._notes(run),
        )

    def _run(self, lane: str, category: str) -> _Run | None:
        of_lane = self._series[lane]
        chosen = self._periods[of_lane.product]
        if chosen is None:
            return None
        charts = len(self._programme.lanes) * len(self._programme.categories)
        budget = Budget(self._programme.false_alarms_per_week, charts, chosen.weeks)
        together = list(self._series.values())
        held = watch(of_lane, category, together, self._correlation.value, budget)
        if held is None:
            return None
        x, n = of_lane.counts[category], of_lane.inspected
        return _Run(of_lane, held, watched(x, n, of_lane.watched, held))

    def _excursion(self, run: _Run, category: str, rise: Rise) -> Excursion:
        lane, raised = run.series, slice(rise.begin, max(rise.end, rise.begin + 1))
        # It began after the tote before the first likely one, and by the last likely one.
        low, high = lane.filled_at[max(rise.low - 1, 0)], lane.filled_at[rise.high]
        audited = rise.high - rise.low + 1
        over = None if rise.shown is None else min(rise.end, rise.shown)
        return Excursion(
            since=_moment(lane.filled_at[rise.begin]),
            since_low=_moment(low),
            since_high=_moment(high),
            until=None if over is None else _moment(lane.filled_at[over]),
            signalled_at=_moment(lane.filled_at[rise.signal]),
            tote=str(lane.tote[rise.begin]),
            before=self._level(run.watch.count, run.watch.inspected),
            after=self._level(lane.counts[category][raised], lane.inspected[raised]),
            totes_in_set=audited,
            totes_between=self._between(lane.lane, low, high, audited),
            position=rise.begin,
            signal=rise.signal,
            end=rise.end,
        )

    def _level(self, count: NDArray[np.int64], inspected: NDArray[np.int64]) -> Interval:
        return clustered(
            count,
            inspected,
            confidence=self._programme.confidence,
            correlation=self._correlation.value,
        ).interval

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
    ) -> DriftFinding:
        words, zone = self._words, self._programme.zone
        head = self._carrier(run.series, category, rise)
        parts = [
            words.say(
                "drift.risen",
                category=self._name(category),
                since=words.moment(rise.since, zone),
                span=words.span(rise.since_low, rise.since_high, zone),
                tote=rise.tote,
                before=self._plainly(rise.before),
                after=self._figure(rise.after),
            )
        ]
        if head:
            rates = {"rate": words.per_cent(head.rate), "others": words.per_cent(head.others)}
            parts.append(words.say("drift.head", head=head.head, **rates))
        if self._silent(run.series):
            last = words.moment(_moment(run.series.last_audit), zone)
            parts.append(words.say("drift.silent_since", last=last))
        sentence = "; ".join(parts) + "."
        if head:
            sentence += " " + words.say("drift.caution", head=head.head)
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
            sentence=sentence,
            notes=(self._dating(rise), *notes),
            past=past,
            last_audit=_moment(run.series.last_audit),
        )

    def _carrier(self, lane: Series, category: str, rise: Excursion) -> Carrier | None:
        of_head = self._tallies["purpose"] == "head-check"
        checks = self._tallies[of_head & (self._tallies["lane"] == lane.lane)]
        since = (checks["product"] == lane.product) & (checks["pulled_at"] >= rise.since)
        return carrier(checks[since], category, self._correlation.value)

    def _quiet(self, run: _Run, category: str, past: tuple[Excursion, ...]) -> tuple[str, str]:
        """Status and sentence of a chart without a rise that goes on."""
        words, zone, lane = self._words, self._programme.zone, run.series
        name = self._name(category)
        before = self._level(run.watch.count, run.watch.inspected)
        if self._silent(lane):
            last = words.moment(_moment(lane.last_audit), zone)
            hours = round(SILENCE / timedelta(hours=1))
            return "no audits", words.say("drift.silent", hours=hours, last=last)
        level = self._plainly(before)
        path = run.seen.path
        if path.size and path[-1] > NEAR * run.watch.limit.limit:
            low = int(np.flatnonzero(path == 0)[-1]) + 1 if (path == 0).any() else 0
            now = self._figure(self._level(lane.counts[category][low:], lane.inspected[low:]))
            totes = path.size - low
            said = words.say("drift.near", category=name, before=level, now=now, count=totes)
            return "watch", said
        if past and past[-1].until and self._latest(lane) - past[-1].until < AFTER_RETURN:
            said = words.say(
                "drift.back",
                category=name,
                until=words.moment(past[-1].until, zone),
                since=words.moment(past[-1].since, zone),
                before=level,
                after=self._figure(past[-1].after),
            )
            return "watch", said
        return "steady", words.say("drift.steady", category=name, before=self._figure(before))

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
    ) -> DriftFinding:
        known = self._series.get(lane)
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
        )

    def _dating(self, rise: Excursion) -> str:
        between, totes = rise.totes_between, rise.totes_in_set
        if between is None:
            return self._words.say("drift.dating", count=totes)
        about = self._words.about(between)
        return self._words.say("drift.dating_between", count=totes, between=about)

    def _notes(self, run: _Run) -> tuple[str, ...]:
        words, chosen = self._words, self._periods[run.series.product]
        notes = []
        if chosen is not None:
            notes.append(
                words.say(
                    "drift.baseline" if chosen.chosen else "drift.baseline_first",
                    product=run.series.product,
                    days=FIRST_DAYS,
                    first=words.day(chosen.first),
                    last=words.day(chosen.last),
                    count=run.watch.count.size,
                    pieces=int(run.watch.inspected.sum()),
                )
            )
        if not run.watch.own:
            notes.append(words.say("drift.baseline_shared", few=FEW_TOTES))
        value = f"{self._correlation.value:.3f}"
        notes.append(words.say(f"drift.correlation_{self._correlation.source}", value=value))
        return tuple(notes)

    def _name(self, category: str) -> str:
        return next(each.name for each in self._programme.categories if each.code == category)

    def _plainly(self, level: Interval) -> str:
        """A level without its limits, in the digits that they can bear."""
        decimals = decimals_for(float(level.low), float(level.high))
        return self._words.per_cent(float(level.estimate), decimals=decimals)

    def _figure(self, level: Interval) -> str:
        limits = (float(each) for each in (level.estimate, level.low, level.high))
        return self._words.interval(*limits)


def _drawn(run: _Run) -> Cusum:
    """The sum as drawn: over the whole series, 0 before the baseline ends."""
    path, limit = run.seen.path, run.watch.limit
    still = np.zeros_like(path)
    return Cusum(
        path_up=path,
        path_down=still,
        limit_up=limit.limit,
        limit_down=np.inf,
        signals_up=path > limit.limit,
        signals_down=still > 0,
        inspected=run.series.inspected.astype(np.float64),
        baseline=limit.center,
        arl_up=limit.arl,
        arl_down=np.nan,
    )


def _moment(at: np.datetime64) -> datetime:
    return utc(pd.Timestamp(at))
