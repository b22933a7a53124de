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

from qa._validate import checked_positive
from qa.charts.law import Law, checked_law
from qa.charts.run_length import alike
from qa.charts.run_length.chain import (
    Chain,
    RunLength,
    dense,
    mean_run,
    run_length,
    settled,
    started,
)
from qa.charts.run_length.grid import (
    STATES,
    Scores,
    Watch,
    arl_of_every_limit,
    checked_head_start,
    checked_watch,
    grid_chances,
    matrix,
    scores_of,
    set_out,
)
from qa.errors import InvalidInput

Floats = NDArray[np.float64]


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


def cusum_limit(
    inspected_sizes: ArrayLike,
    *,
    center: float,
    correlation: float = 0.0,
    ratio: float = 2.0,
    model: str = "binomial",
    arl: float = 500.0,
    states: int = STATES,
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
    watch = checked_watch(inspected_sizes, center, correlation, ratio, model)
    wanted = checked_arl(arl)
    reach = float(np.log(wanted))
    found = _limit_on_lattice(watch, wanted, reach) or limit_on_grid(
        scores_of(watch, watch.shift.law), wanted, states
    )
    return CusumLimit(*found, watch.shift.law.rate, watch.shift.ratio)


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
    head_start: float = 0.0,
    states: int = STATES,
) -> RunLength:
    """Run length of a log-likelihood-ratio CUSUM that signals above `limit`.

    Parameters
    ----------
    inspected_sizes, center, correlation, ratio, model, states
        As for `cusum_limit`.
    limit : float, above 0
        A sum on it does not signal. On the grid half of such sums would; where sizes vary and sums
        can lie on the limit itself, ask for half of their step more.
    rate : float, optional
        True rate while the chart runs; by default the center, that is in control.
    start : {"zero", "steady"}
        Whether the run is counted from a fresh sum, or from one that has long run in control
        without a signal when the rate changes.
    head_start : float, from 0, below 1
        Share of the limit from which a fresh sum sets out; see `cusum`.

    Returns
    -------
    RunLength

    Examples
    --------
    >>> run = cusum_run_length([200], center=0.01, correlation=0.01, limit=4.16, rate=0.02)
    >>> round(run.mean, 1)
    14.6
    """
    head = checked_head_start(head_start)
    top = float(checked_positive(limit, "limit"))
    watch = checked_watch(inspected_sizes, center, correlation, ratio, model)
    law = watch.shift.law
    true = law if rate is None else checked_law(rate, correlation, model, "rate")
    lattice = _lattice_chain(watch, top, true, head=head if start == "zero" else 0.0)
    chain = lattice or _grid_chain(watch, top, true, states)

    def steady() -> Floats:
        other = _lattice_chain(watch, top, law, other=true) if lattice else None
        return settled(other or _grid_chain(watch, top, law, states))

    here = started(start, steady)
    if here is None and head and lattice is None:
        here = set_out(head, states)
    return run_length(chain, here)


def cusum_arl(
    inspected_sizes: ArrayLike, chart: CusumLimit, *, correlation: float, rate: float
) -> float:
    """Average run length of a chart whose limit is solved, from a fresh sum, at another rate."""
    watch = checked_watch(inspected_sizes, chart.center, correlation, chart.ratio, "binomial")
    law = checked_law(rate, correlation, "binomial", "rate")
    chain = _lattice_chain(watch, chart.limit, law) or _grid_chain(watch, chart.limit, law, STATES)
    return mean_run(chain)


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


def _lattice_chain(
    watch: Watch, limit: float, law: Law, *, other: Law | None = None, head: float = 0.0
) -> Chain | None:
    """The exact chain under a law, with the states that `other` needs too."""
    if watch.sizes.size > 1:
        return None
    size, base = float(watch.sizes[0]), other or watch.shift.law
    lattice = alike.alike(watch.shift, size, law, limit)
    reach = alike.alike(watch.shift, size, base, limit)
    return alike.chain(lattice, limit, reach, head * limit) if lattice and reach else None


def _limit_on_lattice(watch: Watch, arl: float, reach: float) -> tuple[float, float] | None:
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


def limit_on_grid(scores: Scores, arl: float, states: int = STATES) -> tuple[float, float]:
    """Smallest limit on the grid that attains `arl` with such scores, and what it attains."""
    span, attained = float(np.log(arl)), np.zeros(1)
    while attained[-1] < arl:  # again only where the grid is too coarse for Lorden's bound
        step = span / (states - 0.5)
        attained = arl_of_every_limit(grid_chances(scores, step, states))
        span *= 1.25
    at = int(np.searchsorted(attained, arl))
    return float((at + 0.5) * step), float(attained[at])


def _grid_chain(watch: Watch, limit: float, law: Law, states: int) -> Chain:
    return dense(matrix(grid_chances(scores_of(watch, law), limit / (states - 0.5), states)))
