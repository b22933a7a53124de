"""How much further sums lean than the law that their limits come from, as baselines show it.

The law knows how much totes differ by one number, and takes one tote after the other for apart.
Where a few totes are many times as bad, or all of a day are worse together, sums go further up.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from qa.charts.beta_binomial import log_ratio
from qa.charts.run_length.cusum import limit_on_grid
from qa.charts.run_length.grid import Scores, checked_watch, scores_of
from qa.charts.run_length.guarded import guarded_change

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]
_MOST = 3.0  # times as high a limit


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
    """What the totes of one baseline add to its sum, their days, and what its law has them add."""

    score: Floats
    day: NDArray[Any]
    law: Scores


def scored(
    count: Whole,
    inspected: Whole,
    day: NDArray[Any],
    *,
    center: float,
    effective_n: float,
    correlation: float,
    ratio: float,
) -> Scored:
    """One baseline's totes, as the sum with the limit of `guarded_limit` scores them.

    Parameters
    ----------
    count, inspected, day : arrays of one length
        Of each tote.
    center, effective_n, correlation, ratio
        As for `guarded_limit`.
    """
    worst, left = guarded_change(center, effective_n, ratio)
    watch = checked_watch(inspected, worst, correlation, left, "binomial")
    law = scores_of(watch, replace(watch.shift.law, rate=center))
    score = log_ratio(count, inspected, center=worst, ratio=left, correlation=correlation)
    return Scored(score, day, law)


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


def _lasting(charts: Sequence[Scored]) -> float:
    days, totes = np.array([*_days(charts)]).reshape(-1, 2).sum(axis=0)
    return float(np.clip(days / totes, 1.0, _MOST)) if totes else 1.0


def _days(charts: Sequence[Scored]) -> Iterator[tuple[float, int]]:
    """Of each chart: squares of its days' sums in units of a tote's variance, and its totes."""
    for each in charts:
        days, which = np.unique(each.day, return_inverse=True)
        if days.size > 1 and np.ptp(each.score) > 0:
            sums = np.bincount(which, each.score - each.score.mean())
            few = days.size / (days.size - 1)  # the mean is the days' own
            yield float(sums @ sums) * few / each.score.var(ddof=1), each.score.size
