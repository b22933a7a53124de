"""The standard's tables: look-ups printed in regulations, every cell's form, and the messages."""

import json
from pathlib import Path

import pytest

from qa.errors import InvalidInput, NoSuchPlan, QAError
from qa.plans import SinglePlan, aqls, code_letter, for_sample, standard
from qa.plans.standard import INSPECTIONS, LEVELS, _columns

FOLDER = Path(__file__).parent / "reference" / "plans"
LOOK_UPS = [
    case for case in json.loads((FOLDER / "single.json").read_text()) if case["id"].startswith("LK")
]
LETTERS = "ABCDEFGHJKLMNPQR"
LOTS = (8, 15, 25, 50, 90, 150, 280, 500, 1_200, 3_200, 10_000, 35_000, 150_000, 500_000, 500_001)


# 21 CFR 800.20(c)(3) prints the plans with their lot sizes (seen); Birolini, Reliability
# Engineering (2007), section 7.1 prints them by letter (seen). Arrows are part of both.
@pytest.mark.parametrize("case", LOOK_UPS, ids=lambda case: case["id"])
def test_plans_printed_in_regulations_and_handbooks(case: dict) -> None:
    asked, expected = case["inputs"], case["expected"]
    # At level II, lots of these sizes have the letters B to Q; letter to lot for the others.
    sizes = asked.get("lot_sizes") or [LOTS[LETTERS.index(asked["letter"])]]
    for size in sizes:
        plan = standard(size, asked["aql"], level=asked.get("level", "II"))
        assert (plan.n, plan.ac) == (min(expected["n"], size), expected["ac"])


def test_arrows_change_the_sample_size_both_ways() -> None:
    # Lots of 281 to 500 at AQL 0.40 go from H up to G, 501 to 1,200 from J down to K.
    assert standard(500, 0.40) == SinglePlan(32, 0)
    assert standard(1_200, 0.40) == SinglePlan(125, 1)


def test_a_plan_as_large_as_the_lot_inspects_all() -> None:
    assert standard(50, 0.10) == SinglePlan(50, 0)
    assert standard(1, 6.5) == SinglePlan(1, 0)


@pytest.mark.parametrize("inspection", INSPECTIONS)
@pytest.mark.parametrize("aql", aqls())
def test_every_column_leads_every_letter_to_a_plan(inspection: str, aql: float) -> None:
    plans = [standard(size, aql, inspection=inspection) for size in (*LOTS[:-1], 600_000)]
    sizes = [(plan.n, plan.ac) for plan in plans]
    assert sizes == sorted(sizes), "a larger lot never asks for fewer pieces"


def test_cells_follow_the_table_s_own_order() -> None:
    """Down a column Ac never falls, and along a row Ac never falls: the diagonals of the table."""
    columns = _columns()
    for inspection in INSPECTIONS:
        rows: dict[str, list[int]] = {}
        for aql in aqls():
            column = columns[inspection, aql]
            acs = [int(ac) for _, ac, _, _ in column.values() if ac]
            assert acs == sorted(acs)
            for letter, (_, ac, _, _) in column.items():
                if ac:
                    rows.setdefault(letter, []).append(int(ac))
        for acs in rows.values():
            assert acs == sorted(acs)


def test_normal_plans_keep_the_producer_s_risk_small() -> None:
    """At its AQL a normal plan accepts at least 0.87 of lots (MIL-STD-105E, 6.1: about 0.88 up)."""
    for aql in (each for each in aqls() if each <= 10):
        for size in LOTS[4:]:
            assert standard(size, aql).accept(aql / 100) > 0.85


def test_tightened_inspection_accepts_less_and_reduced_more() -> None:
    for size in LOTS[5:]:
        normal, tight, reduced = (
            float(standard(size, 1.0, inspection=each).accept(0.02)) for each in INSPECTIONS
        )
        assert tight <= normal <= reduced


def test_reduced_inspection_leaves_a_gap() -> None:
    plan = standard(4_000, 1.0, inspection="reduced")
    assert plan.re > plan.ac + 1


def test_letters_rise_with_the_lot_and_the_level() -> None:
    for level in LEVELS:
        letters = [code_letter(size, level) for size in LOTS]
        assert letters == sorted(letters)
    for size in LOTS:
        general = [code_letter(size, level) for level in ("I", "II", "III")]
        special = [code_letter(size, level) for level in ("S-1", "S-2", "S-3", "S-4")]
        assert general == sorted(general)
        assert special == sorted(special)


# 7 CFR 52.38(c): a sample between two prescribed sizes is accepted on the smaller one's number.
def test_a_sample_of_another_size_takes_the_plan_below_it() -> None:
    assert for_sample(200, 1.0) == SinglePlan(200, 5)
    assert for_sample(199, 1.0) == SinglePlan(125, 3)
    assert for_sample(10**6, 1.0) == SinglePlan(1250, 21), "no plan above the last of the column"
    assert for_sample(12, 1.0) is None
    assert for_sample(13, 1.0) == SinglePlan(13, 0)


@pytest.mark.parametrize("aql", [0.65, 1.0, 4.0])
def test_a_larger_sample_never_gets_a_smaller_number(aql: float) -> None:
    found = [for_sample(size, aql) for size in range(1, 400)]
    numbers = [plan.ac for plan in found if plan]
    assert numbers == sorted(numbers)
    assert all(plan.n <= size for size, plan in enumerate(found, start=1) if plan)


@pytest.mark.parametrize(
    ("call", "error", "message"),
    [
        (
            lambda: standard(0, 1.0),
            InvalidInput,
            "lot_size must be whole numbers, 1 or more, got 0",
        ),
        (lambda: standard(40.5, 1.0), InvalidInput, "1 or more, got 40.5"),
        (lambda: standard([4, 5], 1.0), InvalidInput, "lot_size must be one number"),
        (lambda: standard(4_000, 0.8), NoSuchPlan, "aql must be one of the standard's, 0.01, "),
        (lambda: standard(4_000, 0.8), NoSuchPlan, "got 0.8"),
        (lambda: standard(4_000, -1), InvalidInput, "aql must be above 0, got -1"),
        (lambda: standard(4_000, 1.0, level="IV"), InvalidInput, "level must be one of S-1, S-2"),
        (lambda: standard(4_000, 1.0, kind="treble"), InvalidInput, "kind must be one of single"),
        (
            lambda: standard(4_000, 1.0, inspection="lax"),
            InvalidInput,
            'inspection must be one of normal, tightened, reduced, got "lax"',
        ),
    ],
)
def test_what_bad_input_is_told(call: object, error: type[QAError], message: str) -> None:
    with pytest.raises(error) as told:
        call()  # type: ignore[operator]
    assert message in str(told.value)
    assert "\n" not in str(told.value)
