"""Run lengths of charts that judge each point alone: print, enumeration, closed forms."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from qa.charts import (
    c_chart,
    ewma,
    g_chart,
    np_chart,
    p_chart,
    shewhart_run_length,
    standardised,
    u_chart,
)
from qa.errors import InvalidInput
from tests.run_lengths import rows


# Montgomery, table 7.6 (memory): chance of no signal, four printed decimals; n = 50 about 0.2.
@pytest.mark.parametrize("row", rows("np chart exact"), ids=lambda row: row["shift"])
def test_np_chart_run_lengths_agree_with_print(row):
    chart = np_chart(10, 50, center=0.2, limits="three_sigma")
    assert (chart.least[0], chart.most[0]) == (2, 18)
    run = shewhart_run_length(chart, rate=float(row["shift"][2:]))
    assert_allclose(1 - 1 / run.mean, 1 - 1 / float(row["ARL"]), atol=1.01e-4)
    assert_allclose(run.mean, float(row["recomputed"]), rtol=1e-4)


# Montgomery, Exercise 7.16 (seen): p0 = 0.03, n = 200, limit 0.0662, then p = 0.08.
def test_first_sample_after_a_shift():
    counts = c_chart(0, center=6, limits="three_sigma")  # Poisson, as printed: 0.7255
    assert counts.most[0] == 13
    run = shewhart_run_length(counts, rate=16, model="poisson")
    assert_allclose(1 / run.mean, 0.7255, atol=5e-5)
    assert_allclose(1 - (1 - 1 / run.mean) ** 4, 0.9943, atol=5e-5)
    exact = p_chart(0, 200, center=0.03, limits="three_sigma")
    assert_allclose(1 / shewhart_run_length(exact, rate=0.08).mean, 0.735708, atol=1e-6)


# Montgomery, Exercise 7.18 (seen): n = 100, p = 0.1, by Poisson 0.004; exactly 0.002005.
def test_false_alarms_of_a_printed_np_chart():
    chart = np_chart(0, 100, center=0.1, limits="three_sigma")
    assert_allclose(1 / shewhart_run_length(chart, rate=0.1).mean, 0.002005, atol=5e-7)


def test_shewhart_run_lengths_are_geometric_over_the_sizes():
    chart = p_chart([0] * 3, [100, 200, 200], center=0.02, correlation=0.01, limits="beta_binomial")
    chances = [
        stats.betabinom(n, 0.05 * 99, 0.95 * 99).sf(most)
        for n, most in zip((100, 200, 200), chart.most, strict=True)
    ]
    chance = np.mean(chances)
    run = shewhart_run_length(chart, rate=0.05, correlation=0.01)
    assert_allclose([run.mean, run.sd], [1 / chance, np.sqrt(1 - chance) / chance], rtol=1e-9)
    assert run.quantiles[0.5] == stats.geom(chance).ppf(0.5)
    silent = p_chart(0, 1, center=0.5)
    assert shewhart_run_length(silent, rate=0.5).mean == np.inf


@pytest.mark.parametrize(
    ("limits", "rho"),
    [("exact", None), ("beta_binomial", 0.01), ("three_sigma", None), ("laney", None)],
)
def test_limits_of_any_kind_have_the_run_length_of_their_counts(limits, rho):
    n, count = np.array([100, 250, 100, 200]), [2, 7, 0, 9]
    chart = p_chart(count, n, center=0.015, limits=limits, correlation=rho)
    law = stats.betabinom(n, 0.03 * 99, 0.97 * 99)
    chance = law.cdf(chart.least - 1) + law.sf(chart.most)
    for same in (chart, standardised(chart)):
        run = shewhart_run_length(same, rate=0.03, correlation=0.01)
        assert_allclose(run.mean, 1 / chance.mean(), rtol=1e-9)


# Montgomery, Introduction to Statistical Quality Control, section 7.2 (memory): a lower limit of
# three deviations lies above 0 from n > 9 (1 - p) / p on: at p = 0.05, n = 172, and 171 has none.
def test_the_smallest_sample_with_a_lower_limit():
    chart = p_chart(0, [171, 172], center=0.05, limits="three_sigma")
    assert np.isnan(chart.lower).tolist() == [True, False]
    assert chart.signals.tolist() == [False, True]


@pytest.mark.parametrize("rate", [1.0, 2.5, 6.0])
def test_poisson_runs_are_enumerated(rate):
    units = np.array([0.5, 2.0, 7.5])
    for limits in ("exact", "three_sigma"):
        chart = u_chart([0, 0, 0], units, center=2.5, limits=limits)
        law = stats.poisson(rate * units)
        chance = (law.sf(chart.most) + law.cdf(chart.least - 1)).mean()
        run = shewhart_run_length(chart, rate=rate, model="poisson")
        assert_allclose([run.mean, run.sd], [1 / chance, np.sqrt(1 - chance) / chance], rtol=1e-9)
        assert chart.least[-1] > 0


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: shewhart_run_length(
                standardised(g_chart([20, 9], center=0.1)), rate=0.1, model="geometric"
            ),
            'chart must be a g chart, not standardised, with model "geometric"',
        ),
        (
            lambda: shewhart_run_length(p_chart(0, 9, center=0.1), rate=0.1, model="normal"),
            'model must be one of binomial, poisson, geometric, got "normal"',
        ),
        (lambda: shewhart_run_length(c_chart(2, center=0.5), rate=0.5), "must be a p or np chart"),
        (lambda: shewhart_run_length(u_chart(0, 2.5, center=0.1), rate=0.5), "or parts of a unit"),
        (lambda: shewhart_run_length(g_chart([9], center=0.1), rate=0.1), "must be a p or np"),
        (
            lambda: shewhart_run_length(ewma([1, 2], 100, center=0.01, width=3), rate=0.1),
            "chart must be one that judges each point alone, got a running mean",
        ),
    ],
)
def test_bad_input_is_told_the_rule(call, message):
    with pytest.raises(InvalidInput, match=message):
        call()
