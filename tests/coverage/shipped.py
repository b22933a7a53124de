"""Claims as made and as shipped: lots accepted, or re-sorted and audited again, by simulation.

The same samples decide which lots leave and say how good they are. Both claims are held against the
long run: what is made, and what leaves, if the line goes on like this.
"""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from tests.coverage.many_totes import SEED, Cell, Found, found, together

PLAN = (200, 5)  # pieces and acceptance number of AQL 1 %, letter L of MIL-STD-105E
FILLED = 20  # totes of a lot of many, of which few are audited
LEFT = 0.3  # share of incorrect pieces that a re-sort leaves
MEANS = (0.98, 0.99, 0.995)
CORRELATIONS = (0.01, 0.05)
TOTES = (20, 100)
LOTS = {"tote lots": 1, "shift lots": 4}  # totes audited of each

Whole = NDArray[np.int64]
Floats = NDArray[np.float64]


def cells(*, quick: bool = False) -> list[Cell]:
    if quick:
        return [Cell(20, 0.99, 0.05, shape=lots) for lots in LOTS]
    return [
        Cell(totes, mean, rho, shape=lots)
        for lots in LOTS
        for totes in TOTES
        for mean in MEANS
        for rho in CORRELATIONS
    ]


def rows(*, quick: bool = False) -> Iterator[Found]:
    for number, cell in enumerate(cells(quick=quick)):
        rng = np.random.default_rng([SEED, 1, number])
        made, shipped, left = simulated(rng, cell, 40 if quick else 600)
        size = PLAN[0] // LOTS[cell.shape]
        for figure, counts, truth in (("made", made, cell.mean), ("shipped", shipped, left)):
            yield found(cell, f"as {figure}", together(counts, size), truth)


def simulated(rng: np.random.Generator, cell: Cell, repeats: int) -> tuple[Whole, Whole, float]:
    """Incorrect pieces of totes as made and as shipped, and the share correct that leaves."""
    audited, (pieces, ac) = LOTS[cell.shape], PLAN
    filled = FILLED if audited > 1 else 1
    lots = (repeats, cell.totes // audited)
    share = (1 - cell.mean) * np.ones((*lots, filled))
    both = 1 / cell.correlation - 1
    share = rng.beta(share * both, (1 - share) * both)
    made = rng.binomial(pieces // audited, share[..., :audited])
    seen = made.copy()
    while (rejected := seen.sum(axis=-1) > ac).any():
        share[rejected] *= LEFT
        seen[rejected] = rng.binomial(pieces // audited, share[rejected][..., :audited])
    return made.reshape(repeats, -1), seen.reshape(repeats, -1), float(1 - share.mean())
