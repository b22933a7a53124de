"""Many totes: the fitted beta-binomial, the sequence watched daily, the sums, what is to come."""

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import optimize, special

from qa.intervals import Interval, ToteFit, always_valid, fit_totes, learned_prior
from qa.intervals.always_valid import _MOST
from qa.intervals.beta_binomial import Density, posterior, totes_of
from qa.intervals.samples_ahead import posteriors_ahead
from qa.intervals.totes import SUMS, Sums, sums_of_totes
from tests.bench.timing import Row

Floats = NDArray[np.float64]
SEEN = (99, 999, 9_999)  # totes after which the sequence's limits are compared


def rows() -> list[Row]:
    rng = np.random.default_rng(20260514)
    n = rng.integers(100, 251, (1000, 100))
    x = rng.binomial(n, rng.beta(1, 99, n.shape))
    size = rng.integers(100, 251, 10_000_000)
    incorrect, cell = rng.binomial(size, 0.01), rng.integers(0, 5_000, size.size)
    coming = rng.binomial(200, rng.beta(1, 99, (100, 50)))
    few = 200 - rng.binomial(200, rng.beta(1, 99, 10_000))
    return [
        Row(
            "beta-binomial fit, 1,000 series of 100 totes",
            lambda: by_gradients(x, n),
            lambda: fit_totes(x, n),
            3,
            same_fit,
        ),
        Row(
            "always-valid limits after each of 10,000 totes",
            lambda: on_a_grid(few / 200),
            lambda: always_valid(few, 200),
            10,
            same_sequence,
        ),
        Row(
            "six sums of 1e7 totes in 5,000 cells",
            lambda: by_group(incorrect, size, cell),
            lambda: sums_of_totes(incorrect, size, cell)[0],
            3,
            same_sums,
        ),
        Row(
            "correlation prior from 400 totes of 4 lanes",
            lambda: prior_on_a_grid(x[:4], n[:4]),
            lambda: learned_prior(x[:4].ravel(), n[:4].ravel(), stratum=np.repeat(range(4), 100)),
            20,
            lambda usual, ours: bool(np.allclose(usual, ours, rtol=1e-2)),
        ),
        Row(
            "posteriors after 100 samples of 50 totes to come",
            lambda: one_by_one(20, coming),
            lambda: posteriors_ahead(totes_of([2] * 20, [200] * 20), coming, 200),
            5,
            same_medians,
        ),
    ]


def by_gradients(x: NDArray[np.int64], n: NDArray[np.int64]) -> Floats:
    """Mean, correlation and log-likelihood of each series: L-BFGS-B over gamma functions."""

    def height(at: Floats, x: Floats, n: Floats) -> tuple[float, Floats]:
        a, b = np.exp(at)
        both = special.digamma(a + b) - special.digamma(a + b + n)
        up = np.array(
            [
                (special.digamma(a + x) - special.digamma(a) + both).sum() * a,
                (special.digamma(b + n - x) - special.digamma(b) + both).sum() * b,
            ]
        )
        return -(special.betaln(a + x, b + n - x) - special.betaln(a, b)).sum(), -up

    ways = special.gammaln(n + 1) - special.gammaln(x + 1) - special.gammaln(n - x + 1)
    found = []
    for x_i, n_i, ways_i in zip(x.astype(float), n.astype(float), ways.sum(axis=1), strict=True):
        p = x_i.sum() / n_i.sum()
        best = optimize.minimize(
            height, np.log([p * 99, (1 - p) * 99]), (x_i, n_i), jac=True, method="L-BFGS-B"
        )
        a, b = np.exp(best.x)
        found.append((a / (a + b), 1 / (1 + a + b), ways_i - best.fun))
    return np.array(found)


def same_fit(usual: Floats, ours: ToteFit) -> bool:
    """As high a likelihood, and the same place where the usual has stopped at a maximum."""
    top = usual[:, 2]
    as_high = bool((ours.log_likelihood >= top - 1e-6).all())
    inside = ours.correlation > 1e-3
    return as_high and np.allclose(ours.mean[inside], usual[inside, 0], rtol=1e-2)


def prior_on_a_grid(x: NDArray[np.int64], n: NDArray[np.int64]) -> tuple[float, float]:
    """The learned prior by a grid of means and correlations over the whole range."""
    angle = np.linspace(0, np.pi / 2, 202)[1:-1]
    mean, rho = np.sin(angle)[:, np.newaxis] ** 2, np.sin(angle) ** 2
    a, b = mean * (1 / rho - 1), (1 - mean) * (1 / rho - 1)
    log = 9.5 * np.log1p(-rho)
    for x_lane, n_lane in zip(x, n, strict=True):
        pairs = zip(x_lane, n_lane, strict=True)
        seen = sum(special.betaln(a + k, b + m - k) for k, m in pairs) - 100 * special.betaln(a, b)
        log = log + special.logsumexp(seen, axis=0)
    weight = np.exp(log - log.max())
    center = weight @ rho / weight.sum()
    variance = max(4 * (weight @ (rho - center) ** 2 / weight.sum()), center**2 / 4)
    size = center * (1 - center) / variance - 1
    return float(center * size), float((1 - center) * size)


def one_by_one(seen: int, coming: NDArray[np.int64]) -> list[Density]:
    """The posterior of each sample by itself."""
    n = np.full(seen + coming.shape[1], 200)
    every = np.concatenate([np.full((len(coming), seen), 2), coming], axis=1)
    return [posterior(totes_of(x, n))[0] for x in every]


def same_medians(usual: list[Density], ours: list[Density]) -> bool:
    middles = [[each.below(0.5) for each in side] for side in (usual, ours)]
    return bool(np.allclose(*middles, rtol=1e-5))


def by_group(x: NDArray[np.int64], n: NDArray[np.int64], cell: NDArray[np.int64]) -> pd.DataFrame:
    """The sums by a group-by over categories."""
    columns = {"totes": 1, "n": n, "x": x, "n2": n * n, "x2": x * x, "nx": n * x}
    totes = pd.DataFrame({"cell": pd.Categorical(cell), **columns})
    return totes.groupby("cell", observed=True).sum()


def same_sums(usual: pd.DataFrame, ours: Sums) -> bool:
    return all(bool((usual[name].to_numpy() == getattr(ours, name)).all()) for name in SUMS)


def on_a_grid(share: Floats, tail: float = 0.025) -> tuple[Floats, Floats]:
    """The capital of every mean of a grid, tote by tote; the same stakes, nothing left out."""
    grid = np.sin(np.linspace(0, np.pi / 2, 4097)[1:-1]) ** 2

    def lower(x: Floats) -> Floats:
        capital, reached, limits = np.zeros(grid.size), np.zeros(grid.size, bool), []
        total, squares, before = 0.0, 0.25, 0.25
        for t, value in enumerate(x, start=1):
            stake = np.sqrt(2 * np.log(1 / tail) / (before * t * np.log1p(t)))
            capital += np.log1p(np.minimum(stake, _MOST / grid) * (value - grid))
            reached |= capital >= np.log(1 / tail)
            limits.append(grid[reached].max(initial=0.0))
            total += value
            squares += (value - (0.5 + total) / (t + 1)) ** 2
            before = squares / (t + 1)
        return np.array(limits)

    return lower(share), 1 - lower(1 - share)


def same_sequence(usual: tuple[Floats, Floats], ours: Interval) -> bool:
    return all(
        np.allclose(one, other, atol=1e-12)
        for one, other in zip(usual, (ours.low, ours.high), strict=True)
    )
