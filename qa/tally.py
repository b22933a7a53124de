"""Audits to counts: the tally, a table with a promised set of columns, and the six sums.

A tally has the columns `COLUMNS` and one whole-number column a category of the programme; what a
row says stands since ``recorded_at``, which is missing where no store recorded it. Every function
that takes one checks it at the door with `checked`.
"""

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import pandas as pd

from qa._validate import checked_columns, chosen
from qa.audit import Audit
from qa.errors import InvalidInput
from qa.programme import Programme

COLUMNS = (
    "key",
    "site",
    "programme",
    "day",
    "shift",
    "line",
    "lane",
    "head",
    "product",
    "raw_lot",
    "tote",
    "lot",
    "pulled_at",
    "inspector",
    "purpose",
    "re_sorted_at",
    "fill_start",
    "fill_end",
    "recorded_at",
    "pieces_in_tote",
    "inspected",
    "correct",
    "incorrect",
)
TIMES = ("pulled_at", "re_sorted_at", "fill_start", "fill_end", "recorded_at")
NOT_OF_AUDIT = ("programme", "recorded_at")  # columns that the store knows, and no audit itself
TOTE = ("site", "day", "lane", "tote")  # tells a filled tote from others: its code comes again
SUMS = ("totes", "n", "x", "n2", "x2", "nx")


def from_audits(audits: Iterable[Audit], programme: Programme, *, version: int = 1) -> pd.DataFrame:
    """The tally of some audits, in their order.

    Parameters
    ----------
    audits : iterable of Audit
    programme : Programme
        Its categories become the last columns.
    version : int
        The programme's version in the store, kept with every row.
    """
    rows = [
        {
            **{name: getattr(audit, name) for name in COLUMNS if name not in NOT_OF_AUDIT},
            **audit.counts,
        }
        for audit in audits
    ]
    return table(pd.DataFrame(rows).assign(programme=version), programme.category_codes)


def table(rows: pd.DataFrame, categories: Sequence[str]) -> pd.DataFrame:
    """Rows with a tally's columns, in whatever form they were read, as a tally.

    Times become UTC, days midnights without a zone, absent texts "", absent counts 0; columns
    that are not there at all are made, empty.
    """
    tallies = pd.DataFrame(rows).reindex(columns=[*COLUMNS, *categories])
    for column in TIMES:
        tallies[column] = pd.to_datetime(tallies[column], utc=True).astype("datetime64[us, UTC]")
    tallies["day"] = pd.to_datetime(tallies["day"]).astype("datetime64[us]")
    tallies["pieces_in_tote"] = pd.to_numeric(tallies["pieces_in_tote"]).astype(float)
    counted = ["programme", "inspected", "correct", "incorrect", *categories]
    for column in counted:
        tallies[column] = pd.to_numeric(tallies[column]).fillna(0).astype(np.int64)
    plain = [column for column in COLUMNS if column not in (*TIMES, *counted, "day")]
    for column in (column for column in plain if column != "pieces_in_tote"):
        tallies[column] = tallies[column].astype("str").where(tallies[column].notna(), "")
    return tallies


def checked(tallies: pd.DataFrame, categories: Iterable[str] = ()) -> pd.DataFrame:
    """The tally itself, if it is one and has these categories.

    Raises
    ------
    InvalidInput
        Naming the columns that it lacks.
    """
    return checked_columns(tallies, (*COLUMNS, *categories), "a tally")


def in_order(tallies: pd.DataFrame) -> pd.DataFrame:
    """The audits in order of pulling, those of one moment by their key."""
    at = tallies["pulled_at"].to_numpy(dtype="datetime64[us]")
    order = np.argsort(at, kind="stable")
    same = np.append(np.diff(at[order]) == np.timedelta64(0), [False])
    tied = np.flatnonzero(same | np.append([False], same[:-1]))
    rows = order[tied]
    both = zip(at[rows].tolist(), tallies["key"].iloc[rows].tolist(), rows.tolist(), strict=True)
    order[tied] = [row for *_, row in sorted(both)]
    return tallies.take(order).reset_index(drop=True)


def routine(tallies: pd.DataFrame) -> pd.DataFrame:
    """The audits that may speak of what lanes make: those pulled by the schedule."""
    return tallies[checked(tallies)["purpose"] == "routine"]


def as_shipped(tallies: pd.DataFrame, lots: pd.DataFrame) -> pd.DataFrame:
    """The audits that speak of what left the plant.

    Routine audits of lots accepted as made, and re-audits of lots accepted after a re-sort: all
    those pulled after the lot's last re-sort. What was seen in a lot before that is left out.

    Parameters
    ----------
    tallies : tally
    lots : DataFrame
        As `qa.verdicts.lots` gives it: columns ``site``, ``lot`` and ``verdict``.
    """
    checked_columns(lots, ("site", "lot", "verdict"), "the lots")
    kept = tallies[of_lots(tallies, lots, "verdict") == "accept"]
    of_lot = ["site", "lot"]
    again = kept[kept["purpose"] == "re-audit"]
    last_re_sort = again.groupby(of_lot)["re_sorted_at"].transform("max")
    again = again[again["pulled_at"] >= last_re_sort]
    re_sorted = pd.MultiIndex.from_frame(kept[of_lot]).isin(pd.MultiIndex.from_frame(again[of_lot]))
    first = kept[(kept["purpose"] == "routine") & ~re_sorted]
    return pd.concat([first, again]).sort_values("pulled_at")


def shipped_totes(
    tallies: pd.DataFrame, lots: pd.DataFrame, by: Sequence[str], counted: Sequence[str]
) -> pd.DataFrame:
    """One row a tote that tells of what left the plant, as `qa.intervals.accepted` wants them.

    Parameters
    ----------
    tallies, lots
        As for `as_shipped`; every tote of these lots, accepted or not.
    by, counted
        As for `by_tote`.

    Returns
    -------
    DataFrame
        As `stratified` gives it, with ``part``: "passed" (accepted as made), "again" (accepted
        after a re-sort, by the audits after it), or "held" (all others: they left not, or not as
        made, and say how totes differ).
    """
    spoken = as_shipped(tallies, lots)
    speaks = tallies["key"].isin(spoken["key"])
    again = speaks & (tallies["purpose"] == "re-audit")
    part = again.map({True: "again", False: "held"}).mask(speaks & ~again, "passed")
    told = (again | (tallies["purpose"] == "routine")).to_numpy()
    return stratified(tallies.assign(part=part)[told], (*by, "part"), counted)


def accepted_counts(totes: pd.DataFrame) -> dict[str, Any]:
    """What `shipped_totes` gives, its pieces correct, as arguments of `qa.intervals.accepted`."""
    first, again = (totes[(totes["part"] == "again") == late] for late in (False, True))
    return {
        "count": first["correct"].to_numpy(),
        "inspected": first["inspected"].to_numpy(),
        "passed": (first["part"] == "passed").to_numpy(),
        "again": (again["correct"].to_numpy(), again["inspected"].to_numpy()),
    }


def of_lots(tallies: pd.DataFrame, lots: pd.DataFrame, column: str) -> pd.Series:
    """What a table of lots says of each audit's lot, on the audits' index.

    Of several lots with one code, the last that began no later than the audit was pulled; where
    the table has no ``began``, there is one of each. Missing where there is none.
    """
    audits = checked(tallies)[["site", "lot", "pulled_at"]].reset_index(drop=True)
    found = audits.reset_index().merge(lots, on=["site", "lot"], suffixes=("", "_of_lot"))
    if "began" in lots:
        found = found[found["began"].isna() | (found["began"] <= found["pulled_at"])]
        found = found.sort_values("began", na_position="first", kind="stable")
    last = found.drop_duplicates("index", keep="last").set_index("index")[column]
    return last.reindex(audits.index).set_axis(tallies.index)


def under(tallies: pd.DataFrame, programme: Programme, specification: str) -> pd.DataFrame:
    """The tally with correct and incorrect as a named specification counts them.

    Raises
    ------
    InvalidInput
        If the programme has no such specification, or lets a piece show several categories, when
        the counts cannot say how many pieces are correct under anything but "house".
    """
    named = {each.code: each.categories for each in programme.specifications}
    named.setdefault("house", programme.category_codes)
    categories = chosen(named, "specification", specification)
    if set(categories) == set(programme.category_codes):
        return checked(tallies)
    if programme.several_per_piece:
        raise InvalidInput(
            f'specification "{specification}" needs one category a piece; this programme lets a '
            "piece show several, so the counts cannot say how many are correct under it"
        )
    incorrect = checked(tallies, categories)[list(categories)].sum(axis=1)
    return tallies.assign(incorrect=incorrect, correct=tallies["inspected"] - incorrect)


def by_tote(tallies: pd.DataFrame, by: Sequence[str], counted: Sequence[str]) -> pd.DataFrame:
    """One row a tote within each group: audits of one tote are one cluster.

    A tote is told by its code on its lane on its production day, for plants use codes again.

    Parameters
    ----------
    tallies : tally
    by : sequence of column names
        The groups; may be empty.
    counted : sequence of column names
        Counts to add up beside ``inspected``.

    Returns
    -------
    DataFrame
        Columns `by`, `TOTE`, inspected and `counted`, in order of `by`.
    """
    groups, wanted = _of_totes(by, counted)
    return checked(tallies, counted).groupby(groups, observed=True)[wanted].sum().reset_index()


def stratified(tallies: pd.DataFrame, by: Sequence[str], counted: Sequence[str]) -> pd.DataFrame:
    """As `by_tote`, each tote with the stratum that it is of.

    Returns
    -------
    DataFrame
        Columns of `by_tote`, then ``first_at``, when the tote was first audited, and ``stratum``:
        its lane in the shift of that audit, so that a tote audited in two shifts stays one.
    """
    groups, wanted = _of_totes(by, counted)
    audits = checked(tallies, counted).sort_values("pulled_at", kind="stable")
    totes = audits.groupby(groups, observed=True).agg(
        **{name: (name, "sum") for name in wanted},
        first_at=("pulled_at", "first"),
        stratum=("shift", "first"),
    )
    totes = totes.reset_index()
    return totes.assign(stratum=totes["lane"].str.cat(totes["stratum"], sep=" "))


def _of_totes(by: Sequence[str], counted: Sequence[str]) -> tuple[list[str], list[str]]:
    """What audits are grouped by, and the counts that are added up."""
    return [*dict.fromkeys((*by, *TOTE))], [*dict.fromkeys(("inspected", *counted))]


def six_sums(tallies: pd.DataFrame, by: Sequence[str], counted: str = "incorrect") -> pd.DataFrame:
    """The six additive sums of each cell: totes m, and sums of n, x, n squared, x squared and n x.

    Enough for every pooled figure of a cell, its cluster-robust variance and its overdispersion;
    they add over cells, machines and plants.

    Returns
    -------
    DataFrame
        Columns `by`, then totes, n, x, n2, x2, nx.
    """
    totes = by_tote(tallies, by, [counted])
    n, x = totes["inspected"], totes[counted]
    products = totes.assign(totes=1, n=n, x=x, n2=n * n, x2=x * x, nx=n * x)
    return _added(products, by)


def add_sums(parts: Iterable[pd.DataFrame], by: Sequence[str]) -> pd.DataFrame:
    """Six sums of several cells, plants or machines, added up over `by`."""
    together = pd.concat(list(parts), ignore_index=True)
    return _added(checked_columns(together, (*by, *SUMS), "the six sums"), by)


def _added(sums: pd.DataFrame, by: Sequence[str]) -> pd.DataFrame:
    if not by:
        return sums[list(SUMS)].sum().to_frame().T
    return sums.groupby(list(by), observed=True)[list(SUMS)].sum().reset_index()
