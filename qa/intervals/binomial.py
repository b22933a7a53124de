"""Confidence intervals for a fraction of pieces in one simple random sample."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from qa._validate import checked_counts, checked_level, chosen

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
    method : {"exact", "wilson", "jeffreys"}
        "exact" (Clopper-Pearson) covers at least `confidence`; "wilson" and "jeffreys" (equal
        tails, with the ends at 0 of n and n of n) cover it on average.
    side : {"both", "lower", "upper"}
        "lower" gives a lower bound alone; the other limit is then 1 ("upper": 0).

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
    Clopper & Pearson (1934), Biometrika 26, 404-413. Wilson (1927), JASA 22, 209-212. Brown,
    Cai & DasGupta (2001), Statistical Science 16, 101-133 (Jeffreys).

    Examples
    --------
    >>> round(float(binomial(0, 20, method="wilson").high), 4)
    0.1611
    """
    limits = chosen(_LIMITS, "method", method)
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
    low = _beta_quantile(x, rest + 1.0, tail, _BELOW, inner=x > 0)
    return low, _beta_quantile(x + 1.0, rest, tail, _ABOVE, inner=rest > 0)


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
    return low, high


def jeffreys_limits(x: Array, n: Array, tail: float) -> tuple[Array, Array]:
    """Equal tails of the posterior under Beta(1/2, 1/2), with the ends at 0 of n and n of n."""
    a, b = x + 0.5, n - x + 0.5
    low = _beta_quantile(a, b, tail, _BELOW, inner=x > 0)
    return low, _beta_quantile(a, b, tail, _ABOVE, inner=x < n)


def _once_a_pair(limits: Limits) -> Limits:
    """The same limits, each distinct pair solved once where a table of all pairs is small."""

    def solved(x: Array, n: Array, tail: float) -> tuple[Array, Array]:
        if x.size < _FEW:
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


@dataclass(frozen=True, slots=True)
class _Tail:
    """One tail of the beta distribution."""

    chance: np.ufunc
    end: float  # where the chance is 0


def _beta_quantile(a: Array, b: Array, tail: float, of: _Tail, inner: NDArray[np.bool_]) -> Array:
    """Where the tail of Beta(a, b) has the chance `tail`; its end outside `inner`.

    SciPy's inverses are far off where a shape is exactly 1000 and the other is large (at 1.17.1
    up to 2.6 times for a sample of 9e7), and a little where x is small and n above 1e6; its
    forward functions are not. So every answer is put back into the tail, and what does not fit
    is left to the next solver; the last always finds it.
    """
    found, left = np.empty(a.shape), inner
    found.fill(of.end)
    for solve in (_stepped, _inverse, _halved)[a.size < _FEW :]:
        found[left] = solve(a[left], b[left], tail, of)
        left = left & ~(np.abs(_misfit(a, b, found, tail, of)) <= _FITS * tail)
        if not np.count_nonzero(left):
            break
    return found


def _misfit(a: Array, b: Array, p: Array, tail: float, of: _Tail) -> Array:
    """Chance below `p` less the chance that should be there."""
    if of is _BELOW:
        return np.asarray(special.betainc(a, b, p) - tail)
    if tail < _SMALL:
        return np.asarray(tail - special.betaincc(a, b, p))
    return np.asarray(special.betainc(a, b, p) - (1.0 - tail))  # in a fifth of the time


def _stepped(a: Array, b: Array, tail: float, of: _Tail) -> Array:
    """Three steps of Halley from Abramowitz & Stegun 26.5.22: quicker, but for many at once."""
    z = -special.ndtri(tail) if of is _BELOW else special.ndtri(tail)
    with np.errstate(all="ignore"):  # what goes astray here is found by the next solver
        first, second = 1.0 / (2.0 * a - 1.0), 1.0 / (2.0 * b - 1.0)
        h, bent = 2.0 / (first + second), (z * z - 3.0) / 6.0
        w = z * np.sqrt(h + bent) / h - (second - first) * (bent + 5.0 / 6.0 - 2.0 / (3.0 * h))
        p = a / (a + b * np.exp(2.0 * w))
        scale = special.betaln(a, b)
        for _ in range(3):
            density = np.exp(special.xlogy(a - 1.0, p) + special.xlog1py(b - 1.0, -p) - scale)
            step = _misfit(a, b, p, tail, of) / density
            p = p - step / (1.0 - 0.5 * step * ((a - 1.0) / p - (b - 1.0) / (1.0 - p)))
    return np.asarray(p)


def _inverse(a: Array, b: Array, tail: float, of: _Tail) -> Array:
    """SciPy's own inverse."""
    return np.asarray((special.betaincinv if of is _BELOW else special.betainccinv)(a, b, tail))


def _halved(a: Array, b: Array, tail: float, of: _Tail) -> Array:
    """The same quantile, by halving an interval of log odds until nothing is left of it."""
    low, high = np.full(a.shape, -745.0), np.full(a.shape, 40.0)
    for _ in range(64):
        middle = (low + high) / 2.0
        beyond = (of.chance(a, b, special.expit(middle)) > tail) == (of is _BELOW)
        low, high = np.where(beyond, low, middle), np.where(beyond, middle, high)
    return np.asarray(special.expit((low + high) / 2.0))


_BELOW = _Tail(special.betainc, end=0.0)
_ABOVE = _Tail(special.betaincc, end=1.0)
_FITS = 1e-10  # of the tail's chance
_SMALL = 1e-4  # tails below this are lost in 1 - tail
_FEW = 1000  # below this the table costs more than it saves
_TAILS = {"both": 2.0, "lower": 1.0, "upper": 1.0}
_LIMITS: dict[str, Limits] = {
    "exact": _once_a_pair(exact_limits),
    "wilson": wilson_limits,  # a formula as cheap as the table
    "jeffreys": _once_a_pair(jeffreys_limits),
}
