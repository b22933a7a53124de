"""Federal lot plans against the rules' own statements and worked samples."""

import json
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose

from qa.errors import InvalidInput, NoSuchPlan
from qa.plans import SinglePlan, federal

HERE = Path(__file__).parent / "reference" / "plans"
CASES = {
    case["id"]: case
    for name in ("series.json", "published.json")
    for case in json.loads((HERE / name).read_text("utf-8"))
}


# 7 CFR 42.109, Table I, read in two places (the regulation as printed, and its recomputed cells).
@pytest.mark.parametrize("name", ["US02", "US03", "US04", "US05", "US06", "US07", "US09"])
def test_container_plans_are_the_printed_ones(name: str) -> None:
    case = CASES[name]
    code = {84: "CA", 168: "CB", 315: "CC", 500: "CD", 800: "CE"}[case["inputs"]["n"]]
    where = "elsewhere" if "other than origin" in case["statement"] else "origin"
    plans = federal.container_plans(100, where=where, code=code)
    assert [plan.ac for plan in plans.values()] == case["inputs"]["ac"]
    assert {plan.n for plan in plans.values()} == {case["inputs"]["n"]}
    assert all(plan.re == plan.ac + 1 for plan in plans.values())


# 42.102 and 43.102: about 95 % accepted at the AQL; tightened inspection accepts less.
@pytest.mark.parametrize("where", ["origin", "elsewhere"])
def test_normal_plans_accept_the_aql_and_tightened_ones_less(where: str) -> None:
    aqls = federal.AQLS[where]
    for lot in (6001, 12_001, 36_001):
        normal = federal.container_plans(lot, where=where)
        tight = federal.container_plans(lot, where=where, inspection="tightened")
        reduced = federal.container_plans(lot, where=where, inspection="reduced")
        for name, aql in zip(federal.JUDGED, aqls, strict=True):
            chance = normal[name].accept(aql / 100, model="poisson")
            assert_allclose(chance, 0.95, atol=0.025)
            assert tight[name].accept(aql / 100, model="poisson") < chance
            assert reduced[name].n < normal[name].n < tight[name].n


def test_lot_ranges_at_their_edges() -> None:
    for lot, n in ((1, 84), (6000, 84), (6001, 168), (12_000, 168), (36_000, 315), (36_001, 500)):
        assert federal.container_plans(lot)["major"].n == n
    assert federal.container_plans(36_001, inspection="reduced")["major"].n == 168
    assert federal.container_plans(10**9, inspection="tightened")["major"].n == 800
    assert federal.container_plans(1, inspection="tightened", code="CF")["total"].ac == 63


# 42.107: critical, major and total at once; one class over its number rejects.
def test_all_classes_are_judged_at_once() -> None:
    plans = federal.container_plans(6000)
    for counts, verdict, over in [
        ({}, "accept", ()),
        ({"major": 3, "minor": 6}, "accept", ()),
        ({"critical": 1}, "reject", ("critical",)),
        ({"major": 4}, "reject", ("major",)),
        ({"major": 3, "minor": 7}, "reject", ("total",)),
        ({"critical": 1, "major": 4, "minor": 5}, "reject", ("critical", "major", "total")),
    ]:
        assert federal.judge_classes(counts, plans) == federal.Judgement(verdict, over)


# 52.38(c)(1) to (3), read in full; the samples are worked by hand from the rule.
@pytest.mark.parametrize("name", ["NP01", "NP02", "NP03", "NP04", "NP05"])
def test_samples_of_a_size_that_is_not_prescribed(name: str) -> None:
    given_, expected = CASES[name]["inputs"], CASES[name]["expected"]
    verdict, more = federal.judge_units(given_["n"], given_["deviants"])
    if expected == "meets":
        assert (verdict, more) == ("accept", 0)
    elif expected == "fails":
        assert (verdict, more) == ("reject", 0)
    else:
        assert verdict == "pull more"
        assert f"up to {given_['n'] + more} and" in expected


def test_every_sample_size_is_judged_by_the_rule() -> None:
    plans = federal.sample_units()
    assert [(plan.n, plan.ac) for plan in plans] == [
        (3, 0), (6, 1), (13, 2), (21, 3), (29, 4), (38, 5), (48, 6), (60, 7),
    ]  # fmt: skip
    for plan in plans:
        assert federal.judge_units(plan.n, plan.ac) == ("accept", 0)
        assert federal.judge_units(plan.n, plan.ac + 1) == ("reject", 0)
    for smaller, larger in pairwise(plans):
        for n in range(smaller.n + 1, larger.n):
            said = [federal.judge_units(n, x) for x in range(larger.ac + 2)]
            assert [verdict for verdict, _ in said[: smaller.ac + 1]] == ["accept"] * larger.ac
            assert said[larger.ac] == ("pull more", larger.n - n)
            assert said[larger.ac + 1] == ("reject", 0)


# 52.38, Tables I to IV (seen).
def test_processed_products_by_lot_size() -> None:
    for lot, product, group, n in [
        (3000, "canned", 1, 3), (3001, "canned", 1, 6), (145_000, "canned", 1, 29),
        (750, "canned", 3, 3), (9601, "frozen", 1, 13), (58_000, "frozen", 2, 29),
        (58_501, "comminuted", 1, 21), (2400, "dehydrated", 2, 6),
    ]:  # fmt: skip
        plan = federal.processed_plan(lot, product, group=group)
        assert plan.n == n
        assert plan in federal.sample_units()
    assert federal.processed_plan(20_000, "canned", on_line=True) == SinglePlan(6, 1)
    assert federal.processed_plan(145_000, "canned", on_line=True) == SinglePlan(21, 3)


def test_ranges_leave_no_gap() -> None:
    for product, groups in (("canned", 3), ("frozen", 2), ("comminuted", 3), ("dehydrated", 2)):
        for group in range(1, groups + 1):
            for on_line in (False, True):
                lots = np.unique(np.geomspace(1, 29_000, 200).astype(int))
                sizes = [
                    federal.processed_plan(int(lot), product, group=group, on_line=on_line).n
                    for lot in lots
                ]
                assert (np.diff(sizes) >= 0).all()


def refused(text: str, kind: type[Exception] = InvalidInput) -> Any:
    return pytest.raises(kind, match=f"^{text}$")


def test_what_these_rules_refuse() -> None:
    with refused("lot_size must be whole numbers, 1 or more, got 0"):
        federal.container_plans(0)
    with refused('where must be one of origin, elsewhere, got "port"'):
        federal.container_plans(100, where="port")
    with refused('inspection must be one of normal, tightened, reduced, got "strict"'):
        federal.container_plans(100, inspection="strict")
    with refused('code must be one of CA, CB, CC, CD, CE, got "CZ"'):
        federal.container_plans(100, code="CZ")
    with refused('class must be one of critical, major, minor, got "severe"'):
        federal.judge_classes({"severe": 1}, federal.container_plans(100))
    with refused("major must be whole numbers, 0 or more, got -1"):
        federal.judge_classes({"major": -1}, federal.container_plans(100))
    with refused("inspected must be from 3 to 60, got 61"):
        federal.judge_units(61, 0)
    with refused("deviants must be from 0 to inspected, got 4 of 3"):
        federal.judge_units(3, 4)
    with refused('product must be one of canned, frozen, comminuted, dehydrated, got "fresh"'):
        federal.processed_plan(100, "fresh")
    with refused("group must be one of 1, 2, got 3"):
        federal.processed_plan(100, "frozen", group=3)
    with refused(
        "7 CFR 52.38 has no plan for 200,000 containers: its table for canned, group 1, "
        "ends at 145,000",
        NoSuchPlan,
    ):
        federal.processed_plan(200_000, "canned")
