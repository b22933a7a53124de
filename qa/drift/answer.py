"""What people ask of drift: a finding for each lane and category, one line a lane, the chart.

A status is steady, watch, drifting or no audits. A rise is drifting from the tote at which the
chart signals until the level is shown to be back, or a person chooses another baseline; then it is
kept in `past`. Findings speak of lanes, categories and heads, never of inspectors.
"""

from collections.abc import Sequence
from datetime import datetime

import pandas as pd

from qa._validate import chosen
from qa.drift.floor import Floor
from qa.drift.known import Known
from qa.drift.levels import KINDS
from qa.drift.result import STATUSES, DriftFinding, LaneChart
from qa.drift.totes import Totes, totes
from qa.drift.watching import Memory
from qa.programme import Programme
from qa.wording import load


def findings(
    tallies: pd.DataFrame | Totes,
    programme: Programme,
    *,
    now: datetime,
    known: Known | None = None,
    memory: Memory | None = None,
    language: str = "en",
) -> tuple[DriftFinding, ...]:
    """What is known of every lane and category at a moment.

    Parameters
    ----------
    tallies : tally or Totes
        Audits of every purpose: routine ones speak of lanes, head checks of heads. Or the totes
        made of them.
    programme : Programme
    now : datetime
        With its zone; audits pulled later are left out, events that happened later, and baselines
        and answers recorded later. An audit that is entered late counts from when it was pulled,
        except in a baseline that was fixed before: see `qa.drift.standing`.
    known : Known, optional
        Events, chosen baselines and acknowledged signals; by default the programme's baselines
        alone.
    memory : Memory, optional
        What an earlier asking saw, to go on from: the answer is the same without it.
    language : str

    Returns
    -------
    tuple of DriftFinding
        In the order of the programme's lanes and categories, of the product each lane ran last.
    """
    floor = _floor(tallies, programme, now, known, memory, language)
    return tuple(
        floor.finding(lane.code, category)
        for lane in programme.lanes
        for category in programme.category_codes
    )


def lanes(found: Sequence[DriftFinding], *, language: str = "en") -> pd.DataFrame:
    """One row a lane, the neediest first: its status and one sentence.

    Returns
    -------
    DataFrame
        Columns lane, status, sentence.
    """
    words = load(language)
    rows = []
    for lane in dict.fromkeys(each.lane for each in found):
        of_lane = sorted((each for each in found if each.lane == lane), key=_need)
        worst = of_lane[0]
        saying = [each.sentence for each in of_lane if each.status == worst.status]
        said = [*dict.fromkeys(saying)] if worst.status in ("drifting", "watch") else saying[:1]
        if worst.status == "steady":
            said = [words.say("drift.lane_steady")]
        begun = " ".join(f"{each[:1].upper()}{each[1:]}" for each in said)
        rows.append((_need(worst), lane, worst.status, begun))
    rows.sort(key=lambda row: row[0])
    return pd.DataFrame([row[1:] for row in rows], columns=["lane", "status", "sentence"])


def chart(
    tallies: pd.DataFrame | Totes,
    programme: Programme,
    lane: str,
    category: str,
    *,
    kind: str = "limits",
    now: datetime | None = None,
    known: Known | None = None,
    memory: Memory | None = None,
    language: str = "en",
) -> LaneChart | None:
    """What a lane's page draws of one category; None while nothing can be drawn.

    The tallies are those of the whole floor, which shares one correlation and one budget. `kind`
    is the chart of levels above the sum: "limits" (those that fit the data), "ewma", "laney" or
    "standardised" (Laney's, in standard deviations from the baseline).
    """
    chosen(dict.fromkeys(each.code for each in programme.lanes), "lane", lane)
    chosen(dict.fromkeys(programme.category_codes), "category", category)
    chosen(dict.fromkeys(KINDS), "kind", kind)
    floor = _floor(tallies, programme, now, known, memory, language)
    return floor.chart(lane, category, kind)


def charts(
    tallies: pd.DataFrame | Totes,
    programme: Programme,
    lane: str,
    *,
    now: datetime | None = None,
    known: Known | None = None,
    memory: Memory | None = None,
    language: str = "en",
) -> dict[str, LaneChart]:
    """The charts of all categories of a lane that can be drawn, for less than each by itself."""
    chosen(dict.fromkeys(each.code for each in programme.lanes), "lane", lane)
    floor = _floor(tallies, programme, now, known, memory, language)
    made = ((category, floor.chart(lane, category)) for category in programme.category_codes)
    return {category: each for category, each in made if each is not None}


def _floor(
    tallies: pd.DataFrame | Totes,
    programme: Programme,
    now: datetime | None,
    known: Known | None,
    memory: Memory | None,
    language: str,
) -> Floor:
    found = tallies if isinstance(tallies, Totes) else totes(tallies, programme)
    return Floor(found, programme, now, load(language), known or Known(), memory)


def _need(found: DriftFinding) -> tuple[int, bool, float]:
    """Sorts the neediest first: by status, open before acknowledged, then by how much was added.

    A lane that is known not to run, and does not drift, needs nobody.
    """
    added = 0.0
    if found.before is not None and found.after is not None:
        added = float(found.after.estimate - found.before.estimate)
    still = found.down_since is not None and found.status == "no audits"
    place = len(STATUSES) if still else STATUSES.index(found.status)
    return place, found.acknowledged is not None, -added
