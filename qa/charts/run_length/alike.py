"""The exact run length of a CUSUM of totes that are alike and of one size.

Its sum goes up by a fixed step for each piece found and down by another for each tote, so after
t totes since it last stood at 0 it is known from the pieces found since then: the pairs (totes,
pieces) are the sum's own lattice, and nothing is rounded.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse import linalg as sparse_linalg

from qa.charts.law import NEVER, Law, Shift, chances, score
from qa.charts.run_length.chain import Chain

Floats = NDArray[np.float64]
_GONE = 1e-16  # a sum that stays off 0 for longer than this chance is let go
_EDGE = 1e-9  # of a piece: a sum this near 0 or the limit lies on it
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


def chain(lattice: Alike, limit: float, reach: Alike, head: float = 0.0) -> Chain:
    """The chain over (totes, pieces) since 0, as far as `reach` or the lattice itself goes.

    A sum that sets out above 0 goes through a first cycle of its own. A cycle only ever moves on,
    so its visits need no division; how many cycles there are follows from the chance that one
    ends in a signal. Only positive terms are added, so no run is too long to keep its digits.
    """
    first = _spread(lattice, limit, reach, 0.0)
    parts = [first] if head == 0 else [first, _spread(lattice, limit, reach, head)]
    moves = sparse.block_diag([part.moves for part in parts], format="csc")
    back = np.concatenate([part.back for part in parts])
    size = first.back.size
    solved = sparse_linalg.splu(
        sparse.eye_array(moves.shape[0], format="csc") - moves, permc_spec="NATURAL"
    ).solve
    fresh, start = np.zeros((2, back.size))
    fresh[0] = 1.0
    start[0 if head == 0 else size] = 1.0
    cycle = solved(fresh)
    signalling = float(cycle[:size] @ first.signal)

    def step(here: Floats) -> Floats:
        after: Floats = moves @ here
        after[0] += (here * back).sum()  # not BLAS, whose threads cost more than they save here
        return after

    def visits(here: Floats) -> Floats:
        until = solved(here)
        if signalling == 0:
            return np.full_like(until, np.inf)
        found: Floats = until + cycle * (float((until * back).sum()) / signalling)
        return found

    return Chain(start, step, visits, longest=np.inf)


@dataclass(frozen=True, slots=True, eq=False)
class _Spread:
    """A cycle's states: moves from each (columns) to each, chances of 0 and of a signal next."""

    moves: sparse.csc_array
    back: Floats
    signal: Floats


def _spread(lattice: Alike, limit: float, reach: Alike, head: float) -> _Spread:
    law, size = lattice.chance, lattice.chance.size
    fewer = np.concatenate([[0.0], np.cumsum(law)])
    as_many = np.append(np.cumsum(law[::-1])[::-1], 0.0)
    deep = max(sum(1 for _ in _cycle(each, limit, head)) for each in (lattice, reach))
    bands = [(0, 0), *(_band(lattice, limit, totes, head) for totes in range(1, deep + 2))]
    begins = np.cumsum([0, *(max(high - low + 1, 0) for low, high in bands)])
    blocks, back, signal = [], [], []
    for totes, ((low, high), (least, most)) in enumerate(pairwise(bands)):
        pieces = np.arange(low, high + 1)
        begin = np.clip(least - pieces, 0, size)
        end = np.clip(most + 1 - pieces, begin, size)
        below, above = fewer[begin], as_many[end]
        under, over = (below, above) if lattice.each > 0 else (above, below)
        if totes == deep:  # whatever stays off 0 for longer is let go
            under = 1 - over
        else:
            more = np.arange(least, most + 1)[:, np.newaxis] - pieces
            row, column = np.nonzero((more >= 0) & (more < size))
            blocks.append((row + begins[totes + 1], column + begins[totes], law[more[row, column]]))
        back.append(under)
        signal.append(over)
    rows, columns, values = (np.concatenate(each) for each in zip(*blocks, strict=True))
    states = int(begins[deep + 1])
    moves = sparse.csc_array((values, (rows, columns)), shape=(states, states))
    return _Spread(moves, np.concatenate(back), np.concatenate(signal))


def _cycle(lattice: Alike, limit: float, head: float = 0.0) -> Iterator[tuple[float, float]]:
    """Chance of a sum off 0 after 1, 2, ... totes of a cycle, and of its signal at that tote."""
    first, here, totes, mass = 0, np.ones(1), 0, 1.0
    while mass > _GONE:
        totes += 1
        low, high = _band(lattice, limit, totes, head)
        pieces = np.convolve(here, lattice.chance)
        low, high = max(low - first, 0), max(high + 1 - first, 0)
        beyond = pieces[high:] if lattice.each > 0 else pieces[:low]
        first, here = first + low, pieces[low:high]
        mass = float(here.sum())
        yield mass, float(beyond.sum())


def _band(lattice: Alike, limit: float, totes: int, head: float) -> tuple[int, int]:
    """Fewest and most pieces with a sum that set out at `head` off 0 and not above the limit."""
    ends = np.array([0.0, limit]) - head + lattice.drift * totes
    if lattice.each > 0:
        low = int(np.floor(ends[0] / lattice.each + _EDGE)) + 1
        return max(low, 0), int(np.floor(ends[1] / lattice.each + _EDGE))
    low = int(np.ceil(ends[1] / lattice.each - _EDGE))
    return max(low, 0), int(np.ceil(ends[0] / lattice.each - _EDGE)) - 1
