"""Intervals: a million audits at once, one at a time, and one estimate over totes."""

import numpy as np
from numpy.typing import NDArray
from scipy import special, stats
from statsmodels.stats.proportion import proportion_confint

from qa.intervals import Interval, binomial, clustered
from tests.bench.timing import Row

Pair = tuple[NDArray[np.float64], NDArray[np.float64]]


def rows() -> list[Row]:
    rng = np.random.default_rng(20260514)
    n = rng.integers(100, 251, 1_000_000)
    x = rng.binomial(n, 0.012)
    big = rng.integers(1000, 1_000_000, 100_000)
    few = rng.binomial(big, 0.01)
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
