"""Run lengths of a CUSUM on its own lattice: dense chains, plain walks, closed forms."""

from fractions import Fraction

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import optimize, stats

from qa.charts import cusum, cusum_limit, cusum_run_length
from qa.charts.run_length.chain import RunLength
from tests.run_lengths import rows


# Reference table, computed independently (nothing printed): counts less 1.5 a sample of 50, limit
# 5, on their own lattice of halves. A ratio whose scores are that, up to scale, is found here.
@pytest.mark.parametrize("row", rows("binomial CUSUM one-sided"), ids=lambda row: row["shift"])
def test_binomial_cusum_on_its_own_lattice(row):
    p0, n, k = 0.02, 50, 1.5

    def a_piece(ratio):
        return np.log(ratio) - np.log((1 - ratio * p0) / (1 - p0))

    def reference_value(ratio):
        return -n * np.log((1 - ratio * p0) / (1 - p0)) / a_piece(ratio) - k

    ratio = optimize.brentq(reference_value, 1.01, 5, xtol=1e-14)
    run = cusum_run_length(
        [n],
        center=p0,
        ratio=ratio,
        limit=4.75 * a_piece(ratio),
        rate=float(row["shift"][2:]),
    )
    assert_allclose(run.mean, float(row["recomputed"]), atol=6e-5)


# The same table, nothing printed: Poisson counts of one unit, less 1.5, signal at 5 or above 5.
@pytest.mark.parametrize("row", rows("Poisson CUSUM one-sided"), ids=lambda r: r["parameters"])
def test_poisson_cusum_on_its_own_lattice(row):
    # (ratio - 1) / log ratio is the reference value at a center of 1; scores are log ratio times.
    ratio = optimize.brentq(lambda r: (r - 1) / np.log(r) - 1.5, 1.01, 9, xtol=1e-14)
    past = 5.25 if row["parameters"].endswith("S>h") else 4.75
    run = cusum_run_length(
        [1.0],
        center=1.0,
        ratio=ratio,
        model="poisson",
        limit=past * np.log(ratio),
        rate=float(row["shift"][3:]),
    )
    assert_allclose(run.mean, float(row["recomputed"]), atol=6e-5)


@pytest.mark.parametrize("ratio", [2.0, 0.5])
@pytest.mark.parametrize(("model", "size", "center"), [("binomial", 80, 0.05), ("poisson", 2.5, 2)])
def test_the_exact_run_is_that_of_a_plain_walk_over_sums(ratio, model, size, center):
    """Independent road: the sums themselves as states, merged to 1e-9, found by walking."""
    limit, rate = 1.5, center * (1 + ratio) / 2
    x = np.arange(40)
    if model == "binomial":
        score = stats.binom(size, ratio * center).logpmf(x) - stats.binom(size, center).logpmf(x)
        chance = stats.binom(size, rate).pmf(x)
    else:
        laws = [stats.poisson(size * center * r) for r in (ratio, 1.0)]
        score, chance = laws[0].logpmf(x) - laws[1].logpmf(x), stats.poisson(size * rate).pmf(x)
    here, alive, square = {0.0: 1.0}, 0.0, 0.0
    for tote in range(100_000):
        mass = sum(here.values())
        alive, square = alive + mass, square + (2 * tote + 1) * mass
        if mass < 1e-6:
            break
        after: dict[float, float] = {}
        for total, part in here.items():
            for step, share in zip(score, chance, strict=True):
                there = round(max(0.0, total + step), 9)
                if part * share > 1e-10 and there <= limit:
                    after[there] = after.get(there, 0.0) + part * share
        here = after
    run = cusum_run_length([size], center=center, ratio=ratio, model=model, limit=limit, rate=rate)
    assert_allclose([run.mean, run.sd], [alive, np.sqrt(square - alive**2)], rtol=5e-4)


def test_a_cycle_gives_the_mean_of_the_whole_chain():
    for ratio in (2.0, 0.5):
        found = cusum_limit([200], center=0.01, ratio=ratio, arl=500)
        run = cusum_run_length([200], center=0.01, ratio=ratio, limit=found.limit)
        assert_allclose(run.mean, found.arl, rtol=1e-9)
        lower = cusum_run_length([200], center=0.01, ratio=ratio, limit=found.limit * (1 - 1e-4))
        assert lower.mean <= 500  # no smaller limit attains what was asked


def test_a_limit_that_just_attains_what_is_asked_is_taken():
    found = cusum_limit([200], center=0.01, arl=500)
    again = cusum_limit([200], center=0.01, arl=found.arl * (1 - 1e-6))
    assert_allclose([again.limit, again.arl], [found.limit, found.arl], rtol=1e-5)


def test_a_chart_that_has_long_run_forgot_its_head_start():
    asked = {"center": 0.01, "limit": 2.0, "rate": 0.02, "start": "steady"}
    assert cusum_run_length([200], head_start=0.5, **asked) == cusum_run_length([200], **asked)


def test_one_sure_step_is_a_closed_form():
    """Counts all or nothing: n = 1 at p = 1/2, a rise to 3/4: +log 3/2, -log 2, limit log 1.4.

    One incorrect piece signals at once, so the run is geometric with chance 1/2.
    """
    run = cusum_run_length([1], center=0.5, ratio=1.5, limit=np.log(1.4))
    assert_allclose([run.mean, run.sd], [2, np.sqrt(2)], rtol=1e-9)
    assert run.quantiles == {0.05: 1, 0.25: 1, 0.5: 1, 0.75: 2, 0.95: 5}


def test_a_head_start_of_a_hair_is_none():
    law = {"center": 0.01, "limit": 2.0}
    fine = cusum_run_length([200], head_start=1e-9, states=1024, **law)
    assert_allclose(fine.mean, cusum_run_length([200], **law).mean, rtol=0.01)


def whole(chance: np.ndarray, k: str, h: int, *, up: bool = True, reached: bool = False):
    """Independent road: the sum of counts less k as whole steps of 1/d, every move in a matrix.

    With `reached` a sum that reaches h signals, else one above it.
    """
    d = Fraction(k).denominator
    each, top = int(Fraction(k) * d), h * d - reached
    moves = np.zeros((top + 1, top + 1))
    for here in range(top + 1):
        for count, part in enumerate(chance):
            there = max(0, here + (count * d - each if up else each - count * d))
            if there <= top:
                moves[here, there] += part
    return moves


def run_of(moves: np.ndarray, here: np.ndarray) -> RunLength:
    """Moments from the fundamental matrix, quantiles by stepping on."""
    visits = np.linalg.inv(np.eye(len(moves)) - moves)
    mean = (here @ visits).sum()
    square = 2 * (here @ visits @ visits).sum() - mean
    found, totes = {}, 0
    for q in (0.05, 0.25, 0.5, 0.75, 0.95):
        while here.sum() > 1 - q:
            here, totes = here @ moves, totes + 1
        found[q] = totes
    return RunLength(mean, np.sqrt(square - mean**2), found)


def ratio_of(mean: float, k: str) -> float:
    """The ratio whose Poisson scores are counts less k, times its logarithm."""
    ends = (1 + 1e-9, 99.0) if float(Fraction(k)) > mean else (1e-9, 1 - 1e-9)
    return optimize.brentq(
        lambda r: mean * (r - 1) / np.log(r) - float(Fraction(k)), *ends, xtol=1e-15
    )


POISSON = [(1.0, "3/2", 5), (2.0, "3", 5), (4.0, "5", 8), (0.5, "1", 3), (20.0, "23", 30)]
POISSON += [(1.0, "5/4", 7), (0.05, "1/10", 2), (4.0, "3", 6), (10.0, "17/2", 9)]


# The limit lies on the lattice: a sum on it does not signal; half a step below, reaching it does.
@pytest.mark.parametrize("reached", [False, True])
@pytest.mark.parametrize("factor", [1.0, 1.5, 0.75])
@pytest.mark.parametrize(("mean", "k", "h"), POISSON)
def test_poisson_counts_less_a_reference_value(mean, k, h, factor, reached):
    ratio, up = ratio_of(mean, k), float(Fraction(k)) > mean
    unit, past = abs(np.log(ratio)), 0.5 / Fraction(k).denominator
    law = {"center": mean, "ratio": ratio, "model": "poisson", "rate": factor * mean}
    limit = (h - past * reached) * unit
    quiet, true = (stats.poisson(rate).pmf(np.arange(150)) for rate in (mean, factor * mean))
    moves, base = (whole(each, k, h, up=up, reached=reached) for each in (true, quiet))
    places = np.eye(len(moves))
    values, vectors = np.linalg.eig(base.T)
    steady = np.real(vectors[:, np.argmax(np.real(values))])
    head = h // 2  # Lucas & Crosier (1982): half the limit, or the whole number below
    cases = [
        ({}, places[0]),
        ({"head_start": head * unit / limit}, places[head * Fraction(k).denominator]),
        ({"start": "steady"}, steady / steady.sum()),
    ]
    for asked, here in cases:
        run = cusum_run_length([1.0], limit=limit, **law, **asked)
        if run.mean > 3e4:
            continue  # the plain road takes too long
        same = run_of(moves, here)
        assert_allclose([run.mean, run.sd], [same.mean, same.sd], rtol=1e-8)
        assert run.quantiles == same.quantiles


@pytest.mark.parametrize(("n", "p", "ratio"), [(50, 0.02, 2.0), (8, 0.5, 1.4), (30, 0.3, 0.6)])
@pytest.mark.parametrize("head", [0.0, 0.5])
def test_binomial_counts_on_a_rounded_lattice(n, p, ratio, head):
    """Reference values of likelihood ratios rounded to tenths: a ratio of that reference value."""
    up = ratio > 1

    def k_of(r):
        return n * np.log((1 - p) / (1 - r * p)) / (np.log(r) + np.log((1 - p) / (1 - r * p)))

    k = Fraction(round(10 * k_of(ratio)), 10)
    ends = (1 + 1e-9, 0.999 / p) if up else (1e-9, 1 - 1e-9)
    exact = optimize.brentq(lambda r: k_of(r) - float(k), *ends, xtol=1e-15)
    unit = abs(np.log(exact) + np.log((1 - p) / (1 - exact * p)))
    moves = whole(stats.binom(n, p).pmf(np.arange(n + 1)), str(k), 4, up=up)
    here = np.eye(len(moves))[round(4 * head * k.denominator)]
    asked = {"center": p, "ratio": exact, "limit": 4 * unit, "head_start": head}
    run, same = cusum_run_length([n], **asked), run_of(moves, here)
    assert_allclose([run.mean, run.sd], [same.mean, same.sd], rtol=1e-8)
    assert run.quantiles == same.quantiles


def test_the_chart_too_lets_a_sum_on_its_limit_be():
    """Counts less 3/2: 3, 2, 2, 4 lead to 1.5, 2, 2.5 and 5; then 2 to 5.5."""
    ratio = ratio_of(1.0, "3/2")
    unit, count = np.log(ratio), [3, 2, 2, 4, 2]
    asked = {"center": 1.0, "model": "poisson", "rise": ratio, "fall": None}
    chart = cusum(count, 1, limit=5 * unit, **asked)
    assert_allclose(chart.path_up / unit, [1.5, 2, 2.5, 5, 5.5], rtol=1e-9)
    assert chart.signals.tolist() == [False] * 4 + [True]
    assert cusum(count, 1, limit=4.75 * unit, **asked).signals.tolist()[3]


# Poisson 50, counts less 55, above 50, at a rate of 40: 2.36e14 units. A matrix solved as it
# stands loses every digit of that (it said -1.2e16).
def test_a_run_of_many_millions_keeps_its_digits():
    ratio = ratio_of(50.0, "55")
    asked = {"center": 50.0, "ratio": ratio, "model": "poisson", "rate": 40.0}
    run = cusum_run_length([1.0], limit=50.01 * np.log(ratio), **asked)
    # From 0 the next tote signals, or the sum is off 0 for a while: at most a few hundred totes.
    low = 1 / stats.poisson(40).sf(105)
    assert run.mean < low
    assert_allclose(run.sd, run.mean, rtol=1e-9)
    assert_allclose(run.quantiles[0.5], run.mean * np.log(2), rtol=1e-6)
    assert_allclose(run.mean, by_cycles(50, 40.0, 55), rtol=1e-3)  # counts below 1e-18 are let go


def by_cycles(h: int, rate: float, k: int) -> float:
    """Independent road: totes of a cycle off 0 over its chance of a signal, summed tote by tote."""
    law = stats.poisson(rate)
    here, totes, signal = np.zeros(h + 1), 1.0, law.sf(h + k)
    here[1:] = law.pmf(np.arange(k + 1, k + h + 1))
    while here.sum() > 1e-25:
        totes += here.sum()
        signal += here @ law.sf(h + k - np.arange(h + 1))
        here = np.array(
            [here @ law.pmf(to + k - np.arange(h + 1)) if to else 0.0 for to in range(h + 1)]
        )
    return totes / signal


def test_a_cusum_that_no_count_moves_to_its_limit_never_signals():
    run = cusum_run_length([200], center=0.01, ratio=50, limit=40.0)
    assert (run.mean, run.sd, run.quantiles[0.05]) == (np.inf,) * 3
    varied = cusum_run_length([200, 201], center=0.01, correlation=0.01, limit=60.0)
    assert varied.mean == np.inf


@pytest.mark.parametrize("factor", [1.0, 1.6])
@pytest.mark.parametrize("head", [0, 4])
def test_sizes_that_vary_share_a_lattice(factor, head):
    """Poisson counts less 3/2 a unit, of 1, 2, 2 and 4 units: the grid finds the plain chain's run.

    No sum lies within a quarter of the limit, so that what the grid blurs is never taken for more.
    """
    units, h, ratio = [1, 2, 2, 4], 8, ratio_of(1.0, "3/2")
    moves = np.zeros((2 * h + 1, 2 * h + 1))
    for n in units:
        moves += halves(stats.poisson(n * factor).pmf(np.arange(80)), 3 * n, h) / len(units)
    run = cusum_run_length(
        units,
        center=1.0,
        ratio=ratio,
        model="poisson",
        rate=factor,
        limit=(h + 0.25) * np.log(ratio),
        head_start=head / (h + 0.25),
    )
    same = run_of(moves, np.eye(len(moves))[2 * head])
    assert_allclose([run.mean, run.sd], [same.mean, same.sd], rtol=1e-6)
    assert run.quantiles == same.quantiles


def halves(chance: np.ndarray, twice_k: int, h: int) -> np.ndarray:
    """The matrix of counts less k in steps of one half."""
    moves = np.zeros((2 * h + 1, 2 * h + 1))
    for here in range(2 * h + 1):
        for count, part in enumerate(chance):
            there = max(0, here + 2 * count - twice_k)
            if there <= 2 * h:
                moves[here, there] += part
    return moves
