"""The standard's plans: MIL-STD-105E, Tables I to III, arrows followed to the letter."""

import csv
from functools import cache
from pathlib import Path
from typing import Literal, NamedTuple, cast, overload

import numpy as np

from qa._validate import checked_whole, chosen
from qa.errors import InvalidInput, NoSuchPlan
from qa.plans.double import DoublePlan
from qa.plans.multiple import MultiplePlan, Stage
from qa.plans.single import SinglePlan

LEVELS = ("S-1", "S-2", "S-3", "S-4", "I", "II", "III")
INSPECTIONS = ("normal", "tightened", "reduced")

_TABLES = Path(__file__).parent / "tables"
_STEP = {"down": 1, "up": -1}
Plan = SinglePlan | DoublePlan | MultiplePlan


class _Cell(NamedTuple):
    """One cell of a master table: a plan, or what to follow: "down", "up" or "single"."""

    plan: Plan | None
    follow: str


@overload
def standard(
    lot_size: int,
    aql: float,
    *,
    level: str = "II",
    inspection: str = "normal",
    kind: Literal["single"] = "single",
) -> SinglePlan: ...
@overload
def standard(
    lot_size: int, aql: float, *, level: str = "II", inspection: str = "normal", kind: str
) -> Plan: ...
def standard(
    lot_size: int,
    aql: float,
    *,
    level: str = "II",
    inspection: str = "normal",
    kind: str = "single",
) -> Plan:
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
    kind : {"single", "double", "multiple"}
        "multiple" are the seven-stage plans that federal rules print, for level II and normal
        inspection at a few AQLs.

    Returns
    -------
    SinglePlan, DoublePlan or MultiplePlan
        As `kind` says; but a SinglePlan too where the double table says to use it, and where the
        samples together would be more than the lot. An arrow changes the sample size too,
        sometimes to a smaller one. Where a single sample would be the lot or more, n is
        `lot_size`: look at every piece.

    Raises
    ------
    InvalidInput
        If the lot is too small or an argument is not in the tables.
    NoSuchPlan
        If no multiple plan is printed for the lot.

    References
    ----------
    MIL-STD-105E (1989), 4.9 and Tables I, II-A to II-C, III-A to III-C; 21 CFR 800.20(c)(3),
    46 CFR 160.066-12, FDA Compliance Policy Guide 345.100. What of each cell was read in print
    stands in the files of ``tables/``.

    Examples
    --------
    >>> standard(4000, 1.0)
    SinglePlan(n=200, ac=5, re=6)
    >>> standard(400, 0.40)  # letter H points up to G
    SinglePlan(n=32, ac=0, re=1)
    >>> standard(4000, 1.0, kind="double")
    DoublePlan(n1=125, ac1=2, re1=5, n2=125, ac2=6, re2=7)
    """
    find = chosen(_KINDS, "kind", kind)
    chosen(dict.fromkeys(INSPECTIONS), "inspection", inspection)
    asked = _Asked(int(_whole(lot_size, "lot_size", 2)), checked_aql(aql), level, inspection)
    plan = find(asked)
    if plan.n <= asked.lot_size and not isinstance(plan, SinglePlan):
        return plan
    single = _single(asked)
    return single if single.n < lot_size else SinglePlan(asked.lot_size, single.ac, single.re)


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


def for_sample(inspected: int, aql: float, *, inspection: str = "normal") -> SinglePlan | None:
    """The plan that judges a sample of a size that no plan prescribes.

    The largest tabled single plan at that AQL and inspection whose n is not above `inspected`: the
    acceptance number of the next smaller sample, as 7 CFR 52.38(c) has it. None when even the
    smallest asks for more.

    Raises
    ------
    InvalidInput
        If inspected is not one whole number, 1 or more, or the AQL or inspection is not in the
        tables.

    Examples
    --------
    >>> for_sample(150, 1.0)
    SinglePlan(n=125, ac=3, re=4)
    """
    most, column = _whole(inspected, "inspected", 1), checked_aql(aql)
    table = chosen(_master("single"), "inspection", inspection)
    plans = [cell.plan for cell in table[column].values() if isinstance(cell.plan, SinglePlan)]
    return max((plan for plan in plans if plan.n <= most), key=lambda plan: plan.n, default=None)


def aqls() -> tuple[float, ...]:
    """The AQLs that head the columns of the tables, rising."""
    return tuple(_master("single")["normal"])


class _Asked(NamedTuple):
    lot_size: int
    aql: float
    level: str
    inspection: str


def _single(asked: _Asked) -> SinglePlan:
    return cast(SinglePlan, _followed(_master("single"), asked))


def _double(asked: _Asked) -> Plan:
    return _followed(_master("double"), asked) or _single(asked)


def _followed(table: dict[str, dict[float, dict[str, _Cell]]], asked: _Asked) -> Plan | None:
    """The plan that the arrows lead to, None where they lead to the single plan."""
    cells = table[asked.inspection][asked.aql]
    letters = list(cells)
    at = letters.index(code_letter(asked.lot_size, asked.level))
    while (follow := cells[letters[at]].follow) in _STEP:
        at += _STEP[follow]
    return cells[letters[at]].plan


def _multiple(asked: _Asked) -> Plan:
    if asked.level != "II" or asked.inspection != "normal":
        raise NoSuchPlan(
            "multiple plans are printed for level II and normal inspection, "
            f"got level {asked.level} and {asked.inspection}"
        )
    plans = _printed().get(asked.aql, [])
    for least, most, plan in plans:
        if least <= asked.lot_size <= most:
            return plan
    where = [
        f"at AQL {aql:g} for lots from {plans[0][0]:,}" for aql, plans in sorted(_printed().items())
    ]
    raise NoSuchPlan(
        f"multiple plans are printed {', '.join(where)}; "
        f"got AQL {asked.aql:g} and a lot of {asked.lot_size:,}"
    )


_KINDS = {"single": _single, "double": _double, "multiple": _multiple}


def checked_aql(aql: float) -> float:
    """The AQL itself, if it heads a column of the tables.

    Raises
    ------
    InvalidInput
        Otherwise.
    """
    if np.ndim(aql) == 0 and not isinstance(aql, str) and aql in _master("single")["normal"]:
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
def _master(kind: str) -> dict[str, dict[float, dict[str, _Cell]]]:
    """Inspection -> AQL -> letter -> cell, letters and AQLs in the order of the tables."""
    tables: dict[str, dict[float, dict[str, _Cell]]] = {}
    for row in _rows(f"{kind}.csv"):
        column = tables.setdefault(row["inspection"], {}).setdefault(float(row["aql"]), {})
        column[row["letter"]] = _CELLS[kind](row)
    return tables


def _single_cell(row: dict[str, str]) -> _Cell:
    if row["arrow"]:
        return _Cell(None, row["arrow"])
    return _Cell(SinglePlan(int(row["n"]), int(row["ac"]), int(row["re"])), "")


def _double_cell(row: dict[str, str]) -> _Cell:
    if row["follow"]:
        return _Cell(None, row["follow"])
    numbers = (int(row[name]) for name in ("n1", "ac1", "re1", "n2", "ac2", "re2"))
    return _Cell(DoublePlan(*numbers), "")


_CELLS = {"single": _single_cell, "double": _double_cell}


@cache
def _printed() -> dict[float, list[tuple[int, float, MultiplePlan]]]:
    """AQL -> smallest lot, largest lot, plan; in the order of the lots."""
    found: dict[float, dict[tuple[int, float], list[Stage]]] = {}
    for row in _rows("multiple.csv"):
        lots = int(row["lot_min"]), float(row["lot_max"] or "inf")
        stage = Stage(int(row["n"]), int(row["ac"]) if row["ac"] else None, int(row["re"]))
        found.setdefault(float(row["aql"]), {}).setdefault(lots, []).append(stage)
    return {
        aql: [(*lots, MultiplePlan(tuple(stages))) for lots, stages in plans.items()]
        for aql, plans in found.items()
    }


def _rows(name: str) -> list[dict[str, str]]:
    with (_TABLES / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))
