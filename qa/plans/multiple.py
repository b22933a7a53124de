"""Plans of several samples: after each one accept, reject or go on; and what that risks."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from math import comb
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from qa._validate import checked_fraction, chosen
from qa.errors import InvalidInput
from qa.plans.single import _checked_p, _lot, _one_whole, lot_terms, over_lots, pieces_until

Array = NDArray[np.float64]


class Stage(NamedTuple):
    """One sample of `n` pieces; `ac` and `re` count what all samples so far showed.

    An `ac` of None permits no acceptance at this stage.
    """

    n: int
    ac: int | None
    re: int


class _Ways(NamedTuple):
    """Of all arrangements of d incorrect pieces over the samples so far: the share that comes here.

    `accepted` by d from 0, `going_on` by d from `first`.
    """

    pieces: int
    accepted: Array
    first: int
    going_on: Array


@dataclass(frozen=True, slots=True)
class MultiplePlan:
    """Pull one sample after another until the count of all so far accepts or rejects the lot.

    Parameters
    ----------
    stages : tuple of Stage(n, ac, re)
        Pieces of each sample, and the cumulative numbers after it; `ac` None where no acceptance
        is permitted yet. The last stage decides: there a count from `ac` to `re` (reduced
        inspection alone has such a gap) accepts.

    Raises
    ------
    InvalidInput
        If a number is not whole or out of its range, if the numbers of a stage leave no room to
        go on, or if they fall from one stage to the next.

    References
    ----------
    MIL-STD-105E (1989), 4.9.1 to 4.9.3 (single, double, multiple).

    Examples
    --------
    >>> plan = MultiplePlan((Stage(32, None, 4), Stage(32, 1, 5), Stage(32, 4, 5)))
    >>> plan.decide(0), plan.decide(0, 1)
    ('next sample', 'accept')
    """

    stages: tuple[Stage, ...]

    def __post_init__(self) -> None:
        stages = tuple(_checked_stage(*stage, at=at) for at, stage in enumerate(self.stages, 1))
        if not stages:
            raise InvalidInput("stages must hold one sample or more, got none")
        for at, (stage, after) in enumerate(pairwise(stages), 1):
            if stage.re - _least(stage) < 2:
                raise InvalidInput(
                    f"re of stage {at} must leave room above ac {stage.ac} for a next sample, "
                    f"got {stage.re}"
                )
            if after.re < stage.re or _least(after) < _least(stage):
                raise InvalidInput(
                    f"ac and re must not fall from stage to stage, got {after.ac}, {after.re} "
                    f"after {stage.ac}, {stage.re} at stage {at + 1}"
                )
        if stages[-1].ac is None:
            raise InvalidInput("ac of the last stage must be a number, got None")
        object.__setattr__(self, "stages", stages)

    @property
    def first(self) -> int:
        """Pieces of the first sample."""
        return self.stages[0].n

    @property
    def last_ac(self) -> int:
        """Most incorrect pieces, of all that may be pulled, that accept a lot."""
        return self.stages[-1].ac or 0

    @property
    def n(self) -> int:
        """Pieces of all samples together: the most that the plan may ask for."""
        return sum(stage.n for stage in self.stages)

    def accept(
        self, p: ArrayLike, *, model: str = "binomial", lot_size: int | None = None
    ) -> Array:
        """Chance that a lot of quality `p` is accepted; arguments and errors as of `SinglePlan`.

        Given how many incorrect pieces the samples hold together, every arrangement of them over
        the samples is as likely. So the share of arrangements that leads to acceptance is counted
        once, in whole numbers, and weights the chance of that many. Array of p's shape.
        """
        chances = chosen(CHANCES, "model", model)
        fraction = _checked_p(p, model)
        total = np.zeros_like(fraction)
        for way in _ways(self, model == "poisson"):
            term = chances(fraction, way.pieces, way.accepted.size, lot_size)
            total += _weighted(way.accepted, term)
        return np.minimum(total, 1.0)

    def asn(self, p: ArrayLike, *, curtailed: bool = False) -> Array:
        """Pieces looked at in each lot on average (array of p's shape), lots of a process at `p`.

        With `curtailed`, counting stops as soon as the lot is rejected, but for the first sample,
        which is always counted to its end (it tells of the process).
        """
        fraction = checked_fraction(p, "p")
        total = np.full_like(fraction, self.stages[0].n)
        for way, after in zip(_ways(self, False), self.stages[1:], strict=False):
            reached = _going_on(way, fraction)
            if curtailed:
                looked = [
                    pieces_until(after.n, after.re - way.first - d, fraction)
                    for d in range(way.going_on.size)
                ]
                total += sum(at * pieces for at, pieces in zip(reached, looked, strict=True))
            else:
                total += after.n * reached.sum(axis=0)
        return total

    def aoq(self, p: ArrayLike, lot_size: int) -> Array:
        """Fraction incorrect that goes out on average when rejected lots are sorted to the end.

        As `SinglePlan.aoq`: each stage's acceptance leaves ``(N - pieces pulled) / N`` unseen.
        """
        size, fraction = _lot(lot_size, self.n), checked_fraction(p, "p")
        unseen = sum(
            chance * ((size - pieces) / size) for pieces, chance in self._accepted(fraction)
        )
        return np.asarray(fraction * unseen, dtype=np.float64)

    def ati(self, p: ArrayLike, lot_size: int) -> Array:
        """Pieces looked at in each lot on average when rejected lots are sorted to the end.

        As `SinglePlan.ati`: the pieces pulled where a stage accepts, the lot where one rejects.
        """
        size, fraction = _lot(lot_size, self.n), checked_fraction(p, "p")
        pulled = sum(chance * pieces for pieces, chance in self._accepted(fraction))
        return np.asarray(pulled + size * self._rejected(fraction), dtype=np.float64)

    def decide(self, *counts: int) -> str:
        """What samples with `counts` incorrect say: "accept", "reject" or "next sample".

        Raises
        ------
        InvalidInput
            If a count is missing, not whole, below 0, or of a sample that was not to be pulled.
        """
        if not counts:
            raise InvalidInput("counts must hold the count of the first sample, got none")
        total, said = 0, "next sample"
        for at, count in enumerate(counts):
            if said != "next sample":
                raise InvalidInput(f"counts must end with sample {at}, which says {said}")
            total += _one_whole(count, f"count {at + 1}", 0)
            said = self._after(at, total)
        return said

    def _after(self, at: int, total: int) -> str:
        stage, last = self.stages[at], at == len(self.stages) - 1
        if total >= stage.re:
            return "reject"
        return "accept" if last or total <= _least(stage) else "next sample"

    def _accepted(self, p: Array) -> list[tuple[int, Array]]:
        """Pieces pulled up to each stage, and the chance that it accepts (binomial)."""
        return [
            (
                way.pieces,
                _weighted(way.accepted, _binomial(p, way.pieces, way.accepted.size, None)),
            )
            for way in _ways(self, False)
        ]

    def _rejected(self, p: Array) -> Array:
        """Chance of rejection, summed by itself: not one minus acceptance."""
        total = _at_least(self.stages[0].re, self.stages[0].n, p)
        for way, after in zip(_ways(self, False), self.stages[1:], strict=False):
            for d, reached in enumerate(_going_on(way, p), way.first):
                total = total + reached * _at_least(after.re - d, after.n, p)
        return total


@lru_cache(maxsize=512)
def _ways(plan: MultiplePlan, labelled: bool) -> tuple[_Ways, ...]:
    """Shares of arrangements, stage by stage, from counts in whole numbers.

    Pieces are each incorrect or not: ``C(n, d)`` arrangements of d in n. Defects (`labelled`) fall
    on any piece, again and again: ``n^d`` for d of them.
    """
    result, pieces, before = [], 0, {0: 1}
    for at, (n, _, re) in enumerate(plan.stages):
        pieces += n
        here = {d: _arrangements(before, d, n, labelled) for d in range(min(before), re)}
        accepted = [d for d in here if plan._after(at, d) == "accept"]
        before = {d: here[d] for d in here if d not in accepted}
        share = {d: _share(ways, pieces, d, labelled) for d, ways in here.items()}
        result.append(
            _Ways(
                pieces,
                np.array([share.get(d, 0.0) for d in range(max(accepted, default=-1) + 1)]),
                min(before, default=0),
                np.array([share[d] for d in before]),
            )
        )
    return tuple(result)


def _arrangements(before: dict[int, int], d: int, n: int, labelled: bool) -> int:
    if labelled:
        return sum(w * comb(d, c) * n ** (d - c) for c, w in before.items() if c <= d)
    return sum(w * comb(n, d - c) for c, w in before.items() if c <= d)


def _share(ways: int, pieces: int, d: int, labelled: bool) -> float:
    every = pieces**d if labelled else comb(pieces, d)
    return ways / every if every else 0.0


def _going_on(way: _Ways, p: Array) -> Array:
    """Chance to go on with each count from ``way.first`` (binomial): shape (counts, *p.shape)."""
    most = way.first + way.going_on.size
    chance = _binomial(p, way.pieces, most, None)[way.first :]
    return np.asarray(chance * way.going_on.reshape(-1, *[1] * p.ndim), dtype=np.float64)


def _weighted(weight: Array, chance: Array) -> Array:
    return np.asarray(np.tensordot(weight, chance, axes=1), dtype=np.float64)


def _at_least(r: int, n: int, p: Array) -> Array:
    """Binomial P(X >= r), r at least 1."""
    return np.where(r > n, 0.0, special.betainc(r, max(n - r + 1, 1), p))


def _binomial(p: Array, n: int | Array, counts: int, lot_size: int | None) -> Array:  # noqa: ARG001 - one signature for all models
    """P(X = k) for k from 0 to counts - 1: shape (counts, *p.shape)."""
    k = np.arange(counts).reshape(-1, *[1] * p.ndim)
    factor = np.maximum(n - k + 1, 0) / np.maximum(k, 1)
    with np.errstate(divide="ignore"):
        log_ways = np.cumsum(np.log(np.where(k == 0, 1.0, factor)), axis=0)
    return np.asarray(
        np.exp(log_ways + special.xlogy(k, p) + special.xlog1py(np.maximum(n - k, 0), -p))
    )


def _poisson(p: Array, n: int | Array, counts: int, lot_size: int | None) -> Array:  # noqa: ARG001 - one signature for all models
    k = np.arange(counts).reshape(-1, *[1] * p.ndim)
    return np.asarray(np.exp(special.xlogy(k, n * p) - n * p - special.gammaln(k + 1)))


def _hypergeometric(p: Array, n: int, counts: int, lot_size: int | None) -> Array:
    def terms(size: int, incorrect: int) -> Array:
        least, term = lot_terms(size, incorrect, n)
        result = np.zeros(counts)
        inside = term[: max(counts - least, 0)]
        result[least : least + inside.size] = inside
        return result

    return over_lots(p, n, lot_size, terms)


# model -> P(X = k) for k below `counts`: shape (counts, *p.shape)
CHANCES: dict[str, Callable[[Array, Any, int, int | None], Array]] = {
    "binomial": _binomial,
    "poisson": _poisson,
    "hypergeometric": _hypergeometric,
}


def _least(stage: Stage) -> int:
    return -1 if stage.ac is None else stage.ac


def _checked_stage(n: int, ac: int | None, re: int, *, at: int) -> Stage:
    numbers = (
        _one_whole(n, f"n of stage {at}", 1),
        None if ac is None else _one_whole(ac, f"ac of stage {at}", 0),
        _one_whole(re, f"re of stage {at}", 1),
    )
    stage = Stage(*numbers)
    if stage.re <= _least(stage):
        raise InvalidInput(f"re of stage {at} must be above ac, got {stage.re} for ac {stage.ac}")
    return stage
