"""The standard's plans: MIL-STD-105E, Tables I and II-A to II-C, arrows followed to the letter."""

import csv
from functools import cache
from pathlib import Path
from typing import NamedTuple

import numpy as np

from qa._validate import checked_whole, chosen
from qa.errors import InvalidInput
from qa.plans.single import SinglePlan

LEVELS = ("S-1", "S-2", "S-3", "S-4", "I", "II", "III")
INSPECTIONS = ("normal", "tightened", "reduced")

_TABLES = Path(__file__).parent / "tables"
_STEP = {"down": 1, "up": -1}


class _Cell(NamedTuple):
    """One cell of a master table: a plan, or the arrow to follow."""

    plan: SinglePlan | None
    arrow: str


def standard(
    lot_size: int,
    aql: float,
    *,
    level: str = "II",
    inspection: str = "normal",
    kind: str = "single",
) -> SinglePlan:
    """The standard's plan for a lot.

    Parameters
    ----------
    lot_size : int
        Pieces in the lot, at least 2.
    aql : float
        As the table heads its columns: 0.010 to 10 in per cent incorrect (or defects per
        hundred pieces), 15 to 1000 in defects per hundred pieces.
    level : {"S-1", "S-2", "S-3", "S-4", "I", "II", "III"}
    inspection : {"normal", "tightened", "reduced"}
    kind : {"single"}

    Returns
    -------
    SinglePlan
        An arrow changes the sample size too, sometimes to a smaller one. Where the sample would
        be the lot or more, n is `lot_size`: look at every piece.

    Raises
    ------
    InvalidInput
        If the lot is too small or an argument is not in the tables.

    References
    ----------
    MIL-STD-105E (1989), 4.9 and Tables I, II-A, II-B, II-C; what of each cell was read in print
    stands in ``tables/single.csv``.

    Examples
    --------
    >>> standard(4000, 1.0)
    SinglePlan(n=200, ac=5, re=6)
    >>> standard(400, 0.40)  # letter H points up to G
    SinglePlan(n=32, ac=0, re=1)
    """
    find = chosen(_KINDS, "kind", kind)
    chosen(dict.fromkeys(INSPECTIONS), "inspection", inspection)
    plan = find(inspection, code_letter(lot_size, level), _column(aql))
    return plan if plan.n < lot_size else SinglePlan(int(lot_size), plan.ac, plan.re)


def code_letter(lot_size: int, level: str = "II") -> str:
    """The letter that stands for a sample size, by lot size and inspection level (Table I).

    Raises
    ------
    InvalidInput
        If the lot is not one whole number, 2 or more, or the level is not in the table.

    Examples
    --------
    >>> code_letter(4000)
    'L'
    """
    chosen(dict.fromkeys(LEVELS), "level", level)
    size = _whole(lot_size, "lot_size", 2)
    return next(letters[level] for least, letters in reversed(_code_letters()) if size >= least)


def for_sample(inspected: int, aql: float) -> SinglePlan | None:
    """The plan that judges a sample of a size that no plan prescribes.

    The largest tabled plan (normal, single) at that AQL whose n is not above `inspected`: the
    acceptance number of the next smaller sample, as 7 CFR 52.38(c) has it. None when even the
    smallest asks for more.

    Raises
    ------
    InvalidInput
        If inspected is not one whole number, 1 or more, or the AQL is not in the table.

    Examples
    --------
    >>> for_sample(150, 1.0)
    SinglePlan(n=125, ac=3, re=4)
    """
    most, column = _whole(inspected, "inspected", 1), _column(aql)
    cells = _master()["normal"][column].values()
    plans = [cell.plan for cell in cells if cell.plan is not None and cell.plan.n <= most]
    return max(plans, key=lambda plan: plan.n, default=None)


def aqls() -> tuple[float, ...]:
    """The AQLs that head the columns of the tables, rising."""
    return tuple(_master()["normal"])


def _single(inspection: str, letter: str, column: float) -> SinglePlan:
    cells = _master()[inspection][column]
    letters = list(cells)
    at = letters.index(letter)
    while True:
        plan, arrow = cells[letters[at]]
        if plan is not None:
            return plan
        at += _STEP[arrow]


_KINDS = {"single": _single}


def _column(aql: float) -> float:
    if np.ndim(aql) == 0 and not isinstance(aql, str) and aql in _master()["normal"]:
        return float(aql)
    known = ", ".join(f"{each:g}" for each in aqls())
    shown = f"{aql:g}" if isinstance(aql, int | float) else repr(aql)
    raise InvalidInput(f"aql must be one of {known}, got {shown}")


def _whole(value: int, name: str, least: int) -> int:
    numbers = checked_whole(value, name, least=least)
    if numbers.ndim:
        raise InvalidInput(f"{name} must be one number, got {numbers.size}")
    return int(numbers)


@cache
def _code_letters() -> list[tuple[int, dict[str, str]]]:
    return [(int(row["lot_min"]), row) for row in _rows("code_letters.csv")]


@cache
def _master() -> dict[str, dict[float, dict[str, _Cell]]]:
    """Inspection -> AQL -> letter -> cell, letters and AQLs in the order of the tables."""
    tables: dict[str, dict[float, dict[str, _Cell]]] = {}
    for row in _rows("single.csv"):
        numbers = (int(row["n"]), int(row["ac"]), int(row["re"])) if row["ac"] else None
        cell = _Cell(SinglePlan(*numbers) if numbers else None, row["arrow"])
        column = tables.setdefault(row["inspection"], {}).setdefault(float(row["aql"]), {})
        column[row["letter"]] = cell
    return tables


def _rows(name: str) -> list[dict[str, str]]:
    with (_TABLES / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))
