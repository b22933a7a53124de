"""Limits found by inverting a test: mid-P and Blaker's.

Both are roots in log odds, where chances of very rare pieces keep their digits. Each has a lower
limit; the upper one is the lower limit of the other kind of piece.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy import special

from qa.intervals.beta_quantile import ABOVE, BELOW, beta_quantile

Array = NDArray[np.float64]
Curve = Callable[[Array], tuple[Array, Array]]  # log odds -> value and slope
LowerLimit = Callable[[Array, Array, float, Array], Array]


def mid_p_limits(x: Array, n: Array, tail: float) -> tuple[Array, Array]:
    """Where the chance beyond `x`, and half that of `x` itself, come to `tail`."""
    return _both(_mid_p, x, n, tail, shift=0.5)


def blaker_limits(x: Array, n: Array, tail: float) -> tuple[Array, Array]:
    """Ends of the fractions whose acceptability of `x` is above 2 `tail` (Blaker 2000)."""
    return _both(_blaker, x, n, tail, shift=0.0)


def _both(lower: LowerLimit, x: Array, n: Array, tail: float, shift: float) -> tuple[Array, Array]:
    """Limits from `lower`, which starts at the quantiles of Beta(x + shift, n - x + 1 - shift)."""
    low, high = np.zeros(x.shape), np.ones(x.shape)
    some, rest = x > 0, x < n
    start = beta_quantile(x + shift, n - x + 1.0 - shift, tail, BELOW, inner=some)
    stop = beta_quantile(x + 1.0 - shift, n - x + shift, tail, ABOVE, inner=rest)
    low[some] = special.expit(lower(x[some], n[some], tail, special.logit(start[some])))
    high[rest] = special.expit(-lower((n - x)[rest], n[rest], tail, -special.logit(stop[rest])))
    return low, high


def _mid_p(x: Array, n: Array, tail: float, start: Array) -> Array:
    at_least, more = _chance_at_least(x, n), _chance_at_least(x + 1.0, n)

    def curve(t: Array) -> tuple[Array, Array]:
        with_x, slope = at_least(t)
        without, slope_without = more(t)
        chance = with_x + without
        return np.log(chance / (2.0 * tail)), (slope + slope_without) / chance

    found = _root(curve, start, np.full(x.shape, -_END), np.full(x.shape, _END))
    never = (x == n) & (tail >= 0.5)  # half of P(X = n) does not reach `tail`
    return np.asarray(np.where(never, np.inf, found))


def _blaker(x: Array, n: Array, tail: float, exact: Array) -> Array:
    """Lower limit: where acceptability jumps above 2 `tail`, or crosses it before that jump.

    Just above the exact limit the acceptability is P(X >= x) + P(X <= k - 1), where k is the least
    count with P(X <= k) > `tail` there. It falls and then rises, from at most 2 `tail`, until it
    jumps to 2 P(X >= x) > 2 `tail` where P(X <= k) = P(X >= x). So there is one jump to find, and
    at most one crossing before it.
    """
    k = _least_count(n, tail, exact)
    at_least, up_to, below = _chance_at_least(x, n), _chance_up_to(k, n), _chance_up_to(k - 1.0, n)

    def jump(t: Array) -> tuple[Array, Array]:
        high, rise = at_least(t)
        low, fall = up_to(t)
        return np.log(high / low), rise / high - fall / low

    def crossing(t: Array) -> tuple[Array, Array]:
        high, rise = at_least(t)
        low, fall = below(t)
        return np.log((high + low) / (2.0 * tail)), (rise + fall) / (high + low)

    # P(X >= x) is no more than 1/2 at the jump, and more than that at this end.
    found = _root(jump, exact, exact, np.log(x / (n - x + 0.5)))
    before = crossing(found)[0] > 0.0
    return np.asarray(np.where(before, _root(crossing, found, exact, found), found))


def _least_count(n: Array, tail: float, t: Array) -> Array:
    """The least k with P(X <= k) > `tail`: Cornish & Fisher's, put right one by one."""
    p, z = special.expit(t), special.ndtri(tail)
    near = n * p + z * np.sqrt(n * p * (1.0 - p)) + (1.0 - 2.0 * p) * (z * z - 1.0) / 6.0 - 0.5
    k: Array = np.clip(np.ceil(near), 0.0, n)
    while True:
        step = (_beta(k + 1.0, n - k, t, below=False) <= tail).astype(np.float64)
        step -= _beta(k, n - k + 1.0, t, below=False) > tail
        if not step.any():
            return k
        k = k + step


def _chance_at_least(x: Array, n: Array) -> Curve:
    """P(X >= x) and its slope in log odds."""
    scale = special.betaln(x, n - x + 1.0)

    def curve(t: Array) -> tuple[Array, Array]:
        return _beta(x, n - x + 1.0, t, below=True), _weight(x, n - x + 1.0, t, scale)

    return curve


def _chance_up_to(x: Array, n: Array) -> Curve:
    """P(X <= x) and its slope in log odds."""
    scale = special.betaln(x + 1.0, n - x)

    def curve(t: Array) -> tuple[Array, Array]:
        return _beta(x + 1.0, n - x, t, below=False), -_weight(x + 1.0, n - x, t, scale)

    return curve


def _weight(a: Array, b: Array, t: Array, scale: Array) -> Array:
    """Density of Beta(a, b) in log odds."""
    return np.asarray(np.exp(a * special.log_expit(t) + b * special.log_expit(-t) - scale))


def _beta(a: Array, b: Array, t: Array, *, below: bool) -> Array:
    """Chance of Beta(a, b) below or above the fraction with log odds t, both ends exact."""
    far = t > 0.0
    p, chance = special.expit(-np.abs(t)), np.empty(t.shape)
    same, other = (
        (special.betainc, special.betaincc) if below else (special.betaincc, special.betainc)
    )
    same(a, b, p, out=chance, where=~far)
    other(b, a, p, out=chance, where=far)
    return chance


def _root(curve: Curve, start: Array, low: Array, high: Array) -> Array:
    """Where a curve rises through 0 between `low` and `high`: Newton's steps, halving if astray.

    The last step is below 1e-9 in log odds; as each step squares the error, it leaves none.
    """
    t, settled = start, np.zeros(start.shape, dtype=np.bool_)
    while not settled.all():
        value, slope = curve(t)
        low, high = np.where(value < 0.0, t, low), np.where(value < 0.0, high, t)
        with np.errstate(all="ignore"):  # a step that goes astray is not taken
            new = t - value / slope
        inside = (new >= low) & (new <= high)
        new = np.where(inside, new, (low + high) / 2.0)
        done = settled | (value == 0.0)
        settled = done | (np.abs(new - t) <= _LAST_STEP)
        t = np.where(done, t, new)
    return t


_LAST_STEP = 1e-9
_END = 745.0  # log odds beyond which a fraction is 0 or 1
