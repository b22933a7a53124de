"""Where the limits of a count chart lie: by sigma, stretched sigma, or exact tails of a law.

A rule gives the lower and the upper limit of each point as counts, real numbers that may lie out
of range; the standard deviation it goes by is the one that the chart is standardised with.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from qa.charts.beta_binomial import beta_binomial
from qa.errors import InvalidInput

Floats = NDArray[np.float64]
Index = NDArray[np.intp]
_Tail = Callable[[Floats, Index], Floats]  # chance of a count, for the pairs with these numbers


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """What a limit is made from: counts, what they were found in, and the baseline."""

    count: Floats
    inspected: Floats
    center: Floats
    correlation: float | None
    false_alarm: float
    stretch: float | None

    @property
    def expected(self) -> Floats:
        """Count that the center leads one to expect."""
        return self.inspected * self.center

    @property
    def tail(self) -> float:
        """Chance that may lie beyond one limit."""
        return self.false_alarm / 2


@dataclass(frozen=True, slots=True)
class Rule:
    """The standard deviation of counts, and the limits that follow from series and deviation."""

    sigma: Callable[[Series], Floats]
    limits: Callable[[Series, Floats], tuple[Floats, Floats]]


def _binomial_sigma(series: Series) -> Floats:
    return np.sqrt(series.expected * (1 - series.center))


def _poisson_sigma(series: Series) -> Floats:
    return np.sqrt(series.expected)


def _beta_binomial_sigma(series: Series) -> Floats:
    if series.correlation is None:
        raise InvalidInput('"beta_binomial" limits need a correlation, got none')
    return _binomial_sigma(series) * np.sqrt(1 + (series.inspected - 1) * series.correlation)


def _stretched(sigma: Callable[[Series], Floats]) -> Callable[[Series], Floats]:
    """The deviation times the spread that neighbours show, here or in the baseline."""

    def stretched(series: Series) -> Floats:
        plain = sigma(series)
        return plain * (series.stretch or stretch_of(series.count - series.expected, plain))

    return stretched


def stretch_of(off: Floats, sigma: Floats) -> float:
    """Mean range of neighbours in standard deviations, over 1.128 (Laney 2002).

    Raises
    ------
    InvalidInput
        If there are fewer than two audits.
    """
    if off.size < 2:
        raise InvalidInput(f'"laney" limits need 2 audits or more, got {off.size}')
    z = np.divide(off, sigma, out=np.zeros_like(off), where=sigma > 0)
    return float(np.abs(np.diff(z)).mean()) / _MEAN_RANGE_OF_TWO


_MEAN_RANGE_OF_TWO = 2 / float(np.sqrt(np.pi))  # of two normal values with unit variance: 1.128


def _three_sigma(series: Series, sigma: Floats) -> tuple[Floats, Floats]:
    return series.expected - 3 * sigma, series.expected + 3 * sigma


def _binomial(series: Series, _: Floats) -> tuple[Floats, Floats]:
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


def _poisson(series: Series, _: Floats) -> tuple[Floats, Floats]:
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


def _distinct(series: Series) -> tuple[Floats, Floats, Index]:
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


def _beta_binomial(series: Series, _: Floats) -> tuple[Floats, Floats]:
    ends = np.empty((2, series.count.size))
    centers, which, times = np.unique(series.center, return_inverse=True, return_counts=True)
    of_center = np.split(np.argsort(which, kind="stable"), np.cumsum(times)[:-1])
    for p, at in zip(centers, of_center, strict=False):  # none but an empty part where none is
        sizes, where = np.unique(series.inspected[at].astype(np.int64), return_inverse=True)
        law = beta_binomial(float(p), series.correlation or 0.0, int(sizes[-1]))
        beyond = np.cumsum(law.chances(sizes[-1:])[0, ::-1])[::-1]  # the most, of all the sizes
        most = int(np.flatnonzero(beyond > series.tail * _NOTHING)[-1])
        parts = np.array_split(sizes, 1 + sizes.size * most // _TABLE)
        found = [_quiet_counts(law.chances(part, most), series.tail) for part in parts if part.size]
        ends[:, at] = np.concatenate(found, axis=1)[:, where]
    return ends[0], ends[1]


_TABLE = 4_000_000  # chances held at once
_NOTHING = 1e-12  # part of a tail that is let go


def _quiet_counts(chance: Floats, tail: float) -> NDArray[np.intp]:
    """Smallest and largest count with at most `tail` beyond it, for each row of chances."""
    below = np.cumsum(chance, axis=1) <= tail
    above = np.cumsum(chance[:, ::-1], axis=1) <= tail
    return np.stack([below.sum(axis=1), chance.shape[1] - 1 - above.sum(axis=1)])


FRACTION = {
    "exact": Rule(_binomial_sigma, _binomial),
    "beta_binomial": Rule(_beta_binomial_sigma, _beta_binomial),
    "three_sigma": Rule(_binomial_sigma, _three_sigma),
    "laney": Rule(_stretched(_binomial_sigma), _three_sigma),
}
DEFECTS = {
    "exact": Rule(_poisson_sigma, _poisson),
    "three_sigma": Rule(_poisson_sigma, _three_sigma),
    "laney": Rule(_stretched(_poisson_sigma), _three_sigma),
}
