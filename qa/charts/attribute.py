"""Charts of counts: fraction (p), number (np), and defects (c, u), each point with its own limits.

A point signals when its count lies beyond a limit, never on it. A limit that no count could
cross is nan: there is none.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from qa._validate import (
    checked_counts,
    checked_fraction,
    checked_level,
    checked_positive,
    checked_whole,
    chosen,
)
from qa.charts.beta_binomial import beta_binomial, checked_correlation
from qa.errors import InvalidInput

Floats = NDArray[np.float64]
Index = NDArray[np.intp]
_Tail = Callable[[Floats, Index], Floats]  # chance of a count, for the pairs with these numbers
_ON_THE_LIMIT = 1e-9  # relative: a count this near a limit computed in floats lies on it


@dataclass(frozen=True, slots=True, eq=False)
class ControlChart:
    """A chart of counts: arrays of one length, a value for each audit in time order.

    Attributes
    ----------
    statistic : what is drawn: a fraction (p), a count (np, c) or defects a unit (u)
    center, lower, upper : centre line and control limits on the same scale; nan where no count
        could cross the limit
    inspected : pieces (or units) the count was found in; 1 for a c chart
    signals : bool, the count lies beyond a limit
    least, most : smallest and largest count that does not signal
    """

    statistic: Floats
    center: Floats
    lower: Floats
    upper: Floats
    inspected: Floats
    signals: NDArray[np.bool_]
    least: Floats
    most: Floats


@dataclass(frozen=True, slots=True, eq=False)
class _Series:
    """What a limit is made from: counts, what they were found in, and the baseline."""

    count: Floats
    inspected: Floats
    center: Floats
    correlation: float | None
    false_alarm: float

    @property
    def tail(self) -> float:
        return self.false_alarm / 2


# Each of these gives the lower and the upper limit as counts; real numbers, in or out of range.
_Limits = Callable[[_Series], tuple[Floats, Floats]]


def p_chart(
    count: ArrayLike,
    inspected: ArrayLike,
    *,
    center: ArrayLike | None = None,
    correlation: float | None = None,
    limits: str = "exact",
    false_alarm: float = 0.0027,
) -> ControlChart:
    """Chart of the fraction of pieces of one kind, with limits at each audit's own sample size.

    Parameters
    ----------
    count, inspected : array_like of int, broadcast to one length
        Pieces of the kind, and pieces looked at, in time order.
    center : array_like of fractions, optional
        Baseline level, one or one an audit; by default all counted over all inspected.
    correlation : float, optional
        Intra-class correlation of pieces in one tote; asked for by "beta_binomial" alone.
    limits : {"exact", "beta_binomial", "three_sigma", "laney"}
        "exact" and "beta_binomial" place each limit where at most half of `false_alarm` lies
        beyond it, totes being alike or differing. "three_sigma" is the normal approximation;
        "laney" stretches it by the spread seen between neighbours, and needs two audits.
    false_alarm : float, between 0 and 1
        Chance that a point in control signals, both limits together; the last two ignore it.

    Returns
    -------
    ControlChart

    Raises
    ------
    InvalidInput
        If a count is not from 0 to inspected, or an option is none of its choices.

    References
    ----------
    Shewhart (1931), Economic Control of Quality; probability limits as in ISO 7870-2. Laney
    (2002), Quality Engineering 14, 531-537.

    Examples
    --------
    >>> chart = p_chart([2, 1, 9], [200, 150, 200], center=0.01)
    >>> chart.signals.tolist(), chart.upper.round(4).tolist()
    ([False, False, True], [0.035, 0.04, 0.035])
    """
    series = _fractions(count, inspected, center, correlation, false_alarm)
    return _chart(series, chosen(_FRACTION, "limits", limits), series.inspected, series.inspected)


def np_chart(
    count: ArrayLike,
    inspected: ArrayLike,
    *,
    center: ArrayLike | None = None,
    correlation: float | None = None,
    limits: str = "exact",
    false_alarm: float = 0.0027,
) -> ControlChart:
    """Chart of the number of pieces of one kind: a `p_chart` drawn in pieces.

    `center` is still a fraction; the centre line is center x inspected.

    Examples
    --------
    >>> np_chart([9], 50, center=0.2313, limits="three_sigma").upper.round(2).tolist()
    [20.51]
    """
    series = _fractions(count, inspected, center, correlation, false_alarm)
    pieces = np.ones_like(series.inspected)
    return _chart(series, chosen(_FRACTION, "limits", limits), series.inspected, pieces)


def c_chart(
    count: ArrayLike,
    *,
    center: ArrayLike | None = None,
    limits: str = "exact",
    false_alarm: float = 0.0027,
) -> ControlChart:
    """Chart of defects in units of one size, Poisson when in control.

    Parameters
    ----------
    count : array_like of int
        Defects of each unit, in time order.
    center : array_like, optional
        Expected defects a unit; by default their mean.
    limits : {"exact", "three_sigma"}
        As for `p_chart`, from the Poisson distribution.
    false_alarm : float, between 0 and 1

    Examples
    --------
    >>> c_chart([16, 31], center=16, limits="three_sigma").signals.tolist()
    [False, True]
    """
    return u_chart(count, 1, center=center, limits=limits, false_alarm=false_alarm)


def u_chart(
    count: ArrayLike,
    inspected: ArrayLike,
    *,
    center: ArrayLike | None = None,
    limits: str = "exact",
    false_alarm: float = 0.0027,
) -> ControlChart:
    """Chart of defects per unit, where more or less than one unit is looked at.

    Parameters
    ----------
    count : array_like of int
        Defects found.
    inspected : array_like, above 0
        Units they were found in, whole or not.
    center : array_like, optional
        Expected defects a unit; by default all defects over all units.
    limits : {"exact", "three_sigma"}
        As for `p_chart`, from the Poisson distribution.
    false_alarm : float, between 0 and 1

    Examples
    --------
    >>> u_chart([14], [10], center=7, limits="three_sigma").upper.round(3).tolist()
    [9.51]
    """
    found = np.atleast_1d(checked_whole(count, "count"))
    found, units = np.broadcast_arrays(found, checked_positive(inspected, "inspected"))
    mean = found.sum() / max(units.sum(), np.finfo(float).tiny)
    level = np.asarray(mean if center is None else center, dtype=np.float64)
    if not (np.isfinite(level) & (level >= 0)).all():
        raise InvalidInput(f"center must be 0 or more, got {level.min():g}")
    level = np.broadcast_to(level, found.shape)
    series = _Series(found, units, level, None, checked_level(false_alarm, "false_alarm"))
    return _chart(series, chosen(_DEFECTS, "limits", limits), np.full_like(units, np.inf), units)


def _fractions(
    count: ArrayLike,
    inspected: ArrayLike,
    center: ArrayLike | None,
    correlation: float | None,
    false_alarm: float,
) -> _Series:
    x, n = (np.atleast_1d(values) for values in checked_counts(count, inspected))
    level = x.sum() / max(n.sum(), 1) if center is None else center
    p = np.broadcast_to(checked_fraction(level, "center"), x.shape)
    rho = None if correlation is None else checked_correlation(correlation)
    return _Series(x, n, p, rho, checked_level(false_alarm, "false_alarm"))


def _chart(series: _Series, limits: _Limits, greatest: Floats, scale: Floats) -> ControlChart:
    """The chart whose limits, given in counts, are drawn divided by `scale`."""
    low, high = limits(series)
    least = np.ceil(low - _ON_THE_LIMIT * np.abs(low))
    most = np.floor(high + _ON_THE_LIMIT * np.abs(high))
    x = series.count
    return ControlChart(
        statistic=x / scale,
        center=series.center * series.inspected / scale,
        lower=np.where(least > 0, low, np.nan) / scale,
        upper=np.where(most < greatest, high, np.nan) / scale,
        inspected=series.inspected,
        signals=(x < least) | (x > most),
        least=np.maximum(least, 0.0),
        most=np.minimum(most, greatest),
    )


def _three_sigma(series: _Series) -> tuple[Floats, Floats]:
    return _around(series, 3 * np.sqrt(series.inspected * series.center * (1 - series.center)))


def _laney(series: _Series) -> tuple[Floats, Floats]:
    if series.count.size < 2:
        raise InvalidInput(f'"laney" limits need 2 audits or more, got {series.count.size}')
    sigma = np.sqrt(series.inspected * series.center * (1 - series.center))
    off = series.count - series.inspected * series.center
    z = np.divide(off, sigma, out=np.zeros_like(off), where=sigma > 0)
    return _around(series, 3 * sigma * np.abs(np.diff(z)).mean() / _MEAN_RANGE_OF_TWO)


def _poisson_sigma(series: _Series) -> tuple[Floats, Floats]:
    return _around(series, 3 * np.sqrt(series.inspected * series.center))


_MEAN_RANGE_OF_TWO = 2 / np.sqrt(np.pi)  # of two normal values with unit variance: 1.128


def _around(series: _Series, half: Floats) -> tuple[Floats, Floats]:
    expected = series.inspected * series.center
    return expected - half, expected + half


def _binomial(series: _Series) -> tuple[Floats, Floats]:
    n, p, where = _distinct(series)

    def more(k: Floats, at: Index) -> Floats:
        rest = n[at] - k
        chance = special.betainc(k + 1, np.maximum(rest, 1.0), p[at])
        return np.where(rest > 0, chance, 0.0)

    def at_most(k: Floats, at: Index) -> Floats:
        rest = n[at] - k
        chance = special.betaincc(k + 1, np.maximum(rest, 1.0), p[at])
        return np.where(rest > 0, chance, 1.0)

    sigma = np.sqrt(n * p * (1 - p))
    least, most = _by_tails(at_most, more, series.tail, (n * p, sigma, 1 - 2 * p), n)
    return least[where], most[where]


def _poisson(series: _Series) -> tuple[Floats, Floats]:
    n, center, where = _distinct(series)
    mean = n * center
    least, most = _by_tails(
        lambda k, at: special.gammaincc(k + 1, mean[at]),
        lambda k, at: special.gammainc(k + 1, mean[at]),
        series.tail,
        (mean, np.sqrt(mean), np.ones_like(mean)),
        np.full_like(mean, np.inf),
    )
    return least[where], most[where]


def _distinct(series: _Series) -> tuple[Floats, Floats, Index]:
    """The few pairs of size and center there are, and which of them each audit has."""
    sizes, size = np.unique(series.inspected, return_inverse=True)
    centers, center = np.unique(series.center, return_inverse=True)
    kinds = max(centers.size, 1)
    pairs, where = np.unique(size * kinds + center, return_inverse=True)
    return sizes[pairs // kinds], centers[pairs % kinds], where


def _by_tails(
    at_most: _Tail,
    more: _Tail,
    tail: float,
    shape: tuple[Floats, Floats, Floats],
    greatest: Floats,
) -> tuple[Floats, Floats]:
    """Smallest and largest count with at most `tail` of the chance beyond it.

    The search starts from the normal quantile corrected for skewness (Cornish & Fisher 1937),
    from mean, standard deviation, and their product with the skewness.
    """
    mean, sigma, skew = shape
    z = special.ndtri(tail)
    middle = mean + skew * (z * z - 1) / 6 - 0.5
    least = _first_whole(lambda k, at: at_most(k, at) > tail, middle + z * sigma, greatest)
    return least, _first_whole(lambda k, at: more(k, at) <= tail, middle - z * sigma, greatest)


def _first_whole(
    holds: Callable[[Floats, Index], NDArray[np.bool_]], guess: Floats, greatest: Floats
) -> Floats:
    """Smallest whole number, up to `greatest`, at which a condition that stays true holds."""
    found = np.clip(np.rint(guess), 0, greatest)
    at = np.arange(found.size)
    while (at := at[~holds(found[at], at)]).size:
        found[at] += 1
    at = np.flatnonzero(found > 0)
    while (at := at[holds(found[at] - 1, at)]).size:
        found[at] -= 1
        at = at[found[at] > 0]
    return found


def _beta_binomial(series: _Series) -> tuple[Floats, Floats]:
    if series.correlation is None:
        raise InvalidInput('"beta_binomial" limits need a correlation, got none')
    ends = np.empty((2, series.count.size))
    for p in np.unique(series.center):
        at = np.flatnonzero(series.center == p)
        sizes, where = np.unique(series.inspected[at].astype(np.int64), return_inverse=True)
        law = beta_binomial(float(p), series.correlation, int(sizes[-1]))
        parts = np.array_split(sizes, 1 + sizes.size * sizes[-1] // _TABLE)
        found = [_quiet_counts(law.chances(part), series.tail) for part in parts if part.size]
        ends[:, at] = np.concatenate(found, axis=1)[:, where]
    return ends[0], ends[1]


_TABLE = 4_000_000  # chances held at once


def _quiet_counts(chance: Floats, tail: float) -> NDArray[np.intp]:
    """Smallest and largest count with at most `tail` beyond it, for each row of chances."""
    below = np.cumsum(chance, axis=1) <= tail
    above = np.cumsum(chance[:, ::-1], axis=1) <= tail
    return np.stack([below.sum(axis=1), chance.shape[1] - 1 - above.sum(axis=1)])


_FRACTION: dict[str, _Limits] = {
    "exact": _binomial,
    "beta_binomial": _beta_binomial,
    "three_sigma": _three_sigma,
    "laney": _laney,
}
_DEFECTS: dict[str, _Limits] = {"exact": _poisson, "three_sigma": _poisson_sigma}
