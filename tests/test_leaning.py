"""How far sums lean beyond their law, and that limits so many times as high hold again."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from qa.charts import Lean, cusum_limit, lean, scored
from qa.charts.beta_binomial import log_ratio
from qa.charts.cusum import running
from qa.charts.leaning import Scored
from qa.charts.run_length.grid import Scores

LAW = {"center": 0.01, "correlation": 0.01, "ratio": 2.0}
KNOWN = 1e9  # pieces of a baseline that knows its level
SERIES, TOTES = 60, 3000


def steps(ups: float, law: float = 0.2) -> Scored:
    """A hundred steps of 1 up and down, each on a day of its own, and their law."""
    score = np.repeat([1.0, -1.0], [round(100 * ups), round(100 * (1 - ups))])
    chances = Scores(np.array([1.0, -1.0]), np.array([law, 1 - law]))
    return Scored(score, np.arange(100), chances)


def test_where_the_law_holds_nothing_leans() -> None:
    assert lean([]) == Lean() == Lean(1.0, 1.0)
    none = Scored(np.zeros(0), np.zeros(0), steps(0.2).law)
    assert lean([none]) == Lean()
    assert lean([steps(0.2)]) == lean([none, steps(0.2)]) == Lean()


# Far up, a sum of such steps falls off like exp(-a h) with exp(a) = (1 - u) / u (gambler's ruin),
# so that limits are to each other nearly as the exponents are.
@pytest.mark.parametrize("ups", [0.25, 0.3, 0.35])
def test_a_limit_rises_as_the_chance_of_its_height_says(ups: float) -> None:
    expected = np.log(0.8 / 0.2) / np.log((1 - ups) / ups)
    assert_allclose(lean([steps(ups)], arl=1e9).tail, expected, rtol=0.08)
    # Charts are taken together, each by its totes.
    both = lean([steps(ups), *(steps(0.2) for _ in range(9))], arl=1e9).tail
    assert 1 < both < 1 + 0.25 * (expected - 1)
    assert lean([steps(ups, law=ups)]).tail == 1


def test_the_law_is_that_of_the_level_held_against() -> None:
    count, n = np.arange(201), np.full(201, 200)
    found = scored(count, n, count, effective_n=KNOWN, **LAW)
    same, twice = (stats.betabinom(200, p * 99, (1 - p) * 99) for p in (0.01, 0.02))
    ratio = twice.logpmf(count[:30]) - same.logpmf(count[:30])
    assert_allclose(found.score[:30], ratio, atol=0.01)
    assert_allclose(found.law.chance[:30], same.pmf(count[:30]), rtol=1e-9)
    assert_allclose(found.law.score[:30], found.score[:30])
    # A baseline of 5,000 pieces is scored from the upper end of what its level may be.
    few = scored(count, n, count, effective_n=5_000, **LAW)
    assert_allclose(few.law.chance[:30], same.pmf(count[:30]), rtol=1e-9)
    assert few.law.score[0] > found.law.score[0]


def test_totes_that_are_one_for_all_the_day_count_as_one() -> None:
    rng, days, totes = np.random.default_rng(1), 20, 2
    day, law = np.repeat(np.arange(days), totes), steps(0.2).law
    score = np.repeat(rng.normal(-1, 1, days), totes)
    every = days * totes
    # sums of m equal values: m^2 for m, about the days' own mean, over the totes' variance
    expected = totes * days / (days - 1) * (every - 1) / every
    assert_allclose(lean([Scored(score, day, law)]).lasting, expected)
    split = [Scored(part, day, law) for part in (score, score - 5)]
    assert_allclose(lean(split).lasting, expected)
    assert lean([Scored(score, day * 0, law)]).lasting == 1  # one day says nothing of days


def test_it_never_lowers_a_limit_nor_raises_one_without_end() -> None:
    assert lean([steps(0.1)]).tail == 1
    alternating = Scored(np.tile([1.0, -1.5], 50), np.repeat(np.arange(50), 2), steps(0.2).law)
    assert lean([alternating]).lasting == 1
    wild = Scored(np.repeat([9.0, 8.0], 10), np.repeat([0, 1], 10), steps(0.2).law)
    assert lean([wild]) == Lean(3.0, 3.0)
    assert lean([wild]).limit == 9


def worse(of: str, rng: np.random.Generator) -> np.ndarray:
    """How many times its level each tote has; three totes of a day stand together."""
    if of == "few totes":
        return np.where(rng.random((SERIES, TOTES)) < 0.02, 10.0, 0.8 / 0.98)
    off = rng.normal(-0.08, 0.4, (SERIES, TOTES // 3))
    return np.repeat(np.exp(off), 3, axis=1)


# One tote in fifty ten times as bad, or days that differ by two fifths: a CUSUM whose limit gives
# 300 totes between false alarms by law has them sooner, and with the leaning limit not.
@pytest.mark.parametrize(
    ("of", "correlation", "most"), [("few totes", 0.0167, 250), ("days", 0.002, 150)]
)
def test_a_limit_that_leans_has_its_run_length_again(
    of: str, correlation: float, most: float
) -> None:
    rng = np.random.default_rng(3)
    n, day = np.full((SERIES, TOTES), 200), np.arange(TOTES) // 3
    x = rng.binomial(n, 0.01 * worse(of, rng))
    law = {**LAW, "correlation": correlation}
    charts = [scored(*each, day, effective_n=KNOWN, **law) for each in zip(x, n, strict=True)]
    found = lean(charts, arl=300)
    limit = cusum_limit([200], arl=300, **law).limit
    scores = log_ratio(x, n, **law)

    def between(top: float) -> float:
        """Totes between false alarms."""
        paths = np.array([running(each, top) for each in scores])
        return float(paths.size / (paths > top).sum())

    assert between(limit) < most
    assert 280 < between(limit * found.limit) < 460
    assert (found.tail > 1.02) == (of == "few totes")
    assert (found.lasting > 1.2) == (of == "days")
