"""Risks under inspectors' error and differing totes: enumeration, another library, simulation."""

import itertools
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import integrate, stats

from qa.errors import InvalidInput
from qa.plans import (
    ChainPlan,
    DoublePlan,
    SinglePlan,
    accept_by_inspectors,
    accept_in_totes,
    seen,
    wald,
)


# Every true state of a small sample and every call of the inspector.
@pytest.mark.parametrize(("se", "sp"), [(0.8, 1.0), (1.0, 0.95), (0.7, 0.9)])
def test_inspectors_by_every_state_and_call(se: float, sp: float) -> None:
    plan, p, accepted = SinglePlan(4, 1), 0.2, 0.0
    for state in itertools.product((0, 1), repeat=plan.n):
        for called in itertools.product((0, 1), repeat=plan.n):
            chance = 1.0
            for bad, said in zip(state, called, strict=True):
                hit = se if bad else 1 - sp
                chance *= (p if bad else 1 - p) * (hit if said else 1 - hit)
            accepted += chance * (sum(called) <= plan.ac)
    found = accept_by_inspectors(plan, p, sensitivity=se, specificity=sp)
    assert_allclose(found, accepted, rtol=1e-12)


# Lavin (1946) and every text since: with p .02, Se .9 and Sp .98 the fraction seen is .0376
# (worked by hand).
def test_the_fraction_seen() -> None:
    assert_allclose(seen(0.02, sensitivity=0.9, specificity=0.98), 0.0376, rtol=1e-14)
    assert_allclose(seen([0, 1], sensitivity=0.9, specificity=0.98), [0.02, 0.9], rtol=1e-14)


@pytest.mark.parametrize(
    "plan", [SinglePlan(50, 2), DoublePlan(50, 1, 4, 50, 3, 4), wald(0.01, 0.06), ChainPlan(20, 3)]
)
def test_any_plan_accepts_more_when_inspectors_miss(plan: Any) -> None:
    p = [0.01, 0.05, 0.1]
    assert_allclose(accept_by_inspectors(plan, p), plan.accept(p), rtol=1e-14)
    assert (accept_by_inspectors(plan, p, sensitivity=0.7) > plan.accept(p)).all()
    assert (accept_by_inspectors(plan, p, specificity=0.97) < plan.accept(p)).all()


# scipy.stats.betabinom, another implementation; its own digits suffer at small correlations.
@pytest.mark.parametrize("correlation", [0.01, 0.05, 0.3, 0.9])
def test_one_tote_agrees_with_another_library(correlation: float) -> None:
    plan, p = SinglePlan(200, 3), np.array([0.001, 0.01, 0.033, 0.3])
    pairs = (1 - correlation) / correlation
    expected = stats.betabinom.cdf(3, 200, p * pairs, (1 - p) * pairs)
    found = accept_in_totes(plan, p, correlation=correlation)
    assert_allclose(found, expected, rtol=1e-9)


# The definition: the binomial, averaged over the beta distribution of totes.
def test_one_tote_by_the_integral() -> None:
    plan, p, correlation = SinglePlan(80, 2), 0.03, 0.02
    shapes = (p * 49, (1 - p) * 49)

    def part(q: float) -> float:
        return float(plan.accept(q) * stats.beta.pdf(q, *shapes))

    expected, error = integrate.quad(part, 0, 1, points=[1e-4, 0.01, 0.1], limit=400)
    found = accept_in_totes(plan, p, correlation=correlation)
    assert abs(found - expected) < error + 1e-8


# By enumeration: every split of the count over three unequal totes.
def test_several_totes_by_every_split() -> None:
    plan, p, correlation, pieces = SinglePlan(9, 2), 0.15, 0.1, [2, 3, 4]
    shapes = (p * 9, (1 - p) * 9)
    expected = sum(
        np.prod([stats.betabinom.pmf(k, n, *shapes) for k, n in zip(split, pieces, strict=True)])
        for split in itertools.product(*(range(n + 1) for n in pieces))
        if sum(split) <= plan.ac
    )
    found = accept_in_totes(plan, p, correlation=correlation, pieces=pieces)
    assert_allclose(found, expected, rtol=1e-11)


# 100,000 lots of ten totes; the bound is four standard errors.
def test_several_totes_by_simulation() -> None:
    plan, p, correlation, lots = SinglePlan(200, 3), 0.02, 0.03, 100_000
    pairs, rng = (1 - correlation) / correlation, np.random.default_rng(8)
    totes = rng.beta(p * pairs, (1 - p) * pairs, (lots, 10))
    accepted = (rng.binomial(20, totes).sum(axis=1) <= plan.ac).mean()
    found = accept_in_totes(plan, p, correlation=correlation, pieces=[20] * 10)
    assert abs(accepted - found) < 4 * np.sqrt(0.25 / lots)


plans = st.builds(SinglePlan, st.integers(1, 60), st.integers(0, 8))


@given(plans, st.floats(0, 1), st.floats(0, 0.9))
@settings(max_examples=60, deadline=None)
def test_one_piece_a_tote_leaves_the_plan_as_it_is(
    plan: SinglePlan, p: float, correlation: float
) -> None:
    alone = accept_in_totes(plan, p, correlation=correlation, pieces=[1] * plan.n)
    assert_allclose(alone, plan.accept(p), rtol=1e-10, atol=1e-300)
    assert_allclose(accept_in_totes(plan, p, correlation=0), plan.accept(p), rtol=1e-10, atol=0)


def test_the_ends() -> None:
    plan = SinglePlan(20, 1)
    assert_allclose(accept_in_totes(plan, [0, 1], correlation=0.1), [1, 0], atol=0)
    assert accept_in_totes(plan, [], correlation=0.1).shape == (0,)
    assert accept_in_totes(plan, [[0.1, 0.2]], correlation=0.1).shape == (1, 2)
    assert accept_in_totes(SinglePlan(5, 5), 0.9, correlation=0.1) == 1
    assert accept_in_totes(plan, 0.1, correlation=0.1).shape == ()
    # all pieces of a tote alike
    assert_allclose(accept_in_totes(plan, 0.3, correlation=1 - 1e-12), 0.7, rtol=1e-9)


# A reduced plan accepts in its gap too (MIL-STD-105E, 4.7.4).
def test_a_gap_accepts() -> None:
    gap, plain = SinglePlan(20, 1, 4), SinglePlan(20, 3)
    assert accept_in_totes(gap, 0.1, correlation=0.1) == accept_in_totes(
        plain, 0.1, correlation=0.1
    )


def refused(text: str) -> Any:
    return pytest.raises(InvalidInput, match=f"^{text}$")


def test_what_these_functions_refuse() -> None:
    plan = SinglePlan(20, 1)
    with refused("sensitivity and specificity must add to more than 1, got 0.5 and 0.5"):
        seen(0.1, sensitivity=0.5, specificity=0.5)
    with refused("sensitivity must be from 0 to 1, got 1.2"):
        accept_by_inspectors(plan, 0.1, sensitivity=1.2)
    with refused("specificity must be one number, got 2"):
        seen(0.1, specificity=[0.9, 0.8])  # type: ignore[arg-type]
    with refused("correlation must be one number from 0, below 1, got 1"):
        accept_in_totes(plan, 0.1, correlation=1)
    with refused("pieces must add up to n 20, got 19"):
        accept_in_totes(plan, 0.1, correlation=0.1, pieces=[10, 9])
    with refused("pieces must be whole numbers, 1 or more, got 0 at position 1"):
        accept_in_totes(plan, 0.1, correlation=0.1, pieces=[20, 0])
    with refused("p must be from 0 to 1, got 2"):
        accept_in_totes(plan, 2, correlation=0.1)
