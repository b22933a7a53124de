"""Many comparisons at once: adjusted p-values, funnel limits, and shares of a total."""

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
from qa.errors import InvalidInput

Floats = NDArray[np.float64]


def adjusted(p_value: ArrayLike, *, method: str = "holm") -> Floats:
    """P-values that allow for how many there are.

    Parameters
    ----------
    p_value : array_like of fractions, one family
    method : {"holm", "benjamini_hochberg"}
        "holm" bounds the chance of any false finding; "benjamini_hochberg" the expected share of
        false ones among those found.

    Returns
    -------
    array
        In the order given; found are those at or below the level wanted.

    References
    ----------
    Holm (1979), Scandinavian Journal of Statistics 6, 65-70. Benjamini & Hochberg (1995), JRSS B
    57, 289-300.

    Examples
    --------
    >>> adjusted([0.01, 0.04, 0.03]).round(3).tolist()
    [0.03, 0.06, 0.06]
    """
    p = np.atleast_1d(checked_fraction(p_value, "p_value"))
    if p.ndim != 1:
        raise InvalidInput(f"p_value must be one family, got an array of {p.ndim} dimensions")
    order = np.argsort(p, kind="stable")
    found = np.empty_like(p)
    found[order] = np.minimum(chosen(_STEPS, "method", method)(p[order]), 1.0)
    return found


def _holm(p: Floats) -> Floats:
    return np.maximum.accumulate(p * np.arange(p.size, 0, -1))


def _benjamini_hochberg(p: Floats) -> Floats:
    raised: Floats = p * p.size / np.arange(1, p.size + 1)
    return np.minimum.accumulate(raised[::-1])[::-1]


_STEPS: dict[str, Callable[[Floats], Floats]] = {
    "holm": _holm,
    "benjamini_hochberg": _benjamini_hochberg,
}


@dataclass(frozen=True, slots=True, eq=False)
class Funnel:
    """Fractions of lanes with unequal numbers of pieces, held against one level.

    Attributes
    ----------
    fraction : (L,) of each lane
    center : float, the level
    lower, upper : (L, K) limits of each lane at each confidence level
    confidence : the K levels
    p_value : (L,) of a test that the lane is at the level, two-sided (mid-P); see `adjusted`
    """

    fraction: Floats
    center: float
    lower: Floats
    upper: Floats
    confidence: tuple[float, ...]
    p_value: Floats


def funnel(
    count: ArrayLike,
    inspected: ArrayLike,
    *,
    center: float | None = None,
    confidence: tuple[float, ...] = (0.95, 0.998),
    design_effect: ArrayLike = 1.0,
) -> Funnel:
    """Funnel limits: how far a lane may be off by chance, at its own number of pieces.

    Parameters
    ----------
    count, inspected : array_like of int, a value for each lane
    center : float, between 0 and 1, optional
        The level to hold lanes against; by default all counted over all inspected.
    confidence : levels between 0 and 1
    design_effect : array_like, above 0, one or one a lane
        How much more the fraction varies than with pieces picked one by one, since totes differ:
        the limits are those of so many pieces fewer.

    Returns
    -------
    Funnel
        Limits by the binomial distribution, interpolated between counts.

    Raises
    ------
    InvalidInput
        If a count is not from 0 to inspected, or the level is not between 0 and 1.

    References
    ----------
    Spiegelhalter (2005), Statistics in Medicine 24, 1185-1202, appendix A.1.

    Examples
    --------
    >>> lanes = funnel([12, 30], [100, 100], center=0.1)
    >>> lanes.lower.round(4).tolist()[0], lanes.upper.round(4).tolist()[0]
    ([0.0404, 0.0142], [0.1577, 0.1984])
    """
    x, n = (np.atleast_1d(values) for values in checked_counts(count, inspected))
    if x.ndim != 1:
        raise InvalidInput(f"count must be one value a lane, got an array of {x.ndim} dimensions")
    p = checked_level(x.sum() / max(n.sum(), 1) if center is None else center, "center")
    levels = tuple(checked_level(level) for level in confidence)
    effect = np.broadcast_to(checked_positive(design_effect, "design_effect"), x.shape)
    worth, tails = n / effect, [(1 - level) / 2 for level in levels]
    lower = [np.maximum(_quantile(tail, worth, p), 0.0) for tail in tails]
    upper = [np.minimum(_quantile(1 - tail, worth, p), 1.0) for tail in tails]
    return Funnel(
        x / n,
        p,
        np.stack(lower, axis=-1) if tails else np.empty((x.size, 0)),
        np.stack(upper, axis=-1) if tails else np.empty((x.size, 0)),
        levels,
        _mid_p(x / effect, worth, p),
    )


def _at_most(k: Floats, n: Floats, p: float) -> Floats:
    """Chance of k or fewer of n, by the beta function, so that neither need be whole."""
    inside = (k >= 0) & (k < n)
    chance = special.betaincc(np.maximum(k, 0) + 1, np.where(inside, n - k, 1.0), p)
    return np.where(inside, chance, np.where(k < 0, 0.0, 1.0))


def _quantile(tail: float, n: Floats, p: float) -> Floats:
    """Fraction up to which `tail` of the chance lies, between counts (appendix A.1.1)."""
    sigma = np.sqrt(n * p * (1 - p))
    r = np.floor(np.maximum(n * p + float(special.ndtri(tail)) * sigma, 0.0))
    while (short := _at_most(r, n, p) <= tail).any():
        r[short] += 1
    while (long := (r > 0) & (_at_most(r - 1, n, p) > tail)).any():
        r[long] -= 1
    above, below = _at_most(r, n, p), _at_most(r - 1, n, p)
    found: Floats = (r - (above - tail) / (above - below)) / n
    return found


def _mid_p(x: Floats, n: Floats, p: float) -> Floats:
    least = (_at_most(x, n, p) + _at_most(x - 1, n, p)) / 2
    found: Floats = 2 * np.minimum(least, 1 - least)
    return found


@dataclass(frozen=True, slots=True, eq=False)
class Shares:
    """Shares of a total, each with limits that hold for all of them together.

    Attributes
    ----------
    share, low, high : of the shape of the counts
    order : places of the counts, laid flat, from the largest to the smallest
    cumulative : share of the largest, of the two largest, ... of all
    confidence : float, of all limits together
    """

    share: Floats
    low: Floats
    high: Floats
    order: NDArray[np.intp]
    cumulative: Floats
    confidence: float


def shares(count: ArrayLike, *, confidence: float = 0.95, design_effect: float = 1.0) -> Shares:
    """What part of the loss each lane and category makes (Pareto), with simultaneous limits.

    Parameters
    ----------
    count : array_like of int, any shape
        Incorrect pieces, such as a row a lane and a column a category; every piece in one cell.
    confidence : float, between 0 and 1
        That all limits hold at once.
    design_effect : float, above 0
        How much more the counts vary than pieces picked one by one, since totes differ.

    Returns
    -------
    Shares

    Raises
    ------
    InvalidInput
        If counts are not whole, or all are 0.

    References
    ----------
    Goodman (1965), Technometrics 7, 247-254.

    Examples
    --------
    >>> found = shares([[40, 5], [12, 3]])
    >>> found.order.tolist(), found.cumulative.round(3).tolist()
    ([0, 2, 1, 3], [0.667, 0.867, 0.95, 1.0])
    """
    x = np.atleast_1d(checked_whole(count, "count"))
    total = float(x.sum())
    if total == 0:
        raise InvalidInput("count must hold 1 piece or more, got none")
    level = checked_level(confidence)
    n = total / float(checked_positive(design_effect, "design_effect"))
    share = x / total
    spread = float(special.chdtri(1, (1 - level) / x.size))
    root = np.sqrt(spread * (spread + 4 * n * share * (1 - share)))
    middle, scale = spread + 2 * n * share, 2 * (n + spread)
    order = np.argsort(-x, axis=None, kind="stable")
    return Shares(
        share,
        np.where(x > 0, (middle - root) / scale, 0.0),
        np.where(x < total, (middle + root) / scale, 1.0),
        order,
        np.cumsum(share.ravel()[order]),
        level,
    )
