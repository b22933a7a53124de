"""The posterior of beta-binomial totes against closed forms, plain quadrature and simulation."""

from typing import Any

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from numpy.typing import NDArray
from scipy import special

from qa.errors import InvalidInput
from qa.intervals import beta_binomial as bb
from qa.intervals import binomial, clustered, learned_prior

Floats = NDArray[np.float64]


def totes(x: Any, n: Any) -> bb.Totes:
    count = np.asarray(x, dtype=np.float64)
    return bb.totes_of(count, np.broadcast_to(np.asarray(n, dtype=np.float64), count.shape))


def beta_totes(rng: np.random.Generator, mean: float, rho: float, shape: Any, n: Any) -> Any:
    """Counts of beta-binomial totes."""
    if rho == 0:
        return rng.binomial(n, mean, shape)
    return rng.binomial(n, rng.beta(mean * (1 / rho - 1), (1 - mean) * (1 / rho - 1), shape))


def gauss(first: float, last: float, parts: int) -> tuple[Floats, Floats]:
    """Gauss-Legendre points and weights, 30 in each part."""
    at, weight = np.polynomial.legendre.leggauss(30)
    edges = np.linspace(first, last, parts + 1)
    half, middle = np.diff(edges)[:, None] / 2, (edges[1:] + edges[:-1])[:, None] / 2
    return (middle + half * at).ravel(), (half * weight).ravel()


def chance_below(limit: float, x: Any, n: Any, prior: bb.Prior = (0.5, 10.0)) -> float:
    """Posterior chance of a mean below the limit: beta functions under Gauss-Legendre rules."""
    rho, of_rho = gauss(1e-9, np.sqrt(0.999), 25)
    of_rho = of_rho * 2 * rho * special.beta(*prior) ** -1
    rho = rho**2
    split = np.arcsin(np.sqrt(limit))
    logs = []
    for first, last in ((0.0, split), (split, np.pi / 2)):
        angle, weight = gauss(first, last, 25)
        mean = np.sin(angle)[:, None] ** 2
        a, b = mean * (1 / rho - 1), (1 - mean) * (1 / rho - 1)
        seen = sum(
            special.betaln(a + x_i, b + n_i - x_i) - special.betaln(a, b)
            for x_i, n_i in zip(x, n, strict=True)
        )
        known = special.xlogy(prior[0] - 1, rho) + special.xlog1py(prior[1] - 1, -rho)
        logs.append((seen + known, np.multiply.outer(weight, of_rho)))
    top = max(part.max() for part, _ in logs)
    below, above = (float((np.exp(part - top) * weight).sum()) for part, weight in logs)
    return below / (below + above)


# Independent road: the same posterior by other variables, another rule and gamma functions.
@pytest.mark.parametrize(
    ("x", "n", "prior"),
    [
        ([4], [200], (0.5, 10.0)),
        ([0, 3, 1], [200, 150, 120], (0.5, 10.0)),
        ([2, 0, 1, 9, 0, 3, 1, 2, 0, 4], [200] * 10, (0.5, 10.0)),
        ([2, 0, 1, 9, 0, 3, 1, 2, 0, 4], [200] * 10, (6.5, 400.0)),
        ([130, 90, 250, 60], [300, 280, 410, 350], (0.5, 0.5)),
        ([12, 0, 30, 5, 9, 14], [1500, 1800, 2100, 900, 1100, 2000], (0.5, 10.0)),
    ],
)
def test_limits_leave_the_chance_asked_for_by_plain_quadrature(
    x: list[int], n: list[int], prior: bb.Prior
) -> None:
    found, _ = bb.posterior(totes(x, n), prior)
    for tail in (0.025, 0.001):
        assert_allclose(chance_below(found.below(tail), x, n, prior), tail, rtol=2e-5)
        assert_allclose(1 - chance_below(found.above(tail), x, n, prior), tail, rtol=2e-5)


# Totes of one piece are one binomial sample whatever the correlation: Jeffreys' limits.
@pytest.mark.parametrize("count", [0, 1, 7, 20])
def test_totes_of_one_piece_have_jeffreys_limits(count: int) -> None:
    found, _ = bb.posterior(totes([1] * count + [0] * (20 - count), 1))
    a, b = count + 0.5, 20 - count + 0.5
    assert_allclose(found.below(0.025), special.betaincinv(a, b, 0.025), rtol=1e-9)
    assert_allclose(found.above(1e-4), special.betainccinv(a, b, 1e-4), rtol=1e-9)
    mean, variance = a / 21, a * b / (21**2 * 22)
    assert_allclose(found.moments(), [mean, variance], rtol=1e-9)


# So are totes that are known not to differ; at a mean correlation of 5e-8 of 200 pieces the
# variance is 1 + 1e-5 times the binomial one.
def test_totes_known_not_to_differ_have_jeffreys_limits() -> None:
    x, n = np.array([1, 3, 0, 2]), 200
    found = clustered(x, [n] * 4, method="beta_binomial", correlation_prior=(0.5, 1e7)).interval
    simple = binomial(6, 800, method="jeffreys")
    assert_allclose([found.low, found.high], [simple.low, simple.high], rtol=2e-5)


@pytest.mark.parametrize(("size", "start"), [(5, 3), (40, 9), (999, 1), (20_000, 2)])
def test_both_roads_of_a_rising_factorial_agree(size: int, start: int) -> None:
    rng = np.random.default_rng(size)
    counts = rng.integers(start, size + start, 4).astype(np.float64)
    one = bb.Rising(counts, np.array([1.0, 0.5, 2.0, 1.0]))
    rho = np.array([0.0, 1e-12, 1e-6, 1e-3, 0.02, 0.3, 0.99])
    base = np.multiply.outer([1e-9, 1e-4, 0.02, 0.4, 1.0], 1 - rho)
    slow = sum(
        weight * np.log(base[..., None] + rho[:, None] * np.arange(count)).sum(axis=-1)
        for count, weight in zip(one.count, one.weight, strict=True)
    )
    assert_allclose(one.summed(base, rho), slow, rtol=1e-11, atol=1e-10)
    many = bb.Rising(np.arange(1.0, size + 1), np.ones(size))  # so many that steps are cheaper
    if size < 1000:
        slow = sum(
            np.log(base[..., None] + rho[:, None] * np.arange(k)).sum(-1) for k in many.count
        )
        assert_allclose(many.summed(base, rho), slow, rtol=1e-11, atol=1e-10)


sizes = st.integers(1, 300)
pairs = st.lists(
    sizes.flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))), min_size=1, max_size=8
)


@given(pairs)
@example([(0, 6), (202, 230)])  # a posterior that does not hold the ratio of the pieces
def test_limits_mirror_and_are_in_order(counted: list[tuple[int, int]]) -> None:
    x, n = np.transpose(counted)
    one = clustered(x, n, method="beta_binomial")
    other = clustered(n - x, n, method="beta_binomial")
    assert 0 <= one.interval.low <= one.interval.estimate <= one.interval.high <= 1
    assert_allclose(one.interval.low, 1 - other.interval.high, rtol=1e-5, atol=1e-12)
    assert 0 < one.effective_n <= n.sum()
    narrow = clustered(x, n, method="beta_binomial", confidence=0.8).interval
    assert narrow.low >= one.interval.low - 1e-12
    assert narrow.high <= one.interval.high + 1e-12


def test_many_totes_and_pieces_settle() -> None:
    rng = np.random.default_rng(2)
    for m, size, mean, rho in (
        (20, 5000, 0.001, 0.001),
        (2, 10_000, 0.01, 0),
        (3000, 200, 0.02, 0.01),
    ):
        n = rng.integers(size // 2, size, m)
        mean_of, rho_of = bb.posterior(totes(beta_totes(rng, mean, rho, m, n), n))
        assert mean_of.settled()
        assert rho_of.settled()


# A posterior by Gauss-Legendre of means and correlations of three lanes at once, brute force.
def test_the_learned_prior_is_the_posterior_with_a_mean_a_stratum() -> None:
    lanes = np.tile([2, 0, 1, 9, 0, 3], 6), np.tile([30, 22, 41, 18, 35, 28], 6)
    x, stratum = np.concatenate(lanes), np.repeat(["a", "b"], 36)
    a, b = learned_prior(x, [200] * 72, stratum=stratum)
    rho, weight = gauss(1e-9, np.sqrt(0.999), 25)
    weight, rho = weight * 2 * rho, rho**2
    angle, of_angle = gauss(0, np.pi / 2, 40)
    mean = np.sin(angle)[:, None] ** 2
    shape_a, shape_b = mean * (1 / rho - 1), (1 - mean) * (1 / rho - 1)
    log = special.xlogy(-0.5, rho) + special.xlog1py(9.0, -rho)
    for mine in lanes:
        seen = sum(
            special.betaln(shape_a + x_i, shape_b + 200 - x_i) - special.betaln(shape_a, shape_b)
            for x_i in mine
        )
        top = seen.max()
        log = log + np.log(of_angle @ np.exp(seen - top)) + top
    density = np.exp(log - log.max()) * weight
    center = density @ rho / density.sum()
    variance = density @ (rho - center) ** 2 / density.sum()
    assert_allclose(a / (a + b), center, rtol=1e-5)
    assert_allclose(a * b / ((a + b) ** 2 * (a + b + 1)), 4 * variance, rtol=1e-5)
    assert 4 * variance > center**2 / 4
    a, b = learned_prior(np.tile(x, 8), [200] * 576, stratum=np.tile(stratum, 8))
    mean = a / (a + b)
    assert_allclose(a * b / ((a + b) ** 2 * (a + b + 1)), mean**2 / 4, rtol=1e-9)
    pooled = learned_prior(x, [200] * 72)
    assert pooled[0] / sum(pooled) > 2 * a / (a + b), "lanes that differ are not totes that do"


def test_a_learned_prior_makes_a_small_sample_worth_more() -> None:
    history = np.random.default_rng(8).binomial(200, 0.01, 400)
    learned = learned_prior(history, [200] * 400)
    few = {"count": [198, 199, 197, 198], "inspected": [200] * 4, "side": "lower"}
    before = clustered(**few, method="beta_binomial")
    after = clustered(**few, method="beta_binomial", correlation_prior=learned)
    assert after.interval.low > before.interval.low
    assert after.effective_n > 2 * before.effective_n
    assert min(learned_prior([0], [1])) >= 0.5


def test_ends_where_nothing_was_found() -> None:
    clean = clustered([200] * 8, [200] * 8, method="beta_binomial")
    assert float(clean.interval.high) == 1
    assert 0.95 < float(clean.interval.low) < 1
    none = clustered([0] * 8, [200] * 8, method="beta_binomial")
    assert float(none.interval.low) == 0
    assert_allclose(none.interval.high, 1 - clean.interval.low, rtol=1e-12)


def test_weights_move_the_limits_and_cost_totes() -> None:
    x, n, lane = [1, 2, 0, 1, 9, 8, 12, 7], [200] * 8, list("aaaabbbb")
    even = clustered(x, n, stratum=lane, method="beta_binomial")
    pooled = clustered(x, n, method="beta_binomial")
    assert_allclose(
        [even.interval.low, even.interval.high], [pooled.interval.low, pooled.interval.high]
    )
    good = clustered(x, n, stratum=lane, weight={"a": 9, "b": 1}, method="beta_binomial").interval
    bad = clustered(x, n, stratum=lane, weight={"a": 1, "b": 9}, method="beta_binomial").interval
    assert good.high < even.interval.high < bad.high
    assert good.low < even.interval.low < bad.low
    # A tote of weight 2 is two totes: three quarters of the weight on half of the totes say as
    # much as 8 / (1 + 1/4) = 6.4 totes.
    weight = np.array([1.5] * 4 + [0.5] * 4) * 6.4 / 8
    found, _ = bb.posterior(bb.totes_of(np.array(x, float), np.array(n, float), weight))
    three = clustered(x, n, stratum=lane, weight={"a": 3, "b": 1}, method="beta_binomial").interval
    assert_allclose([three.low, three.high], [found.below(0.025), found.above(0.025)], rtol=1e-9)


def test_what_is_assumed_is_said() -> None:
    found = clustered([3, 4], [200] * 2, filled=40, method="beta_binomial")
    assert found.assumed[0] == (
        "That a finite number of totes was filled is not used: the limits are those of the "
        "process, and a little wide."
    )
    assert found.assumed[1].startswith("Only 2 totes were inspected")
    assert found.interval.method == "beta_binomial"
    assert len(found.assumed) == 2


# Simulation, seed fixed: 200 repeats of 20 totes, so one standard error of a miss rate of 0.05
# is 0.0154. `python -m tests.coverage` holds the whole table.
@pytest.mark.parametrize("rho", [0.0, 0.03])
def test_lower_bounds_miss_as_seldom_as_they_say(rho: float) -> None:
    count = beta_totes(np.random.default_rng(4), 0.01, rho, (200, 20), 200)
    low = [
        float(clustered(200 - x, [200] * 20, method="beta_binomial", side="lower").interval.low)
        for x in count
    ]
    assert np.mean(np.array(low) > 0.99) < 0.05 + 3 * 0.0154


# The same where lanes differ and count unlike their totes: 150 repeats, one standard error 0.018.
def test_lower_bounds_hold_over_lanes_that_differ() -> None:
    rng, rho, lane = np.random.default_rng(7), 0.01, np.repeat([0, 1, 2], 8)
    mean, weight = np.array([0.01, 0.005, 0.03]), {0: 0.1, 1: 0.3, 2: 0.6}
    shape = mean[lane] * (1 / rho - 1), (1 - mean[lane]) * (1 / rho - 1)
    low = []
    for _ in range(150):
        correct = 200 - rng.binomial(200, rng.beta(*shape))
        found = clustered(
            correct, [200] * 24, stratum=lane, weight=weight, method="beta_binomial", side="lower"
        )
        low.append(float(found.interval.low))
    truth = 1 - mean @ [0.1, 0.3, 0.6]
    assert np.mean(np.array(low) > truth) <= 0.05 + 3 * 0.018
    assert np.mean(low) > truth - 0.03, "and they are not wide beyond use"


@pytest.mark.parametrize(
    ("prior", "message"),
    [
        ((0.5, -1), "correlation_prior must be above 0, got -1 at position 1"),
        ((0.4, 3), "correlation_prior must be two numbers, each at least 0.5, got (0.4, 3)"),
        ((1, 2, 3), "correlation_prior must be two numbers, each at least 0.5, got (1, 2, 3)"),
        (("a", 2), "correlation_prior must be numbers, got ('a', 2)"),
    ],
)
def test_messages(prior: Any, message: str) -> None:
    with pytest.raises(InvalidInput) as raised:
        clustered([1, 2], [100, 100], method="beta_binomial", correlation_prior=prior)
    assert str(raised.value) == message
