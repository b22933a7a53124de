"""Ours against the usual: timed side by side in one run, equal answers checked in the same run."""

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

REPEATS = 5
ENOUGH = 0.2  # seconds of one side after which it is not repeated more


@dataclass(frozen=True)
class Row:
    """One comparison.

    `usual` is what a competent user of general-purpose libraries writes; `goal` the ratio of the
    usual time to ours that we want, `seconds` the most that ours may take; `equal` says whether
    the answers of both are the same.
    """

    name: str
    usual: Callable[[], Any]
    ours: Callable[[], Any]
    goal: float
    equal: Callable[[Any, Any], bool]
    seconds: float = float("inf")


def measure(row: Row) -> dict[str, Any]:
    """Best times of both sides, their ratio, and whether the answers agree."""
    usual_seconds, usual = best(row.usual)
    ours_seconds, ours = best(row.ours)
    return {
        "name": row.name,
        "usual_seconds": usual_seconds,
        "ours_seconds": ours_seconds,
        "ratio": usual_seconds / ours_seconds,
        "goal": row.goal,
        "reached": usual_seconds / ours_seconds >= row.goal and ours_seconds <= row.seconds,
        "answers_equal": bool(row.equal(usual, ours)),
    }


def best(work: Callable[[], Any]) -> tuple[float, Any]:
    """Best time of one call, and its answer; quick calls are repeated within one measurement."""
    start = time.perf_counter()
    answer = work()
    first = time.perf_counter() - start
    calls = max(1, int(0.02 / max(first, 1e-7)))
    times = []
    while len(times) < REPEATS and (len(times) < 2 or sum(times) * calls < ENOUGH * REPEATS):
        start = time.perf_counter()
        for _ in range(calls):
            work()
        times.append((time.perf_counter() - start) / calls)
    return min(times), answer
