"""The bound on the quality that a share of totes reaches: draws, closed forms, simulation."""

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import special

from qa.errors import InvalidInput
from qa.intervals import beta_binomial as bb
from qa.intervals import binomial, tote_quality
from qa.intervals.tote_quality import chance_of_quality

CORRECT = [198, 200, 197, 199, 200, 193, 199, 198]


def draws(correct: Any, inspected: int, repeats: int) -> Any:
    """Means and correlations drawn from the posterior by its own definition: weights on a net."""
    rng = np.random.default_rng(3)
    mean_angle, rho_angle = rng.uniform(0, np.pi / 2, (2, repeats))
    mean, rho = np.sin(mean_angle) ** 2, np.sin(rho_angle) ** 2
    a, b = mean * (1 / rho - 1), (1 - mean) * (1 / rho - 1)
    log = 19 * np.log(np.cos(rho_angle))
    for x in inspected - np.asarray(correct):
        log += special.betaln(a + x, b + inspected - x) - special.betaln(a, b)
    return a, b, np.exp(log - log.max())


# Independent road: importance sampling, 400,000 draws over the priors' whole range, of which some
# 3,000 count: the chance has a standard error of about 0.004 at 0.95.
@pytest.mark.parametrize("share", [0.8, 0.95])
def test_the_bound_holds_the_chance_asked_for(share: float) -> None:
    found = tote_quality(CORRECT, 200, share=share, side="both", confidence=0.9)
    a, b, weight = draws(CORRECT, 200, 400_000)
    quality = 1 - special.betaincinv(a, b, share)
    effective = weight.sum() ** 2 / (weight @ weight)
    for limit, chance in ((found.low, 0.95), (found.estimate, 0.5), (found.high, 0.05)):
        above = weight @ (quality >= limit) / weight.sum()
        assert abs(above - chance) < 4 * np.sqrt(chance * (1 - chance) / effective)


# Where totes are known not to differ, a share of them is what the mean is: Jeffreys' limits.
def test_totes_known_not_to_differ_all_have_the_mean() -> None:
    found = tote_quality(CORRECT, 200, share=0.9, correlation_prior=(0.5, 1e8), side="both")
    mean = binomial(sum(CORRECT), 1600, method="jeffreys")
    assert_allclose([found.low, found.high], [mean.low, mean.high], rtol=2e-4)


def test_the_chance_is_one_minus_that_of_the_mean_where_the_limit_is_flat() -> None:
    joint = bb.joint(bb.totes_of(200.0 - np.array(CORRECT), np.full(8, 200.0)))
    mean, _ = joint.marginals()
    for tail in (0.01, 0.3, 0.95):
        limit = np.full(joint.rho.size, mean.below(tail))
        assert_allclose(joint.chance_below(limit), tail, rtol=1e-9)
    assert joint.chance_below(np.zeros(joint.rho.size)) == 0
    assert_allclose(joint.chance_below(np.ones(joint.rho.size)), 1)
    assert chance_of_quality(joint, 0.5, 0.05) > chance_of_quality(joint, 0.9, 0.05)


@settings(max_examples=25)
@given(st.lists(st.integers(0, 120), min_size=1, max_size=6))
def test_bounds_are_in_order(incorrect: list[int]) -> None:
    correct = [120 - x for x in incorrect]
    found = tote_quality(correct, [120] * len(correct), share=0.9, side="both", confidence=0.8)
    assert 0 <= found.low <= found.estimate <= found.high <= 1
    stricter = tote_quality(correct, [120] * len(correct), share=0.99, confidence=0.8)
    assert stricter.low <= found.low + 1e-9
    surer = tote_quality(correct, [120] * len(correct), share=0.9, confidence=0.9)
    assert_allclose(surer.low, found.low, atol=1e-9)
    assert surer.high == 1


# Simulation, seed fixed: 60 samples of 20 totes, so one standard error of 0.05 is 0.028. Nine in
# ten totes are at least as good as the tenth percentile of their distribution.
def test_bounds_miss_as_seldom_as_they_say() -> None:
    rng, rho = np.random.default_rng(5), 0.02
    a, b = 0.99 * (1 / rho - 1), 0.01 * (1 / rho - 1)
    truth = special.betaincinv(a, b, 0.1)
    samples = rng.binomial(200, rng.beta(a, b, (60, 20)))
    low = [float(tote_quality(each, [200] * 20, share=0.9).low) for each in samples]
    assert np.mean(np.array(low) > truth) <= 0.05 + 3 * 0.028


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"share": 1}, "share must be between 0 and 1, both excluded, got 1"),
        ({"count": [300]}, "count must be from 0 to inspected, got 300 of 200 at position 0"),
        ({"side": "left"}, 'side must be one of both, lower, upper, got "left"'),
        ({"confidence": 2}, "confidence must be between 0 and 1, both excluded, got 2"),
        (
            {"correlation_prior": (0.1, 1)},
            "correlation_prior must be two numbers, each at least 0.5, got (0.1, 1)",
        ),
    ],
)
def test_messages(changes: dict[str, Any], message: str) -> None:
    with pytest.raises(InvalidInput) as raised:
        tote_quality(**{"count": [190], "inspected": [200], **changes})
    assert str(raised.value) == message
