"""Whether a rise came little by little: ramps are told from steps, and how often."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from numpy.typing import NDArray
from scipy import stats

from qa.charts import CusumLimit
from qa.drift import creeping
from qa.drift.baseline import Watch
from qa.drift.creeping import gain, gradual

LEVEL, RHO, N = 0.006, 0.01, 200
WATCH = Watch(np.array([6]), np.array([1000]), True, LEVEL, RHO, CusumLimit(4.0, 900.0, LEVEL, 2.0))


def drawn(times: NDArray[np.float64], seed: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    rate, both = LEVEL * times, 1 / RHO - 1
    share = stats.beta.rvs(rate * both, (1 - rate) * both, random_state=seed)
    n = np.full(times.size, N)
    return stats.binom.rvs(n, share, random_state=seed + 1000), n


STEP = np.repeat([1.0, 3.0], [60, 140])
RAMP = np.append(np.ones(60), np.linspace(1, 4, 240))


# 60 series a kind: 4 steps of 100 taken for ramps were measured, and 70 ramps of 100 seen; five
# standard errors of 60 series allow for 14 steps, and ask for 24 ramps.
def test_ramps_are_told_from_steps() -> None:
    steps = [gradual(*drawn(STEP, seed), 60, WATCH) for seed in range(60)]
    ramps = [gradual(*drawn(RAMP, seed), 150, WATCH) for seed in range(60)]
    assert sum(steps) <= 8
    assert sum(ramps) >= 30


@pytest.mark.parametrize("rho", [0.0, 0.01, 0.2])
def test_the_likelihoods_are_those_of_beta_binomial_counts(rho: float) -> None:
    x, n, rates = np.array([0, 3, 9]), np.array([100, 200, 200]), np.array([[0.004], [0.03]])
    found = creeping._likelihood(rates, x, n, rho)

    def known(p: float) -> NDArray[np.float64]:
        both = 1 / rho - 1 if rho else 0
        if rho == 0:
            return stats.binom(n, p).logpmf(x)
        return stats.betabinom(n, p * both, (1 - p) * both).logpmf(x)

    assert_allclose(found[1] - found[0], known(0.03) - known(0.004), atol=1e-9)


def test_a_ramp_without_noise_is_better_by_what_its_likelihood_says() -> None:
    """Counts at their means: the ramp's gain is above none, the step's below it."""
    n = np.full(300, 20_000)
    clear = replace(WATCH, correlation=0.0)
    for times, better in ((RAMP, True), (np.repeat([1.0, 3.0], [60, 240]), False)):
        x = np.rint(n * LEVEL * times).astype(np.int64)
        assert (gain(x, n, 100, clear) > 0) == better
        assert gradual(x, n, 100, clear) == better


def test_far_totes_say_nothing() -> None:
    x, n = drawn(RAMP, 3)
    more = np.full(400, N)
    odd = np.append(x, np.full(400, 40)), np.append(n, more)
    begin = x.size - creeping.NEAR_BY
    assert gain(*odd, begin, WATCH) == gain(x, n, begin, WATCH)


def test_the_ends() -> None:
    one = np.array([9]), np.array([N])
    assert not gradual(*one, 0, WATCH)
    high = replace(WATCH, level=0.9)
    assert not gradual(np.full(30, 190), np.full(30, N), 0, high)
