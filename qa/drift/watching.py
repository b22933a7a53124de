"""One chart over its totes: when the sum signals, when the rise began, when it was over."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy import special

from qa.charts import ChangePoint, change_point
from qa.charts.beta_binomial import log_ratio
from qa.charts.cusum import running
from qa.drift.baseline import RISE, Watch, design_effect, highest_rise

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]

# Simulated (40 series a rise, 60 for false alarms, from 0.2 and 0.45 %, correlation 0.01): a level
# that is up by 2 times or more seems back once in 3,000 totes or more; a return from 4 times is
# shown in 10 to 21 totes, from 2.5 times in 33 to 63; half of the false alarms close within 44
# (0.45 %) and 119 totes (0.2 %). A higher limit, or a smaller rise, leaves those open for longer.
RETURN_LIMIT = float(np.log(300))
SURELY = 0.025  # chance that the raised level is below what it is taken to be
_AHEAD = 64  # totes scored at a time


@dataclass(frozen=True, slots=True)
class Rise:
    """A rise that signalled: positions in the series.

    Attributes
    ----------
    signal : tote at which the sum passed its limit
    begin, low, high : first tote of the new level, and the first and last that it may have been
    shown : tote by which the level was shown to be back; None while it is up
    end : first tote of the level being back, or one past the last tote
    """

    signal: int
    begin: int
    low: int
    high: int
    shown: int | None
    end: int


@dataclass(frozen=True, slots=True, eq=False)
class Watched:
    """A chart's path, 0 where it does not watch, and every rise that it signalled."""

    path: Floats
    rises: tuple[Rise, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Earlier:
    """A chart that was run before: over which totes, held against what, and what it saw."""

    count: Whole
    inspected: Whole
    start: int
    watch: Watch
    breaks: tuple[int, ...]
    seen: Watched


class Memory:
    """The last run of each chart, so that the next one goes on from it."""

    def __init__(self) -> None:
        self._runs: dict[object, Earlier] = {}

    def watched(
        self,
        key: object,
        count: Whole,
        inspected: Whole,
        start: int,
        watch: Watch,
        breaks: Sequence[int],
    ) -> Watched:
        """As `watched` gives it; `key` names the chart."""
        earlier = self._runs.get(key)
        seen = watched(count, inspected, start, watch, breaks=breaks, earlier=earlier)
        if earlier is None or earlier.count.size <= count.size:
            run = Earlier(count, inspected, start, watch, tuple(breaks), seen)
            self._runs[key] = run
        return seen


def watched(
    count: Whole,
    inspected: Whole,
    start: int,
    watch: Watch,
    *,
    breaks: Sequence[int] = (),
    earlier: Earlier | None = None,
) -> Watched:
    """The chart run from tote `start` on.

    The sum runs until it signals; from then on a sum the other way, the raised level against the
    baseline's, tells when the level is back; then the first sum starts afresh. Both sums start
    afresh at each break too (the position of the first tote after it), and no change is dated from
    totes of both sides of one; a rise that signalled goes on until the level is shown to be back.
    Nothing later changes what was seen up to a tote, so that an `earlier` run is gone on with from
    where these totes differ from its own; the answer is the same without it.
    """
    path = np.zeros(count.size)
    stops = (*sorted(each for each in set(breaks) if start < each < count.size), count.size)
    same, rises = _known(earlier, count, inspected, start, watch, stops)
    if earlier is not None:
        path[:same] = earlier.seen.path[:same]
    fresh = [start, *(each.shown + 1 for each in rises if each.shown is not None)]
    at = max(same, start)
    start = max(each for each in (*fresh, *stops) if each <= at)
    while start < count.size:
        stop = next(each for each in stops if each > start)
        signal = _run(path, count, inspected, (start, max(at, start), stop), watch)
        if signal is not None:
            rise = _rise(count, inspected, start, signal, watch, stops)
            rises.append(rise)
            stop = count.size if rise.shown is None else rise.shown + 1
            path[start:stop] = _pieces(count, inspected, start, stop, watch, stops)
        start = stop
    return Watched(path, tuple(rises))


def _known(
    earlier: Earlier | None,
    count: Whole,
    inspected: Whole,
    start: int,
    watch: Watch,
    stops: Sequence[int],
) -> tuple[int, list[Rise]]:
    """Up to which tote an earlier run holds for these totes too, and its rises that were over."""
    if earlier is None or earlier.start != start or not _alike(earlier.watch, watch):
        return 0, []
    same = min(_agree(earlier.count, count), _agree(earlier.inspected, inspected))
    afresh = {each for each in earlier.breaks if each > start} ^ set(stops[:-1])
    same = min([same, *(each for each in afresh if each < same)])
    rises: list[Rise] = []
    for each in earlier.seen.rises:
        if each.shown is None or each.shown >= same:
            return min(same, each.signal), rises
        rises.append(each)
    return same, rises


def _alike(one: Watch, other: Watch) -> bool:
    """Whether two charts are held against the same."""
    if one is other:
        return True
    figures = [(each.level, each.correlation, each.limit) for each in (one, other)]
    return (
        figures[0] == figures[1]
        and np.array_equal(one.count, other.count)
        and np.array_equal(one.inspected, other.inspected)
    )


def _agree(one: Whole, other: Whole) -> int:
    """How many leading values of two series are the same."""
    size = min(one.size, other.size)
    return _first(one[:size] != other[:size])


def _run(path: Floats, x: Whole, n: Whole, reach: tuple[int, int, int], watch: Watch) -> int | None:
    """Write down the sum of a stretch until it signals; the tote at which it does.

    `reach` is where the sum began, from where on it is to be written, and where it ends.
    """
    start, at, stop = reach
    ahead = _AHEAD
    while at < stop:
        end = min(at + ahead, stop)
        before = float(path[at - 1]) if at > start else 0.0
        path[at:end] = path_of(x[at:end], n[at:end], watch, before)
        over = np.flatnonzero(path[at:end] > watch.limit.limit)
        if over.size:
            return at + int(over[0])
        at, ahead = end, 2 * ahead
    return None


def _pieces(
    count: Whole, inspected: Whole, start: int, stop: int, watch: Watch, stops: Sequence[int]
) -> Floats:
    """The sum from one tote to another, afresh at each break between them."""
    ends = [start, *(each for each in stops if start < each < stop), stop]
    return np.concatenate([path_of(count[a:b], inspected[a:b], watch) for a, b in pairwise(ends)])


def path_of(x: Whole, n: Whole, watch: Watch, before: float = 0.0) -> Floats:
    """The chart's sum, run on over a signal, from what it was before these totes."""
    limit = watch.limit
    scores = log_ratio(x, n, center=limit.center, ratio=limit.ratio, correlation=watch.correlation)
    return running(scores, np.inf, before)


def _rise(x: Whole, n: Whole, start: int, signal: int, watch: Watch, stops: Sequence[int]) -> Rise:
    first = start + _begin(x[start : signal + 1], n[start : signal + 1], watch).index
    shown = _shown(x, n, first, signal, watch, stops)
    end = x.size if shown is None else _end(x, n, first, shown, watch, stops)
    until = max(end, signal + 1) if shown is None else max(end, first + 1)
    until = min(until, next(each for each in stops if each > signal))
    step = _begin(x[start:until], n[start:until], watch)
    return Rise(
        signal=signal,
        begin=start + step.index,
        low=start + step.low,
        high=start + step.high,
        shown=shown,
        end=end,
    )


def _shown(
    x: Whole, n: Whole, begin: int, signal: int, watch: Watch, stops: Sequence[int]
) -> int | None:
    """Tote by which the level is shown to be back; the evidence starts afresh at each break."""
    last = signal
    for stop in (each for each in stops if each > signal):
        shown = _shown_back(x[:stop], n[:stop], begin, last, watch)
        if shown is not None:
            return shown
        last = stop - 1
    return None


def _end(x: Whole, n: Whole, begin: int, shown: int, watch: Watch, stops: Sequence[int]) -> int:
    """First tote of the level being back, no sooner than the last break before it was shown."""
    at = slice(begin, shown + 1)
    afresh = max((each for each in stops if begin < each <= shown), default=begin)
    return max(begin + _step(x[at], n[at], watch, "down").index, afresh)


@dataclass(frozen=True, slots=True)
class _Begin:
    index: int
    low: int
    high: int


def _begin(x: Whole, n: Whole, watch: Watch) -> _Begin:
    """Where in these totes the rise began, the baseline's totes telling the level before it."""
    lead = watch.count.size
    step = _step(np.append(watch.count, x), np.append(watch.inspected, n), watch, "up")
    return _Begin(*(max(each - lead, 0) for each in (step.index, step.low, step.high)))


def _step(x: Whole, n: Whole, watch: Watch, toward: str) -> ChangePoint:
    return change_point(x, n, correlation=watch.correlation, toward=toward)


def _shown_back(x: Whole, n: Whole, begin: int, signal: int, watch: Watch) -> int | None:
    """Tote by which the level is shown to be back, None if it is not.

    Each time the sum is at 0 the raised level is taken anew from all totes since the rise began:
    a lower limit of it, for the few totes that made the chart signal show it too high.
    """
    at, ahead = signal + 1, _AHEAD
    while at < x.size:
        next_ = slice(at, at + ahead)
        raised = _surely(x[begin:at], n[begin:at], watch)
        score = -log_ratio(
            x[next_],
            n[next_],
            center=watch.level,
            ratio=raised / watch.level,
            correlation=watch.correlation,
        )
        path = np.cumsum(score)
        back, again = _first(path > RETURN_LIMIT), _first(path <= 0)
        if back < again:
            return at + back
        if again == path.size and next_.stop < x.size:
            ahead *= 4
        else:
            at, ahead = at + again + 1, _AHEAD
    return None


def _surely(x: Whole, n: Whole, watch: Watch) -> float:
    """Raised level: a low point of its posterior, and what the chart looks for at least."""
    worth = n.sum() / design_effect(n, watch.correlation)
    count = x.sum() / n.sum() * worth
    low = float(special.betaincinv(count + 0.5, worth - count + 0.5, SURELY))
    return max(low, highest_rise(watch.level, RISE) * watch.level)


def _first(true: NDArray[np.bool_]) -> int:
    """Position of the first true value, or the length if there is none."""
    return int(np.argmax(true)) if true.any() else true.size
