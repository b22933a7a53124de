"""Confidence limits for the fraction of pieces of one kind in one lot of known size."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from qa._validate import checked_counts
from qa.intervals.binomial import Interval, one_sided, tail_of

Array = NDArray[np.float64]


def finite(
    count: ArrayLike,
    inspected: ArrayLike,
    lot_size: ArrayLike,
    *,
    confidence: float = 0.95,
    side: str = "both",
) -> Interval:
    """Exact interval for the fraction of pieces of one kind in a lot, from a sample of it.

    The limits are whole pieces of the lot over its size: the least and the most pieces of the kind
    that the hypergeometric test does not reject. What was inspected is part of the lot, so the
    limits meet when all of it was.

    Parameters
    ----------
    count, inspected, lot_size : array_like of int, broadcast to one shape S
        Pieces of the kind in the sample, pieces in the sample (at least 1), pieces in the lot.
    confidence : float, between 0 and 1
    side : {"both", "lower", "upper"}
        "lower" gives a lower bound alone; the other limit is then 1 ("upper": 0).

    Returns
    -------
    Interval
        Arrays of shape S. Times `lot_size` the limits are whole numbers, but for rounding.

    Raises
    ------
    InvalidInput
        If a count is negative, not whole or larger than the number inspected, or more pieces were
        inspected than the lot has.

    References
    ----------
    Buonaccorsi (1987), The American Statistician 41, 215-218 (inversion of the two tests). The
    chances by Loader (2000), Fast and accurate computation of binomial probabilities.

    Examples
    --------
    >>> found = finite(3, 10, 50)
    >>> round(50 * float(found.low)), round(50 * float(found.high))
    (5, 31)
    """
    tail = tail_of(confidence, side)
    n, size = checked_counts(inspected, lot_size, names=("inspected", "lot_size"))
    x, n = checked_counts(count, n)
    size = np.broadcast_to(size, x.shape)
    low = _least_pieces(x, n, size, tail) / size
    high = 1.0 - _least_pieces(n - x, n, size, tail) / size
    return Interval(np.asarray(x / n), *one_sided(low, high, side), confidence, "exact", side)


def _least_pieces(x: Array, n: Array, size: Array, tail: float) -> Array:
    """The least M pieces of the kind in the lot with P(X >= x) > `tail`.

    Newton's steps on the logarithm of the chance, all lots in lockstep. Between x - 1 pieces, with
    which x cannot be found, and so many that fewer cannot, each step narrows the counts that are
    left, by what it learns at M and its two neighbours; after a few it halves them.
    """
    found = np.zeros(x.shape)
    inner = x > 0
    x, n, size = x[inner], n[inner], size[inner]
    below, above = x - 1.0, size - n + x
    pieces = _near(x, n, size, tail)
    fixed = _rest_of_log(n) + _rest_of_log(size - n) - _rest_of_log(size)
    left, tries = np.flatnonzero(above - below > 1.0), 0
    while left.size:
        lots = _Lots(x[left], n[left], size[left], pieces[left], fixed[left])
        chances, slope = _chances(lots)
        fits = chances > tail * _TIE
        tested = lots.pieces + np.array([[-1.0], [0.0], [1.0]])
        low = np.where(fits, below[left], tested).max(axis=0)
        high = np.where(fits, tested, above[left]).min(axis=0)
        below[left], above[left] = low, high
        step = lots.pieces + np.floor(np.log(tail * _TIE / chances[1]) / slope) + 1.0
        step = step if tries < _NEWTON else (low + high) // 2.0
        pieces[left] = np.maximum(np.minimum(step, high - 1.0), low + 1.0)
        left, tries = left[high - low > 1.0], tries + 1
    found[inner] = above
    return found


@dataclass(frozen=True, slots=True, eq=False)
class _Lots:
    """Lots and their samples, each with a number of pieces of the kind to be tried."""

    x: Array
    n: Array
    size: Array
    pieces: Array
    fixed: Array  # the part of the log chance in which only n and size are


def _near(x: Array, n: Array, size: Array, tail: float) -> Array:
    """Where to begin: Wilson's corrected limit, its square shrunk for the finite lot."""
    square = special.ndtri(tail) ** 2 * (size - n) / np.maximum(size - 1.0, 1.0)
    less = x - 0.5
    half = np.sqrt(square * (less * (n - less) / n + square / 4.0))
    p = (less + square / 2.0 - half) / (n + square)
    return np.asarray(np.clip(np.floor(p * size) + 1.0, x, size - n + x - 1.0))


def _chances(lots: _Lots) -> tuple[Array, Array]:
    """P(X >= x) with one piece fewer, with `pieces` and with one more; its slope in the middle."""
    x, n, size, pieces = lots.x, lots.n, lots.size, lots.pieces
    term = np.exp(_log_chance(lots))
    middle = term * _terms(lots)
    fewer = term * x / pieces
    more = term * x * (size - pieces - n + x) / ((pieces + 1.0 - x) * (size - pieces))
    return np.stack([middle - fewer, middle, middle + more]), fewer / middle


def _log_chance(lots: _Lots) -> Array:
    """Logarithm of P(X = x), with no difference of large numbers in it.

    With k! = k^k e^-k R(k), the powers make up the deviance of the four cells (of the kind or
    not, in the sample or not) from what is expected of them, and each log R(k) is small.
    """
    x, n, size, pieces = lots.x, lots.n, lots.size, lots.pieces
    others, rest = size - pieces, size - n
    apart = x * size - n * pieces
    chance = lots.fixed + _rest_of_log(pieces) + _rest_of_log(others)
    for cell, sign, expected in (
        (x, 1.0, n * pieces),
        (n - x, -1.0, n * others),
        (pieces - x, -1.0, rest * pieces),
        (others - n + x, 1.0, rest * others),
    ):
        chance = chance - special.xlog1py(cell, sign * apart / expected) - _rest_of_log(cell)
    return np.asarray(chance)


def _terms(lots: _Lots) -> Array:
    """P(X >= x) over P(X = x): terms by their ratios, in blocks that grow, until none counts."""
    total, last, k = np.ones(lots.x.size), np.ones(lots.x.size), lots.x.copy()
    others, left, block = lots.size - lots.pieces - lots.n + 1.0, np.arange(lots.x.size), 8
    while left.size:
        j = np.arange(block)[:, np.newaxis] + k[left]
        ratio = (lots.pieces[left] - j) * (lots.n[left] - j) / ((j + 1.0) * (others[left] + j))
        terms = np.cumprod(ratio, axis=0) * last[left]  # 0 for good once a ratio is
        total[left] += terms.sum(axis=0)
        last[left] = terms[-1]
        k[left] += block
        left = left[terms[-1] > 1e-17 * total[left]]
        block = min(2 * block, max(8, _BLOCK // max(left.size, 1)))
    return total


def _rest_of_log(k: Array) -> Array:
    """Logarithm of k! e^k / k^k: Stirling's series, or what it stands for where k is small."""
    part = 1.0 / np.maximum(k, 1.0)
    square = part * part
    found = part * (1 / 12 - square * (1 / 360 - square * (1 / 1260 - square / 1680)))
    found -= 0.5 * np.log(part / (2.0 * np.pi))
    small = k < _SMALL.size
    found[small] = _SMALL[k[small].astype(np.intp)]
    return np.asarray(found)


def _small(size: int) -> Array:
    k = np.arange(size, dtype=np.float64)
    return np.asarray(special.gammaln(k + 1.0) - special.xlogy(k, k) + k)


_SMALL = _small(32)
_TIE = 1.0 + 1e-11  # a chance that is the tail exactly is rejected, whatever the last digit says
_NEWTON = 6  # steps before halving; two or three are usual
_BLOCK = 2**20  # terms at once
