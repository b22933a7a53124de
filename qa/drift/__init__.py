"""Which lane drifts, since when, from what to what and which head carries it, in words.

And where else a difference comes from: an inspector, a shift, a weekday, a line.
"""

from qa.drift.afar import briefly
from qa.drift.answer import chart, charts, findings, lanes
from qa.drift.known import Known
from qa.drift.levels import KINDS
from qa.drift.result import (
    STATUSES,
    Acknowledged,
    Break,
    DriftFinding,
    Excursion,
    LaneChart,
)
from qa.drift.sources import DOUBT, Source, sources
from qa.drift.totes import Totes, followed, totes
from qa.drift.watching import Memory

__all__ = [
    "DOUBT",
    "KINDS",
    "STATUSES",
    "Acknowledged",
    "Break",
    "DriftFinding",
    "Excursion",
    "Known",
    "LaneChart",
    "Memory",
    "Source",
    "Totes",
    "briefly",
    "chart",
    "charts",
    "findings",
    "followed",
    "lanes",
    "sources",
    "totes",
]
