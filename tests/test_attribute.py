"""Count charts against printed centre lines and limits, enumeration, and their own rules."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from scipy import stats

from qa.charts import (
    ControlChart,
    c_chart,
    laney_stretch,
    np_chart,
    p_chart,
    standardised,
    u_chart,
)
from qa.errors import InvalidInput

HERE = Path(__file__).parent / "reference" / "charts"
PUBLISHED = {
    case["id"]: case for case in json.loads((HERE / "published.json").read_text(encoding="utf-8"))
}
SIGMA = {"limits": "three_sigma"}


def series(name: str, *columns: str, **only: str) -> list[np.ndarray]:
    """Columns of a published series, rows kept where every given column has the given text."""
    text = (HERE / f"{name}.csv").read_text(encoding="utf-8").splitlines()[1:]
    rows = [r for r in csv.DictReader(text) if all(r[k] == v for k, v in only.items())]
    return [np.array([float(row[column]) for row in rows]) for column in columns]


def signals(chart: ControlChart) -> list[int]:
    """Numbers of the points that signal, counted from 1 as the sources do."""
    return (np.flatnonzero(chart.signals) + 1).tolist()


def misses(chart: ControlChart, case: dict[str, object]) -> list[object]:
    """What differs from print: centre line, limits, signals; a limit clipped at 0 is no limit."""
    expected, tolerance = case["expected"], case["tolerance"]
    figures = {"CL": chart.center, "UCL": chart.upper, "LCL": chart.lower}
    differ: list[object] = [
        (name, got, expected[name])
        for name, got in figures.items()
        if name in expected and (abs(np.nan_to_num(got) - expected[name]) > tolerance).any()
    ]
    if "signals" in expected and signals(chart) != expected["signals"]:
        differ.append(("signals", signals(chart), expected["signals"]))
    return differ


# Each case names its source, its printed digits and whether the figure was seen or recalled.
@pytest.mark.parametrize("name", ["p01", "p03", "p04", "p08", "p12", "p15", "p17"])
def test_p_charts_from_totals_agree_with_print(name):
    case = PUBLISHED[name]
    given_ = case["inputs"]
    center = given_.get("p", given_.get("total", 0) / (given_.get("m", 1) * given_["n"]))
    if "sum_p" in given_:
        center = given_["sum_p"] / given_["m"]
    assert misses(p_chart(0, given_["n"], center=center, **SIGMA), case) == []


@pytest.mark.parametrize("name", ["p02", "p13", "p16", "p18", "p21"])
def test_p_charts_from_counts_agree_with_print(name):
    case = PUBLISHED[name]
    inputs = case["inputs"]
    counts = next(v for v in inputs.values() if isinstance(v, list))
    assert misses(p_chart(counts, inputs["n"], **SIGMA), case) == []


# Montgomery, Introduction to Statistical Quality Control, Example 7.1 (memory).
def test_orange_juice_limits_are_revised_without_the_two_signals():
    count, n = series("orange_juice_54x50", "nonconforming", "n", phase="trial")
    assert signals(p_chart(count, n, **SIGMA)) == [15, 23]
    kept = ~np.isin(np.arange(30), [14, 22])
    revised = p_chart(count, n, center=count[kept].sum() / n[kept].sum(), **SIGMA)
    expected = PUBLISHED["p19"]["expected"]
    assert_allclose(revised.center[0], expected["CL"], atol=5e-5)
    assert_allclose([revised.upper[0], revised.lower[0]], [0.3893, 0.0407], atol=5e-5)
    assert signals(revised) == expected["beyond_revised"]


# Same book, Table 7.4 and Table 7.5 (memory): p 0.0955; limits at n = 100 (0.0073, 0.1836) follow
# from the printed standard error 0.029; the one signal and its standardised value are printed.
def test_purchase_orders_have_limits_at_each_sample_size():
    n, count = series("purchase_orders_25", "n", "nonconforming")
    chart = p_chart(count, n, **SIGMA)
    assert_allclose(chart.center, 0.0955, atol=5e-5)
    sigma = (chart.upper - chart.center) / 3
    assert_allclose(sigma[[0, 1, 4, 8, 11]], [0.029, 0.033, 0.028, 0.031, 0.027], atol=5e-4)
    assert signals(chart) == [11]
    assert_allclose(chart.sigma, sigma, rtol=1e-9)
    z = standardised(chart).statistic[10]
    assert_allclose(z, PUBLISHED["z01"]["expected"]["z11"], atol=PUBLISHED["z01"]["tolerance"])


@pytest.mark.parametrize("name", ["np01", "np03"])
def test_np_charts_agree_with_print(name):
    case = PUBLISHED[name]
    assert misses(np_chart(0, case["inputs"]["n"], center=case["inputs"]["p"], **SIGMA), case) == []


@pytest.mark.parametrize("name", ["c01", "c05", "c08"])
def test_c_charts_agree_with_print(name):
    case = PUBLISHED[name]
    counts = next(iter(case["inputs"].values()))
    chart = c_chart(counts, **SIGMA)
    assert misses(chart, case) == []
    assert chart.statistic.sum() == case["expected"].get("total", sum(counts))


def test_c_chart_of_rubber_wire_is_out_of_control():  # Montgomery & Runger, Exercise 16-26 (seen)
    assert c_chart(PUBLISHED["c02"]["inputs"]["defects"], **SIGMA).signals.any()


# Montgomery, Example 7.3 (memory): samples 6 and 20 set aside, then twenty new ones, all inside.
def test_circuit_boards_revised_limits_hold_the_next_twenty():
    trial, later = (series("circuit_boards_46", "count", phase=p)[0] for p in ("trial", "after"))
    revised = c_chart(later, center=np.delete(trial, [5, 19]).mean(), **SIGMA)
    assert_allclose([revised.upper[0], revised.lower[0]], [32.97, 6.36], atol=5e-3)
    assert signals(revised) == []


@pytest.mark.parametrize("name", ["u05", "u06"])
def test_u_charts_agree_with_print(name):
    case = PUBLISHED[name]
    assert misses(u_chart(case["inputs"]["c"], case["inputs"]["n"], **SIGMA), case) == []


def test_u_chart_limits_follow_the_units():  # formula, Montgomery Exercise 7.51
    case = PUBLISHED["u04"]
    chart = u_chart([7, 7, 7], case["inputs"]["n"], center=case["inputs"]["u"], **SIGMA)
    assert_allclose(chart.upper, case["expected"]["UCL"], atol=case["tolerance"])


# Montgomery, Table 7.11 (memory): dyed cloth, 153 in 107.5 units; the centre is the ratio of sums.
def test_u_chart_of_dyed_cloth_weighs_by_units():
    units, defects = series("dyed_cloth_10", "units", "defects")
    chart = u_chart(defects, units, **SIGMA)
    assert_allclose(chart.center, 1.42, atol=5e-3)
    assert signals(chart) == []


def test_poisson_limit_from_a_printed_exercise():  # c = 2, chance beyond <= 0.005: up to 6
    chart = c_chart(0, center=2, false_alarm=0.01)
    assert chart.most.tolist() == [6]
    assert np.isnan(chart.lower[0])


# Independent road: scipy's distributions, summed count by count.
@pytest.mark.parametrize("false_alarm", [0.0027, 0.05, 1e-5])
@pytest.mark.parametrize(
    ("limits", "rho"), [("exact", None), ("beta_binomial", 0.0), ("beta_binomial", 0.03)]
)
@pytest.mark.parametrize("p", [0.002, 0.01, 0.3, 0.97])
def test_exact_limits_are_the_tightest_that_keep_the_false_alarms(limits, rho, p, false_alarm):
    n = np.array([1, 7, 60, 200, 523])
    chart = p_chart(0 * n, n, center=p, correlation=rho, limits=limits, false_alarm=false_alarm)
    for size, least, most in zip(n, chart.least, chart.most, strict=True):
        law = (
            stats.betabinom(size, p * (1 - rho) / rho, (1 - p) * (1 - rho) / rho)
            if rho
            else stats.binom(size, p)
        )
        half = false_alarm / 2
        assert law.sf(most) <= half
        assert most == 0 or law.sf(most - 1) > half
        assert law.cdf(least - 1) <= half
        assert law.cdf(least) > half


def test_exact_poisson_limits_are_the_tightest():
    mean = np.array([0.001, 0.4, 2, 9.7, 150, 4000])
    chart = c_chart(0 * mean, center=mean)
    assert (stats.poisson.sf(chart.most, mean) <= 0.00135).all()
    assert (stats.poisson.sf(chart.most - 1, mean) > 0.00135)[chart.most > 0].all()
    assert (stats.poisson.cdf(chart.least - 1, mean) <= 0.00135).all()
    assert (stats.poisson.cdf(chart.least, mean) > 0.00135).all()


def test_large_samples_keep_their_digits():  # mpmath is not needed: the tails bracket the limit
    n, p = 10_000_000, 0.01
    chart = p_chart(100_000, n, center=p)
    assert stats.binom.sf(chart.most[0], n, p) <= 0.00135 < stats.binom.sf(chart.most[0] - 1, n, p)


# Laney (2002): sigma of z is the mean moving range over 1.128; worked here by hand on four audits.
def test_laney_limits_stretch_by_the_neighbours():
    count, n = np.array([2, 8, 3, 9]), np.array([100, 200, 100, 200])
    p = 22 / 600
    z = (count / n - p) / np.sqrt(p * (1 - p) / n)
    stretch = np.abs(np.diff(z)).mean() / 1.128379
    chart = p_chart(count, n, limits="laney")
    assert_allclose(chart.upper, p + 3 * stretch * np.sqrt(p * (1 - p) / n), rtol=1e-6)


def test_limits_of_later_audits_keep_the_baseline_s_stretch():
    count, n = np.array([2, 8, 3, 9, 1]), np.array([100, 200, 100, 200, 150])
    baseline = p_chart(count, n, limits="three_sigma")
    factor = laney_stretch(baseline)
    own = p_chart(count, n, limits="laney")
    assert_allclose(own.upper - own.center, factor * (baseline.upper - baseline.center))
    center = count.sum() / n.sum()
    later = p_chart([30], [200], center=center, limits="laney", stretch=factor)
    assert_allclose(later.upper[0], own.upper[1])
    units = u_chart(count, n / 100, limits="three_sigma")
    defects = u_chart([30], [2.0], center=units.center[0], limits="laney", stretch=2.0)
    assert_allclose(defects.upper[0] - defects.center[0], 2 * (units.upper - units.center)[1])
    assert c_chart([4], center=4, limits="laney", stretch=2.0).sigma[0] == 4
    rng = np.random.default_rng(1)  # alike audits spread as chance says
    alike = p_chart(rng.binomial(200, 0.1, 20_000), 200, center=0.1)
    assert abs(laney_stretch(alike) - 1) < 0.03


def test_laney_limits_of_defects_stretch_by_the_neighbours():  # the same by hand, Poisson
    count, units = np.array([2, 8, 3, 9]), np.array([1.0, 2.0, 1.5, 2.0])
    u = 22 / 6.5
    z = (count / units - u) / np.sqrt(u / units)
    stretch = np.abs(np.diff(z)).mean() / 1.128379
    chart = u_chart(count, units, limits="laney")
    assert_allclose(chart.upper, u + 3 * stretch * np.sqrt(u / units), rtol=1e-6)


@pytest.mark.parametrize("limits", ["exact", "beta_binomial", "three_sigma", "laney"])
def test_a_standardised_chart_signals_the_same_points(limits):
    rng = np.random.default_rng(3)
    n = rng.integers(100, 251, 400)
    count = rng.binomial(n, rng.beta(1, 49, 400))
    chart = p_chart(count, n, correlation=0.01, limits=limits)
    z = standardised(chart)
    assert_array_equal(z.signals, chart.signals)
    assert chart.signals.any()
    assert (z.center == 0).all()
    assert (z.sigma == 1).all()
    beyond = (z.statistic > z.upper + 1e-9) | (z.statistic < z.lower - 1e-9)
    assert_array_equal(beyond, z.signals)
    assert_allclose(z.statistic * chart.sigma + chart.center, chart.statistic, atol=1e-12)
    if limits in ("three_sigma", "laney"):
        assert_allclose(z.upper, 3)
    from_pieces = standardised(np_chart(count, n, correlation=0.01, limits=limits))
    assert_allclose(from_pieces.statistic, z.statistic, atol=1e-9)


def test_sigma_is_that_of_the_law_the_limits_come_from():
    n, p, rho = np.array([1, 80, 200]), 0.03, 0.02
    laws = [stats.betabinom(size, p * (1 - rho) / rho, (1 - p) * (1 - rho) / rho) for size in n]
    wide = p_chart(0 * n, n, center=p, correlation=rho, limits="beta_binomial")
    assert_allclose(wide.sigma, [law.std() for law in laws] / n, rtol=1e-9)
    assert_allclose(p_chart(0 * n, n, center=p).sigma, stats.binom(n, p).std() / n, rtol=1e-9)
    assert_allclose(u_chart(0 * n, n, center=p).sigma, stats.poisson(n * p).std() / n, rtol=1e-9)


def test_a_point_with_no_deviation_is_on_the_line_or_infinitely_off():
    z = standardised(p_chart([0, 1], 10, center=0.0))
    assert z.statistic.tolist() == [0.0, np.inf]
    assert np.isnan(z.lower).all()


# statistics.md 0.2: 1 % incorrect, n = 200: the three-sigma chart's false alarms, 0.4 % of points
# when totes are alike, 5.8 % at correlation 0.01; beta-binomial limits 0.14 %.
def test_false_alarms_of_the_method_sheet():
    three = p_chart(0, 200, center=0.01, **SIGMA).most[0]
    wide = p_chart(0, 200, center=0.01, correlation=0.01, limits="beta_binomial").most[0]
    differing = stats.betabinom(200, 0.99, 98.01)
    assert_allclose(stats.binom.sf(three, 200, 0.01), 0.004, atol=5e-4)
    assert_allclose(differing.sf(three), 0.058, atol=5e-3)
    assert_allclose(differing.sf(wide), 0.0014, atol=1e-4)


def test_a_count_on_a_limit_does_not_signal():
    wafers = PUBLISHED["c08"]["inputs"]["c"]  # c = 16: the third wafer, 28, lies on the limit
    chart = c_chart(wafers, **SIGMA)
    assert chart.statistic[2] == chart.upper[2] == 28
    assert not chart.signals[2]
    exact = p_chart([5, 6], 100, center=0.01)
    assert_allclose(exact.statistic[0], exact.upper[0])
    assert exact.signals.tolist() == [False, True]


def test_a_zero_signals_only_under_a_positive_lower_limit():
    assert not p_chart(0, 100, center=0.04, **SIGMA).signals[0]  # clipped: no limit
    for limits in ("three_sigma", "exact"):
        chart = p_chart(0, 100, center=0.12, limits=limits)
        assert chart.lower[0] > 0
        assert chart.signals[0]


def test_no_limit_where_no_count_can_cross_it():
    chart = p_chart([0, 20], 20, center=[0.01, 0.99])
    assert np.isnan(chart.lower[0])
    assert np.isnan(chart.upper[1])
    assert not chart.signals.any()


@given(
    st.lists(st.tuples(st.integers(0, 300), st.integers(0, 300)), min_size=1, max_size=8),
    st.floats(0.001, 0.999),
    st.sampled_from(["exact", "three_sigma", "beta_binomial"]),
)
def test_charts_of_correct_and_of_incorrect_mirror(pairs, center, limits):
    bad, good = np.array(pairs).T
    n = bad + good + 1
    options = {"limits": limits, "correlation": 0.02}
    chart = p_chart(bad, n, center=center, **options)
    mirror = p_chart(n - bad, n, center=1 - center, **options)
    assert_allclose(chart.center, 1 - mirror.center, atol=1e-12)
    assert_array_equal(chart.most, n - mirror.least)
    assert_array_equal(chart.signals, mirror.signals)


@given(st.integers(1, 400), st.floats(0.001, 0.5), st.floats(0, 0.2))
def test_limits_widen_with_the_correlation(n, center, rho):
    def most(correlation):
        return p_chart(0, n, center=center, correlation=correlation, limits="beta_binomial").most[0]

    assert most(0) == p_chart(0, n, center=center).most[0]
    if n * center > 1:  # below one piece expected, clumping makes more zeros, not more pieces
        assert most(rho) >= most(0) - 1


def test_scalar_array_and_np_agree():
    count, n = np.array([3, 0, 8]), np.array([150, 200, 120])
    p, np_ = p_chart(count, n, center=0.02), np_chart(count, n, center=0.02)
    assert_allclose(np_.upper / n, p.upper)
    assert_array_equal(np_.signals, p.signals)
    one = p_chart(8, 120, center=0.02)
    assert one.upper[0] == p.upper[2]
    assert one.signals.shape == (1,)


def test_nothing_audited_gives_an_empty_chart():
    assert p_chart([], []).signals.size == 0
    assert p_chart([], [], center=0.1, correlation=0.01, limits="beta_binomial").upper.size == 0
    assert c_chart([], center=3).upper.size == 0


def test_many_series_in_one_call_equal_one_by_one():
    rng = np.random.default_rng(5)
    n = rng.integers(50, 250, 300)
    center = rng.choice([0.002, 0.01, 0.03], 300)
    count = rng.binomial(n, center)
    both = {"correlation": 0.01, "limits": "beta_binomial"}
    together = p_chart(count, n, center=center, **both)
    for p in np.unique(center):
        own = p_chart(count[center == p], n[center == p], center=p, **both)
        assert_array_equal(together.most[center == p], own.most)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: p_chart([3, 11], [10, 10]), "count must be from 0 to inspected, got 11 of 10"),
        (lambda: p_chart(1, 10, limits="sigma"), 'limits must be one of exact, .*, got "sigma"'),
        (lambda: p_chart(1, 10, limits="beta_binomial"), "need a correlation, got none"),
        (lambda: p_chart(1, 10, limits="laney"), "need 2 audits or more, got 1"),
        (lambda: p_chart(1, 10, stretch=0), "stretch must be above 0, got 0"),
        (lambda: u_chart(1, 10, stretch=[1, 2]), "stretch must be one number, got 2"),
        (lambda: laney_stretch(p_chart(1, 10)), "need 2 audits or more, got 1"),
        (lambda: p_chart(1, 10, center=1.2), "center must be from 0 to 1, got 1.2"),
        (lambda: p_chart(1, 10, correlation=1.0), "correlation must be one number from 0, below"),
        (lambda: p_chart(1, 10, false_alarm=0), "false_alarm must be between 0 and 1"),
        (lambda: u_chart(1, 0), "inspected must be above 0, got 0"),
        (lambda: c_chart(1, center=-2), "center must be 0 or more, got -2"),
        (lambda: c_chart(1, limits="laney"), "need 2 audits or more, got 1"),
        (lambda: c_chart(1, limits="wide"), "limits must be one of exact, three_sigma, laney, got"),
    ],
)
def test_bad_input_is_told_the_rule(call, message):
    with pytest.raises(InvalidInput, match=message):
        call()
