"""Some totes against the others at one mix of strata: both sides have the same lanes and weeks."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from qa._validate import checked_counts
from qa.compare.rates import Comparison, joined_ratio
from qa.errors import InvalidInput
from qa.intervals.clustered import Estimate, clustered

Floats = NDArray[np.float64]
_Sides = tuple[NDArray[np.bool_], NDArray[np.bool_]]


@dataclass(frozen=True, slots=True, eq=False)
class Standardised:
    """Two fractions at one mix of strata, and their ratio.

    Attributes
    ----------
    first, other : Estimate
        Of the totes marked and of the others, over the strata that both have.
    ratio : Comparison
        The first over the other; arrays of no dimension.
    left_out : int
        Totes of either side in strata that the other side lacks: not used.
    """

    first: Estimate
    other: Estimate
    ratio: Comparison
    left_out: int


def standardised(
    count: ArrayLike,
    inspected: ArrayLike,
    first: ArrayLike,
    *,
    stratum: ArrayLike | None = None,
    confidence: float = 0.95,
    correlation: float = 0.01,
) -> Standardised | None:
    """Ratio of two fractions by direct standardisation, each tote a cluster.

    Either side's fraction is the mean of its strata's fractions with the same weights for both:
    m M / (m + M), of m totes of the one side and M of the other in the stratum, so that a stratum
    bears on the answer as far as both sides know it. What strata differ by therefore cancels.

    The limits of each are Korn & Graubard's, joined as a ratio as Newcombe joins Wilson's. The
    p-value, two-sided, is that of the first side's share in the pieces found on both, given how
    many there are (a binomial test), which holds for few pieces also, where the normal law does
    not. Counts are over design effects: the larger of a side's own, with its degrees of freedom,
    and of that from the spread of all totes around their strata, as if both sides were alike. A
    side of few totes alone knows its spread too badly; this errs on the careful side.

    Parameters
    ----------
    count, inspected : array_like of int, one value a tote
    first : array_like of bool, one a tote
        Which totes are held against the others.
    stratum : array_like, one label a tote, optional
        Such as lane and week; all totes are one stratum without it.
    confidence : float, between 0 and 1
    correlation : float, 0 to 1
        Intra-tote correlation to discount the pieces with, when totes cannot show it.

    Returns
    -------
    Standardised or None
        None when no stratum holds totes of both sides. With no piece of the kind on the other
        side the ratio is infinite, with none on either nan.

    Raises
    ------
    InvalidInput
        If a count is not from 0 to inspected, or marks or labels do not match totes.

    References
    ----------
    Mantel & Haenszel (1959), JNCI 22, 719-748 (weights); Korn & Graubard (1998), Survey
    Methodology 24, 193-201; Fagerland & Newcombe (2013), Statistics in Medicine 32, 2823-2836
    (limits of the ratio); Przyborowski & Wilenski (1940), Biometrika 31, 313-323 (the test); Rao &
    Scott (1992), Biometrics 48, 577-585 (counts over design effects).

    Examples
    --------
    >>> found = standardised([9, 2, 7, 1, 3, 0], [200] * 6, [1, 1, 1, 0, 0, 0])
    >>> round(float(found.ratio.estimate), 2)
    4.5
    """
    x, n = (np.atleast_1d(values) for values in checked_counts(count, inspected))
    mine, labels = _checked_totes(x, first, stratum)
    strata = int(labels.max(initial=-1)) + 1
    here, there = (np.bincount(labels[side], minlength=strata) for side in (mine, ~mine))
    both = here * there / np.maximum(here + there, 1)
    if not both.any():
        return None
    used = both[labels] > 0
    sides = mine & used, ~mine & used
    weight = {int(at): float(both[at]) for at in np.flatnonzero(both)}
    one, two = (
        clustered(
            x[side],
            n[side],
            stratum=labels[side],
            weight=weight,
            confidence=confidence,
            correlation=correlation,
        )
        for side in sides
    )
    alike = _sizes_if_alike(x, n, labels, sides, both / both.sum())
    worth = (min(each.effective_n, size) for each, size in zip((one, two), alike, strict=True))
    return Standardised(one, two, _ratio(one, two, *worth), int((~used).sum()))


def _sizes_if_alike(
    x: Floats, n: Floats, labels: NDArray[np.intp], sides: _Sides, share: Floats
) -> list[float]:
    """Effective sizes if both sides are alike: the spread of totes is that of both together."""
    strata, used = share.size, sides[0] | sides[1]

    def added(values: Floats, at: NDArray[np.bool_]) -> Floats:
        return np.bincount(labels[at], values[at], minlength=strata).astype(np.float64)

    with_some = share > 0
    count, pieces = added(x, used), added(n, used)
    level = np.divide(count, pieces, out=np.zeros(strata), where=with_some)
    apart = (x - level[labels] * n) ** 2
    totes = [added(np.ones_like(x), side) for side in sides]
    spread = np.divide(added(apart, used), sum(totes) - 1.0, out=np.zeros(strata), where=with_some)
    p = float(share @ level)
    sizes = []
    for side, m in zip(sides, totes, strict=True):
        of_mean = np.divide(m * spread, added(n, side) ** 2, out=np.zeros(strata), where=with_some)
        variance = float(share**2 @ of_mean)
        sizes.append(p * (1.0 - p) / variance if variance > 0 else np.inf)
    return sizes


def _checked_totes(
    x: Floats, first: ArrayLike, stratum: ArrayLike | None
) -> tuple[NDArray[np.bool_], NDArray[np.intp]]:
    """Which totes are of the first side, and each tote's stratum by number."""
    if x.ndim != 1:
        raise InvalidInput(f"count must be one value a tote, got an array of {x.ndim} dimensions")
    mine = np.asarray(first).astype(np.bool_)
    named = np.zeros(x.size, dtype=np.int64) if stratum is None else np.asarray(stratum)
    for name, values in (("first", mine), ("stratum", named)):
        if values.shape != x.shape:
            raise InvalidInput(f"{name} must have {x.size} values, one a tote, got {values.size}")
    return mine, np.unique(named, return_inverse=True)[1]


def _ratio(one: Estimate, two: Estimate, n: float, m: float) -> Comparison:
    ends = [(each.interval.estimate, each.interval.low, each.interval.high) for each in (one, two)]
    p, q = ends[0][0], ends[1][0]
    estimate = np.divide(p, q, out=np.asarray(np.where(p > 0, np.inf, np.nan)), where=q > 0)
    low, high = joined_ratio(*ends[0], *ends[1])
    p_value = share_p_value(float(p), n, float(q), m)
    confidence = one.interval.confidence
    return Comparison(estimate, low, high, np.asarray(p_value), confidence, "standardised")


def share_p_value(p: float, n: float, q: float, m: float) -> float:
    """Twice the smaller tail of Binomial(x + y, n / (n + m)) at x = p n, where y = q m.

    Counts need not be whole: the tails are those of the beta function.

    Examples
    --------
    >>> round(share_p_value(0.02, 100.0, 0.06, 100.0), 4)  # 2 and 6: 2 * 37 / 256
    0.2891
    """
    x, y, share = p * n, q * m, n / (n + m)
    at_least = special.betainc(x, y + 1.0, share) if x > 0 else 1.0
    at_most = special.betaincc(x + 1.0, y, share) if y > 0 else 1.0
    return min(1.0, 2.0 * float(min(at_least, at_most)))
