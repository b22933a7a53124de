"""The even grid on which a CUSUM of any counts is followed, and the run length of every limit.

A score that falls between two grid points is shared between them so that its mean is kept.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import linalg

from qa.charts.law import (
    NEVER,
    Law,
    Shift,
    chances,
    checked_change,
    checked_law,
    checked_sizes,
    score,
)
from qa.errors import InvalidInput

Floats = NDArray[np.float64]
STATES = 256


@dataclass(frozen=True, slots=True, eq=False)
class Watch:
    """What is watched: the change to find, and the sizes of samples with the share of each."""

    shift: Shift
    sizes: Floats
    share: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Scores:
    """What one tote may add to the sum: scores and their chances, flat arrays of one length."""

    score: Floats
    chance: Floats


def checked_watch(
    inspected_sizes: ArrayLike, center: float, correlation: float, ratio: float, model: str
) -> Watch:
    """What is watched, once its parts are found to be what they must.

    Raises
    ------
    InvalidInput
        If they are not.
    """
    law = checked_law(center, correlation, model)
    sizes, share = checked_sizes(inspected_sizes, law)
    return Watch(checked_change(law, ratio), sizes, share)


def checked_head_start(share: float) -> float:
    """One number from 0, below 1.

    Raises
    ------
    InvalidInput
        Otherwise.
    """
    if np.ndim(share) != 0 or not 0 <= share < 1:
        raise InvalidInput(f"head_start must be one number from 0, below 1, got {share!r}")
    return float(share)


def set_out(head: float, states: int) -> Floats:
    """Chances of the grid points of a sum at a share of its limit: the two about it."""
    place = head * (states - 0.5)
    near = np.maximum(1 - np.abs(np.arange(states) - place), 0.0)
    shared: Floats = near / near.sum()
    return shared


def scores_of(watch: Watch, law: Law) -> Scores:
    """Scores of every count that may be, under the law that the counts follow."""
    table = chances(law, watch.sizes)
    row, count = np.nonzero(table > NEVER)
    moved = score(watch.shift, count.astype(np.float64), watch.sizes[row])
    return Scores(moved, table[row, count] * watch.share[row])


def grid_chances(scores: Scores, step: float, states: int) -> Floats:
    """Chance of each move on the grid, from -states to +states + 1 steps, longer ones cut."""
    moves = np.clip(scores.score / step, -states, states)
    down = np.floor(moves)
    up_share = moves - down
    at = down.astype(np.int64) + states
    length = 2 * states + 2
    moved = np.zeros(length)
    moved += np.bincount(at, scores.chance * (1 - up_share), length)
    moved += np.bincount(at + 1, scores.chance * up_share, length)
    return moved


def matrix(moves: Floats) -> Floats:
    """Chances of passing between the sums 0, 1, ... steps; a row's missing part signals."""
    states = moves.size // 2 - 1
    place = np.arange(states)
    chain: Floats = moves[states + place - place[:, np.newaxis]]
    chain[:, 0] = np.cumsum(moves)[states - place]  # below 0 the sum starts afresh
    return chain


def arl_of_every_limit(moves: Floats) -> Floats:
    """Average run length from 0 when the sum may stay in the first 1, 2, 3, ... grid points."""
    chain = matrix(moves)
    # Transposed, the columns are diagonally dominant, so partial pivoting exchanges no rows; the
    # leak, far below any run length's digits, keeps rounding from making them tie.
    leaky = (1 - 1e-13) * chain
    factors, _ = linalg.lu_factor((np.eye(len(chain)) - leaky).T, check_finite=False)
    start = np.zeros(len(chain))
    start[0] = 1.0
    visits = linalg.solve_triangular(
        factors, start, lower=True, unit_diagonal=True, check_finite=False
    )
    weights = linalg.solve_triangular(factors, np.ones(len(chain)), trans="T", check_finite=False)
    return np.cumsum(visits * weights)
