"""The exact run length of a CUSUM of totes that are alike and of one size.

Its sum goes up by a fixed step for each piece found and down by another for each tote, so after
t totes since it last stood at 0 it is known from the pieces found since then: the pairs (totes,
pieces) are the sum's own lattice, and nothing is rounded.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse import linalg as sparse_linalg

from qa.charts.law import NEVER, Law, Shift, chances, score
from qa.charts.run_length.chain import Chain

Floats = NDArray[np.float64]
_GONE = 1e-16  # a sum that stays off 0 for longer than this chance is let go
_EDGE = 1e-12  # sums this near 0 or the limit lie on it
_FINEST = 60  # pieces from 0 to the limit; a finer lattice is as good as none


@dataclass(frozen=True, slots=True, eq=False)
class Alike:
    """A sum that a tote moves by `each` x pieces - `drift`, and the chances of its pieces."""

    each: float
    drift: float
    chance: Floats


def alike(shift: Shift, size: float, law: Law, limit: float) -> Alike | None:
    """The lattice of a CUSUM, or None where it is too fine to be worth walking."""
    ends = score(shift, np.array([0.0, 1.0]), np.array([size, size]))
    each = float(ends[1] - ends[0])
    if law.correlation > 0 or abs(each) * _FINEST < limit:
        return None
    chance = chances(law, np.array([size]))[0]
    return Alike(each, -float(ends[0]), chance[: int(np.flatnonzero(chance > NEVER)[-1]) + 1])


def mean_run(lattice: Alike, limit: float) -> float:
    """Average run length: totes of a cycle off 0 over the chance that a cycle ends in a signal.

    The sum starts afresh each time it falls to 0, so its run is a row of such cycles alike.
    """
    standing, signalling = np.array([*_cycle(lattice, limit)]).sum(axis=0)
    return float((1 + standing) / signalling) if signalling > 0 else np.inf


def chain(lattice: Alike, limit: float, reach: Alike) -> Chain:
    """The chain over (totes, pieces) since 0, as far as `reach` or the lattice itself goes."""
    deep = max(sum(1 for _ in _cycle(each, limit)) for each in (lattice, reach))
    bands = [(0, 0), *(_band(lattice, limit, totes) for totes in range(1, deep + 1))]
    begins = np.cumsum([0, *(high - low + 1 for low, high in bands)])
    rows, columns, values = [], [], []
    for totes, (low, high) in enumerate(bands):
        for pieces in range(low, high + 1):
            first, part, back = _onward(lattice, limit, pieces, totes + 1)
            ahead = np.zeros(part.size, dtype=np.int64)  # as good as never: back to 0
            if totes < deep:
                ahead = begins[totes + 1] + first - bands[totes + 1][0] + np.arange(part.size)
            rows.append(np.full(part.size + 1, begins[totes] + pieces - low))
            columns.append(np.append(ahead, 0))
            values.append(np.append(part, back))
    size = int(begins[-1])
    where = np.concatenate(rows), np.concatenate(columns)
    moves = sparse.csc_array((np.concatenate(values), where), shape=(size, size)).T.tocsc()
    solved = sparse_linalg.splu(sparse.eye_array(size, format="csc") - moves)
    start = np.zeros(size)
    start[0] = 1.0
    return Chain(start, lambda here: moves @ here, solved.solve)


def _cycle(lattice: Alike, limit: float) -> Iterator[tuple[float, float]]:
    """Chance of a sum off 0 after 1, 2, ... totes of a cycle, and of its signal at that tote."""
    first, here, totes, mass = 0, np.ones(1), 0, 1.0
    while mass > _GONE:
        totes += 1
        low, high = _band(lattice, limit, totes)
        pieces = np.convolve(here, lattice.chance)
        low, high = max(low - first, 0), max(high + 1 - first, 0)
        beyond = pieces[high:] if lattice.each > 0 else pieces[:low]
        first, here = first + low, pieces[low:high]
        mass = float(here.sum())
        yield mass, float(beyond.sum())


def _band(lattice: Alike, limit: float, totes: int) -> tuple[int, int]:
    """Fewest and most pieces with the sum off 0 and not above the limit."""
    ends = np.array([0.0, limit]) + lattice.drift * totes
    edge = _EDGE * abs(lattice.each)
    if lattice.each > 0:
        low = int(np.floor(ends[0] / lattice.each + edge)) + 1
        return max(low, 0), int(np.floor(ends[1] / lattice.each + edge))
    low = int(np.ceil(ends[1] / lattice.each - edge))
    return max(low, 0), int(np.ceil(ends[0] / lattice.each - edge)) - 1


def _onward(lattice: Alike, limit: float, pieces: int, totes: int) -> tuple[int, Floats, float]:
    """From so many pieces: the first number off 0 next, chances of it and those after, and of 0."""
    low, high = _band(lattice, limit, totes)
    law = lattice.chance
    begin = np.clip(low - pieces, 0, law.size)
    end = np.clip(high - pieces + 1, begin, law.size)
    back = law[:begin].sum() if lattice.each > 0 else law[end:].sum()
    return pieces + int(begin), law[begin:end], float(back)
