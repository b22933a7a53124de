"""Run lengths of a CUSUM watched both ways: print, simulation, Kemp."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from qa.charts import cusum, cusum_pair_run_length, cusum_run_length
from qa.charts.run_length import chain, grid, pair
from qa.errors import InvalidInput
from tests.run_lengths import VARIED, normal_cells


# The same tables by pairs of sums on a grid of 64 points each: within 1 % of print.
@pytest.mark.parametrize(
    ("h", "shift", "printed"), [(4, 0, 168), (4, 0.5, 26.6), (4, 1, 8.38), (5, 0.5, 38.0)]
)
def test_pairs_of_sums_find_printed_two_sided_normal_cusums(h, shift, printed):
    value, chance = normal_cells()
    sums = [grid.Scores(side * (value + shift) - 0.5, chance) for side in (1, -1)]
    run = chain.run_length(pair.chain_of(sums, np.full(2, h / 63.5), 64))
    assert_allclose(run.mean, printed, rtol=0.01)


def test_a_move_of_a_pair_keeps_both_means():
    sums = [grid.Scores(np.array([0.3, -1.1, 2.4]), np.array([0.5, 0.3, 0.2])) for _ in range(2)]
    sums[1] = grid.Scores(np.array([-0.2, 0.9, -0.35]), sums[1].chance)
    steps = np.array([0.25, 0.4])
    moves = pair._moves(sums, steps, 20)
    mean = sum(chance * move * steps for move, chance in moves)
    assert_allclose(mean, [each.score @ each.chance for each in sums], rtol=1e-12)
    assert_allclose(sum(chance for _, chance in moves), 1, rtol=1e-12)


# Kemp (1961): exact where one sum stands at 0 whenever the other signals. Both sides' own run
# lengths are exact on their lattice (one size), or on a finer grid; 1.5 % is the coarser one's.
@pytest.mark.parametrize("sizes", [[200], VARIED])
@pytest.mark.parametrize("rate", [0.01, 0.02, 0.004])
def test_a_pair_signals_at_the_rates_of_both_its_sums(sizes, rate):
    law = {"center": 0.01, "rate": rate}
    up = cusum_run_length(sizes, limit=3.0, **law).mean
    down = cusum_run_length(sizes, limit=2.5, ratio=0.5, **law).mean
    both = cusum_pair_run_length(sizes, limit=(3.0, 2.5), states=48, **law)
    assert_allclose(1 / both.mean, 1 / up + 1 / down, rtol=0.02)


# 3,000 simulated runs of `cusum`'s own paths a case, beta-binomial and Poisson.
@pytest.mark.parametrize(
    ("law", "rate", "start"),
    [
        ({"center": 0.01, "correlation": 0.01}, 0.01, "zero"),
        ({"center": 0.01, "correlation": 0.01}, 0.006, "steady"),
        ({"center": 2.0, "model": "poisson"}, 2.0, "zero"),
    ],
)
def test_a_pair_runs_as_long_as_simulated(law, rate, start):
    rng, limit = np.random.default_rng(12), (2.0, 1.6)
    quiet = 30 if start == "steady" else 0
    n = np.full((3000, 400), 200 if "correlation" in law else 1)
    p = np.where(np.arange(400) < quiet, law["center"], rate)
    if "correlation" in law:
        x = rng.binomial(n, rng.beta(99 * p, 99 * (1 - p), n.shape))
    else:
        x = rng.poisson(p, n.shape)
    over = np.array(
        [cusum(*each, limit=limit, reset=False, **law).signals for each in zip(x, n, strict=True)]
    )
    first = over.argmax(axis=1) + 1
    assert over.any(axis=1).all()
    runs = first[first > quiet] - quiet
    run = cusum_pair_run_length([n[0, 0]], limit=limit, rate=rate, start=start, **law)
    assert abs(run.mean - runs.mean()) < 3.5 * runs.std() / np.sqrt(runs.size) + 0.01 * run.mean
    assert_allclose(run.sd, runs.std(), rtol=0.08)
    assert abs(run.quantiles[0.5] - np.median(runs)) <= 1 + 0.05 * run.quantiles[0.5]


# Both head starts by Lucas & Crosier's equation 1 from the one-sided runs, exact on their lattices:
# (a b' + b a' - b b') / (b + b'), a from the head start and b from 0; 2 % is the coarse grid's.
@pytest.mark.parametrize("rate", [2.0, 3.0, 1.2])
def test_a_pair_with_a_head_start_follows_from_its_sums(rate):
    law, a, b = {"center": 2.0, "model": "poisson", "rate": rate}, [], []
    for ratio, limit in ((2.0, 3.1), (0.5, 2.7)):
        asked = {"ratio": ratio, "limit": limit, **law}
        a.append(cusum_run_length([3.0], head_start=0.5, **asked).mean)
        b.append(cusum_run_length([3.0], **asked).mean)
    mean = (a[0] * b[1] + a[1] * b[0] - b[0] * b[1]) / (b[0] + b[1])
    both = cusum_pair_run_length([3.0], limit=(3.1, 2.7), head_start=0.5, **law)
    assert_allclose(both.mean, mean, rtol=0.02)
    fresh = cusum_pair_run_length([3.0], limit=(3.1, 2.7), **law)
    assert both.mean < fresh.mean
    steady = cusum_pair_run_length([3.0], limit=(3.1, 2.7), head_start=0.5, start="steady", **law)
    assert steady.mean == cusum_pair_run_length([3.0], limit=(3.1, 2.7), start="steady", **law).mean


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: cusum_pair_run_length([9], center=0.1, limit=(2, 2), rise=0.5, fall=0.2),
            "fall must be below 1 and rise above it, got 0.2 and 0.5",
        ),
        (
            lambda: cusum_pair_run_length([9], center=0.1, limit=(2, 0)),
            "limit must be above 0, got 0",
        ),
        (
            lambda: cusum_pair_run_length([9], center=0.1, limit=(2, 2), head_start=1.0),
            "head_start must be one number from 0, below 1, got 1.0",
        ),
    ],
)
def test_bad_input_is_told_the_rule(call, message):
    with pytest.raises(InvalidInput, match=message):
        call()
