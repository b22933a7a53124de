"""The likelihood-ratio CUSUM: its scores, its paths, what it signals."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from scipy import stats

from qa.charts import Cusum, cusum
from qa.charts.beta_binomial import beta_binomial
from qa.charts.law import NEVER, chances, checked_law
from qa.errors import InvalidInput


def law(n, p, rho):
    """scipy's own distribution, for an independent road to every chance."""
    if rho == 0:
        return stats.binom(n, p)
    return stats.betabinom(n, p * (1 - rho) / rho, (1 - p) * (1 - rho) / rho)


@pytest.mark.parametrize("rho", [0.0, 1e-9, 0.01, 0.3])
@pytest.mark.parametrize("p", [0.0005, 0.01, 0.4])
def test_chances_are_those_of_scipy(p, rho):
    table = beta_binomial(p, rho, 120).chances(np.array([1, 30, 120]))
    for row, n in zip(table, (1, 30, 120), strict=True):
        expected = law(n, p, rho if rho > 1e-6 else 0.0).pmf(np.arange(121))
        assert_allclose(row, expected, rtol=1e-4 if rho == 1e-9 else 1e-9, atol=1e-15)
        assert_allclose(row.sum(), 1, rtol=1e-12)


def test_a_tiny_correlation_loses_no_digits():
    """Closed form for two pieces: P(both) = p (p + s) / (1 + s), s = rho / (1 - rho)."""
    p, rho = 0.01, 1e-12
    s = rho / (1 - rho)
    both = beta_binomial(p, rho, 2).chances(np.array([2]))[0, 2]
    assert_allclose(both, p * (p + s) / (1 + s), rtol=1e-14)


@pytest.mark.parametrize("rho", [0.0, 0.02])
def test_each_score_is_the_log_likelihood_ratio(rho):
    count, n = np.array([4, 9, 0, 2, 30]), np.array([200, 150, 100, 250, 180])
    got = cusum(count, n, center=0.01, correlation=rho, limit=50.0)
    up = law(n, 0.02, rho).logpmf(count) - law(n, 0.01, rho).logpmf(count)
    down = law(n, 0.005, rho).logpmf(count) - law(n, 0.01, rho).logpmf(count)
    for path, score in ((got.path_up, up), (got.path_down, down)):
        total = 0.0
        for at, step in enumerate(score):
            total = max(0.0, total + step)
            assert_allclose(path[at], total, atol=1e-9)


def test_a_head_start_is_where_a_fresh_sum_sets_out():
    count, law = [4, 3, 1, 0], {"center": 0.01, "correlation": 0.02, "limit": (1.2, 9.0)}
    plain = cusum(count, 200, reset=False, **law)
    steps = np.diff(plain.path_up, prepend=0)[:2]
    ahead = cusum(count, 200, head_start=0.5, **law)
    assert_allclose(ahead.path_up[0], 0.6 + steps[0])
    assert ahead.signals_up[1]
    assert_allclose(ahead.path_up[2], 0.6 + _score(1))
    assert_allclose(ahead.path_down[0], 4.5 + _score(4, 0.005))


def _score(count, changed=0.02):
    both = (law(200, p, 0.02).logpmf(count) for p in (changed, 0.01))
    return next(both) - next(both)


def test_poisson_scores_are_the_log_likelihood_ratio():
    count, units = np.array([4, 9, 0, 2, 11]), np.array([1.0, 2.5, 1.0, 0.5, 3.0])
    got = cusum(count, units, center=2.0, model="poisson", limit=50.0)
    up = stats.poisson(4.0 * units).logpmf(count) - stats.poisson(2.0 * units).logpmf(count)
    down = stats.poisson(1.0 * units).logpmf(count) - stats.poisson(2.0 * units).logpmf(count)
    for path, score in ((got.path_up, up), (got.path_down, down)):
        total = 0.0
        for at, step in enumerate(score):
            total = max(0.0, total + step)
            assert_allclose(path[at], total, atol=1e-9)


@pytest.mark.parametrize("mean", [1e-6, 0.3, 4.0, 90.0, 2500.0, 1e5])
def test_poisson_chances_leave_nothing_out(mean):
    table = chances(checked_law(mean, 0.0, "poisson"), np.array([0.5, 1.0]))
    most = table.shape[1] - 1
    assert stats.poisson.sf(most, mean) < NEVER
    count = np.arange(most + 1)
    assert_allclose(table[1], stats.poisson.pmf(count, mean), rtol=1e-9, atol=1e-300)
    assert_allclose(table[0], stats.poisson.pmf(count, mean / 2), rtol=1e-9, atol=1e-300)


def test_poisson_limits_are_solved_for_units_of_any_size():
    got = cusum([2] * 40, [0.5, 1.5] * 20, center=2.0, model="poisson", arl=300)
    assert 300 <= got.arl_up < 320
    assert 300 <= got.arl_down < 320


# Binomial counts of a rare kind are Poisson in the limit: both charts then say the same.
def test_poisson_and_binomial_agree_for_rare_pieces():
    count, n = np.array([3, 0, 5, 9, 12, 2]), np.full(6, 10**6)
    rare = cusum(count, n, center=3e-6, limit=99.0)
    same = cusum(count, n, center=3e-6, model="poisson", limit=99.0)
    assert_allclose(rare.path_up, same.path_up, atol=1e-4)


def test_the_path_starts_afresh_after_a_signal():
    got = cusum([9] * 6, 200, center=0.01, limit=3.0)
    single = cusum([9], 200, center=0.01, limit=99.0).path_up[0]
    assert single > 3
    assert_allclose(got.path_up, single)
    assert got.signals_up.all()
    running = cusum([9] * 6, 200, center=0.01, limit=3.0, reset=False)
    assert_allclose(running.path_up, single * np.arange(1, 7))


def test_a_sum_on_the_limit_does_not_signal():
    single = float(cusum([9], 200, center=0.01, limit=99.0).path_up[0])
    for nearly in (single, np.nextafter(single, 0)):  # what rounding leaves is not above
        assert not cusum([9], 200, center=0.01, limit=nearly).signals[0]
    assert cusum([9], 200, center=0.01, limit=single * (1 - 1e-8)).signals[0]


def test_a_doubling_signals_up_and_a_return_signals_down():
    rng = np.random.default_rng(8)
    n = rng.integers(100, 251, 300)
    rate = np.where(np.arange(300) < 100, 0.01, np.where(np.arange(300) < 200, 0.03, 0.01))
    count = rng.binomial(n, rng.beta(rate * 99, (1 - rate) * 99))
    watch = cusum(count, n, center=0.01, correlation=0.01, limit=4.2)
    assert 100 <= np.flatnonzero(watch.signals_up)[0] < 120
    back = cusum(
        count[100:], n[100:], center=0.03, correlation=0.01, rise=None, fall=1 / 3, limit=4.2
    )
    assert 100 <= np.flatnonzero(back.signals_down)[0] < 120
    assert not back.signals_up.any()
    assert np.isnan(back.upper).all()


def test_limits_are_solved_when_none_is_given():
    got = cusum([2] * 40, 200, center=0.01, correlation=0.01, arl=300)
    assert 300 <= got.arl_up < 320
    assert 300 <= got.arl_down < 320
    assert got.limit_up < np.log(300)
    only = cusum([2] * 40, 200, center=0.01, correlation=0.01, fall=None, limit=(4.0, 5.0))
    assert only.limit_down == np.inf
    assert np.isnan(only.arl_up)


def test_statistic_crosses_a_line_exactly_where_it_signals():
    rng = np.random.default_rng(2)
    count = rng.binomial(200, rng.choice([0.001, 0.01, 0.03], 400))
    got = cusum(count, 200, center=0.01, limit=(2.0, 1.1))
    beyond = (got.statistic > got.upper) | (got.statistic < got.lower)
    assert_array_equal(beyond, got.signals)
    assert got.signals_up.any()
    assert got.signals_down.any()
    assert (got.center == 0).all()


def test_the_statistic_is_the_sum_nearer_its_limit():
    up, down, quiet = np.array([1.5, 3.0]), np.array([0.9, 0.9]), np.zeros(2, dtype=bool)
    watch = Cusum(up, down, 4.0, 2.0, quiet, quiet, np.full(2, 200.0), 0.01, np.nan, np.nan)
    assert watch.statistic.tolist() == [-0.9, 3.0]


@given(
    st.lists(st.integers(0, 60), min_size=1, max_size=30),
    st.floats(0.002, 0.4),
    st.sampled_from([0.0, 0.01, 0.2]),
)
def test_a_rise_of_incorrect_is_a_fall_of_correct(counts, center, rho):
    x, n = np.array(counts), 60
    up = cusum(x, n, center=center, correlation=rho, fall=None, limit=4.0)
    ratio = (1 - 2 * center) / (1 - center)
    down = cusum(n - x, n, center=1 - center, correlation=rho, rise=None, fall=ratio, limit=4.0)
    assert_allclose(up.path_up, down.path_down, atol=1e-8)


@given(st.lists(st.integers(0, 30), min_size=2, max_size=30), st.integers(0, 29))
def test_one_more_incorrect_piece_never_lowers_the_sum(counts, where):
    x = np.array(counts)
    more = x.copy()
    more[where % x.size] += 1
    options = {"center": 0.05, "correlation": 0.02, "limit": 1e9}
    assert (cusum(more, 40, **options).path_up >= cusum(x, 40, **options).path_up - 1e-12).all()


def test_nothing_audited_gives_an_empty_chart():
    got = cusum([], [], center=0.01, limit=4.0)
    assert got.signals.size == got.statistic.size == 0


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"rise": 0.5}, "rise must be above 1, got 0.5"),
        ({"fall": 2.0}, "fall must be below 1, got 2.0"),
        ({"rise": 200.0}, "rise must take the center 0.01 to another fraction .*, got 200.0"),
        ({"model": "poisson", "correlation": 0.1}, "correlation must be 0 with the Poisson model"),
        ({"center": 0.0}, "center must be between 0 and 1"),
        ({"limit": -1.0}, "limit must be above 0, got -1"),
        ({"correlation": -0.1}, "correlation must be from 0 to 1, got -0.1"),
        ({"limit": None, "arl": 1.0}, "arl must be one number above 1, got 1.0"),
    ],
)
def test_bad_input_is_told_the_rule(change, message):
    with pytest.raises(InvalidInput, match=message):
        cusum([1, 2], 100, **{"center": 0.01, "limit": 4.0, **change})


def test_a_table_of_series_is_refused():
    with pytest.raises(InvalidInput, match="one series, got an array of 2 dimensions"):
        cusum([[1, 2]], 100, center=0.01, limit=4.0)
