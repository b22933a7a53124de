"""Confidence intervals for a fraction of pieces in one simple random sample."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from qa._validate import checked_counts, checked_level, chosen
from qa.intervals.beta_quantile import ABOVE, BELOW, FEW, beta_quantile
from qa.intervals.inverted import blaker_limits, mid_p_limits

Array = NDArray[np.float64]
Limits = Callable[[Array, Array, float], tuple[Array, Array]]


@dataclass(frozen=True, slots=True, eq=False)
class Interval:
    """A fraction and its confidence limits: arrays of one shape, all 0 to 1."""

    estimate: Array
    low: Array
    high: Array
    confidence: float
    method: str
    side: str


def binomial(
    count: ArrayLike,
    inspected: ArrayLike,
    *,
    confidence: float = 0.95,
    method: str = "exact",
    side: str = "both",
) -> Interval:
    """Interval for the fraction of pieces of one kind, from a count in one random sample.

    Parameters
    ----------
    count, inspected : array_like of int, broadcast to one shape S
        Pieces of the kind, and pieces looked at (at least 1).
    confidence : float, between 0 and 1
    method : {"exact", "wilson", "wilson_cc", "jeffreys", "mid_p", "agresti_coull", "blaker"}
        "exact" (Clopper-Pearson) and "blaker" (never wider) cover at least `confidence`. "wilson",
        "jeffreys" (equal tails, with the ends at 0 of n and n of n), "mid_p" and "agresti_coull"
        (Wilson's made wider and cut off at 0 and 1) cover it on average; "wilson_cc" has a
        continuity correction, so it is near to "exact".
    side : {"both", "lower", "upper"}
        "lower" gives a lower bound alone; the other limit is then 1 ("upper": 0). Blaker's test is
        two-sided by nature: with one side to it, it is the exact one, and so is its bound.

    Returns
    -------
    Interval
        Arrays of shape S.

    Raises
    ------
    InvalidInput
        If a count is negative, not whole, or larger than the number inspected.

    References
    ----------
    Clopper & Pearson (1934), Biometrika 26, 404-413. Wilson (1927), JASA 22, 209-212. Newcombe
    (1998), Statistics in Medicine 17, 857-872 (continuity correction, mid-P). Brown, Cai & DasGupta
    (2001), Statistical Science 16, 101-133 (Jeffreys). Agresti & Coull (1998), The American
    Statistician 52, 119-126. Blaker (2000), Canadian Journal of Statistics 28, 783-798.

    Examples
    --------
    >>> round(float(binomial(0, 20, method="wilson").high), 4)
    0.1611
    """
    limits = chosen(_LIMITS if side == "both" else _BOUNDS, "method", method)
    tail = tail_of(confidence, side)
    x, n = checked_counts(count, inspected)
    low, high = limits(x, n, tail)
    return Interval(np.asarray(x / n), *one_sided(low, high, side), confidence, method, side)


def tail_of(confidence: float, side: str) -> float:
    """The chance left beyond one limit: half of what is left when both limits are asked for."""
    return (1.0 - checked_level(confidence)) / chosen(_TAILS, "side", side)


def one_sided(low: Array, high: Array, side: str) -> tuple[Array, Array]:
    """The limits, with the one that `side` does not ask for moved to its end."""
    if side == "lower":
        return low, np.ones_like(high)
    if side == "upper":
        return np.zeros_like(low), high
    return low, high


def exact_limits(x: Array, n: Array, tail: float) -> tuple[Array, Array]:
    """Clopper-Pearson limits; `x` and `n` need not be whole (Korn & Graubard 1998)."""
    rest = n - x
    low = beta_quantile(x, rest + 1.0, tail, BELOW, inner=x > 0)
    return low, beta_quantile(x + 1.0, rest, tail, ABOVE, inner=rest > 0)


def wilson_limits(x: Array, n: Array, tail: float) -> tuple[Array, Array]:
    """Wilson's score limits, with their ends exact (the root of a square is, so low is 0 at 0)."""
    square = special.ndtri(tail) ** 2
    scale = 1.0 / (n + square)
    half = n - x  # step by step in place: for many audits memory is what takes the time
    half *= x
    half /= n
    half += square / 4.0
    half *= square
    half = np.sqrt(half)
    half *= scale
    center = x + square / 2.0
    center *= scale
    low, high = np.asarray(center - half), np.asarray(center + half)
    np.copyto(high, 1.0, where=x == n)
    return (
        (low, high) if tail <= 0.5 else (high, low)
    )  # beyond 1/2 the limits have passed the middle


def wilson_cc_limits(x: Array, n: Array, tail: float) -> tuple[Array, Array]:
    """Wilson's limits of half a piece less and half a piece more."""
    low, _ = wilson_limits(np.maximum(x - 0.5, 0.0), n, tail)
    _, high = wilson_limits(np.minimum(x + 0.5, n), n, tail)
    return low, high


def agresti_coull_limits(x: Array, n: Array, tail: float) -> tuple[Array, Array]:
    """Wilson's center, and the normal limits around it; what lies beyond 0 and 1 is cut off."""
    z = -special.ndtri(tail)
    size = n + z * z
    center = (x + z * z / 2.0) / size
    half = z * np.sqrt(center * (1.0 - center) / size)
    return np.clip(center - half, 0.0, 1.0), np.clip(center + half, 0.0, 1.0)


def jeffreys_limits(x: Array, n: Array, tail: float) -> tuple[Array, Array]:
    """Equal tails of the posterior under Beta(1/2, 1/2), with the ends at 0 of n and n of n."""
    a, b = x + 0.5, n - x + 0.5
    low = beta_quantile(a, b, tail, BELOW, inner=x > 0)
    return low, beta_quantile(a, b, tail, ABOVE, inner=x < n)


def _once_a_pair(limits: Limits) -> Limits:
    """The same limits, each distinct pair solved once where a table of all pairs is small."""

    def solved(x: Array, n: Array, tail: float) -> tuple[Array, Array]:
        if x.size < FEW:
            return limits(x, n, tail)
        width = int(x.max()) + 1
        size = width * (int(n.max()) + 1)
        if size > x.size:
            return limits(x, n, tail)
        cell = (n * width + x).astype(np.intp)
        used = np.zeros(size, dtype=np.bool_)
        used[cell] = True
        pairs = np.flatnonzero(used)
        tables = np.empty((2, size))
        tables[:, pairs] = limits(
            (pairs % width).astype(np.float64), (pairs // width).astype(np.float64), tail
        )
        return tables[0][cell], tables[1][cell]

    return solved


_TAILS = {"both": 2.0, "lower": 1.0, "upper": 1.0}
_LIMITS: dict[str, Limits] = {
    "exact": _once_a_pair(exact_limits),
    "wilson": wilson_limits,  # a formula as cheap as the table
    "wilson_cc": wilson_cc_limits,
    "jeffreys": _once_a_pair(jeffreys_limits),
    "mid_p": _once_a_pair(mid_p_limits),
    "agresti_coull": agresti_coull_limits,
    "blaker": _once_a_pair(blaker_limits),
}
_BOUNDS = {**_LIMITS, "blaker": _LIMITS["exact"]}  # one limit alone
