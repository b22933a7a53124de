"""Points of a long chart that are drawn: few, in order, with every peak and every signal."""

import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.figures.thinning import MOST, drawn_points, turns

LEVELS = st.lists(st.floats(0, 1), min_size=1, max_size=400)


@given(LEVELS, st.integers(3, 60), st.data())
def test_ends_extremes_and_signals_are_drawn_in_order(
    value: list[float], most: int, data: st.DataObject
) -> None:
    places = st.integers(0, len(value) - 1)
    total = data.draw(st.permutations(value))
    always = data.draw(st.lists(places, max_size=5))
    found = drawn_points(value, total, always, most)
    assert found == sorted(set(found))
    assert {0, len(value) - 1, *always} <= set(found)
    assert max(value[k] for k in found) == max(value)
    assert min(value[k] for k in found) == min(value)
    assert max(total[k] for k in found) == max(total)
    assert len(found) <= most + 2 + len(always)
    if len(value) <= most:
        assert found == list(range(len(value)))


@pytest.mark.parametrize("size", [MOST, MOST + 1, 50_000])
def test_a_long_chart_keeps_the_peaks_of_every_stretch(size: int) -> None:
    rng = random.Random(4)
    value = [rng.random() for _ in range(size)]
    found = drawn_points(value, value)
    assert len(found) <= MOST + 2
    if size > MOST:
        wide = size / (MOST // 3)
        peaks = {max(value[int(k * wide) : int((k + 1) * wide)]) for k in range(MOST // 3)}
        assert peaks <= {value[k] for k in found}


@given(st.lists(st.sampled_from([0.0, 1.0, 2.5]), min_size=1, max_size=60))
def test_a_line_of_its_turns_is_the_same_line(values: list[float]) -> None:
    kept = turns(values)
    line = np.interp(range(len(values)), kept, [values[k] for k in kept])
    assert line.tolist() == values


def test_a_level_run_is_its_two_ends_and_a_gap_stays_a_gap() -> None:
    assert turns([3.0] * 50) == [0, 49]
    assert turns([1.0, 1.0, 1.0, 2.0, 2.0, 2.0]) == [0, 2, 3, 5]
    nan = float("nan")
    assert turns([nan] * 3) == [0, 2]
    assert turns([1.0, nan, nan, nan, 2.0]) == [0, 1, 3, 4]
