"""The exact run length of a CUSUM of totes that are alike and of one size.

Its sum goes up by a fixed step for each piece found and down by another for each tote, so after
t totes since it last stood at 0 it is known from the pieces found since then: the pairs (totes,
pieces) are the sum's own lattice, and nothing is rounded.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse import linalg as sparse_linalg

from qa.charts.law import Law, Shift, chances, score
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


@dataclass(frozen=True, slots=True, eq=False)
class _Tote:
    """The sums left standing after so many totes: pieces from `first` on, and their chances."""

    first: int
    here: Floats


def alike(shift: Shift, size: float, law: Law, limit: float) -> Alike | None:
    """The lattice of a CUSUM, or None where it is too fine to be worth walking."""
    ends = score(shift, np.array([0.0, 1.0]), np.array([size, size]))
    each = float(ends[1] - ends[0])
    if law.correlation > 0 or abs(each) * _FINEST < limit:
        return None
    return Alike(each, -float(ends[0]), chances(law, np.array([size]))[0])


def mean_run(lattice: Alike, limit: float) -> float:
    """Average run length: totes of a cycle off 0 over the chance that a cycle ends in a signal.

    The sum starts afresh each time it falls to 0, so its run is a row of such cycles alike.
    """
    length, signals = 1.0, 0.0
    totes = _cycle(lattice, limit)
    for tote in totes:
        length += float(tote.here.sum())
    for at, tote in enumerate([_Tote(0, np.ones(1)), *totes]):
        signals += _signalling(lattice, limit, tote, at + 1)
    return length / signals if signals > 0 else np.inf


def chain(lattice: Alike, limit: float, reach: Alike) -> Chain:
    """The chain over (totes, pieces) since 0, as far as `reach` or the lattice itself goes."""
    deep = max(len(_cycle(each, limit)) for each in (lattice, reach))
    totes = [_Tote(0, np.ones(1)), *_bands(lattice, limit, deep)]
    begins = np.cumsum([0, *(tote.here.size for tote in totes)])
    rows, columns, values = [], [], []
    for at, tote in enumerate(totes):
        for place in range(tote.here.size):
            low, part, back = _onward(lattice, limit, tote.first + place, at + 1)
            state = begins[at] + place
            rows.append(np.full(part.size + 1, state))
            if at + 1 < len(totes):
                shift = low - totes[at + 1].first
                ahead = begins[at + 1] + shift + np.arange(part.size)
            else:
                ahead = np.zeros(part.size, dtype=np.int64)  # as good as never: back to 0
            columns.append(np.append(ahead, 0))
            values.append(np.append(part, back))
    size = int(begins[-1])
    where = np.concatenate(rows), np.concatenate(columns)
    moves = sparse.csc_array((np.concatenate(values), where), shape=(size, size)).T.tocsc()
    solved = sparse_linalg.splu(sparse.eye_array(size, format="csc") - moves)
    start = np.zeros(size)
    start[0] = 1.0
    return Chain(start, lambda here: moves @ here, solved.solve)


def _cycle(lattice: Alike, limit: float) -> list[_Tote]:
    """The sums off 0 after 1, 2, ... totes of a cycle, until they are as good as gone."""
    totes, at = [_Tote(0, np.ones(1))], 0
    while totes[-1].here.sum() > _GONE:
        at += 1
        totes.append(_next(lattice, limit, totes[-1], at))
    return totes[1:-1]


def _next(lattice: Alike, limit: float, tote: _Tote, totes: int) -> _Tote:
    low, high = _band(lattice, limit, totes)
    full = np.convolve(tote.here, lattice.chance)
    wanted = np.arange(low, high + 1) - tote.first
    there = (wanted >= 0) & (wanted < full.size)
    return _Tote(low, np.where(there, full[np.clip(wanted, 0, full.size - 1)], 0.0))


def _bands(lattice: Alike, limit: float, deep: int) -> list[_Tote]:
    """The pairs that stand off 0, chances left aside."""
    found = []
    for totes in range(1, deep + 1):
        low, high = _band(lattice, limit, totes)
        found.append(_Tote(low, np.zeros(high - low + 1)))
    return found


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


def _signalling(lattice: Alike, limit: float, tote: _Tote, totes: int) -> float:
    """Chance that the next tote takes the sum above the limit."""
    low, high = _band(lattice, limit, totes)
    full = np.convolve(tote.here, lattice.chance)
    if lattice.each > 0:
        return float(full[max(high + 1 - tote.first, 0) :].sum())
    return float(full[: max(low - tote.first, 0)].sum())
