"""Percent correct by count, with an interval that knows totes differ, by any grouping.

Two figures that are never mixed: *as made*, of what lanes produced, from routine audits alone; *as
shipped*, of what left the plant after re-sort. Each row says which it is.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence

import pandas as pd

from qa._validate import checked_columns, chosen
from qa.errors import InvalidInput
from qa.intervals import Estimate, accepted, clustered, clustered_from_sums
from qa.programme import HOUSE, Programme
from qa.tally import COLUMNS, SUMS, accepted_counts, routine, shipped_totes, stratified, under
from qa.wording import load

Weight = Mapping[tuple[str, str], float]
Of = Callable[[pd.DataFrame], Estimate]

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
    weight: Weight | None = None,
    method: str = "korn_graubard",
    language: str = "en",
) -> pd.DataFrame:
    """Percent correct as made: what routine audits say of the lanes.

    Totes are the clusters; each lane in each shift is a stratum, weighted by the totes audited in
    it unless weights are given, and `assumed` says so.

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
    weight : mapping of (lane, shift) to pieces made there, optional
        In any unit, such as the line's own count of pieces or of totes filled.
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
    found = _table(_totes(audits, by), programme, by, _of_totes(programme, method, by, weight))
    return found.assign(figure=figure)[[*by, *FIGURES]]


def from_sums(
    sums: pd.DataFrame,
    programme: Programme,
    *,
    by: Sequence[str] = ("lane",),
    weight: Weight | None = None,
    language: str = "en",
) -> pd.DataFrame:
    """Percent correct as made from six sums alone: what `estimate` says of the totes behind them.

    The same to twelve digits, by Korn and Graubard, except the correlation where totes of a
    stratum have unequal sizes (see `qa.intervals.clustered_from_sums`).

    Parameters
    ----------
    sums : DataFrame
        The six sums of incorrect pieces of routine audits, as `qa.store.records.sums` or
        `qa.tally.six_sums` give them: by columns that include lane, shift and `by`. Rows of one
        stratum add up, and may come from several plants or machines.
    programme, by, weight, language
        As for `estimate`.

    Returns
    -------
    DataFrame
        As `estimate` gives it.

    Raises
    ------
    InvalidInput
        If a column is missing, or the sums of a row cannot come from the same totes.
    """
    if isinstance(by, str):
        raise InvalidInput(f'by must be a list of columns, got "{by}"')
    wanted = ["day" if name in _OF_DAY else name for name in by]
    rows = checked_columns(sums, (*wanted, "lane", "shift", *SUMS), "the six sums")
    rows = rows.assign(**{name: _OF_DAY[name](rows["day"]) for name in by if name in _OF_DAY})
    n, x = rows["n"], rows["x"]
    correct = {"x": n - x, "x2": rows["n2"] - 2 * rows["nx"] + rows["x2"]}
    rows = rows.assign(**correct, nx=rows["n2"] - rows["nx"])
    rows = rows.assign(stratum=rows["lane"].str.cat(rows["shift"], sep=" "))

    def of(group: pd.DataFrame) -> Estimate:
        return clustered_from_sums(
            {name: group[name].to_numpy() for name in SUMS},
            stratum=group["stratum"].to_numpy(dtype=object),
            weight=_weight_of(weight, group, by),
            confidence=programme.confidence,
            correlation=programme.correlation,
        )

    figure = load(language).say("efficiency.as_made")
    return _table(rows, programme, by, of).assign(figure=figure)[[*by, *FIGURES]]


def as_shipped(
    tallies: pd.DataFrame,
    programme: Programme,
    lots: pd.DataFrame,
    *,
    by: Sequence[str] = ("lane",),
    specification: str = HOUSE,
    language: str = "en",
) -> pd.DataFrame:
    """Percent correct as shipped: accepted lots, and re-sorted ones by their last re-audit.

    The samples that speak also decided which lots were accepted, so the figure and its limits are
    those of `qa.intervals.accepted`, for which every audited tote of the lots says how totes
    differ.

    Parameters
    ----------
    lots : DataFrame
        The verdicts, as `qa.verdicts.lots` gives them for the same tallies. A lot that is held or
        locked is not shipped.
    tallies, programme, by, specification, language
        As for `estimate`.

    Returns
    -------
    DataFrame
        As `estimate` gives it; ``incorrect`` of ``inspected`` pieces were in what was accepted, and
        ``correct`` allows for the selection.
    """
    words = load(language)
    free = lots[lots["floor"] != "locked"] if "floor" in lots else lots
    audits = _dated(under(tallies, programme, specification), by)
    totes = shipped_totes(audits, free, by, ["correct"])
    spoken = totes[totes["part"] != "held"]
    table = _table(spoken, programme, by, _of_totes(programme, "korn_graubard", by, None))
    left = [
        _shipped(group, programme)
        for _, group in _groups(totes, by)
        if (group["part"] != "held").any()
    ]
    names = ("correct", "low", "high", "method")
    table[list(names)] = pd.DataFrame(left, columns=list(names), index=table.index)
    assumed = (table["assumed"] + " " + words.say("efficiency.selected")).str.strip()
    return table.assign(figure=words.say("efficiency.as_shipped"), assumed=assumed)


def _shipped(totes: pd.DataFrame, programme: Programme) -> tuple[float, float, float, str]:
    found = accepted(
        **accepted_counts(totes),
        whole=programme.lot == "tote",
        confidence=programme.confidence,
    )
    return float(found.estimate), float(found.low), float(found.high), found.method


def _totes(audits: pd.DataFrame, by: Sequence[str]) -> pd.DataFrame:
    """One row a tote and group, with its stratum."""
    return stratified(_dated(audits, by), by, ["correct"])


def _dated(audits: pd.DataFrame, by: Sequence[str]) -> pd.DataFrame:
    """The audits with the week or month that they are grouped by."""
    if isinstance(by, str):
        raise InvalidInput(f'by must be a list of columns, got "{by}"')
    groups = [name for name in (*COLUMNS, *_OF_DAY) if name not in FIGURES]
    for column in by:
        chosen(dict.fromkeys(groups), "by", column)
    if len(set(by)) < len(by):
        raise InvalidInput(f"by must name each column once, got {', '.join(by)}")
    return audits.assign(**{name: _OF_DAY[name](audits["day"]) for name in by if name in _OF_DAY})


def _table(rows: pd.DataFrame, programme: Programme, by: Sequence[str], of: Of) -> pd.DataFrame:
    found = [
        {**dict(zip(by, key, strict=True)), **_figures(of(group), programme)}
        for key, group in _groups(rows, by)
    ]
    return pd.DataFrame(found, columns=[*by, *FIGURES])


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


def _of_totes(programme: Programme, method: str, by: Sequence[str], weight: Weight | None) -> Of:
    return lambda totes: clustered(
        totes["correct"].to_numpy(),
        totes["inspected"].to_numpy(),
        stratum=totes["stratum"].to_numpy(dtype=object),
        weight=_weight_of(weight, totes, by),
        confidence=programme.confidence,
        method=method,
        correlation=programme.correlation,
    )


def _weight_of(
    weight: Weight | None, group: pd.DataFrame, by: Sequence[str]
) -> dict[str, float] | None:
    """The weights of the strata that a group may hold: those of its own lane or shift."""
    if weight is None:
        return None
    own = [(at, group[name].iloc[0]) for at, name in enumerate(("lane", "shift")) if name in by]
    return {
        " ".join(place): pieces
        for place, pieces in weight.items()
        if all(place[at] == value for at, value in own)
    }


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
