"""How long a chart runs before it signals, and the limit that gives a wanted run length.

A CUSUM's run is followed by a Markov chain on an even grid of its sum. A score that falls between
two grid points is shared between them so that its mean is kept; with 256 points the average run
length is within 0.6 % of that on a finer grid where sizes vary or totes differ. For audits of one
size and correlation 0 the run length is a step function of the limit; there the grid is fitted to
the scores, and of 18 designs tried 16 came within 1.1 %, the others within 3 %. A limit is
always reported with the average run length it attains. Sizes of audits are drawn, each tote anew,
from those given.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import linalg, special

from qa._validate import checked_level, checked_positive, checked_whole
from qa.charts.attribute import ControlChart
from qa.charts.beta_binomial import (
    beta_binomial,
    checked_correlation,
    checked_shift,
    log_ratio,
)
from qa.errors import InvalidInput

Floats = NDArray[np.float64]
_STATES = 256
_QUANTILES = (0.05, 0.25, 0.5, 0.75, 0.95)


@dataclass(frozen=True, slots=True)
class RunLength:
    """Totes until a chart signals, counting the one that signals, from a fresh start.

    Attributes
    ----------
    mean : average run length (ARL)
    sd : standard deviation
    quantiles : for 0.05, 0.25, 0.5, 0.75, 0.95, the first tote by which the chart has signalled
        with at least that chance
    """

    mean: float
    sd: float
    quantiles: Mapping[float, float]


@dataclass(frozen=True, slots=True)
class CusumLimit:
    """A CUSUM's limit, with the chart it belongs to.

    Attributes
    ----------
    limit : a sum above it signals
    arl : average run length (totes) that it attains at `center`
    center, ratio : what the sum's scores hold against each other: center, and ratio x center
    """

    limit: float
    arl: float
    center: float
    ratio: float


@dataclass(frozen=True, slots=True, eq=False)
class _Scores:
    """What one tote may add to the sum: scores and their chances, flat arrays of one length."""

    score: Floats
    chance: Floats


def cusum_limit(
    inspected_sizes: ArrayLike,
    *,
    center: float,
    correlation: float = 0.0,
    ratio: float = 2.0,
    arl: float = 500.0,
    states: int = _STATES,
) -> CusumLimit:
    """Limit of a log-likelihood-ratio CUSUM for a wanted in-control average run length.

    Parameters
    ----------
    inspected_sizes : array_like of int
        Sample sizes as they come, with repeats: each future audit is taken to be one of these.
    center : float, between 0 and 1
        Baseline fraction, taken as known; `guarded_limit` allows for its being an estimate.
    correlation : float, from 0, below 1
        Intra-class correlation of pieces in one tote.
    ratio : float
        The change to find, as a factor of the center: 2 a doubling, 0.5 a halving.
    arl : float, above 1
        Totes between false alarms wanted on average.
    states : int
        Points of the grid from 0 to the largest limit that can be needed.

    Returns
    -------
    CusumLimit
        The smallest limit on the grid that attains `arl`, and what it attains.

    Notes
    -----
    The sum of log-likelihood ratios needs no limit above log(arl) (Lorden 1971), so one chain
    reaches far enough; the leading blocks of its factors are the factors of every shorter chain,
    so that one factoring gives the run length of every limit.

    References
    ----------
    Page (1954), Biometrika 41, 100-115; Brook & Evans (1972), Biometrika 59, 539-549; Lorden
    (1971), Annals of Mathematical Statistics 42, 1897-1908.

    Examples
    --------
    >>> found = cusum_limit([200], center=0.01, correlation=0.01, arl=500)
    >>> round(found.limit, 1), round(found.arl)
    (4.2, 501)
    """
    if np.ndim(arl) != 0 or not 1 < arl < np.inf:
        raise InvalidInput(f"arl must be one number above 1, got {arl!r}")
    scores = _scores(inspected_sizes, center, correlation, ratio, None)
    span, attained = float(np.log(arl)), np.zeros(1)
    while attained[-1] < arl:  # again only where the grid is too coarse for Lorden's bound
        step = span / _fitting(scores, span, np.linspace(states - 0.5, 1.5 * states, _FITS))
        attained = _arl_of_every_limit(_grid_chances(scores, step, int(np.ceil(span / step))))
        span *= 1.25
    at = int(np.searchsorted(attained, arl))
    return CusumLimit(float((at + 0.5) * step), float(attained[at]), float(center), float(ratio))


def guarded_limit(
    inspected_sizes: ArrayLike,
    *,
    center: float,
    effective_n: float,
    correlation: float = 0.0,
    ratio: float = 2.0,
    arl: float = 500.0,
    assurance: float = 0.9,
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

    Parameters
    ----------
    inspected_sizes, center, correlation, ratio, arl
        As for `cusum_limit`; `center` is the estimate.
    effective_n : float, above 0
        Pieces the baseline is worth: inspected over the design effect.
    assurance : float, between 0 and 1
        Chance that the true in-control average run length is at least `arl`.

    Returns
    -------
    CusumLimit
        Chart with its own `center` and `ratio`, not those given here; at the estimate itself its
        average run length is longer than the one it states.

    References
    ----------
    Gandy & Kvaloy (2013), Scandinavian Journal of Statistics 40, 647-668 (there by bootstrap, on
    the limit alone); Moustakides (1986), Annals of Statistics 14, 1379-1387 (quickest).

    Examples
    --------
    >>> watch = guarded_limit([200], center=0.01, effective_n=5_000, correlation=0.01)
    >>> round(watch.center, 4), round(watch.ratio * watch.center, 4), round(watch.limit, 1)
    (0.0119, 0.02, 3.9)
    """
    n = float(checked_positive(effective_n, "effective_n"))
    level = checked_level(assurance, "assurance")
    base, factor = checked_shift(center, ratio)
    incorrect, correct = base * n + 0.5, (1 - base) * n + 0.5
    worst = float(special.betaincinv(incorrect, correct, level if factor > 1 else 1 - level))
    farther = max if factor > 1 else min
    left = farther(factor * base / worst, float(np.sqrt(factor)))
    return cusum_limit(inspected_sizes, center=worst, correlation=correlation, ratio=left, arl=arl)


def cusum_run_length(
    inspected_sizes: ArrayLike,
    *,
    center: float,
    limit: float,
    correlation: float = 0.0,
    ratio: float = 2.0,
    rate: float | None = None,
    states: int = _STATES,
) -> RunLength:
    """Run length of a log-likelihood-ratio CUSUM that signals above `limit`.

    Parameters
    ----------
    inspected_sizes, center, correlation, ratio, states
        As for `cusum_limit`.
    limit : float, above 0
    rate : float, optional
        True fraction while the chart runs; by default the center, that is in control.

    Returns
    -------
    RunLength

    Examples
    --------
    >>> run = cusum_run_length([200], center=0.01, correlation=0.01, limit=4.16, rate=0.02)
    >>> round(run.mean, 1)
    14.6
    """
    top = float(checked_positive(limit, "limit"))
    scores = _scores(inspected_sizes, center, correlation, ratio, rate)
    steps = _fitting(scores, top, np.arange(states, 2 * states) - 0.5)
    return _run_length(_chain(_grid_chances(scores, top / steps, int(steps + 0.5))))


def shewhart_run_length(
    chart: ControlChart,
    *,
    rate: float,
    correlation: float = 0.0,
    model: str = "binomial",
) -> RunLength:
    """Run length of a chart that judges each audit alone, its sizes drawn from the chart's own.

    Parameters
    ----------
    chart : ControlChart
        A p or np chart, or with model "poisson" a c or u chart.
    rate : float
        True fraction of pieces (or defects a unit) while the chart runs.
    correlation : float, from 0, below 1
        True intra-class correlation of pieces in one tote.
    model : {"binomial", "poisson"}
        "binomial" with a correlation is beta-binomial.

    Returns
    -------
    RunLength
        Geometric: the chance of a signal is the same at every tote.
    """
    if model == "poisson":
        mean = float(checked_positive(rate, "rate")) * chart.inspected
        low = np.where(chart.least > 0, special.gammaincc(np.maximum(chart.least, 1), mean), 0.0)
        chance = float((low + special.gammainc(chart.most + 1, mean)).mean())
    elif model == "binomial":
        chance = _signal_chance(chart, checked_level(rate, "rate"), correlation)
    else:
        raise InvalidInput(f'model must be one of binomial, poisson, got "{model}"')
    return _geometric(chance)


def _signal_chance(chart: ControlChart, rate: float, correlation: float) -> float:
    ends, times = np.unique(
        np.stack([chart.inspected, chart.least, chart.most]).astype(np.int64),
        axis=1,
        return_counts=True,
    )
    law = beta_binomial(rate, checked_correlation(correlation), int(ends[0].max()))
    chances = [
        chance[:least].sum() + chance[most + 1 :].sum()
        for n, least, most in ends.T
        for chance in law.chances(np.array([n]))
    ]
    return float(np.average(chances, weights=times))


def _geometric(chance: float) -> RunLength:
    if chance <= 0:
        return RunLength(np.inf, np.inf, dict.fromkeys(_QUANTILES, np.inf))
    stay = np.log1p(-chance) if chance < 1 else -np.inf
    quantiles = {q: max(float(np.ceil(np.log1p(-q) / stay)), 1.0) for q in _QUANTILES}
    return RunLength(1 / chance, float(np.sqrt(max(1 - chance, 0))) / chance, quantiles)


def _scores(
    inspected_sizes: ArrayLike, center: float, correlation: float, ratio: float, rate: float | None
) -> _Scores:
    sizes = checked_whole(inspected_sizes, "inspected_sizes", least=1).ravel()
    if sizes.size == 0:
        raise InvalidInput("inspected_sizes must hold one size or more, got none")
    base, factor = checked_shift(center, ratio)
    rho = checked_correlation(correlation)
    true = base if rate is None else checked_level(rate, "rate")
    n, times = np.unique(sizes.astype(np.int64), return_counts=True)
    law = beta_binomial(true, rho, int(n.max()))
    chance = law.chances(n)
    row, count = np.nonzero(chance > _NEVER)
    score = log_ratio(count, n[row], center=base, ratio=factor, correlation=rho)
    return _Scores(score, chance[row, count] * times[row] / sizes.size)


_NEVER = 1e-18  # a count less likely than this changes no run length anyone waits for


def _fitting(scores: _Scores, length: float, steps: NDArray[np.floating]) -> float:
    """Number of steps, of those offered, into which to divide `length`.

    Audits of one size, alike within, give sums on a lattice of their own, and run lengths then
    come in jumps; the grid follows them if the scores lie near its points. Where sizes vary the
    sums lie everywhere, and the first number does.
    """
    if scores.score.size > _FEW:
        return float(steps[0])
    moves = scores.score * (steps / length)[:, np.newaxis]
    misses = np.abs(moves - np.rint(moves)) @ scores.chance
    return float(steps[np.argmin(misses)])


_FEW, _FITS = 300, 2000


def _grid_chances(scores: _Scores, step: float, states: int) -> Floats:
    """Chance of each move on the grid, from -states to +states + 1 steps, longer ones cut."""
    moves = np.clip(scores.score / step, -states, states)
    down = np.floor(moves)
    up_share = moves - down
    at = down.astype(np.int64) + states
    length = 2 * states + 2
    moved = np.zeros(length)
    moved += np.bincount(at, scores.chance * (1 - up_share), length)
    moved += np.bincount(at + 1, scores.chance * up_share, length)
    return moved


def _chain(moves: Floats) -> Floats:
    """Chances of passing between the sums 0, 1, ... steps; a row's missing part signals."""
    states = moves.size // 2 - 1
    place = np.arange(states)
    chain: Floats = moves[states + place - place[:, np.newaxis]]
    chain[:, 0] = np.cumsum(moves)[states - place]  # below 0 the sum starts afresh
    return chain


def _arl_of_every_limit(moves: Floats) -> Floats:
    """Average run length from 0 when the sum may stay in the first 1, 2, 3, ... grid points."""
    chain = _chain(moves)
    # Transposed, the columns are diagonally dominant, so partial pivoting exchanges no rows; the
    # leak, far below any run length's digits, keeps rounding from making them tie.
    leaky = (1 - 1e-13) * chain
    factors, _ = linalg.lu_factor((np.eye(len(chain)) - leaky).T, check_finite=False)
    start = np.zeros(len(chain))
    start[0] = 1.0
    visits = linalg.solve_triangular(
        factors, start, lower=True, unit_diagonal=True, check_finite=False
    )
    weights = linalg.solve_triangular(factors, np.ones(len(chain)), trans="T", check_finite=False)
    return np.cumsum(visits * weights)


def _run_length(chain: Floats) -> RunLength:
    """Moments by the fundamental matrix, quantiles by stepping the chain until it is geometric."""
    factors = linalg.lu_factor(np.eye(len(chain)) - chain, check_finite=False)
    first = linalg.lu_solve(factors, np.ones(len(chain)), check_finite=False)
    second = 2 * linalg.lu_solve(factors, first, check_finite=False) - first
    mean = float(first[0])
    spread = max(float(second[0]) - mean**2, 0.0)
    return RunLength(mean, float(np.sqrt(spread)), _quantiles(chain))


def _quantiles(chain: Floats) -> dict[float, float]:
    """Steps the chain until the sum's distribution among the runs alive stands still."""
    here = np.zeros(len(chain))
    here[0] = 1.0
    alive = [1.0]
    while alive[-1] > 1 - _QUANTILES[-1]:
        after = here @ chain
        alive.append(float(after.sum()))
        still = np.abs(after / alive[-1] - here / alive[-2]).max() < 1e-12
        here = after
        if still:
            break
    ratio = alive[-1] / alive[-2]
    return {q: _first_below(np.array(alive), ratio, 1 - q) for q in _QUANTILES}


def _first_below(alive: Floats, ratio: float, level: float) -> float:
    """First tote at which at most `level` of the runs are alive, falling on by `ratio`."""
    if alive[-1] <= level:
        return float(np.argmax(alive <= level))
    return float(alive.size - 1 + np.ceil(np.log(level / alive[-1]) / np.log(ratio)))
