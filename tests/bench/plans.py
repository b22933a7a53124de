"""Curves and designs, beside what one writes with a general-purpose library's distributions."""

from typing import Any

import numpy as np
from scipy import stats

from qa.plans import SinglePlan, oc, two_point, two_points
from tests.bench.timing import Row


def rows() -> list[Row]:
    """The rows of this family."""
    rng = np.random.default_rng(2)
    sizes = rng.choice([13, 20, 32, 50, 80, 125, 200, 315, 500], 10_000)
    numbers = np.minimum(rng.integers(0, 22, sizes.size), sizes)
    plans = [SinglePlan(int(n), int(ac)) for n, ac in zip(sizes, numbers, strict=True)]
    p = np.linspace(0.0005, 0.1, 200)

    p1 = rng.uniform(0.001, 0.02, 10_000)
    p2 = p1 * np.exp(rng.uniform(np.log(1.5), np.log(12), p1.size))

    def usual() -> Any:
        return stats.binom.cdf(numbers[:, np.newaxis], sizes[:, np.newaxis], p)

    return [
        Row(
            name="OC, 1e4 plans x 200 p",
            usual=usual,
            ours=lambda: oc(plans, p),
            goal=2.0,
            equal=lambda usual, ours: np.allclose(usual, ours, rtol=1e-9, atol=1e-12),
        ),
        Row(
            name="two points, 1e4 designs",
            usual=lambda: by_bisection(p1, p2),
            ours=lambda: two_points(p1, p2),
            goal=15.0,
            equal=lambda usual, ours: bool((usual == ours).all()),
        ),
        Row(
            name="two points, a lot of 20,000",
            usual=lambda: in_lot_by_loop(0.005, 0.015, 20_000),
            ours=lambda: in_lot(0.005, 0.015, 20_000),
            goal=100.0,
            equal=lambda usual, ours: usual == ours,
        ),
        Row(
            name="best double plan, one design (under 40 ms)",
            usual=lambda: double_by_matrices(0.01, 0.05),
            ours=lambda: best(0.01, 0.05),
            goal=0.8,  # 32 ms against 40
            equal=lambda usual, ours: usual == ours,
        ),
    ]


def by_bisection(p1: Any, p2: Any) -> Any:
    """For c = 0, 1, ... the least n by doubling and bisection, all designs left side by side."""
    n, c_of = np.zeros((2, p1.size), dtype=int)
    left, c = np.arange(p1.size), 0
    while left.size:
        low, high, bad = np.full(left.size, c), np.full(left.size, c + 1), p2[left]
        while (more := stats.binom.cdf(c, high, bad) > 0.10).any():
            low, high = np.where(more, high, low), np.where(more, 2 * high, high)
        while (high - low > 1).any():
            middle = (low + high) // 2
            enough = stats.binom.cdf(c, middle, bad) <= 0.10
            low, high = np.where(enough, low, middle), np.where(enough, middle, high)
        keeps = stats.binom.sf(c, high, p1[left]) <= 0.05
        n[left[keeps]], c_of[left[keeps]] = high[keeps], c
        left, c = left[~keeps], c + 1
    return np.array([n, c_of])


def in_lot(p1: float, p2: float, size: int) -> tuple[int, int]:
    plan = two_point(p1, p2, model="hypergeometric", lot_size=size)
    return plan.n, plan.ac


def in_lot_by_loop(p1: float, p2: float, size: int) -> tuple[int, int]:
    """A piece more at a time, with the least c for the producer: one call a question."""
    good, bad, c, n = round(p1 * size), round(p2 * size), 0, 1
    while True:
        while stats.hypergeom.sf(c, size, good, n) > 0.05:
            c += 1
        if stats.hypergeom.cdf(c, size, bad, n) <= 0.10:
            return n, c
        n += 1


def best(p1: float, p2: float) -> tuple[int, int, int, int]:
    plan = two_point(p1, p2, kind="double")
    return plan.n1, plan.ac1, plan.n2, plan.ac2


def double_by_matrices(p1: float, p2: float) -> tuple[int, int, int, int]:
    """For each (c1, c2) the chances of all (n1, n2) as one product of matrices."""
    most, longest = 140, 420  # beyond the single plan's 132, and ample for the second sample
    n1, n2, k = np.arange(1, most), np.arange(1, longest), np.arange(8)
    at_good, at_bad = (stats.binom.pmf(k, n1[:, None], p) for p in (p1, p2))
    later_good, later_bad = (stats.binom.cdf(k, n2[:, None], p) for p in (p1, p2))
    found: tuple[Any, ...] = (np.inf,)
    for c1 in range(7):
        for c2 in range(c1 + 1, 8):
            js = np.arange(c1 + 1, c2 + 1)
            accept_bad = (
                at_bad[:, : c1 + 1].sum(axis=1)[:, None] + at_bad[:, js] @ later_bad[:, c2 - js].T
            )
            accept_good = (
                at_good[:, : c1 + 1].sum(axis=1)[:, None]
                + at_good[:, js] @ later_good[:, c2 - js].T
            )
            asn = n1[:, None] + n2 * at_good[:, js].sum(axis=1)[:, None]
            asn[(accept_bad > 0.10) | (accept_good < 0.95)] = np.inf
            at = np.unravel_index(np.argmin(asn), asn.shape)
            if asn[at] < found[0]:
                found = (asn[at], int(n1[at[0]]), c1, int(n2[at[1]]), c2)
    return found[1:]
