"""Chains of run lengths against printed tables of normal charts and against eigenvectors."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import special

from qa.charts.run_length import chain, grid
from tests.run_lengths import hat, normal_cells, rows


# Montgomery & Runger, table 16-6 (seen): normal means of n values, limits at three deviations.
@pytest.mark.parametrize("row", rows("Shewhart Xbar two-sided"), ids=lambda r: str(r["shift"]))
def test_printed_run_lengths_of_means(row):
    size = float(row["parameters"].partition("n=")[2])
    off = float(row["shift"]) * np.sqrt(size)
    inside = special.ndtr(3 - off) - special.ndtr(-3 - off)
    run = chain.run_length(chain.dense(np.array([[inside]])))
    assert_allclose(run.mean, float(row["recomputed"]), atol=6e-5)
    assert_allclose(run.mean, float(row["ARL"]), atol=0.051)
    assert run.quantiles == chain.geometric(1 - inside).quantiles


# Montgomery & Runger, table 16-9 (seen), Montgomery, table 9.4 (memory): two-sided normal CUSUMs;
# with a head start of half the limit Lucas & Crosier (1982), Technometrics 24, table 1 (memory).
# Both sides a from their start and b from 0: (a b' + b a' - b b') / (b + b') (their equation 1).
@pytest.mark.parametrize(
    "row",
    rows("CUSUM two-sided") + rows("CUSUM two-sided FIR"),
    ids=lambda r: f"{r['parameters']} {r['shift']}",
)
def test_printed_two_sided_normal_cusums(row):
    k, h, *head = (float(part.partition("=")[2]) for part in row["parameters"].split())
    states, from_head, from_zero = 300, [], []
    value, chance = normal_cells()
    for shift in (float(row["shift"]), -float(row["shift"])):
        scores = grid.Scores(value + shift - k, chance)
        moves = grid.grid_chances(scores, h / (states - 0.5), states)
        side = chain.dense(grid.matrix(moves))
        start = np.interp(np.arange(states), *hat(head[0] if head else 0.0, h, states))
        from_zero.append(side.visits(side.start).sum())
        from_head.append(side.visits(start).sum())
    (a, other_a), (b, other_b) = from_head, from_zero
    mean = (a * other_b + b * other_a - b * other_b) / (b + other_b)
    assert_allclose(mean, float(row["recomputed"]), rtol=1e-3)


# Brook & Evans (1972), Biometrika 59 (memory): normal, k = 0.5, h = 3: 117.59 and 3.75 (117.5957
# and 3.7491 to more digits, so the last printed one is cut, not rounded).
@pytest.mark.parametrize("row", rows("CUSUM one-sided"), ids=lambda row: row["shift"])
def test_the_chain_finds_a_printed_normal_cusum(row):
    value, chance = normal_cells()
    scores = grid.Scores(value + float(row["shift"]) - 0.5, chance)
    states = 600
    moves = grid.grid_chances(scores, 3 / (states - 0.5), states)
    run = chain.run_length(chain.dense(grid.matrix(moves)))
    assert_allclose(run.mean, float(row["recomputed"]), rtol=1e-4)
    assert_allclose(run.mean, grid.arl_of_every_limit(moves)[-1], rtol=1e-9)


def test_the_steady_state_is_the_part_that_dies_out_slowest():
    rng = np.random.default_rng(6)
    matrix = rng.dirichlet(np.ones(6), 5)[:, :5]
    values, vectors = np.linalg.eig(matrix.T)
    slowest = np.real(vectors[:, np.argmax(np.abs(values))])
    assert_allclose(chain.settled(chain.dense(matrix)), slowest / slowest.sum(), rtol=1e-8)
