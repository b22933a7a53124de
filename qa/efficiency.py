"""Percent correct by count, with an interval that knows totes differ, by any grouping.

Two figures that are never mixed: *as made*, of what lanes produced, from routine audits alone; *as
shipped*, of what left the plant after re-sort. Each row says which it is.
"""

from collections.abc import Callable, Iterator, Sequence

import pandas as pd

from qa._validate import chosen
from qa.errors import InvalidInput
from qa.intervals import Estimate, clustered
from qa.programme import HOUSE, Programme
from qa.tally import COLUMNS, routine, stratified, under
from qa.tally import as_shipped as shipped_audits
from qa.wording import load

FIGURES = (
    "figure",
    "totes",
    "inspected",
    "incorrect",
    "correct",
    "low",
    "high",
    "confidence",
    "method",
    "design_effect",
    "effective_n",
    "correlation",
    "assumed",
)


def estimate(
    tallies: pd.DataFrame,
    programme: Programme,
    *,
    by: Sequence[str] = ("lane",),
    specification: str = HOUSE,
    method: str = "korn_graubard",
    language: str = "en",
) -> pd.DataFrame:
    """Percent correct as made: what routine audits say of the lanes.

    Totes are the clusters; each lane in each shift is a stratum, weighted by the totes audited in
    it, and `assumed` says so.

    Parameters
    ----------
    tallies : tally
        Audits of every purpose; only routine ones are used.
    programme : Programme
        Gives the confidence, and the correlation where totes cannot show one.
    by : sequence of a tally's column names
        The groups; empty for one figure over everything.
    specification : str
        Which categories count against a piece.
    method : str
        As for `qa.intervals.clustered`.
    language : str
        Of the words in `figure`.

    Returns
    -------
    DataFrame
        Columns `by`, then `FIGURES`; a row for each group that has audits, in order. ``correct``,
        ``low`` and ``high`` are fractions. ``correlation`` is the one that the limits allow for:
        as estimated, or the programme's where `assumed` says so.

    Raises
    ------
    InvalidInput
        If a column is unknown, or the specification cannot be answered.
    """
    figure = load(language).say("efficiency.as_made")
    audits = under(routine(tallies), programme, specification)
    return _table(audits, programme, by, method).assign(figure=figure)[[*by, *FIGURES]]


def as_shipped(
    tallies: pd.DataFrame,
    programme: Programme,
    lots: pd.DataFrame,
    *,
    by: Sequence[str] = ("lane",),
    specification: str = HOUSE,
    method: str = "korn_graubard",
    language: str = "en",
) -> pd.DataFrame:
    """Percent correct as shipped: accepted lots, and re-sorted ones by their last re-audit.

    Parameters
    ----------
    lots : DataFrame
        The verdicts, as `qa.verdicts.lots` gives them for the same tallies. A lot that is held or
        locked is not shipped.
    tallies, programme, by, specification, method, language
        As for `estimate`.

    Returns
    -------
    DataFrame
        As `estimate` gives it.
    """
    words = load(language)
    free = lots[lots["floor"] != "locked"] if "floor" in lots else lots
    audits = under(shipped_audits(tallies, free), programme, specification)
    table = _table(audits, programme, by, method)
    assumed = (table["assumed"] + " " + words.say("efficiency.selected")).str.strip()
    figure = words.say("efficiency.as_shipped")
    return table.assign(figure=figure, assumed=assumed)[[*by, *FIGURES]]


def _table(
    audits: pd.DataFrame, programme: Programme, by: Sequence[str], method: str
) -> pd.DataFrame:
    if isinstance(by, str):
        raise InvalidInput(f'by must be a list of columns, got "{by}"')
    for column in by:
        chosen(dict.fromkeys((*COLUMNS, *_OF_DAY)), "by", column)
    audits = audits.assign(**{name: _OF_DAY[name](audits["day"]) for name in by if name in _OF_DAY})
    totes = stratified(audits, by, ["correct"])
    rows = [
        {**dict(zip(by, key, strict=True)), **_figures(_of(group, programme, method), programme)}
        for key, group in _groups(totes, by)
    ]
    return pd.DataFrame(rows, columns=[*by, *FIGURES])


def _week(day: pd.Series) -> pd.Series:
    """The ISO 8601 week of production days: 2026-W20."""
    of = day.dt.isocalendar()
    week: pd.Series = of["year"].astype("str") + "-W" + of["week"].astype("str").str.zfill(2)
    return week


def _month(day: pd.Series) -> pd.Series:
    month: pd.Series = day.dt.strftime("%Y-%m")
    return month


_OF_DAY: dict[str, Callable[[pd.Series], pd.Series]] = {"week": _week, "month": _month}


def _groups(
    totes: pd.DataFrame, by: Sequence[str]
) -> Iterator[tuple[tuple[object, ...], pd.DataFrame]]:
    if by:
        yield from totes.groupby(list(by), observed=True)
    elif len(totes):
        yield (), totes


def _of(totes: pd.DataFrame, programme: Programme, method: str) -> Estimate:
    return clustered(
        totes["correct"].to_numpy(),
        totes["inspected"].to_numpy(),
        stratum=totes["stratum"].to_numpy(dtype=object),
        confidence=programme.confidence,
        method=method,
        correlation=programme.correlation,
    )


def _figures(found: Estimate, programme: Programme) -> dict[str, object]:
    assumed = found.degrees_of_freedom == 0  # then the limits rest on the programme's correlation
    return {
        "totes": found.totes,
        "inspected": found.inspected,
        "incorrect": found.inspected - found.count,
        "correct": float(found.interval.estimate),
        "low": float(found.interval.low),
        "high": float(found.interval.high),
        "confidence": found.interval.confidence,
        "method": found.interval.method,
        "design_effect": found.design_effect,
        "effective_n": found.effective_n,
        "correlation": programme.correlation if assumed else found.correlation,
        "assumed": " ".join(found.assumed),
    }
