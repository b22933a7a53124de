"""The EWMA of fractions: its mean, its limits, its run lengths."""

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from scipy import special, stats

from qa.charts import ewma, ewma_limit, ewma_run_length, p_chart, shewhart_run_length, u_chart
from qa.charts.run_length import chain
from qa.charts.run_length import ewma as grid
from qa.errors import InvalidInput

TABLE = Path(__file__).parent / "reference" / "charts" / "run_lengths.csv"
ROWS = [
    row
    for row in csv.DictReader(TABLE.read_text(encoding="utf-8").splitlines())
    if row["chart"].startswith("EWMA")
]
VARIED = np.arange(100, 251, 10)


def test_mean_and_exact_variance_follow_from_their_sums():
    count, n, part, rho = np.array([1, 4, 0, 9]), np.array([100, 250, 80, 300]), 0.3, 0.02
    chart = ewma(count, n, center=0.02, weight=part, width=2.5, correlation=rho)
    v = 0.02 * 0.98 * (1 + (n - 1) * rho) / n
    for i in range(4):
        shares = part * (1 - part) ** np.arange(i, -1, -1)
        mean = shares @ (count / n)[: i + 1] + (1 - part) ** (i + 1) * 0.02
        assert_allclose(chart.statistic[i], mean, rtol=1e-12)
        assert_allclose(chart.sigma[i] ** 2, shares**2 @ v[: i + 1], rtol=1e-12)
    assert_allclose(chart.upper, 0.02 + 2.5 * chart.sigma, rtol=1e-12)


def test_weight_one_is_the_three_sigma_p_chart():
    rng = np.random.default_rng(4)
    n = rng.integers(50, 250, 300)
    count = rng.binomial(n, 0.03)
    chart = ewma(count, n, center=0.02, weight=1, width=3)
    same = p_chart(count, n, center=0.02, limits="three_sigma")
    assert_allclose(chart.statistic, same.statistic, atol=1e-15)
    assert_allclose(chart.upper, same.upper, rtol=1e-12)
    assert_array_equal(chart.signals, same.signals)
    assert_array_equal(chart.most, same.most)
    assert chart.signals.any()


@given(
    st.lists(st.tuples(st.integers(0, 30), st.integers(0, 200)), min_size=1, max_size=30),
    st.floats(0.05, 1.0),
    st.floats(0.01, 0.2),
)
def test_a_point_signals_exactly_where_its_count_lies_beyond(pairs, weight, center):
    bad, good = np.array(pairs).T
    n = bad + good + 1
    chart = ewma(bad, n, center=center, weight=weight, width=2.0)
    off = np.abs(chart.statistic - center) - 2 * chart.sigma
    clear = np.abs(off) > 1e-9
    assert_array_equal(chart.signals[clear], off[clear] > 0)
    assert_array_equal(chart.signals, (bad < chart.least) | (bad > chart.most))
    mirror = ewma(good + 1, n, center=1 - center, weight=weight, width=2.0)
    assert_allclose(mirror.statistic, 1 - chart.statistic, atol=1e-12)
    assert_array_equal(mirror.signals, chart.signals)


def test_the_width_is_solved_when_none_is_given():
    n = np.full(50, 200)
    found = ewma_limit(n, center=0.01, correlation=0.01, arl=300)
    chart = ewma(np.full(50, 2), n, center=0.01, correlation=0.01, arl=300)
    assert_allclose((chart.upper - 0.01) / chart.sigma, found.width, rtol=1e-9)


def test_nothing_audited_gives_an_empty_chart():
    assert ewma([], [], center=0.01, width=3).signals.size == 0


# Lucas & Saccucci (1990), Technometrics 32, as tabulated by Montgomery, table 9.11, and Crowder
# (1987), Technometrics 29 (both memory): normal values, fixed limits, start at the centre line.
# The printed figure is rounded; the recomputed one holds the digits compared here.
@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["parameters"] + " " + row["shift"])
def test_printed_normal_run_lengths(row):
    weight, width = (float(part.partition("=")[2]) for part in row["parameters"].split())
    cells = np.linspace(-8, 8, 1601)
    value, chance = (cells[1:] + cells[:-1]) / 2, np.diff(special.ndtr(cells))
    half = width * np.sqrt(weight / (2 - weight))
    points = np.linspace(-half, half, 401)
    fractions = grid._Fractions(value + float(row["shift"]), chance, np.full(value.size, half))
    matrix = grid._matrix(fractions, weight, points, 0.0)
    start = np.zeros(401)
    start[200] = 1.0
    run = chain.run_length(chain.dense(matrix, start))
    assert_allclose(run.mean, float(row["recomputed"]), rtol=2e-3)


# The same by the chart's own name: Poisson counts of mean 40,000, as good as normal. Crowder
# (1987), weight 0.5; Lucas & Saccucci (1990), weight 0.1 (both memory); 1 % is the grid's error.
@pytest.mark.parametrize(
    ("weight", "width", "shift", "printed"),
    [(0.5, 3, 0, 397.46), (0.5, 3, 0.75, 31.46), (0.1, 2.814, 0, 500), (0.1, 2.814, 1, 10.3)],
)
def test_printed_run_lengths_of_limits_that_stand(weight, width, shift, printed):
    run = ewma_run_length(
        [1.0],
        center=4e4,
        weight=weight,
        width=width,
        model="poisson",
        limits="asymptotic",
        rate=4e4 + 200 * shift,
    )
    assert_allclose(run.mean, printed, rtol=0.01)


# Independent road: cells of equal width, the distribution function at their edges from each middle.
@pytest.mark.parametrize(("mean", "weight", "width"), [(4.0, 0.2, 2.8), (1.0, 0.3, 2.6)])
@pytest.mark.parametrize("factor", [1.0, 1.5])
def test_limits_that_stand_are_watched_by_plain_cells(mean, weight, width, factor):
    half, cells = width * np.sqrt(mean * weight / (2 - weight)), 1501
    edges = np.linspace(max(mean - half, 0.0), mean + half, cells + 1)
    middle = (edges[1:] + edges[:-1]) / 2
    beyond = (edges - (1 - weight) * middle[:, np.newaxis]) / weight
    table = np.diff(stats.poisson(factor * mean).cdf(np.floor(beyond)), axis=1)
    if mean < half:  # a mean of 0 is inside
        table[:, 0] += stats.poisson(factor * mean).pmf(0) * (beyond[:, 0] >= 0)
    visits = np.linalg.inv(np.eye(cells) - table)
    asked = {"center": mean, "weight": weight, "width": width, "model": "poisson"}
    run = ewma_run_length([1.0], limits="asymptotic", rate=factor * mean, **asked)
    here = visits[np.argmin(np.abs(middle - mean))]
    plain = here.sum(), np.sqrt(2 * (here @ visits).sum() - here.sum() - here.sum() ** 2)
    assert_allclose([run.mean, run.sd], plain, rtol=0.012)
    fresh = ewma_run_length([1.0], rate=factor * mean, **asked)
    assert fresh.mean < run.mean  # narrower limits at the outset


def test_limits_that_stand_do_so_from_the_first_audit():
    part, n = 0.2, np.array([100, 100, 400])
    chart = ewma([0, 3, 9], n, center=0.02, weight=part, width=2.5, limits="asymptotic")
    v = 0.02 * 0.98 / n
    final = v[0] * part / (2 - part)
    assert_allclose(chart.sigma[:2] ** 2, final, rtol=1e-12)
    assert_allclose(chart.sigma[2] ** 2, part**2 * v[2] + (1 - part) ** 2 * final, rtol=1e-12)
    assert ewma([], [], center=0.01, width=3, limits="asymptotic").signals.size == 0
    found = ewma_limit([100], center=0.02, weight=part, limits="asymptotic", arl=200)
    own = ewma([0] * 9, 100, center=0.02, weight=part, limits="asymptotic", arl=200)
    assert_allclose((own.upper - 0.02) / own.sigma, found.width, rtol=1e-9)
    asked = {"center": 0.02, "weight": part, "width": found.width}
    assert_allclose(ewma_run_length([100], limits="asymptotic", **asked).mean, found.arl, rtol=1e-9)
    assert ewma_run_length([100], **asked).mean < found.arl


# Independent road: every count of the first totes, each mean held against its own tote's limits.
@pytest.mark.parametrize(("rate", "totes"), [(5.0, 8), (3.0, 14)])
def test_the_first_totes_of_a_fresh_chart_are_enumerated(rate, totes):
    part, width, law = 0.3, 2.5, stats.poisson(rate)
    mean, chance, variance, length = np.ones(1), np.ones(1), 0.0, 1.0
    for _ in range(totes):
        variance = part**2 + (1 - part) ** 2 * variance
        count = np.arange(30)
        mean = (part * count + (1 - part) * mean[:, np.newaxis]).ravel()
        chance = (law.pmf(count) * chance[:, np.newaxis]).ravel()
        quiet = np.abs(mean - 1) <= width * np.sqrt(variance)
        mean, where = np.unique(mean[quiet].round(4), return_inverse=True)
        chance = np.bincount(where, chance[quiet])
        length += chance.sum()
    asked = {"center": 1.0, "weight": part, "width": width, "model": "poisson", "rate": rate}
    assert_allclose(ewma_run_length([1.0], **asked).mean, length, rtol=1e-3)


def test_limits_that_no_count_passes_never_signal():
    for weight in (0.1, 1.0):
        run = ewma_run_length([10], center=0.5, width=40, weight=weight)
        assert (run.mean, run.sd, run.quantiles[0.5]) == (np.inf,) * 3


def test_a_width_is_found_however_rare_the_kind():
    """One piece in 200 at 1e-7 lies 224 deviations off: a run of 1e6 needs more than 40 of them."""
    found = ewma_limit([200], center=1e-7, arl=1e6, states=101)
    assert found.arl >= 1e6
    assert found.width > 40


def test_run_length_at_weight_one_is_that_of_the_p_chart():
    chart = p_chart(np.zeros(1), 200, center=0.02, limits="three_sigma")
    for rate in (0.02, 0.05):
        ours = ewma_run_length([200], center=0.02, weight=1, width=3, rate=rate)
        exact = shewhart_run_length(chart, rate=rate)
        assert_allclose([ours.mean, ours.sd], [exact.mean, exact.sd], rtol=1e-9)
        assert ours.quantiles == exact.quantiles


def simulated(rng, sizes, rate, rho, *, quiet=0, repeats=3000, **options):
    """Run lengths of the chart itself, tote by tote, after `quiet` totes in control."""
    runs, totes = [], quiet + 4000
    while len(runs) < repeats:
        n = rng.choice(sizes, totes)
        level = np.where(np.arange(totes) < quiet, options["center"], rate)
        p = rng.beta(level * (1 - rho) / rho, (1 - level) * (1 - rho) / rho) if rho else level
        signals = np.flatnonzero(ewma(rng.binomial(n, p), n, correlation=rho, **options).signals)
        if signals[0] >= quiet:
            runs.append(signals[0] - quiet + 1)
    return np.array(runs)


@pytest.mark.parametrize(("sizes", "rho"), [([200], 0.0), ([200], 0.01), (VARIED, 0.01)])
@pytest.mark.parametrize("rate", [0.01, 0.018])
def test_the_chain_agrees_with_simulation(sizes, rho, rate):
    options = {"center": 0.01, "weight": 0.1, "width": 2.2}
    runs = simulated(np.random.default_rng(3), sizes, rate, rho, repeats=1500, **options)
    run = ewma_run_length(sizes, correlation=rho, rate=rate, **options)
    error = runs.std() / np.sqrt(runs.size)
    assert abs(run.mean - runs.mean()) < 3.5 * error + 0.02 * runs.mean()
    assert_allclose(run.sd, runs.std(), rtol=0.12)
    for q, tote in run.quantiles.items():
        assert np.mean(runs <= tote) > q - 0.06
        assert np.mean(runs <= tote - 1) < q + 0.06


def test_steady_state_runs_agree_with_simulation():
    options = {"center": 0.01, "weight": 0.1, "width": 2.2}
    rng = np.random.default_rng(9)
    runs = simulated(rng, [200], 0.02, 0.01, quiet=60, repeats=1500, **options)
    run = ewma_run_length([200], correlation=0.01, rate=0.02, start="steady", **options)
    assert abs(run.mean - runs.mean()) < 4 * runs.std() / np.sqrt(runs.size)
    assert_allclose(run.sd, runs.std(), rtol=0.12)


@pytest.mark.parametrize(("weight", "arl"), [(0.05, 500), (0.2, 100), (0.3, 2000)])
def test_a_solved_width_attains_what_was_asked(weight, arl):
    found = ewma_limit(VARIED, center=0.01, weight=weight, correlation=0.01, arl=arl)
    assert arl <= found.arl < 1.02 * arl
    run = ewma_run_length(
        VARIED, center=0.01, weight=weight, correlation=0.01, width=found.width, states=801
    )
    assert_allclose(run.mean, found.arl, rtol=7e-3)  # the error stated in the module


def test_poisson_mean_and_exact_variance_follow_from_their_sums():
    count, units, part = np.array([3, 9, 2, 14]), np.array([1.0, 2.5, 0.5, 3.0]), 0.3
    chart = ewma(count, units, center=4.0, weight=part, width=2.0, model="poisson")
    for i in range(4):
        shares = part * (1 - part) ** np.arange(i, -1, -1)
        mean = shares @ (count / units)[: i + 1] + (1 - part) ** (i + 1) * 4.0
        assert_allclose(chart.statistic[i], mean, rtol=1e-12)
        assert_allclose(chart.sigma[i] ** 2, shares**2 @ (4.0 / units)[: i + 1], rtol=1e-12)
    assert_allclose(chart.upper, 4.0 + 2 * chart.sigma, rtol=1e-12)
    signals = np.abs(chart.statistic - 4.0) > 2 * chart.sigma
    assert_array_equal(chart.signals, signals)


def test_poisson_weight_one_is_the_three_sigma_u_chart():
    rng = np.random.default_rng(5)
    units = rng.choice([0.5, 1.0, 2.5], 300)
    count = rng.poisson(3 * units)
    chart = ewma(count, units, center=2.0, weight=1, width=3, model="poisson")
    same = u_chart(count, units, center=2.0, limits="three_sigma")
    assert_array_equal(chart.signals, same.signals)
    assert chart.signals.any()
    run = ewma_run_length(units, center=2.0, weight=1, width=3, model="poisson", rate=3.0)
    alone = shewhart_run_length(same, rate=3.0, model="poisson")
    assert_allclose([run.mean, run.sd], [alone.mean, alone.sd], rtol=1e-9)
    assert dict(run.quantiles) == dict(alone.quantiles)


def test_the_mean_of_defects_starts_from_all_of_them_over_all_units():
    chart = ewma([3, 1], [0.25, 0.25], width=9, model="poisson")
    assert_allclose(chart.center, 8.0)
    assert not chart.signals.any()


# 1,500 simulated runs a case, sizes drawn anew; 3.5 standard errors and the 1 % of the grid.
@pytest.mark.parametrize(("rate", "start"), [(2.0, "zero"), (3.0, "zero"), (3.0, "steady")])
def test_poisson_runs_agree_with_simulation(rate, start):
    part, wide, repeats = 0.2, 2.2, 1500
    rng, sizes = np.random.default_rng(11), np.array([0.5, 1.0, 2.0])
    mean, variance, length = np.full(repeats, 2.0), np.zeros(repeats), np.zeros(repeats)
    alive, totes = np.ones(repeats, dtype=bool), 0
    quiet = 60 if start == "steady" else 0
    while alive.any():
        totes += 1
        n = rng.choice(sizes, repeats)
        x = rng.poisson((rate if totes > quiet else 2.0) * n) / n
        mean = part * x + (1 - part) * mean
        variance = part**2 * 2.0 / n + (1 - part) ** 2 * variance
        over = np.abs(mean - 2.0) > wide * np.sqrt(variance)
        length[alive & over] = totes - quiet
        alive &= ~over
    runs = length[length > 0]
    asked = {"center": 2.0, "weight": part, "width": wide, "model": "poisson"}
    run = ewma_run_length(sizes, rate=rate, start=start, **asked)
    assert abs(run.mean - runs.mean()) < 3.5 * runs.std() / np.sqrt(runs.size) + 0.01 * run.mean
    assert_allclose(run.sd, runs.std(), rtol=0.12)


def test_a_poisson_width_is_solved_and_told():
    found = ewma_limit([1.0, 2.0], center=3.0, weight=0.2, model="poisson", arl=300)
    assert 300 <= found.arl < 306
    run = ewma_run_length([1.0, 2.0], center=3.0, weight=0.2, model="poisson", width=found.width)
    assert_allclose(run.mean, found.arl, rtol=1e-6)
    chart = ewma([3, 5], [1.0, 2.0], center=3.0, weight=0.2, model="poisson", arl=300)
    assert_allclose(chart.upper, 3.0 + found.width * chart.sigma)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: ewma([1], [9], center=0.1, weight=0), "weight must be one number above 0, up to"),
        (lambda: ewma([1], [9], center=0.1, width=-1), "width must be above 0, got -1"),
        (
            lambda: ewma([1], [9], center=1, model="poisson", correlation=0.1),
            "correlation must be 0 with the Poisson model, got 0.1",
        ),
        (lambda: ewma([1], [9], model="normal"), "model must be one of binomial, poisson"),
        (lambda: ewma([0], [9]), "center must be between 0 and 1, both excluded, got 0"),
        (lambda: ewma([11], [10]), "count must be from 0 to inspected, got 11 of 10"),
        (lambda: ewma([[1, 2]], 10, center=0.1), "one series, got an array of 2 dimensions"),
        (lambda: ewma_limit([9], center=0.1, arl=1), "arl must be one number above 1, got 1"),
        (
            lambda: ewma([1], [9], center=0.1, width=3, limits="fixed"),
            'limits must be one of exact, asymptotic, got "fixed"',
        ),
        (lambda: ewma_limit([], center=0.1), "inspected_sizes must hold one size or more"),
        (
            lambda: ewma_run_length([9], center=0.1, width=3, start="cold"),
            'start must be one of zero, steady, got "cold"',
        ),
    ],
)
def test_bad_input_is_told_the_rule(call, message):
    with pytest.raises(InvalidInput, match=message):
        call()
