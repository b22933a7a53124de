"""One scale of fractions that many strips share, so that the eye can compare them."""

from collections.abc import Iterable
from dataclasses import dataclass
from math import ceil, floor

_STEPS = (0.001, 0.0025, 0.005, 0.01, 0.02, 0.05, 0.1, 0.25)
_MOST_TICKS = 6


@dataclass(frozen=True, slots=True)
class Scale:
    """Fractions from `low` to `high`, with ticks."""

    low: float
    high: float
    ticks: tuple[float, ...]

    def at(self, fraction: float) -> float:
        """Place from the left in per cent of the width, kept within it."""
        place = 100 * (fraction - self.low) / (self.high - self.low)
        return round(min(max(place, 0.0), 100.0), 2)

    def holds(self, fraction: float) -> bool:
        """Whether the fraction lies within."""
        return self.low <= fraction <= self.high


def high_scale(lows: Iterable[float], target: float) -> Scale:
    """From a round fraction below everything shown up to 1: for percent correct."""
    least = min((*lows, target - 0.01))
    step = next((each for each in _STEPS if (1 - least) / each <= _MOST_TICKS), _STEPS[-1])
    low = max(floor(least / step + 1e-9) * step, 0.0)
    return Scale(low, 1.0, _ticks(low, 1.0, step))


def low_scale(highs: Iterable[float]) -> Scale:
    """From 0 to a round fraction above everything shown: for the shares of categories."""
    most = max((*highs, 0.005))
    step = next((each for each in _STEPS if most / each <= _MOST_TICKS), _STEPS[-1])
    high = min(ceil(most / step - 1e-9) * step, 1.0)
    return Scale(0.0, high, _ticks(0.0, high, step))


def _ticks(low: float, high: float, step: float) -> tuple[float, ...]:
    return tuple(round(low + step * k, 6) for k in range(round((high - low) / step) + 1))
