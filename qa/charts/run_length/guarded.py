"""The CUSUM's limit where the level that it is held against is an estimate, as it always is."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from qa._validate import checked_level, checked_positive, one_whole
from qa.charts.beta_binomial import checked_shift
from qa.charts.run_length.cusum import CusumLimit, checked_arl, cusum_limit
from qa.charts.run_length.grid import (
    STATES,
    Watch,
    arl_of_every_limit,
    checked_watch,
    grid_chances,
    scores_of,
)

Floats = NDArray[np.float64]


def guarded_limit(
    inspected_sizes: ArrayLike,
    *,
    center: float,
    effective_n: float,
    correlation: float = 0.0,
    ratio: float = 2.0,
    arl: float = 500.0,
    assurance: float = 0.9,
    charts: int = 1,
    alarms: float | None = None,
) -> CusumLimit:
    """CUSUM that keeps its in-control run length although the baseline is only an estimate.

    After a baseline worth `effective_n` pieces the true fraction has the posterior
    Beta(center n + 1/2, (1 - center) n + 1/2). The larger the fraction, the sooner a rise is
    signalled, run by run, so the run length is monotone in it: what holds at the posterior's
    `assurance` quantile holds with at least that chance over the posterior, and no draws are
    needed. (For a fall it is the lower quantile.) So the quantile takes the center's place and
    the changed fraction stays ratio x the estimate, which makes this the quickest CUSUM with that
    assurance; where the baseline is so short that the quantile comes close to it, a change of at
    least the root of `ratio` from the quantile is looked for. The correlation is taken as known:
    pool it over lanes.

    Where many charts share one budget, the promise is about all of them together. Their
    baselines err apart from each other, so the limit need not be as high: it is the lowest at
    which the mean rate of false alarms, of so many charts like this one, is within 1 / `arl` with
    that assurance. `arl` of the answer is then 1 over the rate expected of one of them.

    People see no rates; they count alarms. However well levels are known, of charts that have on
    average as many false alarms as they may, every second floor has more within half a year, by
    chance alone. With `alarms` the promise is about the count over a time that allows so many: it
    is kept with the assurance, the chance in counting (Poisson) and the baselines' together.

    Parameters
    ----------
    inspected_sizes, center, correlation, ratio, arl
        As for `cusum_limit`; `center` is the estimate.
    effective_n : float, above 0
        Pieces the baseline is worth: inspected over the design effect.
    assurance : float, between 0 and 1
        Chance that the true in-control average run length is at least `arl`; of many charts, that
        of all their totes to all their false alarms.
    charts : int, 1 or more
        Charts that share the promise.
    alarms : float, above 0, optional
        False alarms that the promise allows all these charts together in the time over which
        they are counted; by default the promise is about the rate.

    Returns
    -------
    CusumLimit
        Chart with its own `center` and `ratio`, not those given here; at the estimate itself its
        average run length is longer than the one it states.

    References
    ----------
    Gandy & Kvaloy (2013), Scandinavian Journal of Statistics 40, 647-668 (there by bootstrap, on
    the limit alone); Moustakides (1986), Annals of Statistics 14, 1379-1387 (quickest); Fenton
    (1960), IRE Transactions on Communications Systems 8, 57-67 (sums of log-normal values).

    Examples
    --------
    >>> watch = guarded_limit([200], center=0.01, effective_n=5_000, correlation=0.01)
    >>> round(watch.center, 4), round(watch.ratio * watch.center, 4), round(watch.limit, 1)
    (0.0119, 0.02, 3.9)
    >>> many = guarded_limit([200], center=0.01, effective_n=5_000, correlation=0.01, charts=18)
    >>> round(many.center, 4), round(many.limit, 1)
    (0.0119, 3.4)
    >>> counted = guarded_limit(
    ...     [200], center=0.01, effective_n=5_000, correlation=0.01, charts=18, alarms=5
    ... )
    >>> round(counted.limit, 1)
    3.6
    """
    level, sharing = checked_level(assurance, "assurance"), one_whole(charts, "charts", least=1)
    worst, left = guarded_change(center, effective_n, ratio, assurance=level)
    posterior = _posterior(center, effective_n)
    if sharing == 1 and alarms is None:
        return cusum_limit(
            inspected_sizes, center=worst, correlation=correlation, ratio=left, arl=arl
        )
    watch = checked_watch(inspected_sizes, worst, correlation, left, "binomial")
    counted = np.inf if alarms is None else float(checked_positive(alarms, "alarms"))
    promise = _Promise(checked_arl(arl), float(special.ndtri(level)), sharing, counted)
    return CusumLimit(*_shared(watch, posterior, promise), worst, left)


def guarded_change(
    center: float, effective_n: float, ratio: float, *, assurance: float = 0.9
) -> tuple[float, float]:
    """The center and the ratio of the scores that `guarded_limit` has a limit for."""
    n = float(checked_positive(effective_n, "effective_n"))
    base, factor = checked_shift(center, ratio)
    at = assurance if factor > 1 else 1 - assurance
    worst = float(special.betaincinv(*_posterior(base, n), at))
    farther = max if factor > 1 else min
    return worst, farther(factor * base / worst, float(np.sqrt(factor)))


def _posterior(center: float, n: float) -> tuple[float, float]:
    return center * n + 0.5, (1 - center) * n + 0.5


@dataclass(frozen=True, slots=True)
class _Promise:
    """A run length, the normal quantile of its assurance, the charts that share it, alarms."""

    arl: float
    z: float
    charts: int
    alarms: float


def _shared(watch: Watch, posterior: tuple[float, float], promise: _Promise) -> tuple[float, float]:
    """Smallest limit that keeps a shared promise, and the run length it has over the posterior.

    The rate of false alarms has its moments over the posterior from a few levels (Gauss-Hermite
    points of the normal score); the mean of many charts' rates, as counted, is taken for
    log-normal with these.
    """
    z, weight = _POINTS
    levels = special.betaincinv(*posterior, special.ndtr(z if watch.shift.ratio > 1 else -z))
    laws = [replace(watch.shift.law, rate=float(level)) for level in levels]
    scores = [scores_of(watch, law) for law in laws]
    span, likely = float(np.log(promise.arl)), np.array([np.inf])
    while likely[-1] * promise.arl > 1:
        step = span / (STATES - 0.5)
        moves = [grid_chances(each, step, STATES) for each in scores]
        rates = np.array([1 / arl_of_every_limit(each) for each in moves])
        mean = weight @ rates
        varied = (weight @ rates**2 / mean**2 - 1) / promise.charts
        spread = np.log1p(varied + 1 / (promise.alarms * promise.arl * mean))
        likely = mean * np.exp(promise.z * np.sqrt(spread) - spread / 2)
        span *= 1.25
    at = int(np.argmax(likely * promise.arl <= 1))
    return float((at + 0.5) * step), float(1 / mean[at])


def _points() -> tuple[Floats, Floats]:
    """Points and weights of the normal score; the far one where none signals is left out."""
    z, weight = np.polynomial.hermite_e.hermegauss(5)
    return z[1:], (weight / weight.sum())[1:]


_POINTS = _points()
