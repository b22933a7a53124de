"""Switching rules on sequences worked by hand from the standard, and their own properties."""

import json
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from qa.errors import InvalidInput
from qa.plans import DoublePlan, LotResult, MultiplePlan, SinglePlan, Stage, standard
from qa.plans.switching import after, judged, limit_number, replay, start

HERE = Path(__file__).parent / "reference" / "plans"
CASES = {case["id"]: case for case in json.loads((HERE / "switching.json").read_text("utf-8"))}
SEQUENCES = [case for case in CASES.values() if "sequence" in case["inputs"]]
LIMITS = [case for name, case in CASES.items() if name.startswith("T8")]


def lots(letters: str, inspected: int = 125) -> list[LotResult]:
    """A accepted, R rejected, M accepted between Ac and Re."""
    return [LotResult(letter != "R", inspected, 0, in_gap=letter == "M") for letter in letters]


def states(letters: str, inspection: str = "normal", *, reduced: bool = False) -> str:
    began = start(1.0, inspection=inspection, reduced_wanted=reduced)
    return " ".join(state.inspection[0] for state in replay(began, lots(letters)))


# MIL-STD-105E 4.7.1 to 4.7.4 and 4.8: thresholds read, sequences worked by hand.
@pytest.mark.parametrize("case", SEQUENCES, ids=lambda case: case["id"])
def test_sequences_of_the_standard(case: dict[str, Any]) -> None:
    asked = case["inputs"]
    began = start(1.0, inspection=asked["start"], reduced_wanted=asked["reduced_conditions_met"])
    found = [state.inspection for state in replay(began, lots(asked["sequence"]))]
    assert found == case["expected"]


# Worked by hand here from the same paragraphs.
def test_more_sequences() -> None:
    assert states("RR") == "n t"
    assert states("RAR") == "n n t"
    assert states("RRRRR") == "n t t t t"  # one was on normal: four on tightened
    assert states("RRRRRRR") == "n t t t t t d"
    assert states("AMAA", "reduced") == "r n n n"
    assert states("ARA", "reduced") == "r n n"
    assert states("ARR", "reduced") == "r n t"  # two of five consecutive lots
    assert states("A" * 10) == " ".join("n" * 10)  # nobody wanted it reduced
    assert states("A" * 9 + "RR", reduced=True) == " ".join("n" * 10 + "t")


# MIL-STD-105E Table VIII (T806 alone recalled: one reprint has 49 there).
@pytest.mark.parametrize("case", LIMITS, ids=lambda case: case["id"])
def test_limit_numbers(case: dict[str, Any]) -> None:
    asked = case["inputs"]
    assert limit_number(asked["sample_units"], asked["aql"]) == case["expected"]


# Down a column the limit numbers rise, and with the AQL too.
def test_limit_numbers_rise() -> None:
    pieces = [20, 30, 50, 80, 130, 200, 320, 500, 800, 1250, 2000, 3150, 5000, 8000, 12_500]
    for aql in (0.1, 1.0, 6.5, 25, 100):
        known = [limit for n in pieces if (limit := limit_number(n, aql)) is not None]
        assert known == sorted(known)
        assert known[0] == 0 or aql > 10
    assert limit_number(1249, 1.0) == limit_number(800, 1.0) < limit_number(1250, 1.0)


# SW13: ten lots of 125 at AQL 1.0; 13 incorrect are within the limit, 14 are not.
@pytest.mark.parametrize(("incorrect", "expected"), [(13, "reduced"), (14, "normal")])
def test_the_limit_number_itself_still_qualifies(incorrect: int, expected: str) -> None:
    asked = CASES["SW13"]["inputs"]
    assert limit_number(asked["units"], asked["aql"]) == CASES["SW13"]["expected"]["limit"]
    history = [*lots("A" * 9), LotResult(True, 125, incorrect)]
    assert replay(start(1.0, reduced_wanted=True), history)[-1].inspection == expected


# SW14: letter F at AQL 0.65; 200 pieces are too few, so sixteen lots are taken in.
def test_few_pieces_take_in_more_lots() -> None:
    found = replay(start(0.65, reduced_wanted=True), lots("A" * 16, inspected=20))
    assert limit_number(200, 0.65) is None
    assert [state.inspection for state in found] == ["normal"] * 15 + ["reduced"]
    # One incorrect piece is too many for 320 pieces; it leaves the sixteen lots in the end.
    history = [LotResult(True, 20, 1), *lots("A" * 16, inspected=20)]
    found = replay(start(0.65, reduced_wanted=True), history)
    assert [state.inspection for state in found] == ["normal"] * 16 + ["reduced"]


def test_unsteady_production_bars_and_ends_reduced_inspection() -> None:
    unsteady = LotResult(True, 125, 0, steady=False)
    found = replay(
        start(1.0, reduced_wanted=True), [*lots("A" * 9), unsteady, *lots("A"), unsteady]
    )
    assert [state.inspection[0] for state in found[8:]] == ["n", "n", "r", "n"]
    assert found[-1].reason == "not steady"


def test_stopped_inspection_starts_again_tightened() -> None:
    stopped = replay(start(1.0, inspection="tightened"), lots("RRRRR"))[-1]
    assert stopped.inspection == "discontinued"
    waiting = after(stopped, LotResult(True))
    assert (waiting.inspection, waiting.switched) == ("discontinued", False)
    again = replay(waiting, [LotResult(True, resumed=True), *lots("AAAA")])
    assert [state.inspection[0] for state in again] == ["t", "t", "t", "t", "n"]
    assert again[0].reason == "resumed"
    assert replay(stopped, [LotResult(False, resumed=True)])[0].rejected == 1


# ISO 2859-1 (1999) 9.3.3.2, recalled: 2 for Ac 0 or 1, 3 for a lot that AQL one step tighter
# would accept too, a double plan's first sample or a multiple one's third; else back to 0.
def test_points_of_the_switching_score() -> None:
    assert judged(SinglePlan(20, 1), 1).points == 2
    assert judged(SinglePlan(20, 1), 2).points == 0
    plan, tighter = standard(4000, 1.0), standard(4000, 0.65)
    assert [judged(plan, count, tighter=tighter).points for count in (3, 4, 6)] == [3, 0, 0]
    assert judged(plan, 3).points is None
    double = DoublePlan(125, 2, 5, 125, 6, 7)
    assert [judged(double, 2).points, judged(double, 3, 1).points] == [3, 0]
    stages = MultiplePlan(tuple(Stage(10, at, at + 3) for at in range(4)))
    assert [judged(stages, 1, 1, 0).points, judged(stages, 1, 1, 1, 0).points] == [3, 0]


# Ten lots at 3 points make 30; fifteen at 2; a rejected or a scoreless lot begins anew.
@pytest.mark.parametrize(
    ("points", "needed"), [([3] * 30, 10), ([2] * 30, 15), ([3] * 9 + [0] + [3] * 20, 20)]
)
def test_a_score_of_30_reduces(points: list[int], needed: int) -> None:
    began = start(1.0, rule="iso_2859_1", reduced_wanted=True)
    found = replay(began, [LotResult(True, points=each) for each in points])
    assert [state.inspection for state in found].index("reduced") == needed - 1
    assert found[needed - 1].reason == "score reached"


def test_results_from_plans_and_counts() -> None:
    reduced = standard(4000, 1.0, inspection="reduced")
    assert judged(reduced, 2) == LotResult(True, 80, 2, points=None)
    assert judged(reduced, 3).in_gap
    assert judged(reduced, 4).in_gap
    assert not judged(reduced, 5).accepted
    double = DoublePlan(8, 0, 4, 8, 1, 5)
    assert judged(double, 0) == LotResult(True, 8, 0, points=3)
    assert judged(double, 2, 1) == LotResult(True, 16, 3, in_gap=True, points=0)
    assert not judged(double, 1, 0).in_gap


def test_the_reason_and_its_figures_are_kept_until_the_next_switch() -> None:
    found = replay(start(1.0, reduced_wanted=True), lots("ARAR" + "AAAA"))
    assert (found[3].reason, found[3].switched) == ("2 of 5 rejected", True)
    assert found[3].figures == (("lots", 3),)
    assert (found[4].reason, found[4].figures) == (found[3].reason, found[3].figures)
    assert not found[4].switched
    reduced = replay(start(1.0, reduced_wanted=True), lots("A" * 10))[-1]
    assert dict(reduced.figures) == {"lots": 10, "incorrect": 0, "inspected": 1250, "limit": 13}


letters = st.text("AARM", max_size=60)


@given(letters, letters)
@settings(max_examples=60, deadline=None)
def test_a_history_may_be_replayed_in_pieces(first: str, second: str) -> None:
    began = start(1.0, reduced_wanted=True)
    whole = replay(began, lots(first + second))
    part = replay(began, lots(first))
    assert whole == part + replay(part[-1] if part else began, lots(second))


@given(letters)
@settings(max_examples=60, deadline=None)
def test_states_change_only_as_the_standard_draws_them(text: str) -> None:
    drawn = {"nt", "nr", "tn", "td", "rn"}
    found = "n" + "".join(
        state.inspection[0] for state in replay(start(1.0, reduced_wanted=True), lots(text))
    )
    for one, other in pairwise(found):
        assert one == other or one + other in drawn


def refused(text: str) -> Any:
    return pytest.raises(InvalidInput, match=text)


def test_what_switching_refuses() -> None:
    with refused(r'^rule must be one of mil_std_105e, iso_2859_1, got "105e"$'):
        start(1.0, rule="105e")
    with refused(r"^aql must be one of .*, got 0.3$"):
        start(0.3)
    with refused(r'^inspection must be one of normal, tightened, reduced, got "discontinued"$'):
        start(1.0, inspection="discontinued")
    with refused(r"^inspected and incorrect must be whole numbers, 0 or more, got -1 at"):
        after(start(1.0), LotResult(True, -1))
    with refused(r"^points must be given where the switching score is kept, got None$"):
        after(start(1.0, rule="iso_2859_1"), LotResult(True))
    with refused(r"^counts must decide the lot, got 1 that ask for a second sample$"):
        judged(DoublePlan(8, 0, 4, 8, 1, 5), 2)
