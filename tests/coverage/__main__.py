"""How often limits hold what they promise: exactly for one tote, by simulation for many.

And whether a floor's charts keep its budget of false alarms.

``python -m tests.coverage [--quick] [--csv FILE]``
"""

import argparse
import csv
from collections.abc import Iterable, Sequence
from dataclasses import asdict
from pathlib import Path

from tests.coverage import floor_budget, history, many_totes, one_tote, shipped
from tests.coverage.many_totes import Found

ALLOWED = 0.005  # misses of a lower bound beyond those that it states, in any beta-binomial cell
STUDIES = (many_totes, shipped, history)
ERRORS = 3.0  # standard errors of a simulation that are put down to chance
TABLE = Path(__file__).parent / "table.csv"
FLOOR = "floor.csv"  # beside the table


def main(words: Sequence[str] | None = None) -> int:
    """Print both tables, write every cell, and name the method for claims."""
    parser = argparse.ArgumentParser(prog="python -m tests.coverage", description=__doc__)
    parser.add_argument("--quick", action="store_true", help="few cells and samples, for tests")
    parser.add_argument("--csv", metavar="FILE", type=Path, help="where every cell is written")
    asked = parser.parse_args(words)
    print("\n".join(of_one_tote(one_tote.rows())))
    found = [row for study in STUDIES for row in study.rows(quick=asked.quick)]
    file = asked.csv or (Path("coverage-quick.csv") if asked.quick else TABLE)
    written(found, file)
    print("\n".join(["", *of_many_totes(found), "", decision(found), ""]))
    of_floors = floor_budget.written(floor_budget.rows(quick=asked.quick), file.with_name(FLOOR))
    for line in floor_budget.table(of_floors):
        print(line, flush=True)
    return 0


def of_one_tote(rows: Iterable[one_tote.OneTote]) -> list[str]:
    lines = [
        "| one tote: method | n | coverage of 95 %: least | mean | misses of a lower bound: most "
        "| mean |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    for row in rows:
        figures = (row.least_coverage, row.mean_coverage, row.most_misses, row.mean_misses)
        cells = " | ".join(f"{figure:.3f}" for figure in figures)
        lines.append(f"| {row.method} | {row.inspected} | {cells} |")
    return lines


def of_many_totes(found: Sequence[Found]) -> list[str]:
    lines = [
        "| many totes | method | coverage of 95 %: least | misses of a lower bound: most (error), "
        "where | mean | bound below the truth, mean |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    for name, rows in groups(found).items():
        for method in dict.fromkeys(row.method for row in rows):
            mine = [row for row in rows if row.method == method]
            worst = max(mine, key=lambda row: row.misses)
            least = min(row.coverage for row in mine)
            misses = sum(row.misses for row in mine) / len(mine)
            short = sum(row.short for row in mine) / len(mine)
            where = f"{worst.cell.totes} totes, {100 * worst.cell.mean:g} %"
            lines.append(
                f"| {name} | {method} | {least:.3f} | {worst.misses:.3f} "
                f"({worst.misses_error:.3f}), {where} | {misses:.3f} | {short:.5f} |"
            )
    return lines


def groups(found: Sequence[Found]) -> dict[str, list[Found]]:
    """The cells by what their totes are like."""
    parts: dict[str, list[Found]] = {}
    for row in found:
        cell = row.cell
        name = "" if cell.shape == "beta" else cell.shape
        if cell.shape != "mixture":
            name = f"{name}, correlation {cell.correlation:g}".removeprefix(", ")
        parts.setdefault(name + ", n unequal" * cell.unequal, []).append(row)
    return parts


def decision(found: Sequence[Found]) -> str:
    """The method with the narrowest bounds among those that miss as seldom as they say."""
    short: dict[str, list[float]] = {}
    kept = set(many_totes.METHODS)
    for row in found:
        if row.cell.shape == "beta":
            short.setdefault(row.method, []).append(row.short)
            if row.misses - ERRORS * row.misses_error > 1 - many_totes.LEVEL + ALLOWED:
                kept.discard(row.method)
    if not kept:
        return "No method keeps its promise in every beta-binomial cell."
    best = min(kept, key=lambda method: sum(short[method]))
    return f"Kept in every beta-binomial cell by {', '.join(sorted(kept))}; narrowest: {best}."


def written(found: Iterable[Found], file: Path) -> None:
    """A row a cell and method."""
    rows = [{**(row := asdict(each)).pop("cell"), **row} for each in found]
    with file.open("w", encoding="utf-8", newline="") as lines:
        table = csv.DictWriter(lines, rows[0], lineterminator="\n")
        table.writeheader()
        table.writerows(
            {k: f"{v:.6g}" if isinstance(v, float) else v for k, v in row.items()} for row in rows
        )


if __name__ == "__main__":
    raise SystemExit(main())
