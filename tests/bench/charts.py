"""Charts and run lengths against what one writes with pandas and scipy."""

from typing import Any

import numpy as np
from scipy import stats

from qa.charts import cusum_limit, p_chart
from qa.charts.run_length.cusum import _STATES
from tests.bench.timing import Row

ARL = 500.0
CENTER, CORRELATION, RATIO = 0.01, 0.01, 2.0
SIZES = np.arange(100, 251, 5)


def rows() -> list[Row]:
    """The rows of the performance sheet that the charts fill so far."""
    rng = np.random.default_rng(4)
    inspected = rng.integers(100, 251, 100_000)
    center = np.repeat(rng.uniform(0.002, 0.03, 100), 1000)
    count = rng.binomial(inspected, center)
    return [
        Row(
            "CUSUM limit for a target ARL, beta-binomial, 31 sizes",
            dense_limit,
            lambda: cusum_limit(SIZES, center=CENTER, correlation=CORRELATION, arl=ARL),
            8,
            lambda usual, ours: bool(np.allclose(usual, (ours.limit, ours.arl), rtol=1e-6)),
        ),
        Row(
            "p chart, exact limits, 1e5 audits in 100 series",
            lambda: exact_by_quantiles(count, inspected, center),
            lambda: p_chart(count, inspected, center=center).signals,
            4,
            lambda usual, ours: bool((usual == ours).all()),
        ),
    ]


def dense_limit() -> tuple[float, float]:
    """Bisection for the limit, a dense chain solved at each step, on the grid that ours uses."""
    top = np.log(ARL)
    step = top / (_STATES - 0.5)
    moves = np.zeros(2 * _STATES + 2)
    for n in SIZES:
        x = np.arange(n + 1)
        laws = [beta_binomial(n, rate) for rate in (CENTER, RATIO * CENTER)]
        score = laws[1].logpmf(x) - laws[0].logpmf(x)
        place = np.clip(score / step, -_STATES, _STATES)
        low = np.floor(place).astype(int)
        chance = laws[0].pmf(x) / SIZES.size
        np.add.at(moves, low + _STATES, chance * (1 - (place - low)))
        np.add.at(moves, low + _STATES + 1, chance * (place - low))
    few, many = 1, _STATES
    while many - few > 1:
        middle = (few + many) // 2
        few, many = (few, middle) if dense_arl(moves, middle) >= ARL else (middle, many)
    return (many - 0.5) * step, dense_arl(moves, many)


def dense_arl(moves: np.ndarray, size: int) -> float:
    place = np.arange(size)
    chain = moves[_STATES + place - place[:, None]]
    chain[:, 0] = np.cumsum(moves)[_STATES - place]
    return float(np.linalg.solve(np.eye(size) - chain, np.ones(size))[0])


def beta_binomial(n: int, p: float) -> Any:
    total = (1 - CORRELATION) / CORRELATION
    return stats.betabinom(n, p * total, (1 - p) * total)


def exact_by_quantiles(count: np.ndarray, inspected: np.ndarray, center: np.ndarray) -> Any:
    """Signals beyond the tail quantiles of scipy's binomial, one call for all audits."""
    most = stats.binom.isf(0.00135, inspected, center)
    least = stats.binom.ppf(0.00135, inspected, center)
    return (count > most) | (count < least)
