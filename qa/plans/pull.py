"""What to pull: how many totes of which lanes and shifts, which ones, and where in the tote.

Positions are for a tote that is not deep in the way of the hand: top, middle and bottom pieces are
set aside while the tote fills, or taken when it is tipped, as the site's own procedure says. Nobody
reaches into a deep tote, onto a moving conveyor or into a cutting enclosure for a sample.
"""

from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from math import sqrt

import numpy as np

from qa._validate import checked_positive, one_whole
from qa.errors import InvalidInput

DEPTHS = ("top", "middle", "bottom")
QUADRANTS = (1, 2, 3, 4)


def allocate(
    totes: int,
    filled: Mapping[Hashable, int],
    *,
    spread: Mapping[Hashable, float] | None = None,
    least: int = 1,
) -> dict[Hashable, int]:
    """Totes to pull from each lane and shift: whole numbers that add up.

    Parameters
    ----------
    totes : int
        To pull in all.
    filled : mapping
        Lane and shift (any label) to the totes that are filled there, 0 or more.
    spread : mapping, optional
        Label to the standard deviation of the fractions of its totes, above 0: Neyman's
        allocation. In proportion to the totes filled when left out.
    least : int
        From each lane and shift that fills any, 1 or more, or all that it fills; two and more let
        the spread be seen.

    Returns
    -------
    dict
        Of all whole allocations with that least, one whose pooled fraction has the smallest
        variance ``sum (filled spread)^2 / totes``.

    Raises
    ------
    InvalidInput
        If the totes are fewer than the least together or more than those filled, or a number is
        out of its range.

    References
    ----------
    Neyman (1934), JRSS 97, 558-625. Whole numbers: Wright (2012), The American Statistician 66,
    217-224.

    Examples
    --------
    >>> allocate(10, {"lane 1": 50, "lane 2": 30, "lane 3": 20})
    {'lane 1': 5, 'lane 2': 3, 'lane 3': 2}
    """
    room = {label: one_whole(count, "filled") for label, count in filled.items()}
    lowest = one_whole(least, "least", least=1)
    taken = {label: min(lowest, count) for label, count in room.items()}
    wanted = one_whole(totes, "totes", least=1)
    if not sum(taken.values()) <= wanted <= sum(room.values()):
        raise InvalidInput(
            f"totes must be from {sum(taken.values())}, the least for each, to "
            f"{sum(room.values())}, those filled, got {wanted}"
        )
    if spread is not None and set(spread) != set(filled):
        raise InvalidInput("spread must have the labels of filled")
    deviation = {
        label: 1.0 if spread is None else float(checked_positive(spread[label], "spread"))
        for label in filled
    }
    gains = sorted(
        (-room[label] * deviation[label] / sqrt(k * (k + 1)), at, label)
        for at, label in enumerate(room)
        for k in range(max(taken[label], 1), room[label])
    )
    for _, _, label in gains[: wanted - sum(taken.values())]:
        taken[label] += 1
    return taken


@dataclass(frozen=True, slots=True)
class Position:
    """Where in a tote how many pieces come from.

    Attributes
    ----------
    depth : "top", "middle" or "bottom" third
    quadrant : 1 to 4, counted clockwise from the corner that the site marks
    pieces : to take there
    """

    depth: str
    quadrant: int
    pieces: int


@dataclass(frozen=True, slots=True)
class Pull:
    """One tote to pull from.

    Attributes
    ----------
    label : lane and shift, as they were labelled
    tote : its number in the order of filling there, from 1
    positions : top first
    """

    label: Hashable
    tote: int
    positions: tuple[Position, ...]


@dataclass(frozen=True, slots=True)
class Schedule:
    """What to pull, and the seed that draws it again.

    Attributes
    ----------
    seed : recorded with the schedule
    pulls : in the order of labels and of filling
    """

    seed: int
    pulls: tuple[Pull, ...]


def schedule(
    totes: Mapping[Hashable, int],
    filled: Mapping[Hashable, int],
    *,
    pieces: int,
    seed: int,
    quadrants: int = 1,
) -> Schedule:
    """Which totes to pull from, and where in them: drawn at random, and the same for one seed.

    Parameters
    ----------
    totes : mapping
        Label (lane and shift) to the totes to pull, as `allocate` gives them.
    filled : mapping
        Label to the totes that will be filled there.
    pieces : int
        From each tote, at least one for each position.
    seed : int
        0 or more, to be recorded with the schedule.
    quadrants : {1, 2, 3, 4}
        Drawn in each third of the depth; so there are three positions or more in each tote.

    Returns
    -------
    Schedule
        Every tote of a label is as likely as any other, and every position of a tote; the pieces
        are shared out evenly over the positions.

    Raises
    ------
    InvalidInput
        If a number is out of its range, more totes are wanted than filled, or labels differ.
    """
    start, n = one_whole(seed, "seed"), one_whole(pieces, "pieces", least=1)
    many = one_whole(quadrants, "quadrants", least=1)
    if many > len(QUADRANTS):
        raise InvalidInput(f"quadrants must be from 1 to {len(QUADRANTS)}, got {many}")
    if n < many * len(DEPTHS):
        raise InvalidInput(
            f"pieces must be {many * len(DEPTHS)} or more, one for each position, got {n}"
        )
    if set(totes) != set(filled):
        raise InvalidInput("totes and filled must have the same labels")
    bits = np.random.PCG64(start)  # its stream never changes, unlike those drawn from it
    pulls: list[Pull] = []
    for label, wanted in totes.items():
        some, room = one_whole(wanted, "totes"), one_whole(filled[label], "filled")
        if some > room:
            raise InvalidInput(f"totes must be at most the {room} filled, got {some} of {label!r}")
        pulls += [
            Pull(label, tote + 1, _positions(bits, n, many))
            for tote in sorted(_drawn(bits, room, some))
        ]
    return Schedule(start, tuple(pulls))


def _positions(bits: np.random.PCG64, pieces: int, quadrants: int) -> tuple[Position, ...]:
    places = [
        (depth, QUADRANTS[at])
        for depth in DEPTHS
        for at in sorted(_drawn(bits, len(QUADRANTS), quadrants))
    ]
    each, over = divmod(pieces, len(places))
    extra = set(_drawn(bits, len(places), over))
    return tuple(Position(*place, each + (at in extra)) for at, place in enumerate(places))


def _drawn(bits: np.random.PCG64, size: int, some: int) -> list[int]:
    """`some` of 0 to size - 1 without return: the places of the smallest of `size` random keys."""
    keys = np.asarray(bits.random_raw(size), dtype=np.uint64)
    drawn: list[int] = np.argsort(keys, kind="stable")[:some].tolist()
    return drawn
