"""Charts of rare kinds: pieces between incorrect ones, and single pieces in order."""

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from scipy import stats

from qa.charts import (
    bernoulli_cusum,
    bernoulli_limit,
    bernoulli_run_length,
    cusum,
    g_chart,
    pieces_between,
    shewhart_run_length,
)
from qa.charts.run_length.pieces import lattice
from qa.errors import InvalidInput

TABLE = Path(__file__).parent / "reference" / "charts" / "run_lengths.csv"
ROWS = list(csv.DictReader(TABLE.read_text(encoding="utf-8").splitlines()))


def rows(chart: str) -> list[dict[str, str]]:
    return [row for row in ROWS if row["chart"] == chart]


# Kaminsky et al. (1992) and Benneyan (2001), formulas from memory, evaluated independently: mean
# 24 (p = 0.04): limit by three sigma 97.4847 with 0.018305 beyond it, by probability 161.
def test_g_chart_limits_of_the_evaluated_case():
    between = np.array([20, 28, 24])
    sigma = g_chart(between, limits="three_sigma")
    assert_allclose(sigma.center, 24)
    assert_allclose(sigma.upper, 97.484692, atol=5e-7)
    assert np.isnan(sigma.lower).all()
    run = shewhart_run_length(sigma, rate=0.04, model="geometric")
    assert_allclose(1 / run.mean, 0.018305, atol=5e-7)
    exact = g_chart(between, center=0.04)
    assert exact.most.tolist() == exact.upper.tolist() == [161] * 3


@pytest.mark.parametrize(
    "row", rows("g chart upper 3-sigma + none below"), ids=lambda r: r["shift"]
)
def test_g_chart_run_lengths_agree_with_the_table(row):  # computed independently, nothing printed
    chart = g_chart([24], center=0.04, limits="three_sigma")
    run = shewhart_run_length(chart, rate=float(row["shift"][2:]), model="geometric")
    assert_allclose(run.mean, float(row["recomputed"]), atol=6e-5)


# Independent road: scipy's negative binomial.
@pytest.mark.parametrize("per", [1, 2, 5])
@pytest.mark.parametrize("p", [1e-7, 0.0004, 0.002, 0.3])
def test_exact_limits_are_the_tightest_that_keep_the_false_alarms(p, per):
    law, chart = stats.nbinom(per, p), g_chart([10], center=p, per=per)
    least, most = chart.least[0], chart.most[0]
    assert law.sf(most) <= 0.00135 < law.sf(most - 1)
    assert law.cdf(least) > 0.00135
    assert law.cdf(least - 1) <= 0.00135
    assert np.isnan(chart.lower[0]) == (least == 0)
    assert_allclose([chart.center[0], chart.sigma[0]], [law.mean(), law.std()], rtol=1e-9)
    run = shewhart_run_length(chart, rate=2 * p, model="geometric")
    other = stats.nbinom(per, 2 * p)
    assert_allclose(1 / run.mean, other.sf(most) + other.cdf(least - 1), rtol=1e-9)


def test_a_rise_can_signal_only_with_more_incorrect_pieces_a_point():
    assert np.isnan(g_chart([0], center=0.002).lower[0])
    several = g_chart([0, 40], center=0.002, per=4)
    assert several.lower[0] > 40
    assert several.signals.tolist() == [True, True]
    assert several.inspected.tolist() == [4, 44]


def test_pieces_between_count_back_to_the_pieces():
    rng = np.random.default_rng(1)
    pieces = rng.random(5000) < 0.02
    for per in (1, 3):
        between = pieces_between(pieces, per=per)
        ends = np.cumsum(between + per)
        assert pieces[ends - 1].all()
        assert_array_equal(np.cumsum(pieces)[ends - 1], per * np.arange(1, ends.size + 1))
    assert pieces_between([0, 0]).size == pieces_between([]).size == 0


@given(st.lists(st.integers(0, 5000), min_size=1, max_size=20), st.floats(0.0005, 0.2))
def test_g_chart_signals_exactly_beyond_its_limits(between, center):
    chart = g_chart(between, center=center, per=3)
    x = np.array(between)
    beyond = (x > chart.upper) | (x < np.nan_to_num(chart.lower))
    assert_array_equal(chart.signals, beyond)


# Reynolds & Stoumbos (1999), Journal of Quality Technology 31, p0 = 0.005, p1 = 0.01: the weights
# r1 = 0.0050378, r2 = 0.698185 (formulas from memory) and m = 139 after rounding 138.59.
def test_the_lattice_of_reynolds_and_stoumbos():
    steps, ratio = lattice(0.005, 2.0)
    assert steps == 139
    p1 = ratio * 0.005
    r1 = -np.log((1 - p1) / 0.995)
    r2 = np.log(p1 * 0.995 / (0.005 * (1 - p1)))
    assert_allclose(r2 / r1, 139, rtol=1e-9)
    assert abs(ratio - 2) < 0.02
    assert_allclose(-np.log(0.99 / 0.995), 0.0050378, atol=5e-8)
    assert_allclose(np.log(0.01 * 0.995 / (0.005 * 0.99)), 0.698185, atol=5e-7)


# Exact average numbers of pieces, computed independently (nothing printed): a limit h that
# signals when reached is one step of 1/139 more than ours.
@pytest.mark.parametrize(
    "row", rows("Bernoulli CUSUM ANOS"), ids=lambda r: r["parameters"][14:] + r["shift"]
)
def test_bernoulli_cusum_agrees_with_the_table(row):
    reached = int(row["parameters"].split("h=")[1].split("/")[0])
    run = bernoulli_run_length(
        center=0.005, limit=(reached - 1) / 139, rate=float(row["shift"][2:])
    )
    assert_allclose(run.mean, float(row["recomputed"]), atol=6e-5)


# Reynolds & Stoumbos (1999), corrected diffusion (formula from memory): (e^(h r2) - h r2 - 1) over
# (r1 - r2 p0), h lengthened by eps sqrt(p0 q0), eps = (sqrt(q/p) - sqrt(p/q)) / 3 below p = 0.01.
@pytest.mark.parametrize("reached", [300, 400, 500])
def test_bernoulli_cusum_is_near_its_published_approximation(reached):
    p0, p1 = 0.005, lattice(0.005, 2.0)[1] * 0.005
    r1, r2 = -np.log((1 - p1) / (1 - p0)), np.log(p1 * (1 - p0) / (p0 * (1 - p1)))
    odds = (1 - p0) / p0
    h = reached / 139 + (np.sqrt(odds) - np.sqrt(1 / odds)) / 3 * np.sqrt(p0 * (1 - p0))
    near = (np.exp(h * r2) - h * r2 - 1) / (r1 - r2 * p0)
    exact = bernoulli_run_length(center=p0, limit=(reached - 1) / 139).mean
    assert_allclose(near, exact, rtol=0.03)


def dense(steps: int, states: int, p: float, rises: bool) -> tuple[np.ndarray, np.ndarray]:
    """Independent road: the whole matrix, and its fundamental matrix."""
    matrix, i = np.zeros((states, states)), np.arange(states)
    up, down, chance = (steps - 1, 1, p) if rises else (1, steps - 1, 1 - p)
    matrix[i, np.maximum(i - down, 0)] += 1 - chance
    inside = i + up < states
    matrix[i[inside], i[inside] + up] += chance
    return matrix, np.linalg.inv(np.eye(states) - matrix)


@pytest.mark.parametrize(("center", "ratio"), [(0.02, 2.0), (0.02, 0.4), (0.3, 1.6), (0.4, 0.5)])
@pytest.mark.parametrize("factor", [1.0, 0.4, 2.2])
@pytest.mark.parametrize("start", ["zero", "steady"])
def test_bernoulli_run_lengths_are_those_of_the_whole_matrix(center, ratio, factor, start):
    steps, _ = lattice(center, ratio)
    states = 3 * steps + 2
    matrix, visits = dense(steps, states, center * factor, ratio > 1)
    run = bernoulli_run_length(
        center=center, ratio=ratio, limit=(states - 1) / steps, rate=center * factor, start=start
    )
    here = np.eye(states)[0]
    if start == "steady":
        values, vectors = np.linalg.eig(dense(steps, states, center, ratio > 1)[0].T)
        here = np.real(vectors[:, np.argmax(np.real(values))])
        here = here / here.sum()
    mean = here @ visits @ np.ones(states)
    square = 2 * here @ visits @ visits @ np.ones(states) - mean
    assert_allclose([run.mean, run.sd], [mean, np.sqrt(square - mean**2)], rtol=1e-6)
    for q, piece in run.quantiles.items():
        alive = [(here @ np.linalg.matrix_power(matrix, int(k))).sum() for k in (piece - 1, piece)]
        assert alive[1] <= 1 - q + 1e-6
        assert alive[0] > 1 - q - 1e-6


@pytest.mark.parametrize("ratio", [2.0, 0.5, 3.0])
def test_a_solved_limit_is_the_smallest_that_attains_what_was_asked(ratio):
    found = bernoulli_limit(center=0.01, ratio=ratio, arl=20_000)
    run = bernoulli_run_length(center=0.01, ratio=ratio, limit=found.limit)
    assert_allclose(run.mean, found.arl, rtol=1e-9)
    assert found.arl >= 20_000
    less = bernoulli_run_length(center=0.01, ratio=ratio, limit=found.limit - 1 / found.steps)
    assert less.mean < 20_000


def test_the_chart_takes_as_many_pieces_as_stated():
    rng = np.random.default_rng(5)
    for side, ratio, rate in (("rise", 2.0, 0.05), ("fall", 0.5, 0.008)):
        other = {"rise": None, "fall": None, side: ratio}
        pieces = rng.random(400_000) < rate
        alarms = np.flatnonzero(bernoulli_cusum(pieces, center=0.02, limit=2.5, **other).signals)
        runs = np.diff(alarms, prepend=-1)
        run = bernoulli_run_length(center=0.02, ratio=ratio, limit=2.5, rate=rate)
        assert abs(runs.mean() - run.mean) < 4 * runs.std() / np.sqrt(runs.size)
        assert_allclose(runs.std(), run.sd, rtol=0.1)


# A CUSUM of samples of one piece is the same chart, in units of the log-likelihood ratio.
def test_the_path_is_that_of_the_cusum_of_samples_of_one():
    pieces = np.random.default_rng(8).random(3000) < 0.03
    steps, ratio = lattice(0.02, 2.0)
    unit = np.log(ratio) - np.log((1 - ratio * 0.02) / 0.98)
    ours = bernoulli_cusum(pieces, center=0.02, limit=2.2)
    same = cusum(pieces, 1, center=0.02, rise=ratio, fall=None, limit=(2.2 + 0.5 / steps) * unit)
    assert_allclose(ours.path_up * unit, same.path_up, atol=1e-8)
    assert_array_equal(ours.signals, same.signals)
    assert ours.signals.any()
    assert np.isnan(ours.lower).all()


# The lattice must fall in control where a rise is sought, and rise for a fall: m is below 1 / p for
# the one and above it for the other, however small the change.
@pytest.mark.parametrize("center", [0.001, 0.07, 0.2, 0.35, 0.49])
@pytest.mark.parametrize("ratio", [1.0005, 1.3, 2.0, 0.9995, 0.7, 0.3])
def test_the_lattice_drifts_from_its_limit_in_control(center, ratio):
    steps, nearest = lattice(center, ratio)
    assert (center * steps < 1) == (ratio > 1)
    assert (nearest > 1) == (ratio > 1)
    changed = center * nearest
    assert (changed * steps > 1) == (ratio > 1)
    weight = np.log(nearest) + np.log((1 - center) / (1 - changed))
    assert_allclose(weight / np.log((1 - center) / (1 - changed)), steps, rtol=1e-6)


def test_a_limit_below_one_step_signals_at_any_incorrect_piece():
    found = bernoulli_limit(center=0.01, arl=50)
    assert_allclose(found.arl, 100, rtol=1e-9)
    run = bernoulli_run_length(center=0.01, limit=found.limit)
    assert_allclose([run.mean, run.sd], [100, np.sqrt(0.99) * 100], rtol=1e-9)
    for asked in ({"arl": 50.0}, {"limit": found.limit}, {"limit": 1e-4}):
        watch = bernoulli_cusum([0, 1, 0], center=0.01, **asked)
        assert watch.signals.tolist() == [False, True, False]
        assert_allclose(watch.statistic, [0, 68 / 69, 0])
        assert_array_equal(watch.statistic > watch.upper, watch.signals)


def test_both_ways_are_watched_with_limits_solved():
    watch = bernoulli_cusum(np.zeros(4000), center=0.01, fall=0.5, arl=5000)
    assert watch.arl_up >= 5000
    assert watch.arl_down >= 5000
    assert watch.signals_down.any()
    assert not watch.signals_up.any()
    assert bernoulli_cusum([], center=0.01, limit=3).signals.size == 0


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: g_chart([1.5], center=0.1), "between must be whole numbers, 0 or more, got 1.5"),
        (lambda: g_chart([[1]], center=0.1), "between must be one series, got an array of 2 dim"),
        (lambda: g_chart([], per=1), "center must be between 0 and 1, both excluded, got 0"),
        (lambda: g_chart([3], per=0), "per must be whole numbers, 1 or more, got 0"),
        (
            lambda: g_chart([3], limits="beta"),
            'limits must be one of exact, three_sigma, got "beta',
        ),
        (lambda: pieces_between([2]), "incorrect must be from 0 to 1, got 2 of 1"),
        (lambda: pieces_between([[0, 1]]), "incorrect must be one series, got an array of 2 dim"),
        (lambda: bernoulli_cusum([1], center=0.1, rise=0.5), "rise must be above 1, got 0.5"),
        (lambda: bernoulli_cusum([1], center=0.6), "rise must take the center 0.6 to another"),
        (
            lambda: bernoulli_limit(center=0.5, ratio=1.5),
            "center must be below 1/2 where a rise is sought, got 0.5",
        ),
        (lambda: bernoulli_limit(center=0.6), "ratio must take the center 0.6 to another"),
        (lambda: bernoulli_limit(center=0.1, arl=0), "arl must be one number above 1, got 0"),
        (lambda: bernoulli_run_length(center=0.1, limit=0), "limit must be above 0, got 0"),
        (lambda: bernoulli_run_length(center=0.1, limit=2, rate=1), "rate must be between 0 and 1"),
    ],
)
def test_bad_input_is_told_the_rule(call, message):
    with pytest.raises(InvalidInput, match=message):
        call()
