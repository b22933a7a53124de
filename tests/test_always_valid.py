"""The confidence sequence against its own definition, by simulation and at its edges."""

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import optimize

from qa.errors import InvalidInput
from qa.intervals import always_valid

SPACING = np.pi / 2 / 4096  # of the grid, in the angle whose sine squared is the mean


def plain_lower(share: list[float], tail: float, filled: int | None = None) -> list[float]:
    """Lower limits from the definition, tote by tote: the root of the capital in the mean."""

    def capital(mean: float, totes: int) -> float:
        log, total, squares = 0.0, 0.0, 0.25
        for i, x in enumerate(share[:totes], start=1):
            stake = np.sqrt(2 * np.log(1 / tail) / (squares / i * i * np.log(1 + i)))
            left = mean if filled is None else (filled * mean - total) / (filled - i + 1)
            if left <= 0:
                return 1e9  # more pieces were seen than this mean has
            log += np.log(1 + min(stake, 0.9 / left) * (x - left))
            total += x
            squares += (x - (0.5 + total) / (i + 1)) ** 2
        return log - np.log(1 / tail)

    found, best = [], 0.0
    for totes in range(1, len(share) + 1):
        if capital(1e-9, totes) > 0:
            best = max(best, optimize.brentq(lambda m, t=totes: capital(m, t), 1e-9, 1 - 1e-9))
        if filled is not None:
            best = max(best, sum(share[:totes]) / filled)
        found.append(best)
    return found


def below_by_at_most_a_step(found: Any, exact: Any) -> None:
    angle, true = np.arcsin(np.sqrt(found)), np.arcsin(np.sqrt(exact))
    assert (angle <= true + 1e-6).all()
    assert (angle >= true - SPACING - 1e-6).all()


# Independent road: brute force from the definition, each root by bracketing.
@pytest.mark.parametrize("filled", [None, 60, 35])
@pytest.mark.parametrize("mean", [0.5, 0.9, 0.99])
def test_limits_are_the_roots_of_the_capital(mean: float, filled: int | None) -> None:
    count = np.random.default_rng(3).binomial(200, mean, 30)
    found = always_valid(count, 200, filled=filled)
    share = list(count / 200)
    below_by_at_most_a_step(found.low, plain_lower(share, 0.025, filled))
    below_by_at_most_a_step(
        1 - found.high, plain_lower([1 - each for each in share], 0.025, filled)
    )
    assert_allclose(found.estimate, np.cumsum(share) / np.arange(1, 31))


# By hand: with three totes all correct every stake (5.88, 4.18, 3.56) is cut off at 0.9 / m, so the
# capital is (1 + 0.9 (1 - m) / m)^3, which is 20 at this m. One tote cannot reach it: 1 + 5.88.
def test_totes_all_correct_have_a_closed_form() -> None:
    low = always_valid([200] * 3, 200, side="lower").low
    assert low[0] == 0
    below_by_at_most_a_step(low[2:], np.array([0.9 / (20 ** (1 / 3) - 0.1)]))


def totes(kind: str, size: tuple[int, int], rng: np.random.Generator) -> Any:
    if kind == "good":
        return rng.binomial(200, rng.beta(99, 1, size)) / 200
    if kind == "skewed":
        return np.where(rng.random(size) < 0.1, 0.905, 1.0)  # mean 0.9905
    return (rng.random(size) < 0.9).astype(float)


# Simulation, seed fixed: 200 series of 150 totes, so one standard error of a miss rate of 0.05 is
# 0.0154. A series misses when the truth is ever outside.
@pytest.mark.parametrize(
    ("kind", "mean"), [("good", 0.99), ("skewed", 0.9905), ("all or none", 0.9)]
)
@pytest.mark.parametrize("side", ["both", "lower", "upper"])
def test_the_truth_is_inside_at_all_times(kind: str, mean: float, side: str) -> None:
    share = totes(kind, (200, 150), np.random.default_rng(12))
    count = np.rint(share * 2000).astype(int)
    found = [always_valid(each, 2000, side=side) for each in count]
    missed = np.mean([(one.low > mean).any() or (one.high < mean).any() for one in found])
    assert missed <= 0.05 + 3 * 0.0154


# The same of totes drawn without replacement: the truth is the mean of all that were filled.
@pytest.mark.parametrize("side", ["both", "lower"])
def test_the_truth_of_a_finite_number_is_inside_at_all_times(side: str) -> None:
    rng = np.random.default_rng(13)
    filled = rng.binomial(200, np.where(rng.random(80) < 0.1, 0.9, 0.99))
    mean = filled.mean() / 200
    missed = []
    for _ in range(200):
        found = always_valid(rng.permutation(filled), 200, filled=80, side=side)
        missed.append((found.low > mean + 1e-12).any() or (found.high < mean - 1e-12).any())
    assert np.mean(missed) <= 0.05 + 3 * 0.0154
    assert_allclose(found.low[-1], mean, atol=2e-4)
    if side == "both":
        assert_allclose(found.high[-1], mean, atol=2e-4)


pairs = st.lists(
    st.integers(1, 300).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))),
    min_size=1,
    max_size=60,
)


@given(pairs)
def test_limits_never_widen_and_mirror(counted: list[tuple[int, int]]) -> None:
    x, n = np.transpose(counted)
    found, other = always_valid(x, n), always_valid(n - x, n)
    assert (np.diff(found.low) >= 0).all()
    assert (np.diff(found.high) <= 0).all()
    assert ((found.low >= 0) & (found.high <= 1)).all()
    assert_allclose(found.low, 1 - other.high, atol=1e-12)
    half = always_valid(x[: len(x) // 2 + 1], n[: len(x) // 2 + 1])
    assert_allclose(found.low[: half.low.size], half.low)  # what comes later changes nothing
    one = always_valid(x, n, confidence=0.9)
    lower, upper = (always_valid(x, n, side=side) for side in ("lower", "upper"))
    assert_allclose(one.low, lower.low)
    assert_allclose(one.high, upper.high)
    assert (lower.high == 1).all()
    assert (upper.low == 0).all()
    assert found.method == "betting"


def test_blocks_of_many_totes_make_no_seam() -> None:
    count = np.random.default_rng(9).binomial(200, 0.97, 700)
    found = always_valid(count, 200).low
    for totes_seen in (31, 32, 33, 95, 96, 97, 500):
        assert always_valid(count[:totes_seen], 200).low[-1] == found[totes_seen - 1]
    exact = plain_lower(list(count[:97] / 200), 0.025)
    below_by_at_most_a_step(found[:97], exact)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"count": 3}, "count must be one value a tote, got an array of shape ()"),
        ({"count": []}, "count must be one value a tote, got an array of shape (0,)"),
        ({"count": [3, 300]}, "count must be from 0 to inspected, got 300 of 200 at position 1"),
        ({"filled": 1}, "filled must be at least the totes inspected, got 1 of 2 inspected"),
        ({"filled": 2.5}, "filled must be whole numbers, 0 or more, got 2.5"),
        ({"side": "left"}, 'side must be one of both, lower, upper, got "left"'),
        ({"confidence": 1}, "confidence must be between 0 and 1, both excluded, got 1"),
    ],
)
def test_messages(arguments: dict[str, Any], message: str) -> None:
    count = arguments.get("count", [3, 4])
    asked = {"count": count, "inspected": np.full(np.shape(count), 200), **arguments}
    with pytest.raises(InvalidInput) as raised:
        always_valid(**asked)
    assert str(raised.value) == message
