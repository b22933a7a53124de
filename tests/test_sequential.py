"""Sequential plans against published lines, every order of pieces, simulation and their rules."""

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
from qa.plans import SequentialPlan, wald

HERE = Path(__file__).parent / "reference" / "plans"
CASES = {case["id"]: case for case in json.loads((HERE / "series.json").read_text("utf-8"))}

fractions = st.floats(0, 1)


# NIST/SEMATECH e-Handbook 6.2.6; Wald (1947), ch. 5 (both recalled, to their printed digits).
@pytest.mark.parametrize("name", ["SQ02", "SQ04"])
def test_lines_agree_with_published_ones(name: str) -> None:
    given_, expected = CASES[name]["inputs"], CASES[name]["expected"]
    plan = wald(
        given_["p1"],
        given_["p2"],
        producer_risk=given_["alpha"],
        consumer_risk=given_["beta"],
    )
    assert_allclose([plan.h1, plan.h2], [expected["h1"], expected["h2"]], atol=0.006)
    assert_allclose(plan.s, expected["s"], atol=0.0005)


def test_the_handbook_accepts_first_after_24_pieces() -> None:
    plan = wald(0.01, 0.10)
    ac, re = plan.numbers()
    assert int(np.argmax(ac >= 0)) + 1 == CASES["SQ02"]["expected"]["first_accept_n"]
    assert re[1] == 2  # two incorrect of two already reject: 1.205 + 0.08 rounded up


# Every order of a few pieces, judged piece by piece with `decide`.
def by_every_order(plan: SequentialPlan, p: float) -> tuple[float, float]:
    accepted = looked = 0.0
    for order in itertools.product((0, 1), repeat=plan.most):
        chance = p ** sum(order) * (1 - p) ** (plan.most - sum(order))
        n, said = 0, "next piece"
        while said == "next piece":
            n += 1
            said = plan.decide(sum(order[:n]), n)
        accepted += chance * (said == "accept")
        looked += chance * n
    return accepted, looked


SMALL = [
    SequentialPlan(0.5, 0.7, 0.3, 9, 3),
    SequentialPlan(1.4, 1.1, 0.25, 9, 3),
    SequentialPlan(2.0, 2.0, 0.5, 8, 4),
    SequentialPlan(0.3, 3.0, 0.1, 8, 2),
    SequentialPlan(9.0, 9.0, 0.2, 7, 0),
]


@pytest.mark.parametrize("plan", SMALL)
def test_risks_by_every_order_of_pieces(plan: SequentialPlan) -> None:
    for p in (0.0, 0.07, 0.3, 0.5, 0.94, 1.0):
        accepted, looked = by_every_order(plan, p)
        assert_allclose(plan.accept(p), accepted, rtol=1e-12, atol=1e-300)
        assert_allclose(plan.asn(p), looked, rtol=1e-12)


@pytest.mark.parametrize("plan", SMALL[:3])
def test_rectifying_inspection_by_every_lot(plan: SequentialPlan) -> None:
    size, p = plan.most + 1, 0.3
    left = looked = 0.0
    for lot in itertools.product((0, 1), repeat=size):
        chance = p ** sum(lot) * (1 - p) ** (size - sum(lot))
        n, said = 0, "next piece"
        while said == "next piece":
            n += 1
            said = plan.decide(sum(lot[:n]), n)
        left += chance * (sum(lot[n:]) if said == "accept" else 0) / size
        looked += chance * (n if said == "accept" else size)
    assert_allclose(plan.aoq(p, size), left, rtol=1e-12)
    assert_allclose(plan.ati(p, size), looked, rtol=1e-12)


@pytest.mark.parametrize("plan", SMALL[:4])
def test_acceptance_of_a_lot_by_every_order(plan: SequentialPlan) -> None:
    size = plan.most + 1
    for incorrect in range(0, size + 1, 3):
        accepted = 0
        for places in itertools.combinations(range(size), incorrect):
            lot = [int(at in places) for at in range(size)]
            n, said = 0, "next piece"
            while said == "next piece":
                n += 1
                said = plan.decide(sum(lot[:n]), n)
            accepted += said == "accept"
        found = plan.accept(incorrect / size, model="hypergeometric", lot_size=size)
        assert_allclose(found, accepted / comb(size, incorrect), rtol=1e-12)


# Another road at full size: the chances themselves, piece by piece, in 40 digits.
@pytest.mark.parametrize(("p1", "p2"), [(0.01, 0.06), (0.005, 0.02)])
def test_risks_in_high_precision(p1: float, p2: float) -> None:
    plan = wald(p1, p2)
    ac, re = plan.numbers()
    for p in (p1, plan.s, p2):
        with mp.workdps(40):
            chance, accepted, looked = {0: mp.mpf(1)}, mp.mpf(0), mp.mpf(0)
            for n in range(1, plan.most + 1):
                going: dict[int, mp.mpf] = {}
                for k, weight in chance.items():
                    going[k] = going.get(k, 0) + weight * (1 - mp.mpf(p))
                    going[k + 1] = going.get(k + 1, 0) + weight * mp.mpf(p)
                looked += sum(chance.values())
                accepted += sum(w for k, w in going.items() if k <= ac[n - 1])
                chance = {k: w for k, w in going.items() if ac[n - 1] < k < re[n - 1]}
            assert not chance
            assert_allclose(plan.accept(p), float(accepted), rtol=1e-11)
            assert_allclose(plan.asn(p), float(looked), rtol=1e-11)


# 20,000 lots; the bounds are four standard errors.
def test_risks_by_simulation() -> None:
    plan, p, lots = wald(0.01, 0.06), 0.03, 20_000
    ac, re = plan.numbers()
    count = np.cumsum(np.random.default_rng(5).random((lots, plan.most)) < p, axis=1)
    done = (count <= ac) | (count >= re)
    at = done.argmax(axis=1)
    accepted = (count <= ac)[np.arange(lots), at]
    assert abs(accepted.mean() - plan.accept(p)) < 4 * np.sqrt(0.25 / lots)
    assert abs((at + 1).mean() - plan.asn(p)) < 4 * (at + 1).std() / np.sqrt(lots)


# Wald's own approximations (1947, A:73 ff.), which leave out the overshoot and the truncation:
# ASN 59.7 and 40.4, acceptance .562 at s, for p1 .01 and p2 .06; ours must lie near them only.
def test_the_approximations_of_wald_lie_near() -> None:
    plan = wald(0.01, 0.06)
    expected = CASES["SQ03"]["expected"]
    assert_allclose(plan.asn(0), 44, rtol=0)  # h1 / s = 43.4, and no part of a piece is looked at
    assert_allclose(plan.asn(0.01), expected["asn_p1"], rtol=0.05)
    assert_allclose(plan.asn(0.06), 40.42, rtol=0.2)
    assert_allclose(plan.accept(plan.s), expected["pa_s"], atol=0.06)


POINTS = [(0.01, 0.06, 0.05, 0.1), (0.02, 0.05, 0.05, 0.1), (0.1, 0.3, 0.02, 0.03),
          (0.4, 0.6, 0.1, 0.1), (0.1, 0.2, 0.2, 0.2), (0.0036, 0.0286, 0.2, 0.1),
          (0.2, 0.9, 0.2, 0.2), (0.2319, 0.95, 0.05, 0.2)]  # fmt: skip


@pytest.mark.parametrize(("p1", "p2", "a", "b"), POINTS)
def test_both_risks_are_kept(p1: float, p2: float, a: float, b: float) -> None:
    plan = wald(p1, p2, producer_risk=a, consumer_risk=b)
    good, bad = plan.accept([p1, p2])
    assert good >= 1 - a - 1e-8
    assert bad <= b + 1e-8


# By exhaustion: the same lines cut off earlier, at any acceptance number, break a risk.
@pytest.mark.parametrize(("p1", "p2", "a", "b"), POINTS[2:7])
def test_no_earlier_end_keeps_both_risks(p1: float, p2: float, a: float, b: float) -> None:
    plan = wald(p1, p2, producer_risk=a, consumer_risk=b)
    for most in range(1, plan.most):
        for ac in range(most):
            try:
                other = SequentialPlan(plan.h1, plan.h2, plan.s, most, ac)
            except InvalidInput:  # the lines have decided there
                continue
            good, bad = other.accept([p1, p2])
            assert good < 1 - a or bad > b, other


# Looser risks than Wald's lines keep: (0.0036, 0.0286) with 20 % and 10 %, found by trying.
def test_lines_widen_only_where_a_risk_asks_for_it() -> None:
    tight = wald(0.0036, 0.0286, producer_risk=0.2, consumer_risk=0.1)
    assert tight.h1 > wald(0.0036, 0.0286, producer_risk=0.2, consumer_risk=0.1, most=500).h1
    usual = wald(0.01, 0.06)
    assert usual.h1 == wald(0.01, 0.06, most=500).h1


@given(st.floats(0.005, 0.2), st.floats(1.5, 8), st.lists(fractions, min_size=2, max_size=5))
@settings(max_examples=30, deadline=None)
def test_worse_lots_are_accepted_less(p1: float, ratio: float, p: list[float]) -> None:
    plan = wald(p1, min(p1 * ratio, 0.9))
    found = plan.accept(sorted(p))
    assert (np.diff(found) <= 1e-12).all()
    assert ((found >= 0) & (found <= 1)).all()
    assert_allclose(plan.accept(sorted(p)[0]), found[0], rtol=1e-13)
    assert ((plan.asn(p) >= 1) & (plan.asn(p) <= plan.most * (1 + 1e-12))).all()


def test_the_ends() -> None:
    plan = wald(0.01, 0.06)
    assert_allclose(plan.accept([0, 1]), [1, 0], atol=0)
    assert_allclose(plan.asn([0, 1]), [44, 2], rtol=1e-12)
    assert plan.accept([]).shape == (0,)
    assert plan.asn([[0.1, 0.2]]).shape == (1, 2)
    assert_array_equal(plan.accept([[0.1]]), [[plan.accept(0.1)]])


# A lot so large that its pieces are as good as a process.
def test_large_lots_are_a_process() -> None:
    plan = wald(0.1, 0.3)
    p = np.array([0.1, 0.2, 0.3])
    lot = plan.accept(p, model="hypergeometric", lot_size=10**7)
    assert_allclose(lot, plan.accept(p), rtol=1e-4)


def refused(text: str) -> Any:
    return pytest.raises(InvalidInput, match=f"^{text}$")


def test_what_the_design_refuses() -> None:
    with refused("p1 must be below p2, got 0.1 and 0.1"):
        wald(0.1, 0.1)
    with refused("p1 must be between 0 and 1, both excluded, got 0"):
        wald(0, 0.1)
    with refused("consumer_risk must be between 0 and 1, both excluded, got 1"):
        wald(0.01, 0.1, consumer_risk=1)
    with refused("producer_risk and consumer_risk must add to less than 1, got 0.5 and 0.5"):
        wald(0.01, 0.1, producer_risk=0.5, consumer_risk=0.5)
    with refused("most must be whole numbers, 1 or more, got 0"):
        wald(0.01, 0.1, most=0)
    with refused("most must be one number, got 2"):
        wald(0.01, 0.1, most=[1, 2])  # type: ignore[arg-type]


def test_what_a_plan_refuses() -> None:
    with refused("h1 must be one number above 0, got 0"):
        SequentialPlan(0, 1, 0.1, 10, 1)
    with refused("s must be between 0 and 1, both excluded, got 1"):
        SequentialPlan(1, 1, 1, 10, 1)
    with refused("most must be whole numbers, 1 or more, got 1.5"):
        SequentialPlan(1, 1, 0.1, 1.5, 1)  # type: ignore[arg-type]
    with refused("ac must be from 0 to 1 after 10 pieces, got 2"):
        SequentialPlan(1, 1, 0.1, 10, 2)


def test_what_its_questions_refuse() -> None:
    plan = SequentialPlan(1.0, 1.0, 0.1, 30, 3)
    with refused("count must be from 0 to inspected, got 3 of 2"):
        plan.decide(3, 2)
    with refused("inspected must be at most 30, got 31"):
        plan.decide(0, 31)
    with refused("count and inspected must be one number each"):
        plan.decide([1, 2], 5)  # type: ignore[arg-type]
    with refused('model must be one of binomial, hypergeometric, got "poisson"'):
        plan.accept(0.1, model="poisson")
    with refused("lot_size must be 30 or more, got 20"):
        plan.aoq(0.1, 20)
    with refused("p must be from 0 to 1, got -0.1"):
        plan.asn(-0.1)
    with refused("lot_size must be given with the hypergeometric model, got None"):
        plan.accept(0.1, model="hypergeometric")
