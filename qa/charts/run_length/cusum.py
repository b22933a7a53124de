"""How long a CUSUM runs before it signals, and the limit that gives a wanted run length.

Where totes are alike and of one size the sum has a lattice of its own, and its run length is
exact (`alike`). Else it is followed by a Markov chain on an even grid: a score that falls between
two grid points is shared between them so that its mean is kept, and with 256 points the average
run length is within 0.6 % of that on a finer grid. A limit is always reported with the average
run length it attains. Sizes of audits are drawn, each tote anew, from those given.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import linalg, special

from qa._validate import checked_level, checked_positive
from qa.charts.law import (
    NEVER,
    Law,
    Shift,
    chances,
    checked_change,
    checked_law,
    checked_sizes,
    score,
)
from qa.charts.run_length import alike
from qa.charts.run_length.chain import Chain, RunLength, dense, run_length, settled, started
from qa.errors import InvalidInput

Floats = NDArray[np.float64]
_STATES = 256


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
class _Watch:
    """What is watched: the change to find, and the sizes of samples with the share of each."""

    shift: Shift
    sizes: Floats
    share: Floats


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
    model: str = "binomial",
    arl: float = 500.0,
    states: int = _STATES,
) -> CusumLimit:
    """Limit of a log-likelihood-ratio CUSUM for a wanted in-control average run length.

    Parameters
    ----------
    inspected_sizes : array_like
        Sample sizes as they come, with repeats: each future audit is taken to be one of these.
    center : float, between 0 and 1
        Baseline fraction, taken as known; `guarded_limit` allows for its being an estimate.
    correlation : float, from 0, below 1
        Intra-class correlation of pieces in one tote.
    ratio : float
        The change to find, as a factor of the center: 2 a doubling, 0.5 a halving.
    model : {"binomial", "poisson"}
        "binomial" with a correlation is beta-binomial; "poisson" counts defects, center being
        their number a unit and sizes the units, whole or not.
    arl : float, above 1
        Totes between false alarms wanted on average.
    states : int
        Points of the grid, where there is one, from 0 to the largest limit that can be needed.

    Returns
    -------
    CusumLimit
        The smallest limit (on the grid) that attains `arl`, and what it attains.

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
    (4.2, 510)
    """
    watch = _checked_watch(inspected_sizes, center, correlation, ratio, model)
    wanted = checked_arl(arl)
    reach = float(np.log(wanted))
    found = _limit_on_lattice(watch, wanted, reach) or _limit_on_grid(watch, wanted, states)
    return CusumLimit(*found, watch.shift.law.rate, watch.shift.ratio)


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
    shift = checked_change(checked_law(center, correlation, "binomial"), ratio)
    base, factor = shift.law.rate, shift.ratio
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
    model: str = "binomial",
    rate: float | None = None,
    start: str = "zero",
    states: int = _STATES,
) -> RunLength:
    """Run length of a log-likelihood-ratio CUSUM that signals above `limit`.

    Parameters
    ----------
    inspected_sizes, center, correlation, ratio, model, states
        As for `cusum_limit`.
    limit : float, above 0
    rate : float, optional
        True rate while the chart runs; by default the center, that is in control.
    start : {"zero", "steady"}
        Whether the run is counted from a fresh sum, or from one that has long run in control
        without a signal when the rate changes.

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
    watch = _checked_watch(inspected_sizes, center, correlation, ratio, model)
    law = watch.shift.law
    true = law if rate is None else checked_law(rate, correlation, model, "rate")
    chain = _lattice_chain(watch, top, true) or _grid_chain(watch, top, true, states)

    def steady() -> Floats:
        return settled(
            _lattice_chain(watch, top, law, true) or _grid_chain(watch, top, law, states)
        )

    return run_length(chain, started(start, steady))


def _checked_watch(
    inspected_sizes: ArrayLike, center: float, correlation: float, ratio: float, model: str
) -> _Watch:
    law = checked_law(center, correlation, model)
    sizes, share = checked_sizes(inspected_sizes, law)
    return _Watch(checked_change(law, ratio), sizes, share)


def checked_arl(arl: float) -> float:
    """One number above 1.

    Raises
    ------
    InvalidInput
        Otherwise.
    """
    if np.ndim(arl) != 0 or not 1 < arl < np.inf:
        raise InvalidInput(f"arl must be one number above 1, got {arl!r}")
    return float(arl)


def _lattice_chain(watch: _Watch, limit: float, law: Law, other: Law | None = None) -> Chain | None:
    """The exact chain under a law, with the states that `other` needs too."""
    if watch.sizes.size > 1:
        return None
    size, base = float(watch.sizes[0]), other or watch.shift.law
    lattice = alike.alike(watch.shift, size, law, limit)
    reach = alike.alike(watch.shift, size, base, limit)
    return alike.chain(lattice, limit, reach) if lattice and reach else None


def _limit_on_lattice(watch: _Watch, arl: float, reach: float) -> tuple[float, float] | None:
    """Smallest limit that attains `arl`, to a millionth, and what it attains: by bisection."""
    law, size = watch.shift.law, float(watch.sizes[0])
    lattice = alike.alike(watch.shift, size, law, reach) if watch.sizes.size == 1 else None
    if lattice is None:
        return None
    low, high, attained = 0.0, reach * (1 + 1e-9), alike.mean_run(lattice, reach * (1 + 1e-9))
    while high - low > 1e-6 * reach:
        middle = (low + high) / 2
        found = alike.mean_run(lattice, middle)
        low, high, attained = (low, middle, found) if found >= arl else (middle, high, attained)
    return high, attained


def _limit_on_grid(watch: _Watch, arl: float, states: int) -> tuple[float, float]:
    scores = _scores(watch, watch.shift.law)
    span, attained = float(np.log(arl)), np.zeros(1)
    while attained[-1] < arl:  # again only where the grid is too coarse for Lorden's bound
        step = span / (states - 0.5)
        attained = _arl_of_every_limit(_grid_chances(scores, step, states))
        span *= 1.25
    at = int(np.searchsorted(attained, arl))
    return float((at + 0.5) * step), float(attained[at])


def _grid_chain(watch: _Watch, limit: float, law: Law, states: int) -> Chain:
    return dense(_matrix(_grid_chances(_scores(watch, law), limit / (states - 0.5), states)))


def _scores(watch: _Watch, law: Law) -> _Scores:
    table = chances(law, watch.sizes)
    row, count = np.nonzero(table > NEVER)
    moved = score(watch.shift, count.astype(np.float64), watch.sizes[row])
    return _Scores(moved, table[row, count] * watch.share[row])


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


def _matrix(moves: Floats) -> Floats:
    """Chances of passing between the sums 0, 1, ... steps; a row's missing part signals."""
    states = moves.size // 2 - 1
    place = np.arange(states)
    chain: Floats = moves[states + place - place[:, np.newaxis]]
    chain[:, 0] = np.cumsum(moves)[states - place]  # below 0 the sum starts afresh
    return chain


def _arl_of_every_limit(moves: Floats) -> Floats:
    """Average run length from 0 when the sum may stay in the first 1, 2, 3, ... grid points."""
    chain = _matrix(moves)
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
