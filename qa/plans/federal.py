"""Lot plans of the federal rules for processed foods, by their sections: 7 CFR 42 and 52.38.

What was read, and in which edition, stands in ``tables/federal.csv``.
"""

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from qa._validate import chosen, one_whole
from qa.errors import InvalidInput, NoSuchPlan
from qa.plans.single import SinglePlan

CLASSES = ("critical", "major", "minor")
JUDGED = ("critical", "major", "total")

_TABLE = Path(__file__).parent / "tables" / "federal.csv"
AQLS = {"origin": (0.25, 1.5, 6.5), "elsewhere": (0.25, 2.5, 10.0)}
SECTIONS = {"normal": "42.109", "tightened": "42.110", "reduced": "42.111"}


@dataclass(frozen=True, slots=True)
class Judgement:
    """What a sample says when all classes of defects are judged at once.

    Attributes
    ----------
    verdict : "accept" or "reject"
    over : classes above their acceptance number or limit, empty when accepted
    """

    verdict: str
    over: tuple[str, ...]


def container_plans(
    lot_size: int, *, where: str = "origin", inspection: str = "normal", code: str | None = None
) -> dict[str, SinglePlan]:
    """The single plans of a lot of filled containers, one a class: 7 CFR 42.109 to 42.111.

    Parameters
    ----------
    lot_size : int
        Containers in the lot, at least 1.
    where : {"origin", "elsewhere"}
        Where the lot is inspected; AQL 0.25, 1.5, 6.5 at its origin, else 0.25, 2.5, 10
        (42.107(b)).
    inspection : {"normal", "tightened", "reduced"}
    code : str, optional
        A sample code chosen in place of the one that belongs to the lot size, as "CE".

    Returns
    -------
    dict
        "critical", "major" and "total" (all three classes together) to their plans.

    Raises
    ------
    InvalidInput
        If an argument is out of its range or not in the tables.

    Examples
    --------
    >>> container_plans(5000)["total"]
    SinglePlan(n=84, ac=9, re=10)
    """
    size = one_whole(lot_size, "lot_size", least=1)
    section, levels = chosen(SECTIONS, "inspection", inspection), chosen(AQLS, "where", where)
    tabled = [row for row in rows() if row["section"] == section and where in row["code"]]
    if code is None:
        fits = [row for row in tabled if _holds(row, size)]
    else:
        chosen(dict.fromkeys(row["code"].split()[0] for row in tabled), "code", code)
        fits = [row for row in tabled if row["code"].split()[0] == code]
    plans = {float(row["aql"]): _plan(row) for row in fits}
    return {name: plans[aql] for name, aql in zip(JUDGED, levels, strict=True)}


def judge_classes(counts: Mapping[str, int], plans: Mapping[str, SinglePlan]) -> Judgement:
    """All classes of defects judged at once on one sample: 7 CFR 42.107.

    Accepted only if critical, major and all defects together are each at their acceptance number
    or below.

    Parameters
    ----------
    counts : mapping
        Defects of the classes "critical", "major" and "minor"; a class left out has none.
    plans : mapping
        As `container_plans` gives them.

    Raises
    ------
    InvalidInput
        If a class is unknown, or a count is not whole, 0 or more.

    Examples
    --------
    >>> judge_classes({"major": 2, "minor": 8}, container_plans(5000))
    Judgement(verdict='reject', over=('total',))
    """
    found = by_class(counts)
    over = tuple(name for name in JUDGED if plans[name].decide(found[name]) == "reject")
    return Judgement("reject" if over else "accept", over)


def processed_plan(
    lot_size: int, product: str, *, group: int = 1, on_line: bool = False
) -> SinglePlan:
    """The single plan for processed fruits and vegetables by lot size: 7 CFR 52.38, Tables I to IV.

    Parameters
    ----------
    lot_size : int
        Containers in the lot, at least 1.
    product : {"canned", "frozen", "comminuted", "dehydrated"}
        Tables I, II, III, IV.
    group : int
        Container size group of that table.
    on_line : bool
        On-line in-plant inspection in place of inspection of the lot.

    Raises
    ------
    InvalidInput
        If an argument is not in the tables.
    NoSuchPlan
        If the table ends below the lot size.

    Examples
    --------
    >>> processed_plan(9000, "frozen")
    SinglePlan(n=6, ac=1, re=2)
    """
    size = one_whole(lot_size, "lot_size", least=1)
    kind = "on-line" if on_line else "lot"
    tabled = [row for row in rows() if row["section"] == "52.38" and row["inspection"] == kind]
    chosen(dict.fromkeys(row["code"].split()[0] for row in tabled), "product", product)
    fits = {row["code"].split()[1]: row for row in tabled if row["code"].startswith(product)}
    if str(group) not in fits:
        raise InvalidInput(f"group must be one of {', '.join(fits)}, got {group!r}")
    mine = [row for row in tabled if row["code"] == f"{product} {group}"]
    for row in mine:
        if _holds(row, size):
            return _plan(row)
    raise NoSuchPlan(
        f"7 CFR 52.38 has no plan for {size:,} containers: its table for {product}, group {group}, "
        f"ends at {int(mine[-1]['lot_max']):,}"
    )


def sample_units() -> tuple[SinglePlan, ...]:
    """The prescribed sample sizes with their acceptance numbers, rising: 7 CFR 52.38(a), (f)."""
    return tuple(_plan(row) for row in rows() if row["section"] == "52.38(a)")


def judge_units(inspected: int, deviants: int) -> tuple[str, int]:
    """What a sample of any size says of its lot: 7 CFR 52.38(b) and (c).

    A sample of a prescribed size is judged by its number. One between two sizes meets the
    requirement at the number of the smaller or below, fails above the number of the larger, and
    at the number of the larger must grow to that size.

    Parameters
    ----------
    inspected : int
        Sample units, from the smallest prescribed size, 3, to the largest, 60.
    deviants : int
        Units that deviate.

    Returns
    -------
    verdict : "accept", "pull more" or "reject"
    more : int
        Units to pull, 0 unless the verdict is "pull more".

    Raises
    ------
    InvalidInput
        If a number is not whole or out of its range.

    Examples
    --------
    >>> judge_units(45, 5), judge_units(45, 6), judge_units(45, 7)
    (('accept', 0), ('pull more', 3), ('reject', 0))
    """
    plans = sample_units()
    n, x = one_whole(inspected, "inspected"), one_whole(deviants, "deviants")
    if not plans[0].n <= n <= plans[-1].n:
        raise InvalidInput(f"inspected must be from {plans[0].n} to {plans[-1].n}, got {n}")
    if x > n:
        raise InvalidInput(f"deviants must be from 0 to inspected, got {x} of {n}")
    smaller = [plan for plan in plans if plan.n <= n][-1]
    larger = next(plan for plan in plans if plan.n >= n)
    if x <= smaller.ac:
        return "accept", 0
    return ("pull more", larger.n - n) if x <= larger.ac else ("reject", 0)


def by_class(counts: Mapping[str, int]) -> dict[str, int]:
    """Defects of critical and major class, and of all classes together.

    Raises
    ------
    InvalidInput
        If a class is unknown, or a count is not whole, 0 or more.
    """
    for name in counts:
        chosen(dict.fromkeys(CLASSES), "class", name)
    known = {name: one_whole(counts.get(name, 0), name) for name in CLASSES}
    return {"critical": known["critical"], "major": known["major"], "total": sum(known.values())}


@cache
def rows() -> tuple[dict[str, str], ...]:
    """The rows of ``tables/federal.csv`` as text."""
    with _TABLE.open(encoding="utf-8", newline="") as file:
        return tuple(csv.DictReader(line for line in file if not line.startswith("#")))


def _plan(row: Mapping[str, str]) -> SinglePlan:
    return SinglePlan(int(row["n"]), int(row["ac"]), int(row["re"]))


def _holds(row: Mapping[str, str], lot_size: int) -> bool:
    if not row["lot_min"]:
        return False
    return int(row["lot_min"]) <= lot_size <= int(row["lot_max"] or lot_size)
