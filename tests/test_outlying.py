"""Trouble of one lane in its baseline lifts no other lane's limits; what all lanes do, does."""

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from qa import drift
from qa.charts import outlying
from qa.charts.leaning import Scored
from qa.charts.run_length.grid import Scores
from qa.drift.baseline import Budget, Held, spread, watch
from qa.programme import Baseline, Programme
from tests.test_drift import BASELINE_DAYS, at_day, plant

LAW = Scores(np.array([1.0, -1.0]), np.array([0.2, 0.8]))
DAYS, TOTES = 20, 12
CATEGORIES = ("stem", "over_trim", "double")


def days(rng: np.random.Generator, category: str, apart: float = 0.0) -> Scored:
    """Totes of twenty days that differ by 1, and their days by so much besides."""
    score = rng.normal(-1, 1, DAYS * TOTES) + np.repeat(apart * rng.normal(0, 1, DAYS), TOTES)
    return Scored(score, np.repeat(np.arange(DAYS), TOTES), LAW, category)


def floor(rng: np.random.Generator, lanes: int = 4, **apart: float) -> list[Scored]:
    """Charts lane by lane, days of named categories further apart on all of them."""
    return [days(rng, of, apart.get(of, 0.0)) for _ in range(lanes) for of in CATEGORIES]


# 400 floors of 12 charts, at most 5 % of which may have one told: 20, and 4.4 is one standard
# deviation of the count.
@pytest.mark.parametrize("lanes", [2, 4])
def test_of_floors_whose_days_are_alike_few_have_a_chart_that_stands_out(lanes: int) -> None:
    rng = np.random.default_rng(1)
    told = sum(outlying(floor(rng, lanes)) != () for _ in range(400))
    assert 7 <= told <= 33


def test_a_chart_stands_out_among_those_of_its_category() -> None:
    rng = np.random.default_rng(5)
    charts = floor(rng)
    charts[4] = days(rng, "over_trim", 1.0)
    assert outlying(charts) == (4,)
    charts[9] = days(rng, "stem", 1.0)  # another lane's
    assert outlying(charts) == (9, 4)
    assert outlying(charts[:2] + charts[3:5]) == (3,), "of two lanes"


def test_where_all_lanes_lean_and_where_none_can_be_compared_none_stands_out() -> None:
    rng = np.random.default_rng(3)
    assert outlying(floor(rng, stem=1.0)) == ()
    assert outlying([]) == ()
    alone = [replace(days(rng, of, 2.0), category=of) for of in CATEGORIES]
    assert outlying(alone) == ()
    short = replace(alone[0], day=alone[0].day * 0)  # one day says nothing of days
    assert outlying([alone[0], short]) == ()
    even = Scored(np.tile([1.0, -1.0], 20), np.repeat(np.arange(10), 4), LAW)
    assert outlying([even, even, replace(even, score=-even.score)]) == ()


def held(seed: int, *troubled: str, category: str = "stem") -> list[Held]:
    """Six lanes' baselines of twenty days; some have four times as much of one for five days.

    Lanes have the same totes with trouble elsewhere and without.
    """
    lanes, day = [], np.repeat(np.arange(DAYS), TOTES)
    for lane in "123456":
        rng = np.random.default_rng([seed, int(lane)])
        n = rng.choice([100, 150, 200, 250], day.size)
        times = np.where((day >= 8) & (day < 13) & (lane in troubled), 4.0, 1.0)
        counts = {
            code: rng.binomial(n, rng.beta(99 * p, 99 * (1 - p)) * (times if of else 1.0))
            for code, p in zip(CATEGORIES, (0.01, 0.0035, 0.002), strict=True)
            for of in [code == category]
        }
        lanes.append(Held(day.astype("datetime64[D]"), day.astype(str), n, counts))
    return lanes


def limit(lanes: list[Held], programme: Programme, at: int) -> float:
    """The limit of a lane's stems."""
    run = Budget(1, 18, DAYS / 5)
    chart = watch(lanes[at], "stem", lanes, spread(lanes, programme), run)
    assert chart is not None
    return chart.limit.limit


def moved(programme: Programme, seed: int, *troubled: str) -> float:
    """How many times as high trouble makes the limit of lane 1."""
    clean, trouble = (limit(held(seed, *lanes), programme, 0) for lanes in ((), troubled))
    return trouble / clean


# With the trouble counted for all lanes it is 1.28 on average.
def test_trouble_of_one_lane_in_its_baseline_hardly_moves_the_others_limits(
    programme: Programme,
) -> None:
    found = np.array([moved(programme, seed, "6") for seed in range(12)])
    assert abs(found.mean() - 1) < 0.02
    assert found.max() < 1.05


def test_limits_rise_where_the_days_of_all_lanes_lean(programme: Programme) -> None:
    found = [moved(programme, seed, *"123456") for seed in range(3)]
    assert min(found) > 1.2


def test_the_lane_that_stands_out_is_held_against_all_and_the_others_against_the_rest(
    programme: Programme,
) -> None:
    lanes = held(0, "6")
    found = spread(lanes, programme)
    assert [*found.apart] == [(lanes[5], "stem")]
    mine, others = found.of(lanes[5], "stem"), found.of(lanes[0], "stem")
    assert mine.lean.lasting > 1.1 * others.lean.lasting
    assert mine.at(0.01).value > others.at(0.01).value
    assert found.of(lanes[5], "double") is found.of(None, "stem") is others is found
    # Of the others' it is as if nobody had looked at that lane's stems.
    rest = [*lanes[:5], replace(lanes[5], counts={c: lanes[5].counts[c] for c in CATEGORIES[1:]})]
    assert replace(found, apart={}) == spread(rest, programme)
    assert limit(lanes, programme, 5) > 1.1 * limit(lanes, programme, 0)


def test_people_are_told_of_the_lane_that_stands_out(programme: Programme) -> None:
    held_against = Baseline("sprout-whole", date(2026, 3, 16), date(2026, 4, 4))
    watched = replace(programme, baselines=(held_against,))
    trouble = (("3", "stem", 8.0, 12.0, 5.0),)
    rows = plant(watched, 0, days=BASELINE_DAYS + 1, lanes="123", rises=trouble)
    now, notes = at_day(BASELINE_DAYS + 1), {}
    for lane in "13":
        chart = drift.chart(rows, watched, lane, "stem", now=now)
        assert chart is not None
        notes[lane] = [each for each in chart.notes if "see whether something was wrong" in each]
    assert (len(notes["1"]), len(notes["3"])) == (0, 1)
