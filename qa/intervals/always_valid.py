"""Limits that may be looked at after every tote: a confidence sequence for the mean fraction.

A fixed-sample interval watched daily is wrong in the long run. These limits hold at all totes at
once with the confidence stated, and assume nothing of what happens inside a tote: only that each
tote's fraction lies from 0 to 1 and that totes are drawn at random.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from qa._validate import checked_counts, one_whole
from qa.errors import InvalidInput
from qa.intervals.binomial import Interval, one_sided, tail_of

Array = NDArray[np.float64]


def always_valid(
    count: ArrayLike,
    inspected: ArrayLike,
    *,
    filled: int | None = None,
    confidence: float = 0.95,
    side: str = "both",
) -> Interval:
    """Running limits of the mean of totes' fractions, valid however often one looks.

    For every possible mean someone bets against it, tote by tote, from a capital of 1: that the
    fractions lie above it, and another that they lie below. A mean under which a capital has
    grown to 1 / tail is left out for good, since a true mean lets that happen with the chance
    `tail` at most, ever (Ville). Stakes are the predictable plug-in ones, cut off where they
    could lose nine tenths of the capital. Totes count alike, whatever was inspected of them.

    Parameters
    ----------
    count, inspected : array_like of int, one value a tote in the order of auditing
    filled : int, optional
        Totes filled in all, of which these are a random sample without replacement: the limits
        are then of the mean that audits of all of them would have found, and close on it.
    confidence : float, between 0 and 1
    side : {"both", "lower", "upper"}

    Returns
    -------
    Interval
        Arrays with a value a tote: the mean of the fractions so far, and limits that never widen.
        They lie on a grid of 4,097 means, rounded outwards.

    Raises
    ------
    InvalidInput
        If a count is not from 0 to inspected, there is no tote, or more than were filled.

    References
    ----------
    Waudby-Smith & Ramdas (2024), JRSS B 86, 1-27 (hedged capital, theorem 3); (2020), Advances in
    Neural Information Processing Systems 33 (without replacement).

    Examples
    --------
    >>> found = always_valid([198, 200, 197] * 100, 200, side="lower")
    >>> found.low[[0, 29, 299]].round(3)
    array([0.   , 0.888, 0.981])
    """
    tail = tail_of(confidence, side)
    x, n = checked_counts(count, inspected)
    if x.ndim != 1 or x.size == 0:
        raise InvalidInput(f"count must be one value a tote, got an array of shape {x.shape}")
    if filled is not None and one_whole(filled, "filled") < x.size:
        raise InvalidInput(
            f"filled must be at least the totes inspected, got {filled} of {x.size} inspected"
        )
    share = x / n
    low, high = _lower(share, tail, filled), 1.0 - _lower(1.0 - share, tail, filled)
    so_far = np.cumsum(share) / np.arange(1, share.size + 1)
    return Interval(so_far, *one_sided(low, high, side), confidence, "betting", side)


def _lower(share: Array, tail: float, filled: int | None) -> Array:
    """Lower limit after each tote."""
    bets = _Bets(share, _stakes(share, tail), np.cumsum(share) - share, filled)
    crossed = _crossed(bets, -np.log(tail))
    known = np.searchsorted(crossed, np.arange(share.size), side="right")
    low = np.asarray(np.concatenate([[0.0], _GRID])[known])
    if filled is None:
        return low
    return np.asarray(np.maximum(low, np.cumsum(share) / filled))  # the totes left may have none


@dataclass(frozen=True, slots=True, eq=False)
class _Bets:
    """What each tote multiplies the capital by that bets on fractions above a mean."""

    share: Array
    stake: Array
    before: Array  # sum of the fractions of the totes before
    filled: int | None

    def log_factors(self, totes: slice, mean: Array) -> Array:
        """A row a tote, a column a mean."""
        share = self.share[totes, np.newaxis]
        if self.filled is not None:  # the mean of the totes left, were `mean` that of all
            left = self.filled - np.arange(self.share.size)[totes, np.newaxis]
            mean = (self.filled * mean - self.before[totes, np.newaxis]) / left
            mean = np.maximum(mean, 1e-12)
        stake = np.minimum(self.stake[totes, np.newaxis], _MOST / mean)
        return np.asarray(np.log1p(stake * (share - mean)))


def _stakes(share: Array, tail: float) -> Array:
    """Predictable plug-in stakes: each from the totes before it alone."""
    t = np.arange(1, share.size + 1)
    mean = (0.5 + np.cumsum(share)) / (t + 1)
    variance = (0.25 + np.cumsum((share - mean) ** 2)) / (t + 1)
    before = np.concatenate([[0.25], variance[:-1]])
    return np.asarray(np.sqrt(-2.0 * np.log(tail) / (before * t * np.log1p(t))))


def _crossed(bets: _Bets, bar: float) -> NDArray[np.intp]:
    """For each mean of the grid, the tote at which it is left out; the number of totes if none.

    The capital falls as the mean rises, so the means left out at a tote are all up to one. That
    one at the last tote is found by halving; only those below are followed, block by block.
    """
    totes = bets.share.size
    when = np.full(_GRID.size, totes, dtype=np.intp)
    active = np.arange(_last_crossed(bets, bar) + 1)
    total = np.zeros(active.size)
    start, block = 0, _BLOCK
    while active.size and start < totes:
        stop = min(start + block, totes)
        path = total + np.cumsum(bets.log_factors(slice(start, stop), _GRID[active]), axis=0)
        over = path >= bar
        done = over.any(axis=0)
        when[active[done]] = start + over[:, done].argmax(axis=0)
        active, total = active[~done], path[-1, ~done]
        start, block = stop, 2 * block
    return np.maximum.accumulate(when)


def _last_crossed(bets: _Bets, bar: float) -> int:
    """Place in the grid of the largest mean that is left out at any tote; -1 if none."""
    low, high = -1, _GRID.size
    everything = slice(0, bets.share.size)
    while high - low > 1:
        middle = (low + high) // 2
        path = np.cumsum(bets.log_factors(everything, _GRID[middle : middle + 1]))
        low, high = (middle, high) if path.max() >= bar else (low, middle)
    return low


_GRID = np.sin(np.linspace(0.0, np.pi / 2.0, 4097)[1:-1]) ** 2  # closest near 0 and 1
_MOST = 0.9  # of the capital that a bet may lose
_BLOCK = 32
