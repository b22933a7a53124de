"""Totes that a sample let pass: the posterior of what is in them, selection allowed for."""

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import stats

from qa.errors import InvalidInput
from qa.intervals import accepted

N, AC = 200, 3


def posterior_by_importance(
    x: np.ndarray, n: int, let: np.ndarray, *, draws: int, seed: int
) -> np.ndarray:
    """Draws of the accepted totes' mean: mean and correlation from their priors, by likelihood."""
    rng = np.random.default_rng(seed)
    mean, rho = rng.beta(0.5, 0.5, draws), rng.beta(0.5, 10.0, draws)
    a, b = mean * (1 - rho) / rho, (1 - mean) * (1 - rho) / rho
    likely = sum(stats.betabinom.logpmf(each, n, a, b) for each in x)
    likely = np.nan_to_num(likely, nan=-np.inf)
    kept = rng.choice(
        draws, 20_000, p=np.exp(likely - likely.max()) / np.exp(likely - likely.max()).sum()
    )
    totes = [rng.beta(a[kept] + each, b[kept] + n - each) for each in x[let]]
    return np.mean(totes, axis=0)


def test_limits_agree_with_draws_from_the_posterior() -> None:
    x = np.array([20, 24, 15, 25, 22, 30, 9, 24])  # of 30 pieces, so that few draws go far
    let = x > 14
    found = accepted(x, 30, let, confidence=0.9)
    drawn = posterior_by_importance(x, 30, let, draws=400_000, seed=5)
    assert_allclose(found.estimate, drawn.mean(), atol=0.004)
    assert_allclose([found.low, found.high], np.quantile(drawn, [0.05, 0.95]), atol=0.008)


def test_totes_that_do_not_differ_give_the_jeffreys_limits() -> None:
    """With a correlation that must be all but 0, acceptance says nothing of the one fraction."""
    x = np.array([199, 198, 200, 195, 200, 199])
    known = accepted(x, N, x > 196, correlation_prior=(0.5, 1e7))
    pooled = stats.beta(x.sum() + 0.5, N * x.size - x.sum() + 0.5)
    assert_allclose([known.low, known.high], pooled.ppf([0.025, 0.975]), atol=2e-4)
    assert_allclose(known.estimate, pooled.mean(), atol=2e-5)


def test_a_tote_accepted_after_a_re_sort_stands_for_itself() -> None:
    found = accepted([150], [N], [False], again=([197], [N]))
    alone = stats.beta(197.5, 3.5)
    assert_allclose(found.estimate, alone.mean(), rtol=1e-12)
    assert_allclose([found.low, found.high], alone.ppf([0.025, 0.975]), rtol=1e-9)


@pytest.mark.parametrize(
    ("mean", "rho", "n", "ac", "totes"), [(0.015, 0.01, 200, 4, 80), (0.02, 0.03, 200, 5, 20)]
)
def test_the_lower_bound_holds_where_a_pooled_one_fails(
    mean: float, rho: float, n: int, ac: int, totes: int
) -> None:
    """Simulated: 60 samples, so that 5 % has an error of 3 %; beyond 15 % is no chance."""
    rng, plain, ours = np.random.default_rng(11), 0, 0
    shapes = mean * (1 - rho) / rho, (1 - mean) * (1 - rho) / rho
    for _ in range(60):
        p = rng.beta(*shapes, totes)
        x = rng.binomial(n, p)
        let = x <= ac
        true = 1 - p[let].mean()
        ours += accepted(n - x, n, let, side="lower").low > true
        wrong, all_ = x[let].sum(), n * let.sum()
        plain += 1 - stats.beta.ppf(0.95, wrong + 1, all_ - wrong) > true
    assert ours <= 0.15 * 60
    assert plain > 0.15 * 60


@settings(max_examples=25)
@given(st.lists(st.integers(0, 20), min_size=3, max_size=12), st.floats(0.8, 0.99))
def test_counts_of_the_other_kind_mirror(x: list[int], confidence: float) -> None:
    let = [each > 10 for each in x] if max(x) > 10 else [True] * len(x)
    count = np.array(x)
    here = accepted(count, 20, let, confidence=confidence)
    there = accepted(20 - count, 20, let, confidence=confidence)
    assert_allclose([here.low, here.high], [1 - there.high, 1 - there.low], atol=2e-4)
    assert 0 <= here.low <= here.estimate <= here.high <= 1
    lower = accepted(count, 20, let, confidence=confidence, side="lower")
    both = accepted(count, 20, let, confidence=2 * confidence - 1)
    assert_allclose(lower.low, both.low, atol=1e-9)
    assert lower.high == 1


def test_more_held_totes_pull_the_accepted_ones_down() -> None:
    good = [199, 200, 198, 200, 199, 197]
    alone = accepted(good, N, [True] * 6)
    beside = accepted([*good, 180, 170, 185], N, [True] * 6 + [False] * 3)
    assert beside.low < alone.low


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"passed": [True]}, "passed must have one value a tote, got 1 for 2 totes"),
        ({"passed": [False, False]}, "a tote must have been accepted, got none"),
        ({"count": [201, 200]}, "count must be from 0 to inspected, got 201 of 200 at position 0"),
        ({"confidence": 1.0}, "confidence must be between 0 and 1, both excluded, got 1"),
    ],
)
def test_messages(changes: dict[str, Any], message: str) -> None:
    with pytest.raises(InvalidInput) as raised:
        accepted(**{"count": [199, 200], "inspected": [N, N], "passed": [True, True], **changes})
    assert str(raised.value) == message
