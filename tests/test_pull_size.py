"""How much to pull: against exhaustion, closed forms, enumeration and simulation."""

import itertools
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import stats

from qa.errors import InvalidInput, NoSuchPlan
from qa.plans import SinglePlan, accept_in_totes
from qa.plans.pull_size import Effort, best_pieces, for_precision, for_rise

EFFORT = Effort(tote=300, piece=1.5, pieces_per_tote=4000)
correlations = st.floats(0.0005, 0.6)


# By exhaustion: no other whole number of pieces gives less variance for the same cost.
@given(st.floats(0.1, 1000), st.floats(0.01, 10), st.integers(1, 500), correlations)
@settings(max_examples=60, deadline=None)
def test_best_pieces_by_trying_all(
    tote: float, piece: float, most: int, correlation: float
) -> None:
    n = np.arange(1, most + 1)
    loss = (correlation + (1 - correlation) / n) * (tote + piece * n)
    found = best_pieces(Effort(tote, piece, most), correlation)
    assert_allclose(loss[found - 1], loss.min(), rtol=1e-12)


# Cochran's formula, by hand: sqrt(100 / 1 * .9 / .1) = 30.
def test_best_pieces_has_the_closed_form() -> None:
    assert best_pieces(Effort(100, 1, 4000), 0.1) == 30
    assert best_pieces(Effort(100, 1, 20), 0.1) == 20
    assert best_pieces(Effort(100, 1, 4000), 0) == 4000


# One piece a tote, no correlation: the simple random sample of every textbook, 385 with the normal
# quantile for 0.5 within 0.05; with Student's t, as here, 387.
def test_precision_of_a_simple_random_sample() -> None:
    size = for_precision(0.5, 0.05, EFFORT, correlation=0, pieces=1)
    assert size.totes == 387
    assert_allclose(size.reached, stats.t.ppf(0.975, 386) * np.sqrt(0.25 / 387), rtol=1e-12)


@given(st.floats(0.05, 0.5), st.floats(0.3, 1.0), correlations, st.integers(5, 400))
@settings(max_examples=40, deadline=None)
def test_no_fewer_totes_are_as_precise(
    p: float, part: float, correlation: float, pieces: int
) -> None:
    size = for_precision(p, p * part, EFFORT, correlation=correlation, pieces=pieces)
    variance = p * (1 - p) * (correlation + (1 - correlation) / pieces)
    assert size.reached <= p * part
    assert_allclose(size.cost, size.totes * (300 + 1.5 * pieces), rtol=1e-12)
    if size.totes > 2:
        fewer = stats.t.ppf(0.975, size.totes - 2) * np.sqrt(variance / (size.totes - 1))
        assert fewer > p * part


# 20,000 periods of beta-binomial totes; the standard deviation is known to half a per cent.
def test_precision_by_simulation() -> None:
    p, correlation, pieces = 0.02, 0.02, 200
    size = for_precision(p, 0.005, EFFORT, correlation=correlation, pieces=pieces)
    pairs, rng = (1 - correlation) / correlation, np.random.default_rng(6)
    tote = rng.beta(p * pairs, (1 - p) * pairs, (20_000, size.totes))
    found = rng.binomial(pieces, tote).sum(axis=1) / (pieces * size.totes)
    expected = size.reached / stats.t.ppf(0.975, size.totes - 1)
    assert_allclose(found.std(), expected, rtol=0.02)


def test_pieces_follow_from_the_cost() -> None:
    size = for_precision(0.01, 0.004, EFFORT, correlation=0.02)
    assert size.pieces == best_pieces(EFFORT, 0.02)
    for pieces in (20, 400):
        other = for_precision(0.01, 0.004, EFFORT, correlation=0.02, pieces=pieces)
        assert other.cost > size.cost


# Another road to the same power: the acceptance of a single plan over as many totes.
@pytest.mark.parametrize(
    ("p", "rise", "correlation"), [(0.01, 2, 0.01), (0.02, 1.5, 0), (0.05, 3, 0.1)]
)
def test_power_is_that_of_a_plan(p: float, rise: float, correlation: float) -> None:
    def best_power(totes: int) -> float:
        pieces = [50] * totes
        for c in range(50 * totes):
            plan = SinglePlan(50 * totes, c)
            calm = accept_in_totes(plan, p, correlation=correlation, pieces=pieces)
            if 1 - calm <= 0.05 + 1e-12:
                risen = accept_in_totes(plan, p * rise, correlation=correlation, pieces=pieces)
                return float(1 - risen)
        return 0.0

    size = for_rise(p, rise, EFFORT, correlation=correlation, pieces=50, power=0.8)
    assert_allclose(best_power(size.totes), size.reached, rtol=1e-9)
    for totes in range(max(size.totes - 3, 1), size.totes):
        assert best_power(totes) < 0.8


# By enumeration: every outcome of two totes of two pieces, correlation 0.
def test_power_by_every_outcome() -> None:
    size = for_rise(0.05, 16, EFFORT, correlation=0, pieces=2, power=0.9, false_alarm=0.2)
    found = {}
    for p in (0.05, 0.8):
        outcome = itertools.product((0, 1), repeat=2 * size.totes)
        found[p] = np.zeros(2 * size.totes + 1)
        for state in outcome:
            found[p][sum(state)] += p ** sum(state) * (1 - p) ** (len(state) - sum(state))
    first = next(k for k in range(9) if found[0.05][k:].sum() <= 0.2)
    assert_allclose(size.reached, found[0.8][first:].sum(), rtol=1e-12)


def refused(text: str, kind: type[Exception] = InvalidInput) -> Any:
    return pytest.raises(kind, match=f"^{text}$")


def test_what_these_questions_refuse() -> None:
    with refused("tote must be above 0, got 0"):
        Effort(0, 1, 10)
    with refused(r"piece must be one number, got \[1, 2\]"):
        Effort(1, [1, 2], 10)  # type: ignore[arg-type]
    with refused("pieces_per_tote must be whole numbers, 1 or more, got 0"):
        Effort(1, 1, 0)
    with refused("correlation must be one number from 0, below 1, got 1"):
        best_pieces(EFFORT, 1)
    with refused("p must be between 0 and 1, both excluded, got 0"):
        for_precision(0, 0.1, EFFORT, correlation=0)
    with refused("half_width must be between 0 and 1, both excluded, got 0"):
        for_precision(0.1, 0, EFFORT, correlation=0)
    with refused("pieces must be at most pieces_per_tote 4000, got 5000"):
        for_precision(0.1, 0.1, EFFORT, correlation=0, pieces=5000)
    with refused("rise must be above 1, got 0.5"):
        for_rise(0.1, 0.5, EFFORT, correlation=0)
    with refused("rise must take the center 0.1 to another fraction between 0 and 1, got 20"):
        for_rise(0.1, 20, EFFORT, correlation=0)
    with refused("power must be between 0 and 1, both excluded, got 1"):
        for_rise(0.1, 2, EFFORT, correlation=0, power=1)
    with refused("a half width of 1e-05 needs more than 2,000 totes of 10 pieces", NoSuchPlan):
        for_precision(0.1, 0.00001, EFFORT, correlation=0.1, pieces=10)
    with refused("a rise to 1.01 x 0.001 needs more than 2,000 totes", NoSuchPlan):
        for_rise(0.001, 1.01, EFFORT, correlation=0.1, pieces=10)
