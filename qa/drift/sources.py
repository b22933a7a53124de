"""Where a difference comes from besides lane and head: inspector, shift, weekday or line.

Every value is held against all others on the same lanes in the same weeks, every category by
itself. What says something of an inspector is for the lead alone: it is never shown on the Floor.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from qa._validate import checked_level, chosen
from qa.compare import Comparison, Standardised, adjusted, standardised
from qa.intervals import Interval
from qa.programme import Programme
from qa.tally import by_tote, checked, routine
from qa.wording import Wording, load

DOUBT = 0.05  # chance, over all comparisons of one asking, of a flag when nothing differs


@dataclass(frozen=True, slots=True, eq=False)
class Source:
    """One value (an inspector, a shift, a weekday, a line) and category, against the others.

    Attributes
    ----------
    by, value, category : str
        The value as recorded; a weekday by its English name, with its shift "Monday afternoon".
    rate, others : Interval
        Share of pieces of the category, at one mix of lanes and weeks.
    ratio : Comparison
        The one over the other, with its p-value, not adjusted.
    adjusted_p : float
        The p-value that allows for all comparisons made (Holm).
    beyond_chance : bool
        Whether that is at most the doubt allowed.
    totes, other_totes, left_out : int
        What it rests on; totes of lanes and weeks that only one side has are left out.
    sentence : str
    """

    by: str
    value: str
    category: str
    rate: Interval
    others: Interval
    ratio: Comparison
    adjusted_p: float
    beyond_chance: bool
    totes: int
    other_totes: int
    left_out: int
    sentence: str


def sources(
    tallies: pd.DataFrame,
    programme: Programme,
    *,
    by: str,
    doubt: float = DOUBT,
    language: str = "en",
) -> tuple[Source, ...]:
    """Every value and category against all others on the same lanes in the same weeks.

    Routine audits alone are used, each tote a cluster; see `qa.compare.standardised` for the
    fractions and their ratio. What is held together is also of one product. Lines have no lane in
    common and are held against each other by week and product alone. The chance of any flag when
    nothing differs is `doubt` at most, over all values and categories of one asking; asking by
    five things is five families.

    A lasting difference shows wherever it is looked for: one shift of one weekday shows, thinner,
    in that weekday and in that shift. One that is far off and bears much of the work moves what
    the others are held against, so begin with the first. What `by` says of inspectors is for the
    lead alone, and never on the Floor: fewer pieces found may be fewer pieces there. Shift
    and weekday are not held alike for inspectors: where crews take turns, whoever has the bad
    shift finds more.

    Parameters
    ----------
    tallies : tally
        Audits of every purpose.
    programme : Programme
    by : {"inspector", "shift", "weekday", "shift and weekday", "line"}
        A weekday is that of the production day.
    doubt : float, between 0 and 1
    language : str

    Returns
    -------
    tuple of Source
        Those beyond chance first, the surest leading; empty when there are no two values to
        compare.

    Raises
    ------
    InvalidInput
        If `by` is none of these, or the tally lacks a column.

    References
    ----------
    Holm (1979), Scandinavian Journal of Statistics 6, 65-70.
    """
    columns = chosen(_COLUMNS, "by", by)
    allowed = checked_level(doubt, "doubt")
    codes = programme.category_codes
    audits = _placed(routine(checked(tallies, codes)))
    totes = by_tote(audits, [*columns, *_same(by)], codes)
    compared = _compared(totes, columns, _same(by), programme)
    if not compared:
        return ()
    p_values = [float(found.ratio.p_value) for *_, found in compared]
    words = load(language)
    answers = [
        _source(by, key, category, found, float(p), allowed, programme, words)
        for (key, category, found), p in zip(compared, adjusted(p_values), strict=True)
    ]
    order = np.argsort(p_values, kind="stable")
    return tuple(sorted((answers[at] for at in order), key=lambda each: not each.beyond_chance))


_COLUMNS = {
    "inspector": ("inspector",),
    "shift": ("shift",),
    "weekday": ("weekday",),
    "shift and weekday": ("weekday", "shift"),
    "line": ("line",),
}


def _same(by: str) -> list[str]:
    """What both sides have alike: no lane is of two lines."""
    return ["week", "product"] if by == "line" else ["lane", "week", "product"]


def _placed(audits: pd.DataFrame) -> pd.DataFrame:
    """The audits with the weekday and the ISO 8601 week of their production days."""
    week = audits["day"].dt.isocalendar()
    named = week["year"].astype("str") + "-" + week["week"].astype("str")
    return audits.assign(weekday=audits["day"].dt.day_name().astype("str"), week=named)


def _compared(
    totes: pd.DataFrame, columns: tuple[str, ...], same: list[str], programme: Programme
) -> list[tuple[tuple[str, ...], str, Standardised]]:
    """Every value and category that the others can be held against, in order."""
    stratum = totes.groupby(same, observed=True).ngroup().to_numpy()
    inspected = totes["inspected"].to_numpy()
    groups = totes.groupby(list(columns), observed=True).ngroup().to_numpy()
    keys = totes[list(columns)].drop_duplicates().itertuples(index=False, name=None)
    made = []
    for at, key in enumerate(sorted(keys)):
        for category in programme.category_codes:
            found = standardised(
                totes[category].to_numpy(),
                inspected,
                groups == at,
                stratum=stratum,
                confidence=programme.confidence,
                correlation=programme.correlation,
            )
            if found is not None:
                made.append((key, category, found))
    return made


def _source(
    by: str,
    key: tuple[str, ...],
    category: str,
    found: Standardised,
    adjusted_p: float,
    doubt: float,
    programme: Programme,
    words: Wording,
) -> Source:
    rate, others = found.first.interval, found.other.interval
    beyond = adjusted_p <= doubt
    more = "more" if float(rate.estimate) > float(others.estimate) else "less"
    said = words.say(
        f"sources.{by.replace(' ', '_')}.{more if beyond else 'alike'}",
        value=_named(by, key, programme, words),
        category=next(each.name for each in programme.categories if each.code == category),
        rate=_figure(rate, words),
        others=_figure(others, words),
    )
    return Source(
        by=by,
        value=" ".join(key),
        category=category,
        rate=rate,
        others=others,
        ratio=found.ratio,
        adjusted_p=adjusted_p,
        beyond_chance=beyond,
        totes=found.first.totes,
        other_totes=found.other.totes,
        left_out=found.left_out,
        sentence=said,
    )


def _named(by: str, key: tuple[str, ...], programme: Programme, words: Wording) -> str:
    """A value as people call it."""
    shifts = {each.code: each.name for each in programme.shifts}
    if by == "shift":
        return shifts.get(key[0], key[0])
    if "weekday" not in by:
        return key[0]
    day = words.say(f"sources.day.{key[0].lower()}")
    if by == "weekday":
        return day
    return words.say("sources.day_and_shift", day=day, shift=shifts.get(key[1], key[1]))


def _figure(level: Interval, words: Wording) -> str:
    return words.interval(float(level.estimate), float(level.low), float(level.high))
