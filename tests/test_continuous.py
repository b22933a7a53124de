"""CSP-1, SkSP-2 and ChSP-1 against published tables, Markov chains, enumeration and simulation."""

import itertools
import json
from pathlib import Path
from typing import Any

import mpmath as mp
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from qa.errors import InvalidInput
from qa.plans import (
    ChainPlan,
    ContinuousPlan,
    DoublePlan,
    SinglePlan,
    SkipLotPlan,
    clearance_for,
    fraction_for,
)

HERE = Path(__file__).parent / "reference" / "plans"
CASES = {case["id"]: case for case in json.loads((HERE / "series.json").read_text("utf-8"))}
TABLED = [f"CS{at:02d}" for at in range(4, 12)]


# MIL-STD-1235 CSP-1 table (recalled): i is whole and f a unit fraction, so the AOQL of the column
# is met only nearly; two in a hundred is allowed.
@pytest.mark.parametrize("name", TABLED)
def test_aoql_agrees_with_the_military_table(name: str) -> None:
    given_ = CASES[name]["inputs"]
    highest, _ = ContinuousPlan(given_["i"], given_["f"]).aoql()
    assert_allclose(highest, CASES[name]["expected"], rtol=0.02)


# The same table as quoted in a public discussion (seen): a column of about 5 %.
@pytest.mark.parametrize("name", ["CS01", "CS02", "CS03"])
def test_aoql_agrees_with_the_quoted_column(name: str) -> None:
    given_ = CASES[name]["inputs"]
    highest, _ = ContinuousPlan(given_["i"], given_["f"]).aoql()
    assert 0.047 <= highest <= 0.05


# Dodge's identity (1943), evaluated by another implementation: no printed figure.
def test_fraction_looked_at_has_dodges_form() -> None:
    given_, expected = CASES["CS12"]["inputs"], CASES["CS12"]["expected"]
    plan, p = ContinuousPlan(given_["i"], given_["f"]), given_["p"]
    every, some = plan.spells(p)
    assert_allclose(every, expected["u"], atol=0.0005)
    assert_allclose(plan.afi(p), expected["afi"], rtol=2e-6)
    assert_allclose(plan.afi(p), (every + plan.f * some) / (every + some), rtol=1e-12)
    assert_allclose(plan.accept(p), some / (every + some), rtol=1e-12)
    assert_allclose(plan.aoq(p), p * (1 - plan.afi(p)), rtol=1e-12)


def stationary(steps: np.ndarray) -> np.ndarray:
    size = len(steps)
    system = np.vstack([steps.T - np.eye(size), np.ones(size)])
    return np.linalg.lstsq(system, np.append(np.zeros(size), 1.0), rcond=None)[0]


# An independent road: the states are 0 to i - 1 correct pieces in a row, and sampling.
@pytest.mark.parametrize(("i", "f", "p"), [(1, 0.5, 0.3), (5, 0.1, 0.1), (12, 0.25, 0.04)])
def test_csp_1_by_its_markov_chain(i: int, f: float, p: float) -> None:
    steps = np.zeros((i + 1, i + 1))
    for run in range(i):
        steps[run, 0] += p
        steps[run, run + 1] += 1 - p
    steps[i, 0] += f * p
    steps[i, i] += 1 - f * p
    share = stationary(steps)
    plan = ContinuousPlan(i, f)
    assert_allclose(plan.accept(p), share[i], rtol=1e-10)
    assert_allclose(plan.afi(p), share[:i].sum() + f * share[i], rtol=1e-10)


# 400,000 pieces in 40 streams; the bound is four standard errors between streams.
def test_csp_1_by_simulation() -> None:
    plan, p, rng = ContinuousPlan(10, 0.2), 0.05, np.random.default_rng(3)
    out = []
    for _ in range(40):
        incorrect, drawn = rng.random(10_000) < p, rng.random(10_000) < plan.f
        run = left = 0
        for bad, picked in zip(incorrect, drawn, strict=True):
            if run < plan.i or picked:
                run = 0 if bad else run + 1
            else:
                left += bad
        out.append(left / incorrect.size)
    error = np.std(out, ddof=1) / np.sqrt(len(out))
    assert abs(np.mean(out) - plan.aoq(p)) < 4 * error


@given(st.integers(1, 3000), st.floats(0.001, 0.9))
@settings(max_examples=60, deadline=None)
def test_aoql_is_the_highest_and_found_again(i: int, f: float) -> None:
    plan = ContinuousPlan(i, f)
    highest, where = plan.aoql()
    near = np.clip(where * (1 + np.linspace(-0.5, 0.5, 101)), 0, 1)
    assert (plan.aoq(near) <= highest * (1 + 1e-12)).all()
    assert (plan.aoq(np.linspace(0, 1, 501)) <= highest * (1 + 1e-12)).all()
    assert_allclose(highest, ((i + 1) * where - 1) / i, rtol=1e-8)
    assert_allclose(fraction_for(highest, i), f, rtol=1e-7)


@given(st.floats(0.001, 0.2), st.floats(0.01, 0.9))
@settings(max_examples=40, deadline=None)
def test_the_clearance_number_is_the_smallest(limit: float, f: float) -> None:
    i = clearance_for(limit, f)
    assert ContinuousPlan(i, f).aoql()[0] <= limit * (1 + 1e-9)
    if i > 1:
        assert ContinuousPlan(i - 1, f).aoql()[0] > limit * (1 - 1e-9)


def test_csp_1_in_high_precision() -> None:
    plan = ContinuousPlan(2000, 0.01)
    with mp.workdps(50):
        for p in (1e-9, 0.001, 0.01, 0.3):
            clear = (1 - mp.mpf(p)) ** 2000
            below = mp.mpf(0.01) + (1 - mp.mpf(0.01)) * clear
            assert_allclose(plan.accept(p), float(clear / below), rtol=1e-11)
            assert_allclose(plan.afi(p), float(mp.mpf(0.01) / below), rtol=1e-11)
            assert_allclose(plan.aoq(p), float(p * (1 - mp.mpf(0.01)) * clear / below), rtol=1e-11)
            assert_allclose(plan.spells(p)[0], float((1 / clear - 1) / p), rtol=1e-11)


def test_the_ends_of_csp_1() -> None:
    plan = ContinuousPlan(10, 0.1)
    assert_allclose(plan.afi([0, 1]), [0.1, 1], rtol=1e-15)
    assert_allclose(plan.accept([0, 1]), [1, 0], rtol=1e-15)
    assert_allclose(plan.aoq([0, 1]), [0, 0], atol=0)
    every, some = plan.spells([0, 1])
    assert_array_equal(every, [10, np.inf])
    assert_array_equal(some, [np.inf, 10])
    assert plan.aoq([]).shape == (0,)


# Perry (1973): the formulas, evaluated by another implementation: no printed figure.
def test_skip_lot_agrees_with_perry() -> None:
    given_, expected = CASES["SK01"]["inputs"], CASES["SK01"]["expected"]
    reference = SinglePlan(1, 0)  # accepts 95 % of lots at p = 0.05
    plan = SkipLotPlan(reference, given_["i"], given_["f"])
    assert_allclose(plan.accept(1 - given_["P"]), expected["pa"], rtol=1e-5)
    assert_allclose(plan.judged(1 - given_["P"]), expected["F"], rtol=1e-4)


@pytest.mark.parametrize(("i", "f", "p"), [(1, 0.5, 0.03), (4, 0.25, 0.06), (8, 0.2, 0.02)])
def test_skip_lot_by_its_markov_chain(i: int, f: float, p: float) -> None:
    reference = SinglePlan(20, 1)
    accepted = float(reference.accept(p))
    steps = np.zeros((i + 1, i + 1))
    for run in range(i):
        steps[run, 0] += 1 - accepted
        steps[run, run + 1] += accepted
    steps[i, 0] += f * (1 - accepted)
    steps[i, i] += 1 - f * (1 - accepted)
    share = stationary(steps)
    judged = share[:i].sum() + f * share[i]
    plan, size = SkipLotPlan(reference, i, f), 500
    assert_allclose(plan.judged(p), judged, rtol=1e-10)
    assert_allclose(plan.accept(p), judged * accepted + (1 - judged), rtol=1e-10)
    assert_allclose(plan.asn(p), judged * 20, rtol=1e-10)
    skipped = (1 - judged) * p
    assert_allclose(plan.aoq(p, size), skipped + judged * reference.aoq(p, size), rtol=1e-10)
    assert_allclose(plan.ati(p, size), judged * reference.ati(p, size), rtol=1e-10)


def test_any_plan_can_be_skipped_by() -> None:
    for reference in (DoublePlan(20, 0, 3, 20, 3, 4), ChainPlan(10, 3)):
        plan = SkipLotPlan(reference, 5, 0.25)
        assert plan.accept(0.02) > reference.accept(0.02)
        lot = plan.accept(0.02, model="hypergeometric", lot_size=1000)
        assert lot > reference.accept(0.02, model="hypergeometric", lot_size=1000)


def test_lots_are_skipped_after_enough_accepted_ones() -> None:
    plan = SkipLotPlan(SinglePlan(20, 1), 3, 0.5)
    assert not plan.skips([])
    assert not plan.skips(["accept", "accept"])
    assert plan.skips(["reject", "accept", "accept", "accept"])
    assert not plan.skips(["accept", "accept", "accept", "reject"])


# Montgomery, Introduction to Statistical Quality Control, 16.2 (recalled): .657 from rounded parts.
def test_chain_agrees_with_a_textbook() -> None:
    assert_allclose(ChainPlan(5, 3).accept(0.10), CASES["CH01"]["expected"], atol=0.0015)


# Every outcome of the lot and the i lots before it, judged by `decide`.
@pytest.mark.parametrize("p", [0.0, 0.05, 0.4, 1.0])
def test_chain_by_every_outcome(p: float) -> None:
    plan, size, accepted, left, looked = ChainPlan(3, 2), 7, 0.0, 0.0, 0.0
    weight = [SinglePlan(3, k).accept(p) - (SinglePlan(3, k - 1).accept(p) if k else 0)
              for k in range(4)]  # fmt: skip
    for *before, count in itertools.product(range(4), repeat=3):
        chance = float(np.prod([weight[k] for k in (*before, count)]))
        passed = plan.decide(count, before) == "accept"
        accepted += chance * passed
        left += chance * passed * (size - 3) * p / size
        looked += chance * (3 if passed else size)
    assert_allclose(plan.accept(p), accepted, rtol=1e-12, atol=1e-15)
    assert_allclose(plan.aoq(p, size), left, rtol=1e-12, atol=1e-15)
    assert_allclose(plan.ati(p, size), looked, rtol=1e-12)


def test_pieces_sorted_by_a_chain_keep_their_digits() -> None:
    plan, p = ChainPlan(30, 4), 1e-6
    with mp.workdps(50):
        good = 1 - mp.mpf(p)
        none, one = good**30, 30 * p * good**29
        beyond = float((10**9 - 30) * (1 - none - one * none**4))
    assert_allclose(plan.ati(p, 10**9) - 30, beyond, rtol=1e-5)
    assert_allclose(ChainPlan(1, 2).ati(0.3, 10), 1 + 9 * 0.3 * (1 - 0.7**2), rtol=1e-12)


@given(st.integers(1, 200), st.integers(1, 10), st.lists(st.floats(0, 1), min_size=2, max_size=5))
@settings(max_examples=40, deadline=None)
def test_chain_lies_between_its_two_plans(n: int, i: int, p: list[float]) -> None:
    plan = ChainPlan(n, i)
    for model in ("binomial", "poisson", "hypergeometric"):
        low = SinglePlan(n, 0).accept(p, model=model, lot_size=1000)
        high = SinglePlan(n, 1).accept(p, model=model, lot_size=1000)
        found = plan.accept(p, model=model, lot_size=1000)
        assert ((found >= low) & (found <= high + 1e-15)).all()
    assert_array_equal(plan.asn(p), np.full(len(p), n))


def test_a_chain_that_is_still_short_rejects_one() -> None:
    plan = ChainPlan(5, 3)
    assert [plan.decide(0, []), plan.decide(1, [0, 0]), plan.decide(1, [2, 0, 0, 0])] == [
        "accept", "reject", "accept",
    ]  # fmt: skip
    assert plan.decide(2, [0, 0, 0]) == "reject"


def refused(text: str) -> Any:
    return pytest.raises(InvalidInput, match=f"^{text}$")


def test_what_these_plans_refuse() -> None:
    with refused("i must be whole numbers, 1 or more, got 0"):
        ContinuousPlan(0, 0.1)
    with refused("f must be between 0 and 1, both excluded, got 1"):
        ContinuousPlan(10, 1)
    with refused("i must be one number, got 2"):
        ChainPlan(5, [1, 2])  # type: ignore[arg-type]
    with refused("n must be whole numbers, 1 or more, got 2.5"):
        ChainPlan(2.5, 1)  # type: ignore[arg-type]
    with refused("f must be between 0 and 1, both excluded, got 0"):
        SkipLotPlan(SinglePlan(5, 0), 4, 0)
    with refused("aoql must be between 0 and 1, both excluded, got 0"):
        fraction_for(0, 10)
    with refused("f must be between 0 and 1, both excluded, got 2"):
        clearance_for(0.01, 2)


def test_what_their_questions_refuse() -> None:
    with refused("p must be from 0 to 1, got 2 at position 1"):
        ContinuousPlan(10, 0.1).afi([0, 2])
    with refused("lot_size must be n 5 or more, got 4"):
        ChainPlan(5, 3).aoq(0.1, 4)
    with refused("before must be whole numbers, 0 or more, got -1 at position 1"):
        ChainPlan(5, 3).decide(1, [0, -1])
    with refused("count must be whole numbers, 0 or more, got -1"):
        ChainPlan(5, 3).decide(-1, [])
    with refused('verdicts must be "accept" or "reject", got \'hold\' at position 1'):
        SkipLotPlan(SinglePlan(5, 0), 4, 0.5).skips(["accept", "hold"])
