"""Which lane drifts, since when, from what to what and which head carries it, in words."""

from qa.drift.answer import chart, findings, lanes
from qa.drift.result import DriftFinding, Excursion, LaneChart

__all__ = ["DriftFinding", "Excursion", "LaneChart", "chart", "findings", "lanes"]
