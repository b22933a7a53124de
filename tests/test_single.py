"""Single plans: curves and risks against published figures, enumeration and high precision."""

import csv
import json
from itertools import combinations
from pathlib import Path

import mpmath
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from qa.errors import InvalidInput
from qa.plans import SinglePlan, oc, standard

FOLDER = Path(__file__).parent / "reference" / "plans"
PUBLISHED = {each["id"]: each for each in json.loads((FOLDER / "single.json").read_text())}
DERIVED = list(csv.DictReader((FOLDER / "derived_tables.csv").read_text().splitlines()))
PLANS = st.integers(1, 300).flatmap(lambda n: st.builds(SinglePlan, st.just(n), st.integers(0, n)))


# Krajewski & Ritzman, Operations Management, Supplement J: three printed decimals (seen).
def test_poisson_curve_agrees_with_a_solved_problem() -> None:
    case = PUBLISHED["HB01"]
    found = SinglePlan(180, 9).accept(case["inputs"]["p"], model="poisson")
    assert_allclose(found, case["expected"], atol=0.001)


# Krajewski, Operations Management, Supplement G (seen); the producer's risk is the rest.
def test_poisson_acceptance_agrees_with_a_selected_plan() -> None:
    found = SinglePlan(80, 1).accept(0.01, model="poisson")
    assert_allclose(found, PUBLISHED["HB05"]["expected"]["pa"], atol=0.0006)


# 7 CFR 42.109 Table I: acceptance near 0.95 at each AQL (seen); Poisson, defects per 100 units.
@pytest.mark.parametrize("name", [name for name in PUBLISHED if name.startswith("US")])
def test_federal_plans_accept_at_their_aql(name: str) -> None:
    case = PUBLISHED[name]["inputs"]
    found = [
        float(SinglePlan(case["n"], ac).accept(aql / 100, model="poisson"))
        for aql, ac in zip(case["aql"], case["ac"], strict=True)
        if ac > 1
    ]
    assert_allclose(found, 0.95, atol=0.03)


# NIST/SEMATECH e-Handbook 6.2.3.2, plan (52, 3), N 10,000 (values from memory, recomputed).
def test_binomial_curve_aoq_and_ati_agree_with_the_handbook() -> None:
    plan = SinglePlan(52, 3)
    points = PUBLISHED["NI01"], PUBLISHED["NI02"], PUBLISHED["NI04"]
    p = [np.array(each["inputs"]["p"]) for each in points]
    assert_allclose(plan.accept(p[0]), points[0]["expected"], atol=0.0015)
    # The handbook leaves out the factor 1 - n/N.
    assert_allclose(plan.aoq(p[1], 10_000) / (1 - 52 / 10_000), points[1]["expected"], atol=2e-4)
    assert_allclose(plan.ati(p[2], 10_000), points[2]["expected"], atol=1)


# Montgomery, Introduction to Statistical Quality Control, 15.2.4 and 15.6.1 (from memory).
def test_aoql_and_ati_agree_with_a_textbook() -> None:
    p = np.linspace(0.001, 0.2, 20_000)
    assert_allclose(SinglePlan(89, 2).aoq(p, 10_000).max(), 0.0155, rtol=0.02)
    assert_allclose(SinglePlan(65, 3).aoq(p, 5_000).max(), 0.03, rtol=0.02)
    assert_allclose(SinglePlan(65, 3).ati(0.01, 5_000), 86, atol=1.5)


# MIL-STD-105E Table V-A: AOQL of a Poisson lot without 1 - n/N, two printed digits (from memory).
@pytest.mark.parametrize(
    "row",
    [row for row in DERIVED if row["table"] == "V-A"],
    ids=lambda r: f"{r['letter']}-{r['aql']}",
)
def test_aoql_factors_of_the_standard(row: dict[str, str]) -> None:
    plan = _normal(row["letter"], float(row["aql"]))
    p = np.linspace(0, min(1, 3 * (plan.ac + 2) / plan.n), 4001)
    found = 100 * (p * plan.accept(p, model="poisson")).max()
    assert_allclose(found, float(row["value"]), rtol=0.05)


# MIL-STD-105E Table X: quality at which a plan accepts with a stated chance (from memory); the
# standard uses the binomial up to AQL 10 with n up to 80, and the Poisson otherwise.
@pytest.mark.parametrize(
    "row",
    [
        row
        for row in DERIVED
        if (row["table"].startswith("X-") and "defective" in row["quantity"])
        or row["table"].startswith("X-")
    ],
    ids=lambda row: f"{row['letter']}-{row['aql']}-{row['quantity'][8:]}",
)
def test_quality_points_of_the_standard(row: dict[str, str]) -> None:
    plan = _normal(row["letter"], float(row["aql"]))
    p, wanted = float(row["value"]) / 100, float(row["quantity"].partition("=")[2][:-1]) / 100
    found = [float(plan.accept(p, model=model)) for model in ("binomial", "poisson")]
    assert min(abs(each - wanted) for each in found) < 0.006


def _normal(letter: str, aql: float) -> SinglePlan:
    lots = dict(zip("ABCDEFGHJKLMNPQR", _LOTS, strict=True))
    return standard(lots[letter], aql)


_LOTS = (
    *(8, 15, 25, 50, 90, 150, 280, 500, 1_200, 3_200, 10_000, 35_000, 150_000, 500_000),
    *(10**6, 10**6),
)


def test_every_sample_of_a_small_lot_counted() -> None:
    size, bad = 9, 3
    for n, ac in ((4, 0), (4, 1), (6, 2)):
        samples = list(combinations([True] * bad + [False] * (size - bad), n))
        share = sum(sum(sample) <= ac for sample in samples) / len(samples)
        found = SinglePlan(n, ac).accept(bad / size, model="hypergeometric", lot_size=size)
        assert_allclose(found, share, rtol=1e-12)


# N 5,000, n 770, c 4: the plan holds under one distribution only (computed in the open).
def test_a_lot_of_known_size_differs_from_a_process() -> None:
    plan = SinglePlan(770, 4)
    assert_allclose(plan.accept(0.01, model="hypergeometric", lot_size=5_000), 0.0974, atol=5e-5)
    assert_allclose(plan.accept(0.01), 0.1169, atol=5e-5)


@pytest.mark.parametrize(("n", "ac", "p"), [(200, 3, 0.2), (3150, 44, 0.03), (10**6, 3, 2e-5)])
def test_far_tails_keep_their_digits(n: int, ac: int, p: float) -> None:
    with mpmath.workdps(50):
        exact = mpmath.fsum(
            mpmath.binomial(n, k) * mpmath.mpf(p) ** k * (1 - mpmath.mpf(p)) ** (n - k)
            for k in range(ac + 1)
        )
    assert_allclose(SinglePlan(n, ac).accept(p), float(exact), rtol=1e-9)


@given(PLANS)
def test_acceptance_falls_as_quality_falls(plan: SinglePlan) -> None:
    p = np.linspace(0, 1, 101)
    curve = plan.accept(p)
    assert curve[0] == 1
    assert (np.diff(curve) <= 1e-12).all()
    assert curve[-1] == (1 if plan.ac == plan.n else 0)


@given(st.lists(PLANS, min_size=1, max_size=5))
def test_many_curves_at_once_are_the_single_ones(plans: list[SinglePlan]) -> None:
    p = np.array([0, 1e-6, 0.01, 0.2, 0.7, 0.99, 1])
    assert_allclose(oc(plans, p), [plan.accept(p) for plan in plans], atol=1e-11, rtol=1e-10)


def test_many_curves_where_the_recurrence_would_underflow() -> None:
    plans = [SinglePlan(5_000, 900), SinglePlan(2_000, 3)]
    p = np.array([0.15, 0.18, 0.3, 0.9])
    assert_allclose(oc(plans, p), [plan.accept(p) for plan in plans], atol=1e-11)


@given(PLANS, st.floats(0, 1))
def test_a_number_is_answered_as_an_array_of_one(plan: SinglePlan, p: float) -> None:
    assert plan.accept(p) == plan.accept([p])[0]
    assert plan.asn(p) == plan.n


def test_sorting_rejected_lots_only_improves_them() -> None:
    plan, p = SinglePlan(80, 2), np.linspace(0, 0.2, 50)
    assert (plan.aoq(p, 4_000) <= p).all()
    assert ((plan.ati(p, 4_000) >= 80) & (plan.ati(p, 4_000) <= 4_000)).all()


def test_decisions() -> None:
    assert [SinglePlan(200, 5).decide(count) for count in (0, 5, 6)] == ["accept"] * 2 + ["reject"]
    gap = SinglePlan(80, 2, 5)  # reduced inspection: accepted between, and back to normal
    assert [gap.decide(count) for count in (2, 4, 5)] == ["accept"] * 2 + ["reject"]
    assert gap.accept(0.05) > SinglePlan(80, 2).accept(0.05)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: SinglePlan(0, 0), "n must be whole numbers, 1 or more, got 0"),
        (lambda: SinglePlan(5, 6), "ac must be from 0 to n, got 6 of 5"),
        (lambda: SinglePlan(5, 2.5), "ac must be whole numbers, 0 or more, got 2.5"),
        (lambda: SinglePlan(5, 2, 1), "re must be above ac, got 1 with ac 2"),
        (lambda: SinglePlan(5, 2).accept(1.5), "p must be from 0 to 1, got 1.5"),
        (
            lambda: SinglePlan(5, 2).accept(0.1, model="normal"),
            'model must be one of binomial, poisson, hypergeometric, got "normal"',
        ),
        (
            lambda: SinglePlan(5, 2).accept(0.1, model="hypergeometric"),
            "lot_size is missing, and the hypergeometric model needs it",
        ),
        (lambda: SinglePlan(5, 2).aoq(0.1, 4), "lot_size must be at least n 5, got 4"),
        (lambda: SinglePlan(5, 2).ati(0.1, 0), "lot_size must be whole numbers, 1 or more, got 0"),
        (lambda: SinglePlan(5, 2).decide(-1), "count must be whole numbers, 0 or more, got -1"),
    ],
)
def test_what_bad_input_is_told(call: object, message: str) -> None:
    with pytest.raises(InvalidInput) as told:
        call()  # type: ignore[operator]
    assert str(told.value) == message
