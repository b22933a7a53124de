"""Whether a rise came little by little, a ramp fitting better than a step."""

from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy import special

from qa.drift.baseline import Watch

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]

NEAR_BY = 300  # totes looked at before a rise began, and after
GAIN = 1.0  # of log-likelihood, since a ramp has one tote more to choose than a step (Akaike 1974)
_PLACES = 24  # of totes at which a ramp is tried to begin or to end
_LEVELS = 64  # of the baseline's level and those above it
_MOST = 8.0  # times the baseline's level


def gradual(count: Whole, inspected: Whole, begin: int, watch: Watch) -> bool:
    """Whether a ramp fits a rise from the baseline's level better than a step.

    Parameters
    ----------
    count, inspected : totes from no earlier than the watch to the last one of the raised level
    begin : the first tote of the new level, taken for a step
    watch : what they are held against
    """
    return gain(count, inspected, begin, watch) > GAIN


def gain(count: Whole, inspected: Whole, begin: int, watch: Watch) -> float:
    """Log-likelihood of the best ramp less that of the best step, among the totes near by.

    A step is at a level from one tote on; a ramp rises to it evenly over some totes.
    """
    near = slice(max(begin - NEAR_BY, 0), begin + NEAR_BY)
    x, n = count[near], inspected[near]
    most = min(_MOST, (1 + 1 / watch.level) / 2)
    levels = np.geomspace(watch.level, most * watch.level, _LEVELS)
    each = _likelihood(levels[:, np.newaxis], x, n, watch.correlation)
    before = np.append(0, np.cumsum(each[0]))
    after = np.append(np.cumsum(each[:, ::-1], axis=1)[:, ::-1], np.zeros((_LEVELS, 1)), axis=1)
    step = (before + after).max()
    places = np.unique(np.linspace(0, x.size, _PLACES).astype(np.int64))
    ramps = [
        (before[a] + _rising(each[:, a:b], levels) + after[:, b]).max()
        for a, b in combinations(places.tolist(), 2)
    ]
    return float(max(ramps, default=step) - step)


def _rising(each: Floats, levels: Floats) -> Floats:
    """Log-likelihood of totes over which the lowest level rises to each, taken at the nearest."""
    size = each.shape[1]
    share = np.arange(1, size + 1) / (size + 1)
    rates = levels[0] + (levels[:, np.newaxis] - levels[0]) * share
    nearest = np.rint(np.log(rates / levels[0]) / np.log(levels[1] / levels[0])).astype(np.int64)
    found: Floats = each[nearest, np.arange(size)].sum(axis=1)
    return found


def _likelihood(rate: Floats, x: Whole, n: Whole, correlation: float) -> Floats:
    """Log-likelihood of beta-binomial counts, less what no rate changes."""
    if correlation == 0:
        alike: Floats = special.xlogy(x, rate) + special.xlog1py(n - x, -rate)
        return alike
    both = 1 / correlation - 1
    a, b = rate * both, (1 - rate) * both
    found: Floats = special.betaln(x + a, n - x + b) - special.betaln(a, b)
    return found
