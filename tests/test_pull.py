"""Which totes to pull, and where: adding up, least variance by exhaustion, chance, and one seed."""

import itertools
from collections import Counter
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from qa.errors import InvalidInput
from qa.plans.pull import DEPTHS, Position, Pull, allocate, schedule

LANES = {("1", "day"): 40, ("2", "day"): 25, ("1", "night"): 35}

# Drawn once, and kept.
GOLDEN = (
    Pull(
        label="lane 1",
        tote=4,
        positions=(
            Position(depth="top", quadrant=1, pieces=67),
            Position(depth="middle", quadrant=3, pieces=66),
            Position(depth="bottom", quadrant=4, pieces=67),
        ),
    ),
    Pull(
        label="lane 1",
        tote=7,
        positions=(
            Position(depth="top", quadrant=4, pieces=67),
            Position(depth="middle", quadrant=2, pieces=67),
            Position(depth="bottom", quadrant=3, pieces=66),
        ),
    ),
)

strata = st.lists(st.tuples(st.integers(1, 12), st.floats(0.05, 5)), min_size=1, max_size=4)


# By exhaustion: no other whole allocation with the same least has a smaller variance.
@given(strata, st.data())
@settings(max_examples=60, deadline=None)
def test_no_other_allocation_has_less_variance(
    each: list[tuple[int, float]], data: st.DataObject
) -> None:
    filled = {at: count for at, (count, _) in enumerate(each)}
    spread = {at: deviation for at, (_, deviation) in enumerate(each)}
    totes = data.draw(st.integers(len(each), sum(filled.values())))
    found = allocate(totes, filled, spread=spread)

    def variance(allocation: tuple[int, ...]) -> float:
        return sum(
            (filled[at] * spread[at]) ** 2 * (1 / n - 1 / filled[at])
            for at, n in enumerate(allocation)
        )

    others = (
        some
        for some in itertools.product(*(range(1, count + 1) for count in filled.values()))
        if sum(some) == totes
    )
    assert sum(found.values()) == totes
    assert variance(tuple(found.values())) <= min(map(variance, others)) + 1e-9


def test_whole_shares_are_kept() -> None:
    assert allocate(20, LANES) == {("1", "day"): 8, ("2", "day"): 5, ("1", "night"): 7}
    # Neyman, by hand: 40 x 3, 25 x 1.2, 35 x 2 are 120, 30, 70, so 12, 3, 7 of 22
    spread = dict(zip(LANES, (3.0, 1.2, 2.0), strict=True))
    assert list(allocate(22, LANES, spread=spread).values()) == [12, 3, 7]


def test_least_and_most_of_each() -> None:
    assert allocate(4, {"a": 100, "b": 3}, least=2) == {"a": 2, "b": 2}
    assert allocate(5, {"a": 3, "b": 1, "c": 1}, spread={"a": 0.1, "b": 9, "c": 9}) == {
        "a": 3, "b": 1, "c": 1,
    }  # fmt: skip
    assert allocate(3, {"a": 10, "b": 0}) == {"a": 3, "b": 0}


# The stream of the bit generator is promised never to change; so this schedule never does.
def test_a_seed_draws_this_schedule() -> None:
    drawn = schedule({"lane 1": 2}, {"lane 1": 12}, pieces=200, seed=7)
    assert drawn.seed == 7
    assert drawn.pulls == GOLDEN


def test_one_seed_one_schedule() -> None:
    totes = allocate(12, LANES)
    first, second, other = (schedule(totes, LANES, pieces=200, seed=seed) for seed in (5, 5, 6))
    assert first == second
    assert first.pulls != other.pulls


@given(st.integers(0, 10**12), st.integers(12, 400), st.integers(1, 4))
@settings(max_examples=60, deadline=None)
def test_schedules_hold_what_was_asked(seed: int, pieces: int, quadrants: int) -> None:
    totes = allocate(9, LANES)
    drawn = schedule(totes, LANES, pieces=pieces, seed=seed, quadrants=quadrants)
    assert Counter(pull.label for pull in drawn.pulls) == Counter(totes)
    for label in LANES:
        mine = [pull.tote for pull in drawn.pulls if pull.label == label]
        assert mine == sorted(set(mine))
        assert all(1 <= tote <= LANES[label] for tote in mine)
    for pull in drawn.pulls:
        assert sum(place.pieces for place in pull.positions) == pieces
        assert max(p.pieces for p in pull.positions) - min(p.pieces for p in pull.positions) <= 1
        assert len({(place.depth, place.quadrant) for place in pull.positions}) == 3 * quadrants
        assert Counter(p.depth for p in pull.positions) == dict.fromkeys(DEPTHS, quadrants)


# 4,000 seeds; a share is off by more than four standard errors once in 16,000 times.
def test_every_tote_and_every_position_is_as_likely() -> None:
    seeds = 4000
    totes, places, extra = Counter[int](), Counter[tuple[str, int]](), Counter[str]()
    for seed in range(seeds):
        for pull in schedule({"a": 3}, {"a": 10}, pieces=200, seed=seed).pulls:
            totes[pull.tote] += 1
            places.update((place.depth, place.quadrant) for place in pull.positions)
            extra.update(place.depth for place in pull.positions if place.pieces == 66)
    for counter, size, share in (
        (totes, seeds, 0.3),
        (places, 3 * seeds, 0.25),
        (extra, 3 * seeds, 1 / 3),
    ):
        error = np.sqrt(share * (1 - share) / size)
        assert_allclose(np.array(list(counter.values())) / size, share, atol=4 * error)
    assert (len(totes), len(places), len(extra)) == (10, 12, 3)


def refused(text: str) -> Any:
    return pytest.raises(InvalidInput, match=f"^{text}$")


def test_what_an_allocation_refuses() -> None:
    with refused("totes must be from 3, the least for each, to 100, those filled, got 2"):
        allocate(2, LANES)
    with refused("totes must be from 3, the least for each, to 100, those filled, got 101"):
        allocate(101, LANES)
    with refused("totes must be whole numbers, 1 or more, got 2.5"):
        allocate(2.5, LANES)  # type: ignore[arg-type]
    with refused("filled must be whole numbers, 0 or more, got -1"):
        allocate(2, {"a": -1})
    with refused("spread must have the labels of filled"):
        allocate(2, {"a": 5}, spread={"b": 1})
    with refused("spread must be above 0, got 0"):
        allocate(2, {"a": 5}, spread={"a": 0})
    with refused("least must be whole numbers, 1 or more, got 0"):
        allocate(2, {"a": 5}, least=0)


def test_what_a_schedule_refuses() -> None:
    one = {"a": 1}
    with refused("seed must be whole numbers, 0 or more, got -1"):
        schedule(one, one, pieces=10, seed=-1)
    with refused("quadrants must be from 1 to 4, got 5"):
        schedule(one, one, pieces=100, seed=1, quadrants=5)
    with refused("pieces must be 6 or more, one for each position, got 5"):
        schedule(one, one, pieces=5, seed=1, quadrants=2)
    with refused("totes and filled must have the same labels"):
        schedule(one, {"b": 1}, pieces=10, seed=1)
    with refused("totes must be at most the 1 filled, got 2 of 'a'"):
        schedule({"a": 2}, one, pieces=10, seed=1)
