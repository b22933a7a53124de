"""Posteriors of many samples at once: each as one posterior alone says, and by brute force."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import special

from qa.intervals import beta_binomial as bb
from qa.intervals import clustered
from qa.intervals.samples_ahead import posteriors_ahead


def drawn(
    rng: np.random.Generator, mean: float, rho: float, shape: tuple[int, ...], size: int
) -> np.ndarray:
    fractions = rng.beta(mean * (1 / rho - 1), (1 - mean) * (1 / rho - 1), shape)
    return rng.binomial(size, fractions)


def chances_below(limit: float, seen: bb.Totes, ahead: np.ndarray, size: int) -> np.ndarray:
    return np.array([each.chance_below(limit) for each in posteriors_ahead(seen, ahead, size)])


# Independent road: the posterior of each sample by itself, as `clustered` has it.
@pytest.mark.parametrize("number", [0, 1, 30, 800])
@pytest.mark.parametrize(("mean", "rho"), [(0.01, 0.01), (0.3, 0.05), (0.002, 0.001)])
def test_each_sample_has_its_own_posterior(mean: float, rho: float, number: int) -> None:
    rng = np.random.default_rng([7, number])
    n = rng.integers(100, 251, 12)
    x, ahead = drawn(rng, mean, rho, (12,), 100), drawn(rng, mean, rho, (5, number), 150)
    got = chances_below(1.2 * mean, bb.totes_of(x, n), ahead, 150)
    for row, chance in zip(ahead, got, strict=True):
        every = np.concatenate([x, row]), np.concatenate([n, np.full(number, 150)])
        alone, _ = bb.posterior(bb.totes_of(*every))
        assert_allclose(chance, alone.chance_below(1.2 * mean), atol=1e-6)


# And what it decides is what `clustered` decides.
def test_a_bound_lies_beyond_a_target_as_clustered_says() -> None:
    rng = np.random.default_rng(4)
    n, x = np.full(10, 200), drawn(rng, 0.01, 0.01, (10,), 200)
    ahead = drawn(rng, 0.01, 0.01, (30, 40), 200)
    below = chances_below(0.015, bb.totes_of(x, n), ahead, 200)
    every = np.concatenate([np.tile(x, (30, 1)), ahead], axis=1)
    low = [
        clustered(200 - row, 200 + 0 * row, method="beta_binomial", side="lower").interval.low
        for row in every
    ]
    assert ((1 - below <= 0.05) == (np.array(low) >= 0.985)).all()
    assert 3 < np.sum(np.array(low) >= 0.985) < 27


# A posterior by sums over a fine grid, from the beta function of SciPy.
def test_a_chance_agrees_with_brute_force() -> None:
    x, n, ahead, limit = np.array([3, 0]), np.array([40, 60]), np.array([[1, 5, 0]]), 0.05
    angle = np.linspace(0, np.pi / 2, 1201)[1:-1]
    mean, rho = np.sin(angle)[:, None] ** 2, np.sin(angle[::3])[None] ** 2
    a, b = mean * (1 / rho - 1), (1 - mean) * (1 / rho - 1)
    log = 9.0 * np.log1p(-rho) + 0.5 * (np.log1p(-rho))  # Beta(1/2, 10) in the angle: cos to the 19
    for count, size in [*zip(x, n, strict=True), *((each, 50) for each in ahead[0])]:
        log = log + special.betaln(a + count, b + size - count) - special.betaln(a, b)
    density = np.exp(log - log.max()).sum(axis=1)
    got = chances_below(limit, bb.totes_of(x, n), ahead, 50)
    expected = density[np.sin(angle) ** 2 < limit].sum() / density.sum()
    assert_allclose(got, [expected], atol=2e-3)


@settings(max_examples=15)
@given(st.integers(0, 60), st.integers(0, 20), st.floats(0.001, 0.5))
def test_chances_are_chances_and_grow_with_the_limit(x: int, y: int, limit: float) -> None:
    seen, ahead = bb.totes_of([x, 0], [60, 20]), np.array([[y] * 3, [0] * 3])
    got = chances_below(limit, seen, ahead, 20)
    assert ((got > -1e-5) & (got < 1 + 1e-5)).all()
    assert got[0] <= got[1] + 1e-5
    assert (chances_below(0.9 * limit, seen, ahead, 20) <= got + 1e-5).all()
    assert_allclose(chances_below(1.0, seen, ahead, 20), 1.0, atol=1e-9)
    assert_allclose(chances_below(0.0, seen, ahead, 20), 0.0, atol=1e-9)
