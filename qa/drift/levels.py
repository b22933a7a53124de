"""The chart of levels over a lane's totes, as people choose to see it, each baseline's own part.

Every chart is held against the same baselines as the sum that watches for a rise; which of them is
drawn never changes what signals there.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields
from functools import lru_cache
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from qa.charts import ControlChart, ewma, ewma_limit, laney_stretch, p_chart, standardised
from qa.drift.baseline import Watch

Whole = NDArray[np.int64]
_SIZES = 12  # that stand for all: 40 sizes took 10 times as long for 0.3 % of run length


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """Totes while one baseline holds: their counts and sizes, and where charts start afresh."""

    count: Whole
    inspected: Whole
    watch: Watch
    breaks: tuple[int, ...]


def levels(parts: Sequence[Part], kind: str) -> ControlChart:
    """One chart over all parts, limits at each tote's own size."""
    return _joined([_KINDS[kind](part) for part in parts])


def _limits(part: Part) -> ControlChart:
    """Fractions with the limits that fit the data: totes alike, or differing."""
    rho = part.watch.correlation
    return p_chart(
        part.count,
        part.inspected,
        center=part.watch.level,
        correlation=rho or None,
        limits="beta_binomial" if rho else "exact",
    )


def _ewma(part: Part) -> ControlChart:
    """The weighted mean, afresh at each break, for as many false alarms as the sum."""
    watch = part.watch
    width = _width(
        watch.inspected.tobytes(), watch.level, watch.correlation, round(watch.limit.arl)
    )
    ends = [0, *part.breaks, part.count.size]
    return _joined(
        [
            ewma(
                part.count[a:b],
                part.inspected[a:b],
                center=watch.level,
                width=width,
                correlation=watch.correlation,
            )
            for a, b in pairwise(ends)
        ]
    )


@lru_cache(maxsize=256)
def _width(inspected: bytes, level: float, rho: float, arl: int) -> float:
    every = np.frombuffer(inspected, dtype=np.int64)
    sizes = np.quantile(every, (np.arange(_SIZES) + 0.5) / _SIZES, method="nearest")
    return ewma_limit(sizes, center=level, correlation=rho, arl=arl).width


def _laney(part: Part) -> ControlChart:
    """Three-sigma limits stretched by the spread of the baseline's neighbours."""
    watch = part.watch
    stretch = 0.0
    if watch.count.size > 1:
        held = p_chart(watch.count, watch.inspected, center=watch.level, limits="three_sigma")
        stretch = laney_stretch(held)
    return p_chart(
        part.count,
        part.inspected,
        center=watch.level,
        limits="laney",
        stretch=stretch or 1.0,  # a baseline that shows no spread says nothing of it
    )


def _standardised(part: Part) -> ControlChart:
    return standardised(_laney(part))


_KINDS: Mapping[str, Callable[[Part], ControlChart]] = {
    "limits": _limits,
    "ewma": _ewma,
    "laney": _laney,
    "standardised": _standardised,
}
KINDS = tuple(_KINDS)  # of charts, that which fits the data first


def _joined(charts: Sequence[ControlChart]) -> ControlChart:
    joined: dict[str, Any] = {
        each.name: np.concatenate([getattr(chart, each.name) for chart in charts])
        for each in fields(ControlChart)
    }
    return ControlChart(**joined)
