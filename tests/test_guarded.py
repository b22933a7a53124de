"""Limits that hold although the baseline is an estimate."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from qa.charts import cusum_limit, cusum_run_length, guarded_limit
from qa.errors import InvalidInput


# The claim of guarded_limit: over the posterior of the baseline, at least 90 % of lanes keep the
# in-control run length asked for; at the plain limit far fewer do (statistics.md part 6).
@pytest.mark.parametrize("ratio", [2.0, 0.5])
def test_guarded_limit_keeps_the_run_length_on_nine_lanes_of_ten(ratio):
    n, center, arl = 6000, 0.01, 200
    posterior = stats.beta(center * n + 0.5, (1 - center) * n + 0.5)
    levels = (np.arange(40) + 0.5) / 40

    def kept(found):
        return np.mean(
            [
                cusum_run_length(
                    [200],
                    center=found.center,
                    ratio=found.ratio,
                    correlation=0.01,
                    limit=found.limit,
                    rate=p,
                    states=128,
                ).mean
                >= arl * 0.98
                for p in posterior.ppf(levels)
            ]
        )

    guarded = guarded_limit(
        [200], center=center, effective_n=n, correlation=0.01, ratio=ratio, arl=arl
    )
    assert 0.9 <= kept(guarded) <= 0.95
    assert kept(cusum_limit([200], center=center, correlation=0.01, ratio=ratio, arl=arl)) < 0.7
    assert_allclose(guarded.center, posterior.ppf(0.9 if ratio > 1 else 0.1), rtol=1e-9)


# Simulated: of 4,000 floors of so many charts, each level drawn from its own posterior, nine of ten
# have no more false alarms than the budget: the 90 % quantile of the mean rate is 1 / arl, within
# 4 % (its Monte Carlo error is 1 %, the log-normal form costs the rest).
@pytest.mark.parametrize(
    ("ratio", "charts", "n"), [(2.0, 12, 6000), (2.0, 3, 6000), (2.0, 40, 2000), (0.5, 12, 6000)]
)
def test_charts_that_share_a_promise_keep_it_together(ratio, charts, n):
    arl, asked = 300, {"center": 0.01, "correlation": 0.01, "ratio": ratio, "arl": 300}
    found = guarded_limit([200], effective_n=n, charts=charts, **asked)
    posterior = stats.beta(0.01 * n + 0.5, 0.99 * n + 0.5)
    knots = posterior.ppf(stats.norm.cdf(np.linspace(-3.5, 3.5, 15)))
    chart = {"center": found.center, "ratio": found.ratio, "limit": found.limit}
    runs = [cusum_run_length([200], correlation=0.01, rate=p, **chart).mean for p in knots]
    levels = posterior.rvs((4000, charts), random_state=np.random.default_rng(7))
    rates = np.exp(-np.interp(levels, knots, np.log(runs))).mean(axis=1)
    assert_allclose(np.quantile(rates, 0.9) * arl, 1, atol=0.04)
    assert_allclose(found.arl * rates.mean(), 1, rtol=0.03)
    alone = guarded_limit([200], effective_n=n, **asked)
    assert found.limit < alone.limit
    assert (found.center, found.ratio) == (alone.center, alone.ratio)


# The same floors, their alarms now counted: each chart's run over so many totes that the promise
# allows `alarms` of all together, counts by Poisson about the rates. Nine of ten have no more.
@pytest.mark.parametrize("alarms", [8, 26])
def test_a_promise_about_the_count_allows_for_chance_in_counting(alarms):
    arl, charts, n = 300, 12, 20_000
    asked = {"center": 0.01, "correlation": 0.01, "effective_n": n, "arl": arl, "charts": charts}
    counted, by_rate = guarded_limit([200], alarms=alarms, **asked), guarded_limit([200], **asked)

    def kept(found):
        posterior = stats.beta(0.01 * n + 0.5, 0.99 * n + 0.5)
        knots = posterior.ppf(stats.norm.cdf(np.linspace(-3.5, 3.5, 9)))
        chart = {"center": found.center, "ratio": found.ratio, "limit": found.limit}
        runs = [cusum_run_length([200], correlation=0.01, rate=p, **chart).mean for p in knots]
        rng = np.random.default_rng(7)
        levels = posterior.rvs((8000, charts), random_state=rng)
        rates = np.exp(-np.interp(levels, knots, np.log(runs))).mean(axis=1)
        return np.mean(rng.poisson(rates * arl * alarms) <= alarms)

    assert 0.88 <= kept(counted) <= 0.95  # counts are whole, and few jump far
    assert kept(by_rate) < min(kept(counted), 0.9)
    assert counted.limit > by_rate.limit
    assert counted.arl > by_rate.arl


def test_a_promise_about_a_long_count_is_one_about_the_rate():
    asked = {"center": 0.01, "correlation": 0.01, "effective_n": 5000, "charts": 6}
    rate, count = guarded_limit([200], **asked), guarded_limit([200], alarms=1e12, **asked)
    assert_allclose(rate.limit, count.limit)
    alone = {**asked, "charts": 1}
    assert guarded_limit([200], alarms=26, **alone).limit > guarded_limit([200], **asked).limit


def test_a_short_baseline_still_gives_a_chart():
    watch = guarded_limit([150], center=0.002, effective_n=300, correlation=0.01)
    assert watch.arl >= 500
    assert_allclose(watch.ratio, np.sqrt(2))
    firm = guarded_limit([150], center=0.002, effective_n=10**9, correlation=0.01)
    assert_allclose([firm.center, firm.ratio], [0.002, 2], rtol=2e-3)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: guarded_limit([9], center=0.1, effective_n=0), "effective_n must be above 0"),
        (
            lambda: guarded_limit([9], center=0.1, effective_n=9, alarms=0),
            "alarms must be above 0, got 0",
        ),
        (
            lambda: guarded_limit([9], center=0.1, effective_n=9, charts=0),
            "charts must be whole numbers, 1 or more, got 0",
        ),
    ],
)
def test_bad_input_is_told_the_rule(call, message):
    with pytest.raises(InvalidInput, match=message):
        call()
