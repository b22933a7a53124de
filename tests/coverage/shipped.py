"""Claims as made and as shipped: lots accepted, or re-sorted and audited again, by simulation.

The same samples decide which lots leave and say how good they are. The claim as made is held
against what the line makes in the long run, the one as shipped against what was in the lots that
left.
"""

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from qa.intervals import accepted
from tests.coverage.many_totes import LEVEL, SEED, Cell, Found, Limits, found, together

PLAN = (200, 5)  # pieces and acceptance number of AQL 1 %, letter L of MIL-STD-105E
FILLED = 20  # totes of a lot of many, of which few are audited
LEFT = 0.3  # share of incorrect pieces that a re-sort leaves
MEANS = (0.98, 0.99, 0.995)
CORRELATIONS = (0.01, 0.05)
TOTES = (20, 100)
LOTS = {"tote lots": 1, "shift lots": 4}  # totes audited of each

Whole = NDArray[np.int64]
Flags = NDArray[np.bool_]
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
        made, shipped, passed, left = simulated(rng, cell, 40 if quick else 600)
        size = PLAN[0] // LOTS[cell.shape]
        yield found(cell, "as made", together(made, size), cell.mean)
        limits = np.array(
            [
                of_accepted(*each, size, whole=LOTS[cell.shape] == 1)
                for each in zip(made, shipped, passed, strict=True)
            ]
        )
        yield found(cell, "as shipped", limits, left)


def of_accepted(made: Whole, shipped: Whole, passed: Flags, size: int, *, whole: bool) -> Limits:
    again = shipped[~passed]
    counts: dict[str, Any] = {
        **{"count": size - made, "inspected": np.full(made.size, size), "passed": passed},
        **{"again": (size - again, np.full(again.size, size)), "whole": whole},
    }
    both = accepted(**counts, confidence=LEVEL)
    alone = accepted(**counts, confidence=LEVEL, side="lower")
    return float(both.low), float(both.high), float(alone.low)


def simulated(
    rng: np.random.Generator, cell: Cell, repeats: int
) -> tuple[Whole, Whole, Flags, Floats]:
    """Incorrect pieces of totes as made and as shipped, which passed as made, and what left.

    What left is the share correct of all totes of the lots, a figure a repeat.
    """
    audited, (pieces, ac) = LOTS[cell.shape], PLAN
    filled = FILLED if audited > 1 else 1
    lots = (repeats, cell.totes // audited)
    share = (1 - cell.mean) * np.ones((*lots, filled))
    both = 1 / cell.correlation - 1
    share = rng.beta(share * both, (1 - share) * both)
    made = rng.binomial(pieces // audited, share[..., :audited])
    seen = made.copy()
    passed = (made.sum(axis=-1, keepdims=True) <= ac) & np.ones(made.shape, dtype=bool)
    while (rejected := seen.sum(axis=-1) > ac).any():
        share[rejected] *= LEFT
        seen[rejected] = rng.binomial(pieces // audited, share[rejected][..., :audited])
    rows = (each.reshape(repeats, -1) for each in (made, seen, passed))
    return *rows, 1 - share.reshape(repeats, -1).mean(axis=1)  # type: ignore[return-value]
