"""Sources: a standardised ratio by its own sums, quiet healthy plants, and what cannot matter."""

import json

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import special, stats
from statsmodels.stats.rates import test_poisson_2indep as two_poisson_rates

from qa import cli, drift, tally
from qa.compare import adjusted, standardised
from qa.compare.standardised import share_p_value
from qa.errors import InvalidInput
from qa.programme import Programme
from tests.small_plant import small_plant

RATES = {"stem": 0.0045, "over_trim": 0.0035, "double": 0.002}
INSPECTORS = [0.3, 0.2, 0.15, 0.12, 0.1, 0.08, 0.04, 0.01]  # one of them is hardly ever there
WAYS = ("inspector", "shift", "weekday", "shift and weekday", "line")


def plant(
    seed: int,
    *,
    weeks: int = 4,
    rho: float = 0.01,
    lines: str = "AAAAAA",
    seen: float = 1.0,
) -> pd.DataFrame:
    """Eight totes a lane and day that differ, at levels of each lane and week, inspected at random.

    The first inspector finds a share `seen` of the over-trimmed pieces.
    """
    rng = np.random.default_rng(seed)
    lane, day = (each.ravel() for each in np.indices((6, 56 * weeks)))
    day //= 8
    n = rng.choice([100, 150, 200, 250], lane.size)
    level = rng.uniform(0.6, 1.6, (6, weeks))[lane, day // 7]
    who = rng.choice(len(INSPECTORS), lane.size, p=INSPECTORS)
    x = {
        code: rng.binomial(n, rng.beta(p * level * (1 / rho - 1), (1 - p * level) * (1 / rho - 1)))
        for code, p in RATES.items()
    }
    x["over_trim"] = rng.binomial(x["over_trim"], np.where(who == 0, seen, 1.0))
    at = pd.Timestamp("2026-03-16", tz="UTC") + pd.to_timedelta(day, unit="D")
    fixed = {"site": "SP1", "product": "sprout-whole", "programme": 1, "purpose": "routine"}
    rows = pd.DataFrame(
        {
            "line": np.array(list(lines))[lane],
            "lane": (lane + 1).astype(str),
            "tote": np.arange(lane.size).astype(str),
            "pulled_at": at,
            "day": at.tz_localize(None),
            "shift": rng.choice(["morning", "afternoon", "night"], lane.size),
            "inspector": np.char.add("insp-0", (who + 1).astype(str)),
            "inspected": n,
            **x,
        }
    )
    incorrect = sum(x.values())
    counted = {"incorrect": incorrect, "correct": n - incorrect, "key": rows["tote"]}
    return tally.table(rows.assign(**fixed, **counted), list(RATES))


# -- the standardised ratio ------------------------------------------------------------------------


def totes(seed: int, strata: int, size: int, p: float = 0.05):
    rng = np.random.default_rng(seed)
    stratum = rng.integers(0, strata, size)
    n = rng.integers(50, 200, size)
    x = rng.binomial(n, rng.beta(20 * p, 20 * (1 - p), size))
    return x, n, rng.random(size) < 0.4, stratum


def by_hand(x, n, first, stratum):
    """Explicit sums, stratum by stratum: both fractions, their variances, those if alike."""
    weights, rows = [], []
    for label in sorted(set(stratum)):
        sides = [(stratum == label) & side for side in (first, ~first)]
        m = [int(side.sum()) for side in sides]
        if min(m) < 2:
            continue
        both = sides[0] | sides[1]
        level = x[both].sum() / n[both].sum()
        spread = ((x[both] - level * n[both]) ** 2).sum() / (sum(m) - 1)
        row = []
        for side, k in zip(sides, m, strict=True):
            p = x[side].sum() / n[side].sum()
            own = ((x[side] - p * n[side]) ** 2).sum() * k / (k - 1) / n[side].sum() ** 2
            row.append((p, own, k * spread / n[side].sum() ** 2, own**2 / (k - 1), level))
        weights.append(m[0] * m[1] / sum(m))
        rows.append(row)
    w = np.array(weights)[:, None] / sum(weights)
    p, own, alike, square, level = np.moveaxis(np.array(rows), -1, 0)
    variance = (w**2 * own).sum(0)
    freedom = variance**2 / (w**4 * square).sum(0)
    return (w * p).sum(0), variance, freedom, (w**2 * alike).sum(0), float((w * level).sum(0)[0])


def test_the_ratio_and_its_test_agree_with_explicit_sums():
    x, n, first, stratum = totes(3, 4, 90)
    p, variance, freedom, alike, level = by_hand(x, n, first, stratum)
    found = standardised(x, n, first, stratum=stratum)
    sizes, limits = [], []
    for at, side in enumerate((first, ~first)):
        pieces = n[side].sum()
        size = p[at] * (1 - p[at]) / variance[at]
        size *= (stats.t.ppf(0.025, pieces - 1) / stats.t.ppf(0.025, freedom[at])) ** 2
        size = min(size, pieces)
        x_of, y_of = p[at] * size, (1 - p[at]) * size
        low, high = special.betaincinv([x_of, x_of + 1], [y_of + 1, y_of], [0.025, 0.975])
        limits.append((low, high))
        sizes.append(min(size, level * (1 - level) / alike[at]))
    assert_allclose([found.first.interval.estimate, found.other.interval.estimate], p, rtol=1e-12)
    assert_allclose([found.first.interval.low, found.first.interval.high], limits[0], rtol=1e-9)
    assert_allclose(found.ratio.estimate, p[0] / p[1], rtol=1e-12)
    here, there = p * sizes
    share = sizes[0] / sum(sizes)
    tails = special.betainc(here, there + 1, share), 1 - special.betainc(here + 1, there, share)
    assert_allclose(found.ratio.p_value, min(1, 2 * min(tails)), rtol=1e-9)
    # A ratio at its limit is as far off as both fractions' own limits (Fagerland & Newcombe).
    low, high = float(found.ratio.low), float(found.ratio.high)
    off = (p[0] - low * p[1]) ** 2 - (p[0] - limits[0][0]) ** 2 - (low * (limits[1][1] - p[1])) ** 2
    assert abs(off) < 1e-12
    off = (p[0] - high * p[1]) ** 2
    off -= (limits[0][1] - p[0]) ** 2 + (high * (p[1] - limits[1][0])) ** 2
    assert abs(off) < 1e-12


def test_ratio_and_variances_agree_with_a_regression_with_robust_errors():
    """A Poisson regression's sandwich, a tote a cluster, is the variance but for m / (m - 1)."""
    x, n, first, _ = totes(5, 1, 60)
    found = standardised(x, n, first)
    sides = np.column_stack([first, ~first]).astype(float)
    model = sm.GLM(x, sides, family=sm.families.Poisson(), exposure=n)
    fitted = model.fit(
        cov_type="cluster",
        cov_kwds={"groups": np.arange(x.size), "use_correction": False},
        tol=1e-12,
    )
    assert_allclose(found.ratio.estimate, np.exp(fitted.params[0] - fitted.params[1]), rtol=1e-8)
    for at, side in enumerate((found.first, found.other)):
        p = float(side.interval.estimate)
        variance = side.design_effect * p * (1 - p) / side.inspected
        robust = fitted.bse[at] ** 2 * p**2 * side.totes / (side.totes - 1)
        assert_allclose(variance, robust, rtol=1e-7)


@pytest.mark.parametrize(("x", "n", "y", "m"), [(11, 800, 21, 3011), (0, 50, 7, 60), (3, 9, 1, 9)])
def test_the_test_of_a_share_agrees_with_an_exact_test_of_two_rates(x, n, y, m):
    tails = [
        two_poisson_rates(x, n, y, m, method="exact-cond", alternative=side).pvalue
        for side in ("larger", "smaller")
    ]
    assert_allclose(share_p_value(x / n, n, y / m, m), min(1, 2 * min(tails)), rtol=1e-9)


def test_what_strata_differ_by_cancels():
    """One side has ten totes of the bad lane, the other one: pooled 4 apart, standardised none."""
    x = [20] * 10 + [2] + [20] + [2] * 10
    lane = ["bad"] * 10 + ["good", "bad"] + ["good"] * 10
    found = standardised(x, [200] * 22, [True] * 11 + [False] * 11, stratum=lane)
    assert_allclose(found.ratio.estimate, 1.0)
    assert float(found.ratio.p_value) == 1.0
    assert float(standardised(x, [200] * 22, [True] * 11 + [False] * 11).ratio.p_value) < 0.01


def test_strata_of_one_side_alone_are_left_out():
    x, n = [1, 2, 9, 9, 3, 4], [100] * 6
    found = standardised(x, n, [1, 1, 1, 1, 0, 0], stratum=["a", "a", "b", "b", "a", "a"])
    assert (found.left_out, found.first.totes, found.other.totes) == (2, 2, 2)
    assert standardised([1, 2], [9, 9], [1, 0], stratum=["a", "b"]) is None
    assert standardised([], [], []) is None


def test_none_on_a_side_is_an_ordinary_case():
    n, first = [100] * 8, [1] * 4 + [0] * 4
    none = standardised([0] * 8, n, first).ratio
    assert np.isnan(none.estimate)
    assert float(none.p_value) == 1.0
    only = standardised([4, 6, 5, 6] + [0] * 4, n, first).ratio
    assert (np.isinf(only.estimate), np.isinf(only.high), float(only.low) > 0) == (True,) * 3
    assert 0 < float(only.p_value) < 0.05


@settings(max_examples=40)
@given(seed=st.integers(0, 10_000), strata=st.integers(1, 5))
def test_order_and_names_do_not_matter_and_sides_mirror(seed: int, strata: int):
    x, n, first, stratum = totes(seed, strata, 30)
    found = standardised(x, n, first, stratum=stratum)
    order = np.random.default_rng(seed).permutation(30)
    named = np.array([f"lane {9 - label}" for label in stratum])
    again = standardised(x[order], n[order], first[order], stratum=named[order])
    turned = standardised(x, n, ~first, stratum=stratum)
    if found is None:
        assert again is turned is None
        return
    for each in ("estimate", "low", "high", "p_value"):
        assert_allclose(getattr(again.ratio, each), getattr(found.ratio, each), rtol=1e-9)
    assert_allclose(turned.ratio.p_value, found.ratio.p_value, rtol=1e-9)
    assert_allclose(turned.ratio.low, 1 / found.ratio.high, rtol=1e-6)


# -- plants ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("rho", [0.01, 0.05])
def test_healthy_plants_are_flagged_no_more_often_than_stated(programme: Programme, rho: float):
    """120 plants, 24 comparisons each: at most 5 % with any flag, and three standard errors."""
    plants = 120
    flagged = sum(
        any(
            each.beyond_chance
            for each in drift.sources(plant(seed, rho=rho), programme, by=WAYS[0])
        )
        for seed in range(plants)
    )
    error = np.sqrt(plants * drift.DOUBT * (1 - drift.DOUBT))
    assert flagged <= plants * drift.DOUBT + 3 * error


def test_an_inspector_who_finds_half_is_found(programme: Programme):
    found = drift.sources(plant(1, weeks=8, seen=0.4), programme, by="inspector")
    assert (found[0].value, found[0].category) == ("insp-01", "over_trim")
    assert found[0].beyond_chance
    assert "insp-01 finds over-trim less often" in found[0].sentence
    assert "have pieces of known kind sorted by all" in found[0].sentence


@pytest.mark.parametrize("by", WAYS)
def test_every_way_of_looking_holds_each_value_against_all_others(programme: Programme, by: str):
    rows = plant(2, weeks=2, lines="AAABBB")
    found = drift.sources(rows, programme, by=by)
    values = {"inspector": 8, "shift": 3, "weekday": 7, "shift and weekday": 21, "line": 2}[by]
    assert len(found) == len({(each.value, each.category) for each in found}) == 3 * values
    assert all(each.totes + each.other_totes + each.left_out == len(rows) for each in found)
    p_values = [float(each.ratio.p_value) for each in found]
    assert p_values == sorted(p_values)
    assert_allclose([each.adjusted_p for each in found], adjusted(p_values))
    assert all(each.beyond_chance == (each.adjusted_p <= drift.DOUBT) for each in found)
    assert all(float(each.rate.low) <= float(each.rate.high) for each in found)
    assert "{" not in " ".join(each.sentence for each in found)


def test_only_routine_audits_speak_and_a_tote_counts_once(programme: Programme):
    rows = plant(3, weeks=2)
    bad = rows.assign(purpose="for-cause", over_trim=40, tote="x" + rows["tote"])
    halves = [rows.assign(inspected=rows["inspected"] - 50, over_trim=0, double=0, stem=0)]
    halves.append(rows.assign(inspected=50))
    for other in (pd.concat([rows, bad]), pd.concat(halves), rows.sample(frac=1, random_state=1)):
        for one, two in zip(
            drift.sources(rows, programme, by="shift"),
            drift.sources(other, programme, by="shift"),
            strict=True,
        ):
            assert (one.sentence, one.totes) == (two.sentence, two.totes)
            assert_allclose(float(one.ratio.p_value), float(two.ratio.p_value), rtol=1e-9)


def test_a_weekday_is_that_of_the_production_day(programme: Programme):
    rows = plant(4, weeks=1)
    monday = rows["day"] == pd.Timestamp("2026-03-16")
    found = drift.sources(rows, programme, by="weekday")
    assert {each.totes for each in found if each.value == "Monday"} == {int(monday.sum())}


def test_nothing_to_compare_is_an_empty_answer(programme: Programme):
    rows = plant(5, weeks=1)
    assert drift.sources(rows, programme, by="line") == ()
    assert drift.sources(rows[:0], programme, by="shift and weekday") == ()


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda _: standardised([3], [2], [1]), "count must be from 0 to inspected, got 3 of 2"),
        (lambda _: standardised([[1]], [[2]], [[1]]), "count must be one value a tote, got an arr"),
        (
            lambda _: standardised([1, 1], [2, 2], [1]),
            "first must have 2 values, one a tote, got 1",
        ),
        (
            lambda _: standardised([1, 1], [2, 2], [1, 0], stratum=["a"]),
            "stratum must have 2 values, one a tote, got 1",
        ),
        (
            lambda programme: drift.sources(plant(1, weeks=1), programme, by="head"),
            'by must be one of inspector, shift, weekday, shift and weekday, line, got "head"',
        ),
        (
            lambda programme: drift.sources(plant(1, weeks=1), programme, by="shift", doubt=1),
            "doubt must be between 0 and 1",
        ),
        (
            lambda programme: drift.sources(pd.DataFrame({"lane": ["1"]}), programme, by="shift"),
            "a tally",
        ),
    ],
)
def test_bad_input_is_told_the_rule(programme: Programme, call, message):
    with pytest.raises(InvalidInput, match=message):
        call(programme)


# -- the command -----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> str:
    where = tmp_path_factory.mktemp("sources") / "plant.db"
    small_plant(where).engine.dispose()
    return str(where)


def said(*arguments: str, status: int = 0) -> str:
    done = CliRunner().invoke(cli.main, ["drift", *arguments])
    assert done.exit_code == status, done.output
    return done.output


def test_the_command_says_what_the_package_says(kept: str):
    at = ("--store", kept, "--at", "2026-04-20T12:00", "--by", "weekday")
    answer = json.loads(said(*at, "--json"))
    assert (answer["by"], answer["doubt"], len(answer["sources"])) == ("weekday", 0.05, 21)
    told = said(*at)
    assert "(21 comparisons; the chance" in told
    assert all(each["sentence"] in told for each in answer["sources"])
    assert "For the lead alone" not in told
    earlier = json.loads(
        said("--store", kept, "--at", "2026-04-01T12:00", "--by", "weekday", "--json")
    )
    assert earlier["sources"][0]["totes"] < answer["sources"][0]["totes"]


def test_the_command_says_when_nothing_can_be_compared(kept: str):
    assert "By inspector there is nothing to compare" in said("--store", kept, "--by", "inspector")
    early = said("--store", kept, "--by", "shift", "--at", "2026-03-15T12:00")
    assert "nothing to compare" in early
    assert "by must be one of inspector, shift" in said("--store", kept, "--by", "head", status=2)
