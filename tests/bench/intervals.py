"""Intervals: a million audits at once, one at a time, and one estimate over totes."""

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import special, stats
from scipy.optimize import elementwise
from statsmodels.stats.proportion import proportion_confint

from qa.intervals import Interval, binomial, clustered, finite
from tests.bench.timing import Row

Pair = tuple[NDArray[np.float64], NDArray[np.float64]]


def rows() -> list[Row]:
    rng = np.random.default_rng(20260514)
    n = rng.integers(100, 251, 1_000_000)
    x = rng.binomial(n, 0.012)
    big = rng.integers(1000, 1_000_000, 100_000)
    few = rng.binomial(big, 0.01)
    lot = rng.integers(4000, 20_001, 10_000)
    lane = np.arange(108) % 18
    tote_n = rng.integers(100, 251, 108)
    tote_x = rng.binomial(tote_n, rng.beta(1, 99, 108))
    return [
        Row(
            "exact limits, 1e6 audits",
            lambda: proportion_confint(x, n, method="beta"),
            lambda: binomial(x, n),
            40,
            same_limits,
        ),
        Row(
            "exact limits, 1e5 audits all different",
            lambda: proportion_confint(few, big, method="beta"),
            lambda: binomial(few, big),
            1,
            same_limits,
        ),
        Row(
            "Jeffreys limits, 1e6 audits",
            lambda: proportion_confint(x, n, method="jeffreys"),
            lambda: binomial(x, n, method="jeffreys"),
            60,
            same_inner_limits,
        ),
        Row(
            "Wilson limits, 1e6 audits",
            lambda: proportion_confint(x, n, method="wilson"),
            lambda: binomial(x, n, method="wilson"),
            1,
            same_limits,
        ),
        Row(
            "mid-P limits, 1e5 audits",
            lambda: mid_p_by_scipy(x[:100_000], n[:100_000]),
            lambda: binomial(x[:100_000], n[:100_000], method="mid_p"),
            60,
            same_limits,
        ),
        Row(
            "Blaker's limits, 1e6 audits",
            lambda: blaker_by_halving(x, n),
            lambda: binomial(x, n, method="blaker"),
            15,
            same_where_halving_is_right,
        ),
        Row(
            "exact limits of a lot, 1e4 lots",
            lambda: lots_by_halving(x[:10_000], n[:10_000], lot),
            lambda: finite(x[:10_000], n[:10_000], lot),
            200,
            same_limits,
        ),
        Row(
            "exact limits, one audit",
            lambda: one_by_scipy(3, 200),
            lambda: binomial(3, 200),
            1050 / 30,  # 1.05 ms; the goal is under 30 microseconds
            same_limits,
        ),
        Row(
            "fraction over 108 totes in 18 strata",
            lambda: by_strata(tote_x, tote_n, lane),
            lambda: clustered(tote_x, tote_n, stratum=lane).interval,
            1,
            same_limits,
        ),
    ]


def one_by_scipy(count: int, inspected: int) -> tuple[float, float]:
    limits = stats.binomtest(count, inspected).proportion_ci()
    return limits.low, limits.high


def mid_p_by_scipy(x: NDArray[np.int64], n: NDArray[np.int64]) -> Pair:
    """Both roots for every audit by SciPy's solver for arrays."""

    def low(p: NDArray[np.float64], x: NDArray[np.int64], n: NDArray[np.int64]) -> Any:
        return special.betainc(x, n - x + 1, p) + special.betainc(x + 1, n - x, p) - 0.05

    def high(p: NDArray[np.float64], x: NDArray[np.int64], n: NDArray[np.int64]) -> Any:
        return special.betaincc(x, n - x + 1, p) + special.betaincc(x + 1, n - x, p) - 0.05

    exact = {"xatol": 0, "xrtol": 1e-11}
    bracket = (np.full(x.shape, 1e-12), np.full(x.shape, 1 - 1e-12))
    lower = elementwise.find_root(low, bracket, args=(x, n), tolerances=exact).x
    upper = elementwise.find_root(high, bracket, args=(x, n), tolerances=exact).x
    return np.where(x > 0, lower, 0.0), np.where(x < n, upper, 1.0)


def lots_by_halving(x: NDArray[np.int64], n: NDArray[np.int64], lot: NDArray[np.int64]) -> Pair:
    """Halving of the whole pieces in every lot, all lots at once."""

    def least(x: NDArray[np.int64]) -> NDArray[np.int64]:
        below, above = x - 1, lot - n + x
        while (above - below > 1).any():
            middle = (below + above) // 2
            fits = stats.hypergeom.sf(x - 1, lot, middle, n) > 0.025
            below, above = np.where(fits, below, middle), np.where(fits, middle, above)
        return np.where(x > 0, above, 0)

    return least(x) / lot, 1 - least(n - x) / lot


def blaker_by_halving(x: NDArray[np.int64], n: NDArray[np.int64]) -> Pair:
    """Halving between the exact limits and the estimate, each distinct pair once."""
    (x, n), inverse = np.unique([x, n], axis=1, return_inverse=True)

    def accepted(p: NDArray[np.float64]) -> NDArray[np.bool_]:
        up_to, at_least = stats.binom.cdf(x, n, p), stats.binom.sf(x - 1, n, p)
        below = stats.binom.ppf(at_least, n, p)
        below -= stats.binom.cdf(below, n, p) > at_least
        above = stats.binom.isf(up_to, n, p)  # P(X > above) <= P(X <= x)
        tail = np.where(
            up_to < at_least,
            up_to + stats.binom.sf(above, n, p),
            at_least + stats.binom.cdf(below, n, p),
        )
        return tail > 0.05

    def halved(outer: NDArray[np.float64], inner: NDArray[np.float64]) -> NDArray[np.float64]:
        for _ in range(50):
            middle = (outer + inner) / 2
            inside = accepted(middle)
            outer, inner = np.where(inside, outer, middle), np.where(inside, middle, inner)
        return inner

    low, high = proportion_confint(x, n, method="beta")
    return halved(low, x / n)[inverse], halved(high, x / n)[inverse]


def by_strata(x: NDArray[np.int64], n: NDArray[np.int64], stratum: NDArray[np.int64]) -> Pair:
    """Korn-Graubard limits as a loop over strata; none of the special cases."""
    p, terms, freedom = 0.0, [], []
    for h in np.unique(stratum):
        x_h, n_h = x[stratum == h], n[stratum == h]
        m, share = len(x_h), len(x_h) / len(x)
        p_h = x_h.sum() / n_h.sum()
        p += share * p_h
        squares = ((x_h - p_h * n_h) ** 2).sum() / n_h.sum() ** 2
        terms.append(share**2 * m / (m - 1) * squares)
        freedom.append(m - 1)
    v, df = (
        sum(terms),
        sum(terms) ** 2 / sum(t * t / f for t, f in zip(terms, freedom, strict=True)),
    )
    size = p * (1 - p) / v * (stats.t.ppf(0.975, n.sum() - 1) / stats.t.ppf(0.975, df)) ** 2
    size = min(size, n.sum())
    low = special.betaincinv(p * size, size - p * size + 1, 0.025)
    return low, special.betaincinv(p * size + 1, size - p * size, 0.975)


def same_limits(usual: Pair, ours: Interval) -> bool:
    return np.allclose(usual[0], ours.low, rtol=1e-9, atol=1e-15) and np.allclose(
        usual[1], ours.high, rtol=1e-9
    )


def same_inner_limits(usual: Pair, ours: Interval) -> bool:
    """The same, but for the ends at 0 of n and n of n, which the usual leaves out."""
    low, high = ours.estimate > 0, ours.estimate < 1
    return np.allclose(usual[0][low], ours.low[low], rtol=1e-9) and np.allclose(
        usual[1][high], ours.high[high], rtol=1e-9
    )


def same_where_halving_is_right(usual: Pair, ours: Interval) -> bool:
    """Equal for nine audits in ten at least, and ours further out for the rest.

    Acceptability jumps, so halving may end at an inner edge of the fractions it accepts.
    """
    low, high = usual[0] - ours.low, ours.high - usual[1]
    right = (np.abs(low) <= 1e-9 * usual[0]) & (np.abs(high) <= 1e-9 * usual[1])
    return bool(right.mean() >= 0.9 and low.min() >= -1e-9 and high.min() >= -1e-9)
