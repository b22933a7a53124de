"""Run lengths of a CUSUM and its limits: simulation, finer grids, the limit asked for."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from qa.charts import cusum, cusum_limit, cusum_run_length
from qa.charts.run_length import grid
from qa.errors import InvalidInput
from tests.run_lengths import VARIED


def simulated(rng, sizes, rate, rho, *, center, ratio, limit, repeats):
    """Mean run length of the chart itself, and its standard error, tote by tote."""
    side = "rise" if ratio > 1 else "fall"
    other = "fall" if ratio > 1 else "rise"
    runs = []
    while len(runs) < repeats:
        n = rng.choice(sizes, 200_000)
        p = rng.beta(rate * (1 - rho) / rho, (1 - rate) * (1 - rho) / rho, n.size) if rho else rate
        chart = cusum(
            rng.binomial(n, p),
            n,
            center=center,
            correlation=rho,
            limit=limit,
            **{side: ratio, other: None},
        )
        runs += np.diff(np.flatnonzero(chart.signals), prepend=-1).tolist()
    return np.mean(runs), np.std(runs) / np.sqrt(len(runs)), np.std(runs), runs


# statistics.md 0.2: a beta-binomial CUSUM for a doubling of 1 % (n = 200, correlation 0.01) sees it
# in 15 totes on average; a binomial one designed for 500 really has 31.
def test_run_lengths_of_the_method_sheet():
    rng = np.random.default_rng(20)
    found = cusum_limit([200], center=0.01, correlation=0.01, arl=500)
    design = {"center": 0.01, "ratio": 2.0, "limit": found.limit, "repeats": 1500}
    quiet, error, _, _ = simulated(rng, [200], 0.01, 0.01, **design)
    assert abs(quiet - found.arl) < 4 * error
    assert error < 0.03 * quiet
    seen, error, _, _ = simulated(rng, [200], 0.02, 0.01, **design)
    assert abs(seen - 15) < 0.6
    run = cusum_run_length([200], center=0.01, correlation=0.01, limit=found.limit, rate=0.02)
    assert abs(seen - run.mean) < 4 * error
    naive = cusum_limit([200], center=0.01, arl=500)
    n = np.full(400_000, 200)
    count = rng.binomial(n, rng.beta(0.99, 98.01, n.size))
    alarms = cusum(count, n, center=0.01, fall=None, limit=naive.limit).signals.sum()
    # With one size and no correlation run lengths come in steps: the limit attains 535, not 500.
    assert_allclose(n.size / alarms * 500 / 535, 31, rtol=0.05)


@pytest.mark.parametrize(("ratio", "rate"), [(2.0, 0.012), (0.5, 0.012), (1.5, 0.02)])
def test_chain_agrees_with_simulation_for_varied_sizes(ratio, rate):
    rng = np.random.default_rng(7)
    limit = 2.8
    run = cusum_run_length(
        VARIED, center=0.012, correlation=0.01, ratio=ratio, limit=limit, rate=rate
    )
    mean, error, sd, runs = simulated(
        rng, VARIED, rate, 0.01, center=0.012, ratio=ratio, limit=limit, repeats=3000
    )
    assert abs(run.mean - mean) < 4 * error
    assert_allclose(run.sd, sd, rtol=0.12)
    slack = 4 * np.sqrt(0.25 / len(runs))
    for q, tote in run.quantiles.items():  # to one tote: the grid blurs paths of equal counts
        assert np.mean(np.array(runs) <= tote + 1) > q - slack
        assert np.mean(np.array(runs) <= tote - 2) < q + slack


# One size and correlation 0: run lengths come in jumps, which the fitted grid must follow (an even
# grid misses the first of these by a fifth).
@pytest.mark.parametrize(("n", "center", "ratio"), [(1000, 0.05, 0.5), (200, 0.01, 2.0)])
def test_a_solved_limit_attains_what_it_says_on_a_lattice(n, center, ratio):
    rng = np.random.default_rng(12)
    found = cusum_limit([n], center=center, ratio=ratio, arl=500)
    mean, error, _, _ = simulated(
        rng, [n], center, 0.0, center=center, ratio=ratio, limit=found.limit, repeats=1500
    )
    assert abs(found.arl - mean) < 3 * error + 0.01 * mean


@pytest.mark.parametrize(("rho", "sizes"), [(0.0, [200]), (0.01, VARIED)])
def test_steady_state_runs_agree_with_simulation(rho, sizes):
    rng = np.random.default_rng(11)
    options = {"center": 0.01, "correlation": rho, "limit": 3.0}
    run = cusum_run_length(sizes, rate=0.025, start="steady", **options)
    quiet, runs = 60, []
    while len(runs) < 3000:
        n = rng.choice(sizes, quiet + 200)
        rate = np.where(np.arange(n.size) < quiet, 0.01, 0.025)
        p = rng.beta(rate * (1 - rho) / rho, (1 - rate) * (1 - rho) / rho) if rho else rate
        signals = np.flatnonzero(cusum(rng.binomial(n, p), n, fall=None, **options).signals)
        if signals[0] >= quiet:
            runs.append(signals[0] - quiet + 1)
    error = np.std(runs) / np.sqrt(len(runs))
    assert abs(run.mean - np.mean(runs)) < 4 * error
    assert_allclose(run.sd, np.std(runs), rtol=0.1)
    fresh = cusum_run_length(sizes, rate=0.025, **options)
    assert run.mean < fresh.mean - error


# 4,000 simulated runs of `cusum`'s own paths; Lucas & Crosier's printed values are held above.
@pytest.mark.parametrize("rate", [0.01, 0.02])
def test_a_head_start_runs_as_long_as_simulated(rate):
    rng, law = np.random.default_rng(13), {"center": 0.01, "correlation": 0.01}
    n = np.full((4000, 600), 200)
    x = rng.binomial(n, rng.beta(99 * rate, 99 * (1 - rate), n.shape))
    asked = {"limit": 2.0, "fall": None, "reset": False, "head_start": 0.5}
    over = np.array([cusum(*each, **asked, **law).signals_up for each in zip(x, n, strict=True)])
    runs = over.argmax(axis=1) + 1
    assert over.any(axis=1).all()
    run = cusum_run_length([200], limit=2.0, rate=rate, head_start=0.5, **law)
    assert abs(run.mean - runs.mean()) < 3.5 * runs.std() / np.sqrt(runs.size) + 0.006 * run.mean
    assert run.mean < cusum_run_length([200], limit=2.0, rate=rate, **law).mean


# The error stated in the module: a grid eight times finer moves the average run length by 0.5 %.
@pytest.mark.parametrize(("ratio", "rate"), [(2.0, 0.01), (2.0, 0.02), (0.5, 0.01)])
def test_the_grid_is_fine_enough(ratio, rate):
    options = {"center": 0.01, "correlation": 0.01, "ratio": ratio, "limit": 4.0, "rate": rate}
    coarse = cusum_run_length(VARIED, **options)
    fine = cusum_run_length(VARIED, states=1024, **options)
    assert_allclose(coarse.mean, fine.mean, rtol=5e-3)


@pytest.mark.parametrize("arl", [1.5, 20.0, 500.0, 20_000.0])
@pytest.mark.parametrize("ratio", [2.0, 0.5])
def test_a_solved_limit_attains_what_was_asked(arl, ratio):
    found = cusum_limit(VARIED, center=0.01, correlation=0.01, ratio=ratio, arl=arl)
    assert found.arl >= arl
    assert found.limit <= np.log(arl) + 0.1  # Lorden's bound
    run = cusum_run_length(
        VARIED, center=0.01, correlation=0.01, ratio=ratio, limit=found.limit, states=512
    )
    assert_allclose(run.mean, found.arl, rtol=0.02)


def test_a_limit_is_half_a_step_beyond_the_last_quiet_point():
    """So that a chart on as many points as its limit was found at is the very same chain."""
    law = {"center": 0.01, "correlation": 0.01}
    found = cusum_limit(VARIED, arl=500, **law)
    points = round(found.limit / (np.log(500) / (grid.STATES - 0.5)) + 0.5)
    run = cusum_run_length(VARIED, limit=found.limit, states=points, **law)
    assert_allclose(run.mean, found.arl, rtol=1e-8)


def test_every_limit_comes_from_one_factoring():
    watch = grid.checked_watch(VARIED, 0.01, 0.01, 2.0, "binomial")
    scores = grid.scores_of(watch, watch.shift.law)
    moves = grid.grid_chances(scores, 0.05, 90)
    matrix = grid.matrix(moves)
    for size in (1, 2, 40, 90):
        alone = np.linalg.solve(np.eye(size) - matrix[:size, :size], np.ones(size))[0]
        assert_allclose(grid.arl_of_every_limit(moves)[size - 1], alone, rtol=1e-9)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: cusum_limit([], center=0.01), "inspected_sizes must hold one size or more"),
        (lambda: cusum_limit([0], center=0.01), "inspected_sizes must be whole numbers, 1 or more"),
        (lambda: cusum_limit([9], center=0.01, arl=1), "arl must be one number above 1, got 1"),
        (lambda: cusum_limit([9], center=0.01, ratio=1.0), "ratio must take the center 0.01"),
        (lambda: cusum_limit([9], center=0.6), "ratio must take the center 0.6 to another"),
        (lambda: cusum_run_length([9], center=0.1, limit=0), "limit must be above 0, got 0"),
        (lambda: cusum_limit([9], center=0.1, model="normal"), "model must be one of binomial, po"),
        (
            lambda: cusum_limit([9], center=2, model="poisson", correlation=0.1),
            "correlation must be 0 with the Poisson model, got 0.1",
        ),
        (lambda: cusum_limit([0], center=2, model="poisson"), "inspected_sizes must be above 0"),
        (lambda: cusum_limit([9], center=0, model="poisson"), "center must be above 0, got 0"),
        (
            lambda: cusum_limit([9], center=[1, 2], model="poisson"),
            "center must be one number, got",
        ),
        (
            lambda: cusum_limit([9], center=2, model="poisson", ratio=1),
            "ratio must be above 0 and not 1, got 1",
        ),
        (
            lambda: cusum_run_length([9], center=0.1, limit=2, start="warm"),
            'start must be one of zero, steady, got "warm"',
        ),
        (
            lambda: cusum_run_length([9], center=0.1, limit=2, head_start=1),
            "head_start must be one number from 0, below 1, got 1",
        ),
    ],
)
def test_bad_input_is_told_the_rule(call, message):
    with pytest.raises(InvalidInput, match=message):
        call()
