"""The fraction in totes that a sample let pass, from the very samples that decided.

What was accepted was accepted because its samples looked good, so the accepted samples alone are
too good. Taken together with those that were not, they say what totes are like, and that draws each
tote's own sample back towards the others: the selection then tells nothing more.
"""

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, special

from qa._validate import checked_counts
from qa.errors import InvalidInput
from qa.intervals.beta_binomial import (
    CORRELATION_PRIOR,
    Prior,
    checked_prior,
    halved_ends,
    joint,
    totes_of,
)
from qa.intervals.binomial import Interval, one_sided, tail_of

Array = NDArray[np.float64]
Counts = tuple[ArrayLike, ArrayLike]

_UNLIKELY = 1e-7  # of the most likely mean and correlation: left out
_FAR = 40.0  # standard deviations beyond which nothing lies
_CLOSE = 1e-11
_LEAST = 1e-12


def accepted(
    count: ArrayLike,
    inspected: ArrayLike,
    passed: ArrayLike,
    *,
    again: Counts = ((), ()),
    whole: bool = True,
    confidence: float = 0.95,
    side: str = "both",
    correlation_prior: Prior = CORRELATION_PRIOR,
) -> Interval:
    """Interval for the mean fraction of pieces of one kind in the totes that were accepted.

    Totes are beta-binomial draws, all of them, accepted or not, from one distribution (priors as
    in `clustered`). Given that distribution, what is in a tote depends on its own sample alone, and
    acceptance, which follows from samples, adds nothing. Totes that were re-sorted are no such
    draws any more: each stands for itself, with Beta(1/2, 1/2) before its sample after the re-sort.

    Parameters
    ----------
    count, inspected : array_like of int, one value a tote
        Of the first samples of every tote that was judged.
    passed : array_like of bool, one value a tote
        Whether the tote was accepted by them.
    again : pair of array_like of int, optional
        Count and inspected of totes accepted after a re-sort.
    whole : bool
        Whether a lot is a tote. Where lots hold totes that nobody audited, those accepted are taken
        for what all totes are like, accepted or not: samples of others say little of them.
    confidence : float, between 0 and 1
    side : {"both", "lower", "upper"}
    correlation_prior : pair of float

    Returns
    -------
    Interval
        The estimate is the posterior mean; each limit is a quantile of the posterior.

    Raises
    ------
    InvalidInput
        If a count is not from 0 to inspected, arrays differ in length, or no tote was accepted.

    References
    ----------
    Dawid (1994), IMS Lecture Notes 24, 211-220 (selection and the posterior; recalled).
    Gelman et al. (2013), Bayesian Data Analysis, 3rd ed., 5.3 (each unit drawn to the others).

    Examples
    --------
    >>> found = accepted([200, 199, 190, 200, 198], [200] * 5, [True, True, False, True, True])
    >>> round(float(found.estimate), 4), round(797 / 800, 4)
    (0.9947, 0.9962)
    """
    x, n = (np.atleast_1d(each).astype(np.float64) for each in checked_counts(count, inspected))
    y, k = (np.atleast_1d(each).astype(np.float64) for each in checked_counts(*again))
    let = np.atleast_1d(np.asarray(passed, dtype=bool))
    if let.shape != x.shape:
        raise InvalidInput(f"passed must have one value a tote, got {let.size} for {x.size} totes")
    if not let.any() and not y.size:
        raise InvalidInput("a tote must have been accepted, got none")
    tail = tail_of(confidence, side)
    means, spreads, weight = _of_draws(x, n, let, y.size, whole, checked_prior(correlation_prior))
    own = (y + 0.5) / (k + 1.0)
    share = 1.0 / (let.sum() + y.size)
    means = means + share * own.sum()
    spreads = spreads + share**2 * (own * (1.0 - own) / (k + 2.0)).sum()
    means = np.clip(means, _LEAST, 1.0 - _LEAST)
    size = np.maximum(means * (1.0 - means) / spreads - 1.0, _LEAST)
    shapes = (means * size, (1.0 - means) * size)
    low = _quantile(shapes, weight, tail)
    high = 1.0 - _quantile(shapes[::-1], weight, tail)
    estimate = np.array(weight @ means)
    return Interval(estimate, *one_sided(low, high, side), confidence, "accepted", side)


def _of_draws(
    x: Array, n: Array, let: NDArray[np.bool_], others: int, whole: bool, prior: Prior
) -> tuple[Array, Array, Array]:
    """Mean and variance of the accepted totes' share, for each likely mean and correlation.

    With mean m and correlation r, a tote with x of n has (m (1 - r) + r x) / (1 - r + r n). What
    lies between two means of the grid is added to the variance.
    """
    if not let.any():
        return np.zeros(1), np.zeros(1), np.ones(1)
    found = joint(totes_of(x, n), prior)
    weight = halved_ends(halved_ends(found.values).T).T
    mean, rho = np.sin(found.mean) ** 2, np.sin(found.rho)[:, np.newaxis] ** 2
    likely = weight > _UNLIKELY * weight.max()
    share = 1.0 / (let.sum() + others)
    if not whole:
        level = np.multiply.outer(mean, np.full(rho.size, share * let.sum()))
        between = np.gradient(level, axis=0) ** 2 / 12.0
        return level[likely], between[likely], weight[likely] / weight[likely].sum()
    pieces = 1.0 - rho + rho * n[let]
    slope, start = (1.0 - rho) / pieces, rho * x[let] / pieces
    means = np.multiply.outer(mean, share * slope.sum(axis=1)) + share * start.sum(axis=1)
    loose = share**2 * rho / (pieces + rho)
    spreads = (
        np.multiply.outer(mean, (loose * slope * (1.0 - 2.0 * start)).sum(axis=1))
        - np.multiply.outer(mean**2, (loose * slope**2).sum(axis=1))
        + (loose * start * (1.0 - start)).sum(axis=1)
        + np.gradient(means, axis=0) ** 2 / 12.0
    )
    return means[likely], spreads[likely], weight[likely] / weight[likely].sum()


def _quantile(shapes: tuple[Array, Array], weight: Array, tail: float) -> Any:
    """Below which the mixture of beta distributions has a chance `tail`."""
    mean = shapes[0] / (shapes[0] + shapes[1])
    spread = np.sqrt(mean * (1.0 - mean) / (shapes[0] + shapes[1] + 1.0))
    ends = (mean - _FAR * spread).min(), (mean + _FAR * spread).max()

    def beyond(value: float) -> float:
        return float(weight @ special.betainc(*shapes, value)) - tail

    low, high = np.clip(ends, 0.0, 1.0)
    return np.array(optimize.brentq(beyond, low, high, xtol=_CLOSE))
