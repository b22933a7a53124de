"""Rectifying plans: AOQL figures, and every cheaper plan tried."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import optimize, stats

from qa.errors import InvalidInput
from qa.plans import DoublePlan, SinglePlan, aoql, by_aoql, by_ltpd, quality_at

HERE = Path(__file__).parent / "reference" / "plans"
CASES = {case["id"]: case for case in json.loads((HERE / "design.json").read_text("utf-8"))}
ENDLESS = 10**12


# Montgomery 15.2.4 (recalled, read off a graph there): about 0.0155 for n 89, c 2.
def test_aoql_of_a_textbook() -> None:
    assert_allclose(aoql(SinglePlan(89, 2), 10_000).value, CASES["MO03"]["expected"], rtol=0.02)


# Dodge & Romig's factors y (recalled, four digits): AOQL = y (1/n - 1/N), Poisson; so n is large
# here and p small.
def test_factors_of_dodge_and_romig() -> None:
    case = CASES["DR02"]
    for c, y in zip(case["inputs"]["c"], case["expected"], strict=True):
        assert_allclose(aoql(SinglePlan(10**6, c), ENDLESS).value * 10**6, y, rtol=3e-4)


# MIL-STD-105E Table V-A (recalled, two digits): 125, Ac 3 and 20, Ac 0.
def test_aoql_of_standard_plans() -> None:
    for (n, c), percent in zip(
        CASES["TA01"]["inputs"]["plans"], CASES["TA01"]["expected"], strict=True
    ):
        assert_allclose(aoql(SinglePlan(n, c), ENDLESS).value * 100, percent, rtol=0.035)


# Dodge-Romig's plan for lots of 5,000, AOQL 3 %, process average 1 % (recalled).
def test_a_plan_of_dodge_and_romig() -> None:
    case, plan, size = CASES["DR01"], SinglePlan(65, 3), 5000
    expected = case["expected"]
    assert_allclose(aoql(plan, size).value, expected["aoql"], rtol=0.02)
    assert_allclose(quality_at(plan, 0.10, model="poisson"), expected["ltpd"], atol=0.004)
    assert_allclose(plan.accept(0.01), expected["pa"], atol=3e-4)
    assert_allclose(plan.ati(0.01, size), expected["ati"], atol=1.5)
    ours = by_aoql(0.03, 0.01, size)
    assert ours.ac == plan.ac
    assert plan.n - 2 <= ours.n <= plan.n  # their table holds for lots of 4,001 to 5,000
    assert ours.ati(0.01, size) <= plan.ati(0.01, size)


def test_aoql_of_a_plan_without_incorrect_pieces_has_a_closed_form() -> None:
    n = 20  # p (1 - p)^n is highest at 1 / (n + 1)
    limit = aoql(SinglePlan(n, 0), ENDLESS)
    assert_allclose(limit.at, 1 / (n + 1), rtol=1e-6)
    assert_allclose(limit.value, (n / (n + 1)) ** n / (n + 1), rtol=1e-10)


@given(st.integers(1, 400), st.integers(0, 12), st.floats(0, 1))
@settings(max_examples=50, deadline=None)
def test_nothing_worse_goes_out(n: int, c: int, p: float) -> None:
    plan, size = SinglePlan(n, c), 1000
    limit = aoql(plan, size)
    assert_allclose(plan.aoq(limit.at, size), limit.value, rtol=1e-12)
    assert plan.aoq(p, size) <= limit.value * (1 + 1e-12)


# An independent road to the peak: scipy's bounded minimiser.
def test_aoql_of_a_double_plan() -> None:
    plan = DoublePlan(50, 1, 4, 100, 3, 4)
    found = optimize.minimize_scalar(
        lambda p: -float(plan.aoq(p, 2000)), bounds=(0.001, 0.2), options={"xatol": 1e-10}
    )
    limit = aoql(plan, 2000)
    assert_allclose([limit.value, limit.at], [-found.fun, found.x], rtol=1e-5)


def work(size: int, n: int, c: int, p: float) -> float:
    return n + (size - n) * float(stats.binom.sf(c, n, p))


# By exhaustion: every n and c of small lots; the AOQL on a fine grid of its own.
@pytest.mark.parametrize(("size", "limit", "average"), [(60, 0.05, 0.01), (150, 0.03, 0.012)])
def test_no_plan_of_that_aoql_means_less_work(size: int, limit: float, average: float) -> None:
    p = np.linspace(0, 1, 4001)
    n, c = np.meshgrid(np.arange(1, size + 1), np.arange(12), indexing="ij")
    out = p * stats.binom.cdf(c[..., None], n[..., None], p) * (1 - n[..., None] / size)
    least = min(
        work(size, int(a), int(b), average)
        for a, b in zip(n[out.max(axis=-1) <= limit], c[out.max(axis=-1) <= limit], strict=True)
    )
    plan = by_aoql(limit, average, size)
    assert aoql(plan, size).value <= limit
    assert_allclose(plan.ati(average, size), least, rtol=1e-9)


@pytest.mark.parametrize(
    ("size", "ltpd", "average"), [(60, 0.10, 0.01), (300, 0.05, 0.01), (200, 0.05, 0.0)]
)
def test_no_plan_of_that_tolerance_means_less_work(size: int, ltpd: float, average: float) -> None:
    incorrect = round(ltpd * size)
    least = min(
        work(size, n, c, average)
        for n in range(1, size + 1)
        for c in range(12)
        if stats.hypergeom.cdf(c, size, incorrect, n) <= 0.10 * (1 + 1e-12)
    )
    plan = by_ltpd(ltpd, average, size)
    risk = plan.accept(ltpd, model="hypergeometric", lot_size=size)
    assert risk <= 0.10 * (1 + 1e-12)
    assert_allclose(plan.ati(average, size), least, rtol=1e-9)


def test_a_small_lot_may_have_to_be_looked_at_whole() -> None:
    assert by_ltpd(0.01, 0.0, 20) == SinglePlan(18, 0)  # one piece of twenty
    assert by_ltpd(0.01, 0.0, 5) == SinglePlan(5, 0)
    assert by_aoql(0.001, 0.0, 5) == SinglePlan(5, 0)


def refused(text: str) -> Any:
    return pytest.raises(InvalidInput, match=f"^{text}$")


def test_what_rectifying_plans_refuse() -> None:
    with refused("process_average must be below limit 0.03, got 0.03"):
        by_aoql(0.03, 0.03, 1000)
    with refused("process_average must be below ltpd 0.05, got 0.2"):
        by_ltpd(0.05, 0.2, 1000)
    with refused("process_average must be from 0 to 1, got -0.1"):
        by_aoql(0.03, -0.1, 1000)
    with refused("process_average must be one number, got 2"):
        by_aoql(0.03, [0.01, 0.02], 1000)  # type: ignore[arg-type]
    with refused("limit must be between 0 and 1, both excluded, got 0"):
        by_aoql(0, 0, 1000)
    with refused("lot_size must be whole numbers, 1 or more, got 0"):
        by_ltpd(0.05, 0.01, 0)
    with refused("lot_size must be n 89 or more, got 50"):
        aoql(SinglePlan(89, 2), 50)
