"""How much further sums lean than the law that their limits come from, as baselines show it.

The law knows how much totes differ by one number, and takes one tote after the other for apart.
Where a few totes are many times as bad, or all of a day are worse together, sums go further up.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import special

from qa.charts.beta_binomial import log_ratio
from qa.charts.run_length.cusum import limit_on_grid
from qa.charts.run_length.grid import Scores, checked_watch, scores_of
from qa.charts.run_length.guarded import guarded_change

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]
_MOST = 3.0  # times as high a limit
_OUTLYING = 0.05  # chance that any chart is told to stand out where none does


@dataclass(frozen=True, slots=True)
class Lean:
    """How many times as high limits must lie as the law says; 1 where the law holds.

    Attributes
    ----------
    tail : for what single totes add to a sum
    lasting : for totes of a day that are worse together: the variance of days' sums over that of
        as many totes apart, which is also how many times fewer pieces a baseline is worth
    """

    tail: float = 1.0
    lasting: float = 1.0

    @property
    def limit(self) -> float:
        """Factor of a limit."""
        return self.tail * self.lasting


@dataclass(frozen=True, slots=True, eq=False)
class Scored:
    """What the totes of one baseline add to its sum, their days, and what its law has them add.

    Charts of one `category` are those of different lanes.
    """

    score: Floats
    day: NDArray[Any]
    law: Scores
    category: str = ""


def scored(
    count: Whole,
    inspected: Whole,
    day: NDArray[Any],
    *,
    center: float,
    effective_n: float,
    correlation: float,
    ratio: float,
    category: str = "",
) -> Scored:
    """One baseline's totes, as the sum with the limit of `guarded_limit` scores them.

    Parameters
    ----------
    count, inspected, day : arrays of one length
        Of each tote.
    center, effective_n, correlation, ratio
        As for `guarded_limit`.
    category : str
        What is counted.
    """
    worst, left = guarded_change(center, effective_n, ratio)
    watch = checked_watch(inspected, worst, correlation, left, "binomial")
    law = scores_of(watch, replace(watch.shift.law, rate=center))
    score = log_ratio(count, inspected, center=worst, ratio=left, correlation=correlation)
    return Scored(score, day, law, category)


def lean(charts: Sequence[Scored], *, arl: float = 3000.0) -> Lean:
    """How far the baselines of charts lean, all taken together.

    For `tail` a sum is followed that draws each tote from all the charts' baselines, and one that
    draws it from their laws at the baselines' own levels: it is the ratio of the limits that give
    both a run length of `arl`, by default about that of a guarded chart at its baseline's own
    level. One chart alone knows too little of its rare totes. For `lasting`
    the variance of days' sums takes the place of one tote's, for a sum without drift grows with
    the variance in the long run, and the height that it passes with a given chance in that ratio.
    Neither ever lowers a limit.

    References
    ----------
    Asmussen & Albrecher (2010), Ruin Probabilities, 2nd ed., chapters IV and V (heights that sums
    pass); Cameron & Miller (2015), Journal of Human Resources 50, 317-372 (variance by clusters;
    both from memory).

    Examples
    --------
    >>> count, day = np.array([1, 2, 0, 4, 2, 20]), np.array([1, 1, 2, 2, 3, 3])
    >>> law = {"center": 0.01, "effective_n": 5_000, "correlation": 0.01, "ratio": 2.0}
    >>> found = lean([scored(count, np.full(6, 200), day, **law)])
    >>> round(found.tail, 1), round(found.lasting, 1)
    (3.0, 1.0)
    """
    return Lean(_tail(charts, arl), _lasting(charts))


def _tail(charts: Sequence[Scored], arl: float) -> float:
    totes = np.array([each.score.size for each in charts])
    if totes.sum() == 0:
        return 1.0
    share = totes / totes.sum()
    drawn = np.concatenate([each.score for each in charts])
    if drawn.mean() >= 0:
        return _MOST
    own, law = (
        limit_on_grid(scores, arl)[0]
        for scores in (
            Scores(drawn, np.full(drawn.size, 1 / drawn.size)),
            Scores(
                np.concatenate([each.law.score for each in charts]),
                np.concatenate([p * e.law.chance for p, e in zip(share, charts, strict=True)]),
            ),
        )
    )
    return float(np.clip(own / law, 1.0, _MOST))


def outlying(charts: Sequence[Scored]) -> tuple[int, ...]:
    """Positions of the charts whose days differ far more than those of their category elsewhere.

    For them `lasting` tells of something that only one lane had, such as some days of trouble,
    and says nothing of the others. Of each category the lane that goes furthest is held against
    the others together by the ratio of their variances, days' sums over totes' apart; with 5 % at
    most, shared over all charts, any is told where the days of all lanes are alike. Where the
    lanes of a category all lean, none stands out.

    References
    ----------
    Cochran (1941), Annals of Eugenics 11, 47-52 (the largest of some variances); 't Lam (2010),
    Analytica Chimica Acta 659, 68-84 (as a ratio of two, where numbers differ; both from memory).

    Examples
    --------
    >>> law = {"center": 0.01, "effective_n": 5_000, "correlation": 0.01, "ratio": 2.0}
    >>> day, n = np.arange(60) // 4, np.full(60, 200)
    >>> steady = np.tile([1, 2, 3, 2, 2], 12)
    >>> trouble = np.where(day < 3, 4 * steady, steady)
    >>> outlying([scored(count, n, day, **law) for count in (steady, trouble, steady)])
    (1,)
    """
    days = [_days(each) for each in charts]
    told = sum(each.free > 0 for each in days)
    found = []
    for category in dict.fromkeys(each.category for each in charts):
        mine = [at for at, each in enumerate(charts) if each.category == category and days[at].free]
        if len(mine) > 1:
            chance, at = min((_chance(days, at, mine), at) for at in mine)
            found += [at] if chance < _OUTLYING / told else []
    return tuple(found)


class _Days(NamedTuple):
    """Of a chart: squares of its days' sums in units of a tote's variance, totes, and days - 1."""

    squares: float = 0.0
    totes: int = 0
    free: int = 0


def _chance(days: Sequence[_Days], at: int, charts: Sequence[int]) -> float:
    """Chance that days of one differ so much more than the others' where all are alike."""
    one = days[at]
    squares, totes, free = np.sum([days[each] for each in charts if each != at], axis=0)
    if not squares:
        return 1.0
    return float(special.fdtrc(one.free, free, one.squares / one.totes / (squares / totes)))


def _lasting(charts: Sequence[Scored]) -> float:
    days = [_days(each) for each in charts]
    totes = sum(each.totes for each in days)
    ratio = sum(each.squares for each in days) / max(totes, 1)
    return float(np.clip(ratio, 1.0, _MOST))


def _days(chart: Scored) -> _Days:
    days, which = np.unique(chart.day, return_inverse=True)
    if days.size < 2 or np.ptp(chart.score) == 0:
        return _Days()
    sums = np.bincount(which, chart.score - chart.score.mean())
    few = days.size / (days.size - 1)  # the mean is the days' own
    squares = float(sums @ sums) * few / chart.score.var(ddof=1)
    return _Days(squares, chart.score.size, days.size - 1)
