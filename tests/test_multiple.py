"""Plans of several samples, double ones among them: figures, every small lot, and their rules."""

import itertools
import json
from math import comb
from pathlib import Path
from typing import Any

import mpmath as mp
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from qa.errors import InvalidInput
from qa.plans import DoublePlan, MultiplePlan, SinglePlan, Stage

HERE = Path(__file__).parent / "reference" / "plans"
CASES = {case["id"]: case for case in json.loads((HERE / "multiple.json").read_text("utf-8"))}
SEVEN = [case for name, case in CASES.items() if name.startswith("MP")]
CURTAILED = [case for name, case in CASES.items() if name.startswith("AS")]


def seven_stages(case: dict[str, Any]) -> MultiplePlan:
    asked = case["inputs"]
    return MultiplePlan(
        tuple(Stage(asked["stage_n"], *pair) for pair in zip(asked["ac"], asked["re"], strict=True))
    )


@st.composite
def doubles(draw: Any) -> DoublePlan:
    ac1 = draw(st.integers(0, 5))
    re1 = ac1 + draw(st.integers(2, 5))
    ac2 = draw(st.integers(max(ac1, re1 - 1), re1 + 6))
    n1, n2 = draw(st.integers(1, 150)), draw(st.integers(1, 150))
    return DoublePlan(n1, ac1, re1, n2, ac2, ac2 + draw(st.integers(1, 3)))


# Montgomery, Introduction to Statistical Quality Control, 15.3 (recalled, three decimals).
def test_double_oc_of_a_textbook() -> None:
    plan = DoublePlan(50, 1, 4, 100, 3, 4)
    assert_allclose(plan.accept(0.05), CASES["MO05"]["expected"]["pa"], atol=0.001)


# NIST/SEMATECH e-Handbook 6.2.4 (seen): at least 0.95 at 1 %, about 0.10 at 5 % (Poisson there).
def test_double_oc_of_the_handbook() -> None:
    plan = DoublePlan(108, 2, 5, 108, 4, 5)
    assert plan.accept(0.01, model="poisson") >= 0.95
    assert_allclose(plan.accept(0.05, model="poisson"), 0.10, atol=0.0015)


# Montgomery's curtailed formula, evaluated by a sum over stages; no printed figure.
@pytest.mark.parametrize("case", CURTAILED, ids=lambda case: case["id"])
def test_asn_full_and_curtailed(case: dict[str, Any]) -> None:
    asked, expected = case["inputs"], case["expected"]
    c1, c2 = asked["c1"], asked["c2"]
    plan = DoublePlan(asked["n1"], c1, c2 + 1, asked["n2"], c2, c2 + 1)
    assert_allclose(plan.asn(asked["p"]), expected["asn_full"], atol=0.001)
    assert_allclose(plan.asn(asked["p"], curtailed=True), expected["asn_curtailed"], atol=0.001)


# 21 CFR 800.20(c)(3), 46 CFR 160.066-12, FDA policy guide 345.100 (all numbers seen): a seven-stage
# plan tracks the OC of the single plan of its letter, within the tolerance that each case states.
@pytest.mark.parametrize("case", SEVEN, ids=lambda case: case["id"])
def test_seven_stages_track_the_single_plan(case: dict[str, Any]) -> None:
    asked, plan = case["inputs"], seven_stages(case)
    single = SinglePlan(asked["single"]["n"], asked["single"]["ac"])
    at_lq = 0.06 if case["id"] == "MP15" else 0.03
    assert_allclose(plan.accept(asked["p_aql"]), single.accept(asked["p_aql"]), atol=0.03)
    assert_allclose(plan.accept(asked["p_lq"]), single.accept(asked["p_lq"]), atol=at_lq)
    assert plan.asn(asked["p_aql"]) < single.n


# The note of MP15: with acceptance on 0 at stage 1 the average sample at the AQL falls so far.
def test_no_acceptance_at_the_first_stage_costs_pieces() -> None:
    case = next(case for case in SEVEN if case["id"] == "MP15")
    plan = seven_stages(case)
    lenient = MultiplePlan((plan.stages[0]._replace(ac=0), *plan.stages[1:]))
    assert_allclose([plan.asn(0.065), lenient.asn(0.065)], [36.92, 29.86], atol=0.005)
    assert_allclose([plan.accept(0.065), lenient.accept(0.065)], [0.98370, 0.98409], atol=5e-6)
    assert plan.decide(0) == "next sample"
    assert lenient.decide(0) == "accept"


SMALL = [
    MultiplePlan((Stage(2, 0, 2), Stage(2, 1, 2))),
    MultiplePlan((Stage(1, None, 2), Stage(2, 0, 2), Stage(2, 1, 3))),
    MultiplePlan((Stage(2, 0, 3), Stage(3, 0, 3))),
    MultiplePlan((Stage(3, 0, 2), Stage(1, 1, 2))),
]


def walk(plan: MultiplePlan, pieces: tuple[int, ...]) -> tuple[str, int, int]:
    """The verdict on pieces in the order of pulling, the pieces pulled, and those looked at."""
    pulled, counts = 0, []
    for at, stage in enumerate(plan.stages):
        sample = pieces[pulled : pulled + stage.n]
        room = stage.re - sum(counts)
        seen = list(itertools.accumulate(sample))
        looked = pulled + (seen.index(room) + 1 if at and room in seen else stage.n)
        pulled += stage.n
        counts.append(sum(sample))
        said = plan.decide(*counts)
        if said != "next sample":
            return said, pulled, looked
    raise AssertionError("the last stage decides")


# An independent road: every order in which a lot's pieces may come.
@pytest.mark.parametrize("plan", SMALL, ids=str)
def test_hypergeometric_oc_counts_every_sample(plan: MultiplePlan) -> None:
    size = plan.n + 1
    for incorrect in range(size + 1):
        orders = [
            tuple(int(at in places) for at in range(size))
            for places in itertools.combinations(range(size), incorrect)
        ]
        share = sum(walk(plan, order)[0] == "accept" for order in orders) / len(orders)
        ours = plan.accept(incorrect / size, model="hypergeometric", lot_size=size)
        assert_allclose(ours, share, rtol=1e-13, atol=0)


# The same for a process: every lot of pieces at p, each with its chance.
@pytest.mark.parametrize("plan", SMALL, ids=str)
@pytest.mark.parametrize("p", [0.07, 0.3, 0.9])
def test_binomial_curves_by_every_lot(plan: MultiplePlan, p: float) -> None:
    size, found = plan.n + 2, np.zeros(5)
    for lot in itertools.product((0, 1), repeat=size):
        said, pulled, looked = walk(plan, lot)
        good = said == "accept"
        left = sum(lot[pulled:]) / size if good else 0
        values = good, pulled, looked, left, pulled if good else size
        found += np.array(values) * p ** sum(lot) * (1 - p) ** (size - sum(lot))
    ours = (
        plan.accept(p), plan.asn(p), plan.asn(p, curtailed=True), plan.aoq(p, size),
        plan.ati(p, size),
    )  # fmt: skip
    assert_allclose(ours, found, rtol=1e-12)


# High precision, another order of summation: sample after sample, not arrangements.
@pytest.mark.parametrize("p", [1e-6, 0.004, 0.0147, 0.2])
def test_seven_stage_oc_in_high_precision(p: float) -> None:
    plan = seven_stages(next(case for case in SEVEN if case["id"] == "MP12"))
    with mp.workdps(60):
        state, total = {0: mp.mpf(1)}, mp.mpf(0)
        for at, stage in enumerate(plan.stages):
            after: dict[int, mp.mpf] = {}
            for d, k in itertools.product(state, range(stage.re)):
                if d + k < stage.re:
                    chance = (
                        mp.binomial(stage.n, k) * mp.mpf(p) ** k * (1 - mp.mpf(p)) ** (stage.n - k)
                    )
                    after[d + k] = after.get(d + k, 0) + state[d] * chance
            limit = stage.re - 1 if at == 6 else -1 if stage.ac is None else stage.ac
            total += sum(v for d, v in after.items() if d <= limit)
            state = {d: v for d, v in after.items() if d > limit}
        expected = float(total)
    assert_allclose(plan.accept(p), expected, rtol=1e-12, atol=0)


# Whole-number arithmetic for a large lot.
def test_double_oc_of_a_large_lot() -> None:
    plan, size, bad = DoublePlan(125, 2, 5, 125, 6, 7), 4000, 120
    ways = 0
    for first in range(5):
        of_first = comb(bad, first) * comb(size - bad, 125 - first)
        second = 1 if first <= 2 else sum(
            comb(bad - first, k) * comb(size - bad - 125 + first, 125 - k)
            for k in range(7 - first)
        )  # fmt: skip
        ways += of_first * (second * comb(size - 125, 125) if first <= 2 else second)
    expected = float(mp.mpf(ways) / (comb(size, 125) * comb(size - 125, 125)))
    ours = plan.accept(bad / size, model="hypergeometric", lot_size=size)
    assert_allclose(ours, expected, rtol=1e-11)


# Simulation of defects that fall on any piece: 200,000 lots, seed 11, four standard errors.
def test_poisson_oc_by_simulation() -> None:
    plan, rng = DoublePlan(50, 1, 4, 100, 4, 5), np.random.default_rng(11)
    first, second = rng.poisson(50 * 0.04, 200_000), rng.poisson(100 * 0.04, 200_000)
    share = np.mean((first <= 1) | ((first < 4) & (first + second <= 4)))
    error = np.sqrt(share * (1 - share) / 200_000)
    assert abs(plan.accept(0.04, model="poisson") - share) < 4 * error


@given(doubles(), st.lists(st.floats(0, 1), min_size=2, max_size=5))
@settings(max_examples=60, deadline=None)
def test_worse_lots_are_accepted_less_and_cost_no_more_than_both_samples(
    plan: DoublePlan, p: list[float]
) -> None:
    p, size = sorted(p), plan.n + 60
    for found in (
        plan.accept(p),
        plan.accept(p, model="poisson"),
        plan.accept(p, model="hypergeometric", lot_size=size),
    ):
        assert (np.diff(found) <= 1e-12).all()
        assert ((found >= 0) & (found <= 1)).all()
    full, curtailed = plan.asn(p), plan.asn(p, curtailed=True)
    assert (plan.n1 <= curtailed * (1 + 1e-12)).all()
    assert (curtailed <= full * (1 + 1e-12)).all()
    assert (full <= plan.n * (1 + 1e-12)).all()
    assert (plan.ati(p, size) <= size * (1 + 1e-12)).all()
    assert (plan.ati(p, size) >= plan.n1 * (1 - 1e-12)).all()


@given(st.integers(1, 200), st.integers(0, 10), st.floats(0, 1))
@settings(max_examples=60, deadline=None)
def test_a_plan_of_one_stage_is_a_single_plan(n: int, ac: int, p: float) -> None:
    one, single = MultiplePlan((Stage(n, ac, ac + 1),)), SinglePlan(n, ac)
    for model in ("binomial", "poisson", "hypergeometric"):
        ours = one.accept(p, model=model, lot_size=500)
        assert_allclose(ours, single.accept(p, model=model, lot_size=500), rtol=1e-10, atol=1e-300)
    assert_allclose(one.aoq(p, 500), single.aoq(p, 500), rtol=1e-10, atol=1e-300)
    assert_allclose(one.ati(p, 500), single.ati(p, 500), rtol=1e-10)
    assert_allclose(one.asn(p), single.asn(p))


# Counting stopped at the rejection number: the sum over where the last piece falls.
@pytest.mark.parametrize("p", [0.0, 1e-9, 0.05, 0.5, 1.0])
def test_curtailed_single_sample(p: float) -> None:
    n, re = 20, 3
    expected = sum(
        sum(comb(t, k) * p**k * (1 - p) ** (t - k) for k in range(min(re, t + 1))) for t in range(n)
    )
    assert_allclose(SinglePlan(n, re - 1).asn(p, curtailed=True), expected, rtol=1e-12)
    assert_array_equal(SinglePlan(2, 2).asn([0.1, 1], curtailed=True), [2, 2])


@given(doubles())
@settings(max_examples=40, deadline=None)
def test_the_ends(plan: DoublePlan) -> None:
    for model in ("binomial", "poisson", "hypergeometric"):
        assert plan.accept(0, model=model, lot_size=1000) == 1
    assert plan.asn(0) == plan.asn(0, curtailed=True) == plan.n1
    assert plan.aoq(0, 1000) == 0
    assert plan.ati(0, 1000) == plan.n1
    by_first = plan.decide(plan.n1) if plan.n1 < plan.re1 else "reject"
    accepts = by_first == "accept" or (by_first == "second sample" and plan.n < plan.re2)
    assert_allclose(plan.accept(1), accepts, rtol=1e-13, atol=0)


def test_arrays_keep_their_shape() -> None:
    plan = DoublePlan(13, 0, 3, 13, 3, 4)
    for model in ("binomial", "poisson", "hypergeometric"):
        assert plan.accept([], model=model, lot_size=50).shape == (0,)
        many = plan.accept([[0.1, 0.2]], model=model, lot_size=50)
        assert many.shape == (1, 2)
        one = plan.accept(0.2, model=model, lot_size=50)
        assert one.shape == ()
        assert_allclose(many[0, 1], one, rtol=1e-15)
    for curve in (plan.asn, lambda p: plan.ati(p, 50), lambda p: plan.aoq(p, 50)):
        assert curve([[0.1, 0.2]]).shape == (1, 2)
        assert curve([]).shape == (0,)


def test_decisions_at_their_edges() -> None:
    plan = DoublePlan(32, 1, 4, 32, 4, 5)
    said = [plan.decide(count) for count in (1, 2, 3, 4)]
    assert said == ["accept", "second sample", "second sample", "reject"]
    assert [plan.decide(3, count) for count in (0, 1, 2)] == ["accept", "accept", "reject"]


# MIL-STD-105E 4.7.4: in reduced inspection a count in the gap accepts the lot.
def test_a_count_in_the_gap_accepts() -> None:
    plan = DoublePlan(8, 0, 4, 8, 1, 5)
    assert [plan.decide(3, count) for count in (0, 1, 2)] == ["accept", "accept", "reject"]
    assert_allclose(plan.accept(0.1), DoublePlan(8, 0, 4, 8, 4, 5).accept(0.1), rtol=0)


def refused(text: str) -> Any:
    return pytest.raises(InvalidInput, match=f"^{text}$")


def test_what_a_double_plan_refuses() -> None:
    with refused("n2 must be whole numbers, 1 or more, got 0"):
        DoublePlan(10, 0, 2, 0, 1, 2)
    with refused("ac1 must be whole numbers, 0 or more, got 0.5"):
        DoublePlan(10, 0.5, 2, 10, 1, 2)  # type: ignore[arg-type]
    with refused("n1 must be one number, got 2"):
        DoublePlan([10, 20], 0, 2, 10, 1, 2)  # type: ignore[arg-type]
    with refused(r"re1 must be ac1 \+ 2 or more, got 1 for ac1 0"):
        DoublePlan(10, 0, 1, 10, 1, 2)
    with refused(r"re2 must be ac2 \+ 1 or more, got 3 for ac2 3"):
        DoublePlan(10, 0, 2, 10, 3, 3)
    with refused("ac2 must be ac1 or more, got 1 for ac1 2"):
        DoublePlan(10, 2, 4, 10, 1, 4)
    with refused("re2 must be re1 or more, got 3 for re1 4"):
        DoublePlan(10, 0, 4, 10, 1, 3)


def test_what_stages_refuse() -> None:
    with refused("stages must hold one sample or more, got none"):
        MultiplePlan(())
    with refused("ac of the last stage must be a number, got None"):
        MultiplePlan((Stage(5, None, 2),))
    with refused("re of stage 1 must leave room above ac 1 for a next sample, got 2"):
        MultiplePlan((Stage(5, 1, 2), Stage(5, 2, 3)))
    with refused("re of stage 2 must be above ac, got 3 for ac 3"):
        MultiplePlan((Stage(5, 0, 2), Stage(5, 3, 3)))
    with refused("n of stage 1 must be whole numbers, 1 or more, got 0"):
        MultiplePlan((Stage(0, 0, 2),))
    with refused("ac and re must not fall from stage to stage, got 0, 2 after 0, 3 at stage 2"):
        MultiplePlan((Stage(5, 0, 3), Stage(5, 0, 2)))


def test_what_its_questions_refuse() -> None:
    plan = DoublePlan(32, 1, 4, 32, 4, 5)
    with refused("counts must end with sample 1, which says accept"):
        plan.decide(0, 1)
    with refused("count 2 must be whole numbers, 0 or more, got -1"):
        plan.decide(2, -1)
    with refused("counts must hold the count of the first sample, got none"):
        plan.staged.decide()
    with refused("lot_size must be n 64 or more, got 63"):
        plan.ati(0.1, 63)
    with refused("lot_size must be n 64 or more, got 63"):
        plan.accept(0.1, model="hypergeometric", lot_size=63)
    with refused("lot_size must be given with the hypergeometric model, got None"):
        plan.accept(0.1, model="hypergeometric")
    with refused("p must be from 0 to 1, got 2"):
        plan.asn(2)
    with refused('model must be one of binomial, poisson, hypergeometric, got "normal"'):
        plan.accept(0.1, model="normal")
