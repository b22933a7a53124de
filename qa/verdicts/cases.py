"""One lot while it is judged: its audits, its open samples, and what was decided last."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any, NamedTuple

import pandas as pd

from qa.plans import Switching
from qa.programme import Programme
from qa.verdicts.numbers import Asked
from qa.verdicts.telling import Stream

Record = Mapping[str, Any]
Lot = tuple[str, str, int]  # site, code, and which of those with this code
USED_AGAIN = timedelta(days=7)  # after so long without an audit, a lot's code is another lot's


class Decision(NamedTuple):
    """What one sample says: the verdict, the figures in words, and pieces still to pull."""

    verdict: str
    why: str
    more: int = 0
    inspection: str = "normal"


class Seen(NamedTuple):
    """What is kept of an audit once it was judged."""

    tote: str
    lane: str
    day: Any
    shift: str
    purpose: str
    inspected: int
    pulled_at: Any
    filled_at: Any  # when filling began, or else the pieces were pulled
    stood: Decision  # how its lot stood after it


class Asking(NamedTuple):
    """What every class's plan asks of a sample; `key` names it, for many samples are alike."""

    key: object
    asked: dict[str, Asked]
    classes: dict[str, dict[str, str]]


@dataclass(slots=True)
class Sample:
    """Pieces pulled so far towards one decision, and the plans that they were pulled for.

    The programme is that of its first pieces: a later version never rewrites what was asked.
    """

    version: int
    programme: Programme
    asking: Asking
    inspected: int = 0
    counts: dict[str, int] = field(default_factory=dict)
    scheduled: bool = True

    def add(self, audit: Record) -> None:
        """One more audit of it."""
        self.inspected += int(audit["inspected"])
        self.scheduled = self.scheduled and audit["purpose"] == "routine"
        for code in self.programme.category_codes:
            self.counts[code] = self.counts.get(code, 0) + int(audit.get(code, 0))

    @property
    def found(self) -> tuple[int, ...]:
        """Pieces of each class's categories together."""
        counts = self.counts
        return tuple(
            sum([counts.get(code, 0) for code in codes]) for codes in self.asking.classes.values()
        )


@dataclass(slots=True)
class Case:
    """One lot as it stands: its audits, its open samples, and what was decided last.

    `order` rises in the order in which lots began.
    """

    order: int
    audits: list[Seen] = field(default_factory=list)
    samples: dict[object, Sample] = field(default_factory=dict)
    standing: Decision = field(default_factory=lambda: Decision("pull more", ""))
    failed: bool = False
    failed_at: Any = None
    first_decided: bool = False
    original: Decision | None = None
    switched: str = ""

    def ended(self, audit: Record) -> bool:
        """Whether an audit of the same code must be of another lot: long after, or elsewhere."""
        last = self.audits[-1]
        return bool(last.lane != audit["lane"] or audit["pulled_at"] - last.pulled_at > USED_AGAIN)


class Standing(NamedTuple):
    """What a replay rests on besides the lots: inspection, when it stopped, what is to end that."""

    states: dict[Stream, Switching]
    stopped_at: dict[Stream, Any]
    resumed: dict[tuple[str, str], list[Any]]


def seen(audit: Record, stood: Decision) -> Seen:
    """What is kept of an audit, with how its lot stood after it."""
    pulled, filled = audit["pulled_at"], audit["fill_start"]
    at = pulled if filled is pd.NaT or filled != filled else filled
    return Seen(
        tote=audit["tote"],
        lane=audit["lane"],
        day=audit["day"],
        shift=audit["shift"],
        purpose=audit["purpose"],
        inspected=int(audit["inspected"]),
        pulled_at=pulled,
        filled_at=at,
        stood=stood,
    )
