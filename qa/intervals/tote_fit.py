"""The beta-binomial of largest likelihood: mean and correlation of totes, many series at once.

The likelihood goes through tail counts (how many totes have more than k pieces of the kind, for
k = 0, 1, ...), in which score and curvature are sums of reciprocals and hold at correlation 0.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from qa._validate import checked_counts
from qa.errors import InvalidInput
from qa.intervals.binomial import Interval, one_sided, tail_of

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class ToteFit:
    """The fitted beta-binomial of each series of totes: arrays of one shape.

    Attributes
    ----------
    mean : ndarray
        Fraction of pieces of the kind, each tote's own fraction being spread around it.
    correlation : ndarray
        Intra-tote correlation, from 0 to 1; nan where nothing can show it (all pieces of one
        kind, or one piece a tote).
    log_likelihood : ndarray
        With the binomial coefficients.
    """

    mean: Array
    correlation: Array
    log_likelihood: Array


def fit_totes(count: ArrayLike, inspected: ArrayLike) -> ToteFit:
    """Mean and correlation of largest likelihood of the totes along the last axis.

    The correlation is 0 where that is likeliest, and 1 where every tote is all of one kind
    but totes differ.

    Parameters
    ----------
    count, inspected : array_like of int, broadcast to shape S + (totes,)

    Returns
    -------
    ToteFit
        Arrays of shape S.

    Raises
    ------
    InvalidInput
        If a count is not from 0 to inspected, or there is no tote.

    References
    ----------
    Skellam (1948), JRSS B 10, 257-261. Griffiths (1973), Biometrics 29, 637-648 (this form).

    Examples
    --------
    >>> fit = fit_totes([2, 0, 1, 9, 0, 3], 200)
    >>> round(float(fit.mean), 5), round(float(fit.correlation), 5)
    (0.01249, 0.01652)
    """
    series, shape = _series(count, inspected)
    found = _largest(series)
    return ToteFit(*(part.reshape(shape) for part in found))


def correlation_interval(
    count: ArrayLike, inspected: ArrayLike, *, confidence: float = 0.95, side: str = "both"
) -> Interval:
    """Interval for the intra-tote correlation, by the profile likelihood of the beta-binomial.

    Parameters
    ----------
    count, inspected : array_like of int, broadcast to shape S + (totes,)
    confidence : float, between 0 and 1
    side : {"both", "lower", "upper"}

    Returns
    -------
    Interval
        Arrays of shape S; 0 to 1 with an estimate of nan where nothing can show the correlation.

    Raises
    ------
    InvalidInput
        As `fit_totes`.

    References
    ----------
    Lui, Cumberland & Kuo (1996), Biometrics 52, 412-425 (intervals for this correlation). Meeker
    & Escobar (1995), American Statistician 49, 48-53 (profile likelihood).

    Examples
    --------
    >>> found = correlation_interval([2, 0, 1, 9, 0, 3], 200)
    >>> round(float(found.low), 4), round(float(found.high), 4)
    (0.0021, 0.1803)
    """
    drop = special.ndtri(tail_of(confidence, side)) ** 2 / 2.0
    series, shape = _series(count, inspected)
    mean, rho, height = _largest(series)
    known = np.isfinite(rho)
    bar = height - series.coefficients - drop
    low, high = np.zeros_like(rho), np.ones_like(rho)
    if known.any():
        inner = series.only(known)
        args = (inner, mean[known], rho[known], bar[known])
        low[known], high[known] = _crossing(*args, end=0.0), _crossing(*args, end=1.0)
    limits = one_sided(low.reshape(shape), high.reshape(shape), side)
    return Interval(rho.reshape(shape), *limits, confidence, "profile_likelihood", side)


@dataclass(frozen=True, slots=True, eq=False)
class _Series:
    """Tail counts, a row a series, of pieces of the kind, of others and of all."""

    hits: Array
    misses: Array
    all_: Array
    coefficients: Array
    all_or_none: Array  # totes all of the kind, where every tote is of one kind; else nan

    def only(self, rows: NDArray[np.bool_]) -> "_Series":
        return _Series(
            self.hits[rows],
            self.misses[rows],
            self.all_[rows],
            self.coefficients[rows],
            self.all_or_none[rows],
        )

    def height(self, mean: Array, spread: Array) -> Array:
        """Log-likelihood without the coefficients; `spread` is rho / (1 - rho)."""
        return (
            _logs(self.hits, mean, spread)
            + _logs(self.misses, 1.0 - mean, spread)
            - _logs(self.all_, np.ones_like(mean), spread)
        )


def _series(count: ArrayLike, inspected: ArrayLike) -> tuple[_Series, tuple[int, ...]]:
    x, n = checked_counts(count, inspected)
    if x.ndim == 0 or x.shape[-1] == 0:
        raise InvalidInput(f"count must be one value a tote, got an array of shape {x.shape}")
    shape = x.shape[:-1]
    x, n = x.reshape(-1, x.shape[-1]), n.reshape(-1, x.shape[-1])
    ways = special.gammaln(n + 1.0) - special.gammaln(x + 1.0) - special.gammaln(n - x + 1.0)
    uniform = ((x == 0.0) | (x == n)).all(axis=1)
    share = np.where(uniform, (x == n).mean(axis=1), np.nan)
    return _Series(_tails(x), _tails(n - x), _tails(n), ways.sum(axis=1), share), shape


def _tails(values: Array) -> Array:
    width = int(values.max()) + 1
    codes = (values + width * np.arange(len(values))[:, np.newaxis]).astype(np.intp)
    at = np.bincount(codes.ravel(), minlength=width * len(values)).reshape(-1, width)
    return np.cumsum(at[:, :0:-1], axis=1)[:, ::-1].astype(np.float64)


def _largest(series: _Series) -> tuple[Array, Array, Array]:
    """Mean, correlation and log-likelihood at the maximum."""
    hits, total = series.hits.sum(axis=1), series.all_.sum(axis=1)
    mean, rho = hits / total, np.zeros_like(total)
    mixed = (hits > 0) & (hits < total)
    several = total > series.all_[:, 0]  # some tote of more than one piece
    rho[~mixed | ~several] = np.nan
    one_kind = mixed & several & np.isfinite(series.all_or_none)
    mean[one_kind], rho[one_kind] = series.all_or_none[one_kind], 1.0
    inner = mixed & several & ~one_kind
    if inner.any():
        mean[inner], rho[inner] = _climbed(series.only(inner), mean[inner])
    spread = np.where((rho > 0.0) & (rho < 1.0), rho / np.where(rho < 1.0, 1.0 - rho, 1.0), 0.0)
    height = series.height(mean, spread) + series.coefficients
    p = mean[one_kind]
    totes = series.all_[one_kind, :1].sum(axis=1)
    height[one_kind] = totes * (special.xlogy(p, p) + special.xlog1py(1.0 - p, -p))
    return mean, rho, height


def _climbed(series: _Series, mean: Array) -> tuple[Array, Array]:
    """The highest of correlation 0 and of two climbs.

    Where totes have unequal sizes the likelihood may fall from correlation 0 and yet be highest
    farther on (two totes with 1 of 1 and 1 of 14 pieces), so one climb starts from there.
    """
    best, top = np.stack([mean, np.zeros_like(mean)]), series.height(mean, np.zeros_like(mean))
    for start in _STARTS:
        at, height = _climb(series, np.stack([special.logit(mean), np.full_like(mean, start)]))
        higher = height > top + 1e-12 * np.abs(top)
        best[:, higher], top[higher] = (
            np.stack([special.expit(at[0]), np.exp(at[1])])[:, higher],
            height[higher],
        )
    return best[0], best[1] / (1.0 + best[1])


def _climb(series: _Series, at: Array) -> tuple[Array, Array]:
    """Damped Newton steps in the log odds of the mean and the logarithm of the spread."""
    height = series.height(special.expit(at[0]), np.exp(at[1]))
    step = _newton_step(series, at)
    left = np.ones(height.shape, dtype=np.bool_)
    for _ in range(_CLIMBS):
        mine = series.only(left)
        tried = at[:, left] + step[:, left]
        reached = mine.height(special.expit(tried[0]), np.exp(tried[1]))
        gains = reached >= height[left] - 1e-13 * np.abs(height[left])
        moved = np.flatnonzero(left)[gains]
        at[:, moved], height[moved] = tried[:, gains], reached[gains]
        step[:, np.flatnonzero(left)[~gains]] /= 4.0
        done = (np.abs(step).max(axis=0) < 1e-9) | (at[1] < _NOTHING)
        step[:, moved] = _newton_step(series.only(_rows(moved, left.size)), at[:, moved])
        left &= ~done
        if not left.any():
            break
    return at, height


def _rows(places: NDArray[np.intp], size: int) -> NDArray[np.bool_]:
    rows = np.zeros(size, dtype=np.bool_)
    rows[places] = True
    return rows


def _newton_step(series: _Series, at: Array) -> Array:
    """The step to the top of the parabola, or up the slope where it opens upwards."""
    mean, spread = special.expit(at[0]), np.exp(at[1])
    h, m = _sums(series.hits, mean, spread), _sums(series.misses, 1.0 - mean, spread)
    a = _sums(series.all_, np.ones_like(mean), spread)
    width = mean * (1.0 - mean)
    up_mean, up_spread = (h[0] - m[0]) * width, (h[1] + m[1] - a[1]) * spread
    mm = -(h[2] + m[2]) * width**2 + up_mean * (1.0 - 2.0 * mean)
    ms = -(h[3] - m[3]) * width * spread
    ss = -(h[4] + m[4] - a[4]) * spread**2 + up_spread
    bend = mm * ss - ms * ms
    peaked = (mm < 0.0) & (bend > 0.0)
    bend = np.where(peaked, bend, 1.0)
    step = np.stack([(ms * up_spread - ss * up_mean), (ms * up_mean - mm * up_spread)]) / bend
    slope = np.stack([up_mean / (np.abs(mm) + 1e-300), up_spread / (np.abs(ss) + 1e-300)])
    step = np.where(peaked, step, slope)
    return np.asarray(step * np.minimum(1.0, _STRIDE / (np.abs(step).max(axis=0) + 1e-300)))


def _sums(tails: Array, start: Array, spread: Array) -> tuple[Array, ...]:
    """Sums over k of tail/d, k tail/d, tail/d^2, k tail/d^2, k^2 tail/d^2; d = start + k spread."""
    k = np.arange(tails.shape[1], dtype=np.float64)
    part = 1.0 / (start[:, np.newaxis] + spread[:, np.newaxis] * k)
    once = tails * part
    twice = once * part
    return once.sum(axis=1), once @ k, twice.sum(axis=1), twice @ k, twice @ (k * k)


def _logs(tails: Array, start: Array, spread: Array) -> Array:
    k = np.arange(tails.shape[1], dtype=np.float64)
    with np.errstate(divide="ignore"):
        terms = np.log(start[:, np.newaxis] + spread[:, np.newaxis] * k)
    terms[tails == 0.0] = 0.0  # not there, whatever its logarithm
    return np.asarray(np.einsum("sk,sk->s", tails, terms))


def _crossing(series: _Series, mean: Array, rho: Array, bar: Array, *, end: float) -> Array:
    """Where the profile between the maximum and an end falls below the bar; the end, if nowhere."""
    inside = np.arcsin(np.sqrt(rho))
    outside = np.full_like(inside, np.arcsin(np.sqrt(end)))
    edge = np.minimum(outside, np.pi / 2.0 - 1e-6)
    held = _profile(series, mean, edge) >= bar
    outside = np.where(held, inside, edge)
    for _ in range(40):
        middle = (inside + outside) / 2.0
        high = _profile(series, mean, middle) >= bar
        inside, outside = np.where(high, middle, inside), np.where(high, outside, middle)
    return np.where(held, end, np.sin(inside) ** 2)


def _profile(series: _Series, mean: Array, angle: Array) -> Array:
    """Log-likelihood at a correlation, the mean at its best there (it is concave in the mean)."""
    spread = np.tan(angle) ** 2
    low, high = np.zeros_like(mean), np.ones_like(mean)
    for _ in range(60):
        hits = _sums(series.hits, mean, spread)
        misses = _sums(series.misses, 1.0 - mean, spread)
        slope, bend = hits[0] - misses[0], hits[2] + misses[2]
        low, high = np.where(slope > 0.0, mean, low), np.where(slope > 0.0, high, mean)
        tried = mean + slope / bend
        tried = np.where((tried > low) & (tried < high), tried, (low + high) / 2.0)
        if (np.abs(tried - mean) <= 1e-12 * mean).all():
            break
        mean = tried
    return series.height(mean, spread)


_CLIMBS = 200
_STARTS = (np.log(0.01), np.log(0.5))
_NOTHING = np.log(1e-9)
_STRIDE = 2.0
