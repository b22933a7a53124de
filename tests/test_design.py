"""Designed plans: printed sizes, every smaller plan tried, and every refusal."""

import csv
import itertools
import json
from math import comb
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import stats

from qa.errors import InvalidInput, NoSuchPlan
from qa.plans import (
    DoublePlan,
    SinglePlan,
    by_limiting_quality,
    for_claim,
    quality_at,
    two_point,
    two_points,
)

HERE = Path(__file__).parent / "reference" / "plans"
CASES = {case["id"]: case for case in json.loads((HERE / "design.json").read_text("utf-8"))}
RUNS = [case for name, case in CASES.items() if name.startswith("SR")]
LOTS = [case for name, case in CASES.items() if name.startswith("HG")]
TIE = 1 + 1e-12

GRID = [
    (p1, p1 * times, *risks)
    for p1, times, risks in itertools.product(
        (0.002, 0.01, 0.05, 0.2, 0.4),
        (1.3, 2, 4, 12),
        ((0.05, 0.10), (0.01, 0.05), (0.1, 0.2), (0.05, 0.001)),
    )
    if p1 * times < 0.99
]


def least_by_trying_all(
    p1: float, p2: float, alpha: float, beta: float, law: Any, most: int
) -> Any:
    """The smallest n up to `most` with the smallest c that keeps alpha, if it keeps beta too."""
    n = np.arange(1, most + 1)
    good, bad = law(n, p1), law(n, p2)
    c = good.isf(alpha * TIE)
    c = np.where(good.sf(c) <= alpha * TIE, c, c + 1)
    keeps = np.flatnonzero(bad.cdf(c) <= beta * TIE)
    return (int(n[keeps[0]]), int(c[keeps[0]])) if keeps.size else None


# By exhaustion: scipy's distributions, every n from 1.
@pytest.mark.parametrize(
    ("model", "law"), [("binomial", stats.binom), ("poisson", lambda n, p: stats.poisson(n * p))]
)
def test_no_smaller_plan_of_a_process_meets_both_risks(model: str, law: Any) -> None:
    tried = 0
    for p1, p2, alpha, beta in GRID:
        plan = two_point(p1, p2, producer_risk=alpha, consumer_risk=beta, model=model)
        if plan.n <= 4000:
            assert least_by_trying_all(p1, p2, alpha, beta, law, plan.n) == (plan.n, plan.ac)
            tried += 1
    assert tried > 50


@pytest.mark.parametrize("size", [10, 40, 120, 300])
def test_no_smaller_plan_of_a_lot_meets_both_risks(size: int) -> None:
    tried = 0
    for good, bad in itertools.product((0, 1, 2, 5), (1, 3, 8, 20)):
        if not good < bad < size:
            continue
        for alpha, beta in ((0.05, 0.10), (0.2, 0.3)):
            p1, p2 = max(good, 0.001) / size, bad / size
            plan = two_point(p1, p2, producer_risk=alpha, consumer_risk=beta, lot_size=size,
                             model="hypergeometric")  # fmt: skip
            if good:
                law = lambda n, p: stats.hypergeom(size, round(p * size), n)  # noqa: E731
                found = least_by_trying_all(p1, p2, alpha, beta, law, plan.n)
                assert found == (plan.n, plan.ac)
                tried += 1
    assert tried >= 4


# Exact whole-number arithmetic for a lot of 20,000; no plan with a piece less, whatever its c.
def test_a_plan_of_a_large_lot() -> None:
    size, good, bad = 20_000, 100, 400
    plan = two_point(0.005, 0.02, model="hypergeometric", lot_size=size)

    def ways(n: int, c: int, incorrect: int) -> int:
        return sum(comb(incorrect, k) * comb(size - incorrect, n - k) for k in range(c + 1))

    def meets(n: int, c: int) -> bool:
        every = comb(size, n)
        return 100 * ways(n, c, good) >= 95 * every and 10 * ways(n, c, bad) <= every

    assert meets(plan.n, plan.ac)
    assert not any(meets(plan.n - 1, c) for c in range(12))
    assert plan.n < two_point(0.005, 0.02).n


# N 5,000, n 770, c 4 holds for the lot, not for a process (the sheet's warning).
def test_a_lot_needs_no_more_than_a_process() -> None:
    lot = two_point(0.004, 0.01, model="hypergeometric", lot_size=5000)
    process = two_point(0.004, 0.01)
    assert lot.n < process.n
    assert lot.accept(0.01, model="hypergeometric", lot_size=5000) <= 0.10 < lot.accept(0.01)


# A lot holds whole pieces: by counting in exact whole numbers, with p N not whole (0.3 and 3.6 of
# 60 are 0 and 4), and whole but for the last digit (0.07 times 100 is 7.000000000000001).
@pytest.mark.parametrize(
    ("size", "p1", "p2", "good", "bad"),
    [(60, 0.005, 0.06, 0, 4), (90, 0.018, 0.12, 1, 11), (47, 0.05, 0.2, 2, 10),
     (100, 0.07, 0.28, 7, 28), (30, 0.01, 0.02, 0, 1), (75, 0.027, 0.15, 2, 12),
     (40, 0.0999999, 0.1000001, 3, 5)],
)  # fmt: skip
def test_points_of_a_lot_are_whole_pieces(
    size: int, p1: float, p2: float, good: int, bad: int
) -> None:
    def ways(n: int, c: int, d: int) -> int:
        return sum(comb(d, k) * comb(size - d, n - k) for k in range(c + 1))

    def keeps(n: int, c: int) -> bool:
        every = comb(size, n)
        accepted = all(20 * ways(n, c, d) >= 19 * every for d in range(good + 1))
        return accepted and all(10 * ways(n, c, d) <= every for d in range(bad, size + 1))

    plan = two_point(p1, p2, model="hypergeometric", lot_size=size)
    assert keeps(plan.n, plan.ac)
    assert not any(keeps(n, c) for n in range(1, plan.n) for c in range(n))


# The nomogram's (89, 2) for 1 % and 6 % breaks its producer's risk (0.060); strictly (110, 3).
def test_the_strict_plan_beside_the_nomogram() -> None:
    assert two_point(0.01, 0.06) == SinglePlan(110, 3)
    assert 1 - SinglePlan(89, 2).accept(0.01) > 0.05


@given(st.floats(1e-4, 0.3), st.floats(1.05, 30), st.floats(0.01, 0.3), st.floats(0.001, 0.3))
@settings(max_examples=80, deadline=None)
def test_a_plan_keeps_both_risks(p1: float, times: float, alpha: float, beta: float) -> None:
    p2 = p1 * times
    assume(p2 < 0.95)
    plan = two_point(p1, p2, producer_risk=alpha, consumer_risk=beta)
    assert plan.accept(p1) >= (1 - alpha) * (1 - 1e-10)
    assert plan.accept(p2) <= beta * (1 + 1e-10)
    if plan.n > plan.ac + 1:  # a piece fewer breaks one of them, with this c and its neighbours
        for c in range(max(plan.ac - 1, 0), min(plan.ac + 2, plan.n - 1)):
            less = SinglePlan(plan.n - 1, c)
            assert less.accept(p1) < 1 - alpha + 1e-10 or less.accept(p2) > beta * (1 - 1e-10)


def test_many_designs_at_once_are_each_alone() -> None:
    p1, p2 = np.array([[0.01], [0.02]]), np.array([0.05, 0.08, 0.4])
    n, c = two_points(p1, p2)
    assert n.shape == c.shape == (2, 3)
    for i, j in np.ndindex(n.shape):
        assert two_point(p1[i, 0], p2[j]) == SinglePlan(n[i, j], c[i, j])
    assert two_points([], [])[0].shape == (0,)


# Where the acceptance number leaves the table of rates, and far beyond it.
@pytest.mark.parametrize(("p1", "p2"), [(0.01, 0.0112), (0.01, 0.0105), (0.3, 0.34)])
def test_points_close_together(p1: float, p2: float) -> None:
    plan = two_point(p1, p2)
    assert plan.accept(p1) >= 0.95 - 1e-9
    assert plan.accept(p2) <= 0.10 + 1e-9
    less = SinglePlan(plan.n - 1, plan.ac)
    assert less.accept(p2) > 0.10
    assert SinglePlan(plan.n, plan.ac - 1).accept(p1) < 0.95


def double_by_trying_all(p1: float, p2: float, ratio: int | None, most: int, law: Any) -> Any:
    """Least ASN at p1 over all n1, c1, c2, n2 by plain loops (risks 0.05 and 0.10)."""
    best: tuple[float, ...] = (np.inf,)
    k = np.arange(most)
    sizes = range(1, 4 * most)
    good, bad = ({n: law(n, p) for n in sizes} for p in (p1, p2))
    accept = {n: bad[n].cdf(k) for n in sizes}
    reject = {n: good[n].sf(k) for n in sizes}
    for n1 in range(1, most):
        at_good, at_bad = good[n1].pmf(k), bad[n1].pmf(k)
        for c1 in range(n1):
            for c2 in range(c1 + 1, min(n1 + 12, most)):
                second = at_good[c1 + 1 : c2 + 1].sum()
                if accept[n1][c1] > 0.10 or n1 + second >= best[0]:
                    break
                for n2 in sizes if ratio is None else [ratio * n1]:
                    if n1 + n2 * second >= best[0]:
                        break
                    rest = c2 - np.arange(c1 + 1, c2 + 1)
                    if accept[n1][c1] + at_bad[c1 + 1 : c2 + 1] @ accept[n2][rest] <= 0.10 * TIE:
                        later = at_good[c1 + 1 : c2 + 1] @ reject[n2][rest]
                        if reject[n1][c2] + later <= 0.05 * TIE:
                            best = (n1 + n2 * second, n1, c1, n2, c2)
                        break
    return best[1:]


def double_in_lot_by_counting(
    size: int, good: int, bad: int, ratio: int | None
) -> tuple[float, tuple[int, ...]]:
    """Least ASN at `good` incorrect pieces of a lot, over every n1, c1, n2, c2, by counting."""

    def draw(total: int, incorrect: int, n: int) -> list[float]:
        ways = comb(total, n)
        return [
            comb(incorrect, j) * comb(total - incorrect, n - j) / ways
            for j in range(min(n, incorrect) + 1)
        ]

    def ends(incorrect: int, n1: int, c1: int, n2: int, c2: int) -> tuple[float, float]:
        """Chance of acceptance, and of a second sample."""
        first = draw(size, incorrect, n1)
        accepted, second = sum(first[: c1 + 1]), sum(first[c1 + 1 : c2 + 1])
        for j, chance in list(enumerate(first))[c1 + 1 : c2 + 1]:
            accepted += chance * sum(draw(size - n1, incorrect - j, n2)[: c2 - j + 1])
        return accepted, second

    best: tuple[float, tuple[int, ...]] = (np.inf, ())
    for n1 in range(1, size):
        sizes = range(1, size - n1 + 1) if ratio is None else [ratio * n1]
        for n2, c1 in itertools.product((n for n in sizes if n1 + n <= size), range(bad)):
            for c2 in range(c1 + 1, bad):
                accepted, second = ends(good, n1, c1, n2, c2)
                asn = n1 + n2 * second
                keeps = asn < best[0] - 1e-9 and 1 - accepted <= 0.05 * TIE
                if keeps and ends(bad, n1, c1, n2, c2)[0] <= 0.10 * TIE:
                    best = asn, (n1, c1, n2, c2)
    return best


@pytest.mark.parametrize("ratio", [None, 1, 2])
@pytest.mark.parametrize(("size", "good", "bad"), [(30, 1, 8), (24, 1, 6), (40, 2, 9)])
def test_no_double_plan_for_a_lot_asks_for_fewer_pieces(
    size: int, good: int, bad: int, ratio: int | None
) -> None:
    p1, p2 = good / size, bad / size
    asn, expected = double_in_lot_by_counting(size, good, bad, ratio)
    made = {"kind": "double", "model": "hypergeometric", "lot_size": size, "ratio": ratio}
    if not expected:
        with refused("no double plan meets both risks.*", NoSuchPlan):
            two_point(p1, p2, **made)
        return
    plan = two_point(p1, p2, **made)
    assert isinstance(plan, DoublePlan)
    assert (plan.n1, plan.ac1, plan.n2, plan.ac2) == expected
    assert asn < two_point(p1, p2, model="hypergeometric", lot_size=size).n


@pytest.mark.parametrize(
    ("size", "p1", "p2", "good", "bad"), [(30, 0.05, 0.25, 1, 8), (40, 0.06, 0.21, 2, 9)]
)
def test_points_of_a_double_plan_for_a_lot_are_whole_pieces(
    size: int, p1: float, p2: float, good: int, bad: int
) -> None:
    _, expected = double_in_lot_by_counting(size, good, bad, None)
    plan = two_point(p1, p2, kind="double", model="hypergeometric", lot_size=size)
    assert isinstance(plan, DoublePlan)
    assert (plan.n1, plan.ac1, plan.n2, plan.ac2) == expected


def test_a_double_plan_for_a_lot_keeps_the_risks_at_whole_pieces() -> None:
    made = {"kind": "double", "model": "hypergeometric", "lot_size": 330}
    plan = two_point(0.01, 0.06, **made)  # 3.3 and 19.8 incorrect pieces: 3 and 20
    curve = {"model": "hypergeometric", "lot_size": 330}
    assert plan.accept(3 / 330, **curve) >= 0.95 - 1e-9
    assert plan.accept(20 / 330, **curve) <= 0.10 + 1e-9
    large = two_point(0.01, 0.06, kind="double", model="hypergeometric", lot_size=10**6)
    process = two_point(0.01, 0.06, kind="double")
    assert abs(large.n1 - process.n1) + abs(large.n2 - process.n2) <= 1


@pytest.mark.parametrize("ratio", [None, 1, 2])
@pytest.mark.parametrize(("p1", "p2"), [(0.1, 0.5), (0.05, 0.4), (0.02, 0.25), (0.12, 0.42)])
def test_no_double_plan_asks_for_fewer_pieces(p1: float, p2: float, ratio: int | None) -> None:
    plan = two_point(p1, p2, kind="double", ratio=ratio)
    assert isinstance(plan, DoublePlan)
    expected = double_by_trying_all(p1, p2, ratio, 36, stats.binom)
    assert (plan.n1, plan.ac1, plan.n2, plan.ac2) == expected
    assert plan.re1 == plan.re2 == plan.ac2 + 1


@pytest.mark.parametrize(("p1", "p2"), [(0.01, 0.06), (0.005, 0.02), (0.02, 0.08)])
def test_double_plans_keep_the_risks_and_save_pieces(p1: float, p2: float) -> None:
    single = two_point(p1, p2)
    for ratio in (None, 1, 2):
        plan = two_point(p1, p2, kind="double", ratio=ratio)
        assert plan.accept(p1) >= 0.95
        assert plan.accept(p2) <= 0.10
        assert plan.asn(p1) < single.n
        if ratio:
            assert plan.n2 == ratio * plan.n1
            assert plan.asn(p1) >= two_point(p1, p2, kind="double").asn(p1)


# NIST/SEMATECH e-Handbook 6.2.4 (c1 2, c2 4, n1 = n2 = 108; 1 % and 5 %): ours asks for less.
def test_ours_beside_the_handbooks_double_plan() -> None:
    theirs = DoublePlan(108, 2, 5, 108, 4, 5)
    ours = two_point(0.01, 0.05, kind="double", ratio=1)
    assert CASES["ND01"]["expected"]["n_beta"] == theirs.n1
    assert ours.asn(0.01) < theirs.asn(0.01)


# Success runs (recalled, a closed form) and ISPM 31, appendix 2 (recalled, recomputed exactly).
@pytest.mark.parametrize("case", RUNS, ids=lambda case: case["id"])
def test_zero_defect_claims(case: dict[str, Any]) -> None:
    asked = case["inputs"]
    assert for_claim(asked["reliability"], asked["confidence"]).n == case["expected"]


@pytest.mark.parametrize("case", LOTS, ids=lambda case: case["id"])
def test_zero_defect_claims_of_a_lot(case: dict[str, Any]) -> None:
    asked = case["inputs"]
    p = asked.get("p", 1 / asked["N"])
    plan = for_claim(1 - p, asked["confidence"], lot_size=asked["N"])
    assert (plan.n, plan.ac) == (case["expected"], 0)


def test_the_well_known_sizes() -> None:
    found = [for_claim(target, 0.95).n for target in (0.99, 0.95, 0.9)]
    assert found == [299, 59, 29]
    assert for_claim(0.9, 0.9).n == 22


# Exhaustion in exact whole numbers.
@pytest.mark.parametrize(
    ("size", "target", "c", "incorrect"), [(20, 0.9, 0, 2), (60, 0.9, 2, 6), (90, 0.95, 1, 5)]
)
def test_no_smaller_sample_of_a_lot_proves_the_claim(
    size: int, target: float, c: int, incorrect: int
) -> None:
    plan = for_claim(target, 0.95, incorrect=c, lot_size=size)
    for n in range(c + 1, plan.n + 1):
        ways = sum(comb(incorrect, k) * comb(size - incorrect, n - k) for k in range(c + 1))
        assert (20 * ways <= comb(size, n)) == (n == plan.n)


@given(st.floats(0.5, 0.999), st.floats(0.5, 0.999), st.integers(0, 6))
@settings(max_examples=60, deadline=None)
def test_a_claim_needs_every_piece_of_its_sample(target: float, conf: float, c: int) -> None:
    plan = for_claim(target, conf, incorrect=c)
    assert plan.accept(1 - target) <= (1 - conf) * (1 + 1e-10)
    if plan.n > c + 1:
        assert SinglePlan(plan.n - 1, c).accept(1 - target) > (1 - conf) * (1 - 1e-10)
    lot = for_claim(target, conf, incorrect=c, lot_size=100_000)
    assert lot.n <= plan.n


# Birolini, Reliability Engineering (2007), 7.1: 195 from the Poisson (seen); 194 is enough.
def test_by_limiting_quality() -> None:
    assert by_limiting_quality(0.02, ac=1) == SinglePlan(194, 1)
    poisson = SinglePlan(CASES["HB08"]["expected"]["n"], 1)
    assert poisson.accept(0.02, model="poisson") <= 0.10
    assert by_limiting_quality(0.05, lot_size=100) == for_claim(0.95, 0.90, lot_size=100)


# ISO 2859-2 (plans recalled): consumer's risk below 0.13 (the sentence was seen), so the least
# sample for 0.13 is no larger than the standard's.
def test_limiting_quality_plans_of_the_standard() -> None:
    for limit, n, ac in CASES["LQ01"]["inputs"]["plans"]:
        assert SinglePlan(n, ac).accept(limit) < 0.13
        assert by_limiting_quality(limit, consumer_risk=0.13, ac=ac).n <= n


# MIL-STD-105E Table X and CXG 50 (recalled, three digits).
def test_points_read_back() -> None:
    asked, expected = CASES["CX01"]["inputs"], CASES["CX01"]["expected"]
    for (n, c), points in zip(asked["plans"], expected, strict=True):
        assert_allclose(quality_at(SinglePlan(n, c), asked["pa"]) * 100, points, rtol=0.006)


@given(
    st.integers(1, 300), st.integers(0, 8), st.floats(0.01, 0.99),
    st.sampled_from(["binomial", "poisson", "hypergeometric"]),
)  # fmt: skip
@settings(max_examples=60, deadline=None)
def test_the_quality_has_the_chance_asked(n: int, c: int, chance: float, model: str) -> None:
    plan, size = SinglePlan(n, min(c, n - 1)), 400
    p = quality_at(plan, chance, model=model, lot_size=size)
    # A fraction within 1e-9 of whole pieces of the lot means them, so the curve has tiny flats.
    near = 1e-6 if model == "hypergeometric" else 1e-9
    assert_allclose(plan.accept(p, model=model, lot_size=size), chance, rtol=near)


def test_points_of_other_plans() -> None:
    plan = DoublePlan(50, 1, 4, 100, 3, 4)
    p = quality_at(plan, [[0.95, 0.1]])
    assert p.shape == (1, 2)
    assert_allclose(plan.accept(p), [[0.95, 0.1]], rtol=1e-10)
    assert quality_at(plan, []).shape == (0,)


def test_closed_forms_of_plans_without_incorrect_pieces() -> None:
    for chance in (0.999, 0.5, 1e-6):
        assert_allclose(quality_at(SinglePlan(59, 0), chance), 1 - chance ** (1 / 59), rtol=1e-10)


# Tables VI-A and X of MIL-STD-105E give most of these; a row of each reading.
def test_operating_points_of_the_standard() -> None:
    rows = csv.DictReader((HERE / "operating_points.csv").read_text("utf-8").splitlines()[1:])
    of_j = {row["quantity"]: float(row["percent"]) for row in rows
            if (row["table"], row["letter"], row["aql"]) == ("X-J", "J", "0.15")}  # fmt: skip
    assert len(of_j) == 7
    for quantity, percent in of_j.items():
        chance = float(quantity.split("=")[1].rstrip("%")) / 100
        assert_allclose(quality_at(SinglePlan(80, 0), chance) * 100, percent, rtol=0.04)


def refused(text: str, error: type[Exception] = InvalidInput) -> Any:
    return pytest.raises(error, match=f"^{text}$")


def test_what_two_points_refuse() -> None:
    with refused("p1 must be below p2, got 0.05 and 0.01"):
        two_point(0.05, 0.01)
    with refused("p1 must be below p2, got 0.05 and 0.05"):
        two_point(0.05, 0.05)
    with refused("p1 must be between 0 and 1, both excluded, got 0"):
        two_point(0, 0.05)
    with refused("p2 must be above 0, got -1"):
        two_point(0.1, -1, model="poisson")
    with refused("producer_risk and consumer_risk must be below 1 together, got 0.6 and 0.5"):
        two_point(0.01, 0.05, producer_risk=0.6, consumer_risk=0.5)
    with refused("consumer_risk must be between 0 and 1, both excluded, got 0"):
        two_point(0.01, 0.05, consumer_risk=0)
    with refused('model must be one of binomial, poisson, hypergeometric, got "normal"'):
        two_point(0.01, 0.05, model="normal")
    with refused('kind must be one of single, double, got "triple"'):
        two_point(0.01, 0.05, kind="triple")
    with refused("p1 and p2 must be one number each, got 2; two_points takes more"):
        two_point([0.01, 0.02], 0.05)  # type: ignore[arg-type]
    with refused(r"p1 and p2 must have one shape, got \(2,\) and \(3,\)"):
        two_points([0.01, 0.02], [0.1, 0.2, 0.3])
    with refused("lot_size must be given with the hypergeometric model, got None"):
        two_point(0.01, 0.05, model="hypergeometric")
    with refused("lot_size must be whole numbers, 1 or more, got 0"):
        two_point(0.01, 0.05, lot_size=0)
    with refused("ratio must be left out for single plans, got 2"):
        two_point(0.01, 0.05, ratio=2)
    with refused("ratio must be whole numbers, 1 or more, got 0.5"):
        two_point(0.01, 0.05, kind="double", ratio=0.5)  # type: ignore[arg-type]
    with refused("lot_size must be given with the hypergeometric model, got None"):
        two_point(0.01, 0.05, kind="double", model="hypergeometric")
    with refused("no double plan meets both risks.*", NoSuchPlan):
        two_point(9 / 41, 10 / 41, kind="double", model="hypergeometric", lot_size=41, ratio=2)


def test_risks_that_no_plan_within_the_lot_can_meet() -> None:
    with refused("no single plan within the lot of 100 pieces meets both risks, 110 would be "
                 "needed; inspect every piece", NoSuchPlan):  # fmt: skip
        two_point(0.01, 0.06, lot_size=100)
    with refused("no double plan within the lot of 100 pieces meets both risks, .*", NoSuchPlan):
        two_point(0.01, 0.06, lot_size=100, kind="double")
    with refused("p1 and p2 must lie further apart, both mean 5 incorrect pieces in the lot of 100",
                 NoSuchPlan):  # fmt: skip
        two_point(0.05, 0.05 + 1e-12, model="hypergeometric", lot_size=100)
    with refused("p1 and p2 must lie further apart, .*", NoSuchPlan):
        two_point(0.01, 0.010001)


def test_what_claims_refuse() -> None:
    with refused("target must be between 0 and 1, both excluded, got 1"):
        for_claim(1, 0.95)
    with refused("confidence must be between 0 and 1, both excluded, got 95"):
        for_claim(0.99, 95)
    with refused("incorrect must be whole numbers, 0 or more, got -1"):
        for_claim(0.99, 0.95, incorrect=-1)
    with refused("no sample of a lot of 100 tells when 5 incorrect pieces may be seen: 5 in the "
                 "lot are too many already", NoSuchPlan):  # fmt: skip
        for_claim(0.95, 0.95, incorrect=5, lot_size=100)
    with refused("limiting_quality must be between 0 and 1, both excluded, got 0"):
        by_limiting_quality(0)
    with refused("chance must be between 0 and 1, both excluded, got 1"):
        quality_at(SinglePlan(5, 0), 1.0)
    with refused("chance must be 1 or more, which the plan gives the worst lot, got 0.5"):
        quality_at(SinglePlan(5, 5), 0.5)
