"""How long a CUSUM watched both ways runs until either of its sums signals.

The two sums move on one grid of pairs, each count moving both at once; a move that falls between
grid points is shared between the four about it, so that both means are kept.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import sparse
from scipy.sparse import linalg as sparse_linalg

from qa._validate import checked_positive
from qa.charts.law import Law, checked_law
from qa.charts.run_length.chain import Chain, RunLength, run_length, settled, started
from qa.charts.run_length.grid import (
    Scores,
    checked_head_start,
    checked_watch,
    scores_of,
    set_out,
)
from qa.errors import InvalidInput

Floats = NDArray[np.float64]
_STATES = 64


def cusum_pair_run_length(
    inspected_sizes: ArrayLike,
    *,
    center: float,
    limit: tuple[float, float],
    correlation: float = 0.0,
    rise: float = 2.0,
    fall: float = 0.5,
    model: str = "binomial",
    rate: float | None = None,
    start: str = "zero",
    head_start: float = 0.0,
    states: int = _STATES,
) -> RunLength:
    """Run length of a CUSUM that watches for a rise and for a fall, until either sum signals.

    Parameters
    ----------
    inspected_sizes, center, correlation, model, rate, start, head_start
        As for `cusum_run_length`; both sums set out from the share of their limits.
    limit : (float, float), above 0
        Of the sum for a rise, and of that for a fall.
    rise, fall : float
        The changes to find, as factors of the center.
    states : int
        Grid points of each sum.

    Returns
    -------
    RunLength

    Raises
    ------
    InvalidInput
        If rise is not above 1 or fall not below it, or a limit is not above 0.

    Notes
    -----
    With binomial and Poisson counts the mean is exactly that of 1 / ARL = 1 / ARL(rise) +
    1 / ARL(fall), for whenever one sum signals the other stands at 0 (Kemp 1961); with
    beta-binomial counts it is not.

    References
    ----------
    Kemp (1961), JRSS B 23, 149-153; Brook & Evans (1972), Biometrika 59, 539-549.

    Examples
    --------
    >>> both = cusum_pair_run_length([200], center=0.01, correlation=0.01, limit=(4.2, 4.2))
    >>> round(both.mean)
    299
    """
    tops = tuple(float(checked_positive(each, "limit")) for each in limit)
    sides = [
        checked_watch(inspected_sizes, center, correlation, ratio, model) for ratio in (rise, fall)
    ]
    if not fall < 1 < rise:
        raise InvalidInput(f"fall must be below 1 and rise above it, got {fall!r} and {rise!r}")
    law = sides[0].shift.law
    true = law if rate is None else checked_law(rate, correlation, model, "rate")
    steps = np.array(tops) / (states - 0.5)

    def chain(under: Law) -> Chain:
        return chain_of([scores_of(side, under) for side in sides], steps, states)

    near = set_out(checked_head_start(head_start), states)
    here = started(start, lambda: settled(chain(law)))
    return run_length(chain(true), np.outer(near, near).ravel() if here is None else here)


def chain_of(scores: list[Scores], steps: Floats, states: int) -> Chain:
    """The chain over the pairs of grid points at which neither sum signals, the first (0, 0).

    `scores` are what one tote adds to each sum, `steps` the spaces between their grid points.
    """
    rows, columns, values = [], [], []
    place = np.arange(states * states)
    at = np.stack(np.divmod(place, states))
    for move, chance in _moves(scores, steps, states):
        to = np.maximum(at + move[:, np.newaxis], 0)
        inside = (to < states).all(axis=0)
        rows.append(place[inside])
        columns.append((to[0] * states + to[1])[inside])
        values.append(np.full(int(inside.sum()), chance))
    where = np.concatenate(columns), np.concatenate(rows)
    size = states * states
    moves = sparse.csc_array((np.concatenate(values), where), shape=(size, size))
    solved = sparse_linalg.splu(sparse.eye_array(size, format="csc") - moves)
    start = np.zeros(size)
    start[0] = 1.0
    return Chain(start, lambda here: moves @ here, solved.solve)


def _moves(
    scores: list[Scores], steps: Floats, states: int
) -> list[tuple[NDArray[np.int64], float]]:
    """Every move of the pair in whole steps, longer ones cut, and its chance."""
    exact = np.stack([each.score for each in scores]) / steps[:, np.newaxis]
    exact = np.clip(exact, -states, states)
    below = np.floor(exact).astype(np.int64)
    up = exact - below
    width = 2 * states + 2
    table = np.zeros(width * width)
    for first in (0, 1):
        for second in (0, 1):
            share = np.abs(1 - first - up[0]) * np.abs(1 - second - up[1])
            cell = (below[0] + first + states) * width + below[1] + second + states
            table += np.bincount(cell, scores[0].chance * share, table.size)
    found = np.flatnonzero(table)
    moves = np.stack(np.divmod(found, width), axis=1) - states
    return list(zip(moves, table[found].tolist(), strict=True))
