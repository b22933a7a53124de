"""How good at least a share of totes is: a bound on a quantile of the quality of totes."""

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from qa._validate import checked_level
from qa.intervals import beta_binomial
from qa.intervals.beta_binomial import CORRELATION_PRIOR, Joint, Prior
from qa.intervals.binomial import Interval, one_sided, tail_of
from qa.intervals.totes import sums_of_totes

Array = NDArray[np.float64]


def tote_quality(
    count: ArrayLike,
    inspected: ArrayLike,
    *,
    share: float = 0.95,
    confidence: float = 0.95,
    side: str = "lower",
    correlation_prior: Prior = CORRELATION_PRIOR,
) -> Interval:
    """The fraction of pieces of a kind that at least a share of all totes reaches.

    Each tote has a fraction of its own, beta-distributed; the posterior of the mean and the
    correlation (see `clustered`, "beta_binomial") says which distributions are likely. The bound
    is the largest fraction such that with the confidence asked at least `share` of the
    distribution lies above it.

    Parameters
    ----------
    count, inspected : array_like of int, one value a tote
    share : float, between 0 and 1
        Of the totes.
    confidence : float, between 0 and 1
    side : {"lower", "upper", "both"}
    correlation_prior : pair of float, each at least 1/2
        As for `clustered`.

    Returns
    -------
    Interval
        Arrays of no dimension; the estimate is the median of the posterior.

    Raises
    ------
    InvalidInput
        If a count is not from 0 to inspected, or an option is not one.

    References
    ----------
    Hahn & Meeker (1991), Statistical Intervals (tolerance bounds). Skellam (1948), JRSS B 10,
    257-261.

    Examples
    --------
    >>> found = tote_quality([198, 200, 197, 199, 200, 193, 199, 198], 200, share=0.9)
    >>> round(float(found.estimate), 4), round(float(found.low), 4)
    (0.9752, 0.9274)
    """
    tail = tail_of(confidence, side)
    share = checked_level(share, "share")
    prior = beta_binomial.checked_prior(correlation_prior)
    _, _, totes = sums_of_totes(count, inspected, None)
    joint = beta_binomial.joint(beta_binomial.totes_of(totes.n - totes.x, totes.n), prior)
    wanted = {"lower": (0.5, 1.0 - tail), "upper": (0.5, tail)}.get(side, (0.5, 1.0 - tail, tail))
    found = [np.array(1.0 - _exceeded_by(joint, share, chance)) for chance in wanted]
    estimate, low, high = found[0], found[1], found[-1]
    return Interval(estimate, *one_sided(low, high, side), confidence, "tote_quality", side)


def chance_of_quality(joint: Joint, share: float, incorrect: float) -> float:
    """Chance that at least a share of totes has at most a fraction of incorrect pieces."""
    return joint.chance_below(_mean_with(share, incorrect, np.sin(joint.rho) ** 2))


def _exceeded_by(joint: Joint, share: float, chance: float) -> float:
    """The fraction of incorrect pieces within which a share of totes stays with a chance.

    By false position, the end that stays weighing half, in the angle whose sine squared it is.
    """
    low, high, below, above = 0.0, np.pi / 2.0, -chance, 1.0 - chance
    for _ in range(60):
        middle = low - below * (high - low) / (above - below)
        off = chance_of_quality(joint, share, float(np.sin(middle) ** 2)) - chance
        if abs(off) < 1e-9 or high - low < 1e-10:
            break
        if off < 0.0:
            low, below, above = middle, off, above / 2.0
        else:
            high, above, below = middle, off, below / 2.0
    return float(np.sin(middle) ** 2)


def _mean_with(share: float, incorrect: float, rho: Array) -> Array:
    """For each correlation the mean at which just a share of totes stays within a fraction."""
    size = 1.0 / np.clip(rho, 1e-7, 1.0 - 1e-9) - 1.0
    low, high = np.zeros_like(rho), np.full_like(rho, np.pi / 2.0)
    for _ in range(36):
        middle = (low + high) / 2.0
        a, b = np.sin(middle) ** 2 * size, np.cos(middle) ** 2 * size
        within = special.betainc(a, b, incorrect) >= share
        low, high = np.where(within, middle, low), np.where(within, high, middle)
    return np.asarray(np.sin((low + high) / 2.0) ** 2)
