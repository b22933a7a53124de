"""The fitted beta-binomial against published fits, a general optimiser and its own definition."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import optimize, special, stats

from qa.errors import InvalidInput
from qa.intervals import correlation_interval, fit_totes

HERE = Path(__file__).parent / "reference" / "intervals" / "published.json"
CASE = next(c for c in json.loads(HERE.read_text("utf-8")) if c["id"] == "beta-binomial-fit")


def log_likelihood(mean: float, rho: float, x: Any, n: Any) -> float:
    """By scipy's distribution."""
    if rho == 0:
        return float(stats.binom.logpmf(x, n, mean).sum())
    a, b = mean * (1 / rho - 1), (1 - mean) * (1 / rho - 1)
    return float(stats.betabinom.logpmf(x, n, a, b).sum())


# A second implementation, in R, on published data: see the source in the file.
def test_the_fit_agrees_with_another_program() -> None:
    found = fit_totes(CASE["inputs"]["x"], CASE["inputs"]["n"])
    for name, value in CASE["expected"].items():
        assert_allclose(getattr(found, name), value, rtol=CASE["tolerance"])


# Independent road: a general optimiser without gradients, over gamma functions.
def test_many_series_agree_with_a_general_optimiser() -> None:
    rng = np.random.default_rng(3)
    n = rng.integers(100, 251, (20, 40))
    x = rng.binomial(n, rng.beta(1, 49, (20, 40)))
    found = fit_totes(x, n)
    for i in range(20):
        best = optimize.minimize(
            lambda at, i=i: -log_likelihood(special.expit(at[0]), special.expit(at[1]), x[i], n[i]),
            [-4.0, -4.0],
            method="Nelder-Mead",
            options={"xatol": 1e-9, "fatol": 1e-12, "maxiter": 2000},
        )
        mean, rho = special.expit(best.x)
        assert_allclose(found.mean[i], mean, rtol=1e-5)
        assert_allclose(found.correlation[i], rho, rtol=1e-4)
        assert_allclose(found.log_likelihood[i], -best.fun, rtol=1e-10)


totes = st.lists(
    st.integers(1, 40).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))),
    min_size=1,
    max_size=8,
)


@given(totes)
def test_nothing_on_a_grid_is_likelier(pairs: list[tuple[int, int]]) -> None:
    x, n = np.transpose(pairs)
    found = fit_totes(x, n)
    if 0 < x.sum() < n.sum() and n.max() > 1:
        for rho in (0.0, 1e-4, 0.01, 0.05, 0.2, 0.5, 0.9):
            for mean in np.linspace(0.02, 0.98, 25):
                assert log_likelihood(mean, rho, x, n) <= found.log_likelihood + 1e-8
    else:
        assert np.isnan(found.correlation)
        assert_allclose(found.mean, x.sum() / n.sum())


@given(totes)
def test_the_other_kind_mirrors(pairs: list[tuple[int, int]]) -> None:
    x, n = np.transpose(pairs)
    one, other = fit_totes(x, n), fit_totes(n - x, n)
    assert_allclose(one.mean, 1 - other.mean, rtol=1e-6, atol=1e-9)
    assert_allclose(one.correlation, other.correlation, rtol=1e-5, atol=1e-9)
    assert_allclose(one.log_likelihood, other.log_likelihood, rtol=1e-9, atol=1e-9)


# Totes of unequal sizes whose likelihood falls from correlation 0 and has its top farther on.
def test_the_higher_of_two_hills_is_found() -> None:
    x, n = [1, 0, 1], [1, 16, 20]
    found = fit_totes(x, n)
    at_none = log_likelihood(2 / 37, 0, x, n)
    assert log_likelihood(2 / 37, 1e-3, x, n) < at_none
    assert found.log_likelihood > at_none + 0.1
    assert 0.5 < found.correlation < 0.6
    assert_allclose(
        found.log_likelihood, log_likelihood(float(found.mean), float(found.correlation), x, n)
    )


def test_edges() -> None:
    alike = fit_totes([2, 2, 2, 2], 100)
    assert (float(alike.mean), float(alike.correlation)) == (0.02, 0)
    whole = fit_totes([0, 50, 50, 0, 0], 50)  # all or none
    assert (float(whole.mean), float(whole.correlation)) == (0.4, 1)
    assert_allclose(whole.log_likelihood, 2 * np.log(0.4) + 3 * np.log(0.6))
    for x, n in (([0, 0], 50), ([50, 50], 50), ([1, 0], 1), (4 * [0], 1)):
        assert np.isnan(fit_totes(x, n).correlation)
    assert fit_totes(np.ones((2, 3, 4), dtype=int), 50).mean.shape == (2, 3)
    batch = fit_totes([[2, 0, 1, 9], [0, 0, 0, 0], [3, 3, 3, 3]], 200)
    assert_allclose(batch.mean[0], fit_totes([2, 0, 1, 9], 200).mean, rtol=1e-9)
    assert np.isnan(batch.correlation[1])
    assert batch.correlation[2] == 0


# The limits are where twice the log-likelihood, the mean at its best there, has fallen by the
# quantile of chi-square with one degree of freedom; that maximum by a general optimiser.
@pytest.mark.parametrize("side", ["both", "lower", "upper"])
def test_limits_of_the_correlation_are_where_the_profile_falls(side: str) -> None:
    x, n = [2, 0, 1, 9, 0, 3, 14, 2], [200, 150, 120, 220, 200, 90, 200, 200]
    fit, found = fit_totes(x, n), correlation_interval(x, n, side=side)
    drop = stats.chi2.isf(0.05 if side == "both" else 0.10, 1) / 2
    for limit in (float(found.low), float(found.high)):
        if 0 < limit < 1:
            best = optimize.minimize_scalar(
                lambda mean, rho=limit: -log_likelihood(mean, rho, x, n),
                bounds=(1e-6, 0.9),
                method="bounded",
                options={"xatol": 1e-10},
            )
            assert_allclose(fit.log_likelihood + best.fun, drop, rtol=1e-6)
    assert found.low <= found.estimate <= found.high
    assert (side == "lower") == (found.high == 1)
    assert (side == "upper") == (found.low == 0)


# Simulation, seed fixed: 400 series of 30 totes; one standard error of 0.95 is 0.011. The limits
# are asymptotic, so what they cover is allowed to be 0.02 off.
def test_the_correlation_is_covered() -> None:
    rng = np.random.default_rng(6)
    x = rng.binomial(200, rng.beta(0.03 * 49, 0.97 * 49, (400, 30)))
    found = correlation_interval(x, 200)
    covered = np.mean((found.low <= 0.02) & (found.high >= 0.02))
    assert abs(covered - 0.95) < 0.02 + 3 * 0.011


def test_what_cannot_be_known_is_wide_open() -> None:
    found = correlation_interval([[0, 0, 0], [0, 3, 1]], 200)
    assert np.isnan(found.estimate[0])
    assert (found.low[0], found.high[0]) == (0, 1)
    assert 0 <= found.low[1] <= found.estimate[1] < found.high[1] < 1
    assert found.method == "profile_likelihood"


@pytest.mark.parametrize("ask", [fit_totes, correlation_interval])
def test_messages(ask: Any) -> None:
    with pytest.raises(InvalidInput, match="count must be from 0 to inspected, got 3 of 2 at"):
        ask([1, 3], 2)
    with pytest.raises(InvalidInput, match=r"count must be one value a tote, got an array of"):
        ask(1, 2)
    with pytest.raises(InvalidInput, match=r"count must be one value a tote, got an array of"):
        ask([], [])
