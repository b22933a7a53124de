"""Answers for the terminal: aligned tables, and the same answer as JSON."""

import dataclasses
import json
import math
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, date, datetime
from typing import Any

import numpy as np
import pandas as pd

from qa.programme import Programme
from qa.wording import Wording

Answer = Mapping[str, Any]
_HOW = {
    "design_effect": "design effect",
    "effective_n": "effective pieces",
    "correlation": "intra-tote correlation",
}


def aligned(headers: Sequence[str], rows: Sequence[Sequence[object]]) -> str:
    """A table with its columns in line, numbers to the right.

    Examples
    --------
    >>> print(aligned(["lane", "pieces"], [["007", 200], ["8", 1850]]))
    lane  pieces
    007      200
    8      1,850
    """
    texts = [[_text(cell) for cell in row] for row in rows]
    right = [bool(rows) and all(_is_number(row[at]) for row in rows) for at in range(len(headers))]
    widths = [max(map(len, column)) for column in zip(headers, *texts, strict=True)]
    lines = [
        "  ".join(
            cell.rjust(width) if to_right else cell.ljust(width)
            for cell, width, to_right in zip(line, widths, right, strict=True)
        ).rstrip()
        for line in [list(headers), *texts]
    ]
    return "\n".join(lines)


def as_json(answer: object) -> str:
    """An answer as JSON; what is not known is null, fractions are whole floats, times ISO 8601."""
    return json.dumps(plain(answer), indent=2, ensure_ascii=False, allow_nan=False)


def plain(value: Any) -> Any:
    """A value in the forms that JSON has: tables are lists of rows, results are mappings."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        value = {each.name: getattr(value, each.name) for each in dataclasses.fields(value)}
    if isinstance(value, pd.DataFrame):
        value = value.to_dict("records")
    if isinstance(value, np.ndarray | np.generic):
        value = value.tolist()
    if value is None or value is pd.NaT or (isinstance(value, float) and not math.isfinite(value)):
        return None
    if isinstance(value, Mapping):
        return {str(name): plain(each) for name, each in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [plain(each) for each in value]
    if isinstance(value, date):
        return value.isoformat()
    return value if isinstance(value, str | int | float) else str(value)


def in_programme_order(
    table: pd.DataFrame, programme: Programme, by: Sequence[str]
) -> pd.DataFrame:
    """Rows in the order in which the programme names lines, lanes, shifts and products."""
    orders = {name: _places(programme, name) for name in by}

    def place(column: pd.Series) -> pd.Series:
        places = orders.get(str(column.name), {})
        return column.map(places) if places else column

    return table.sort_values(list(by), key=place, kind="stable") if by else table


def efficiency(
    table: pd.DataFrame, by: Sequence[str], words: Wording, *, full: bool = False
) -> str:
    """Percent correct by count, a row a group; `full` adds how the limits came about."""
    if table.empty:
        return "No routine audit yet."
    percent = f"{float(table['confidence'].iloc[0]) * 100:g} %"
    headers = [*by, "totes", "pieces", "incorrect", f"percent correct ({percent} limits)"]
    rows = [
        [
            *(_group(row[name]) for name in by),
            *(row["totes"], row["inspected"], row["incorrect"]),
            words.interval(row["correct"], row["low"], row["high"]),
            *([_figure(row[name]) for name in _HOW] if full else ()),
        ]
        for row in table.to_dict("records")
    ]
    if not full:
        return aligned(headers, rows)
    how = "; ".join(dict.fromkeys(table["figure"] + ", limits by " + table["method"]))
    assumed = [each for each in dict.fromkeys(table["assumed"]) if each]
    return "\n".join([aligned([*headers, *_HOW.values()], rows), "", how, *assumed])


def lots(answer: Answer, programme: Programme, words: Wording) -> str:
    """How many lots had which verdict, and the last ones that were not accepted."""
    lines = [
        aligned(
            ["verdict", "what the floor does", "lots"],
            [list(row.values()) for row in answer["counts"]],
        )
    ]
    for row in answer["latest"]:
        when = words.moment(datetime.fromisoformat(row["last_pulled_at"]), programme.zone)
        lines.append(
            f"{when}, lane {row['lane']}, lot {row['lot']}: {row['verdict']}, {row['floor']}"
            f" ({row['why']})"
        )
    return "\n".join(lines)


def drift(answer: Answer) -> str:
    """A line a lane, the neediest first."""
    if not answer["lanes"]:
        return "No lane to watch."
    return "\n".join(
        f"Lane {row['lane']} ({row['status']}): {row['sentence']}" for row in answer["lanes"]
    )


def drift_in_full(answer: Answer) -> str:
    """A line a lane and below it one a category, with what there is to know besides."""
    lines = [f"As of {_minute(answer['as_of'])}", drift(answer)]
    for lane in answer["lanes"]:
        lines += ["", f"Lane {lane['lane']}"]
        for each in (each for each in answer["findings"] if each["lane"] == lane["lane"]):
            of = f", {each['product']}" if each["product"] else ""
            lines.append(f"  {each['category']}{of} ({each['status']})")
            lines += [f"    {said}" for said in (each["sentence"], *each["notes"])]
            lines += [
                f"    It was up before, from {past['since']} to {past['until']}."
                for past in each["past"]
            ]
    return "\n".join(lines)


def imported(answer: Answer, *, most: int = 20) -> str:
    """What became of a file and each of its rows."""
    would = "would be " if answer["dry_run"] else ""
    lines = [
        f"{answer['file']}: {answer['rows']:,} rows hold {answer['audits']:,} audits without "
        f"fault: {answer['new']:,} {would}new, {answer['already']:,} already there; "
        f"{_of(answer['rejects']):,} rows {would}rejected, {_of(answer['skipped']):,} skipped."
    ]
    if answer["held_back"]:
        lines.append("Nothing was recorded, for all or none was asked.")
    taken = [
        f'{name} from "{header}"' for name, header in answer["columns"].items() if name != header
    ]
    if taken:
        lines.append(f"Columns: {', '.join(taken)}; the others by their own names.")
    lines += answer["notes"]
    rows = [
        [str(row["row"]), row["column"], row["value"], row["reason"]]
        for row in answer["rejects"][:most]
    ]
    if rows:
        lines += ["", aligned(["row", "column", "value", "why rejected"], rows)]
    if len(answer["rejects"]) > most:
        lines.append(f"... and {len(answer['rejects']) - most:,} more.")
    lines += [f"Row {row['row']} {row['reason']}." for row in answer["skipped"][:most]]
    if answer["rejects_file"]:
        where = f"The rejected rows are in {answer['rejects_file']}: "
        if answer["held_back"]:
            lines.append(
                f"{where}mend them in {answer['file']} itself, and import all of it again."
            )
        else:
            lines.append(f"{where}mend them there, and import that file with the same mapping.")
    return "\n".join(lines)


def set_up(answer: Answer) -> str:
    """A programme that is in force, and what follows from it."""
    state = "is in force" if answer["new"] else "was in force already; nothing is changed"
    lot = "a tote" if answer["lot"] == "tote" else "a lane's totes of a shift"
    return "\n".join(
        [
            f"{answer['store']}: version {answer['version']} of the programme of {answer['site']} "
            f"({answer['name']}) {state}, from {_minute(answer['in_force_from'])} on.",
            *(_line(line) for line in answer["lines"]),
            f"Shifts: {', '.join(answer['shifts'])}. Products: {', '.join(answer['products'])}.",
            f"A lot is {lot}, {answer['lot_size']:,} pieces; {answer['pull']:,} are pulled from a "
            f"tote; the target is {100 * answer['target']:g} % correct.",
            *(
                f"Of class {each['class']}: {', '.join(each['categories'])}; on {each['n']:,} "
                f"pieces {each['ac']} are accepted."
                for each in answer["plans"]
            ),
        ]
    )


def checked(answer: Answer) -> str:
    """Whether a store agrees with itself."""
    if not answer["breaks"]:
        return f"{answer['store']}: the record agrees with itself."
    return "\n".join([f"{answer['store']}: the record contradicts itself:", *answer["breaks"]])


def _minute(moment: str) -> str:
    """A moment as people read it, to the minute, in UTC."""
    return f"{datetime.fromisoformat(moment).astimezone(UTC):%Y-%m-%d %H:%M} UTC"


def _line(line: Answer) -> str:
    rate, pitch = line["pieces_per_second"], line["nest_pitch_mm"]
    told = f"Line {line['line']}: lanes {', '.join(line['lanes'])}"
    if rate is not None:
        told += f"; up to {rate:.2f} pieces a second on a lane"
    return f"{told}; nest pitch {pitch:.1f} mm." if pitch is not None else f"{told}."


def _of(rows: Sequence[Answer]) -> int:
    return len({row["row"] for row in rows})


def _places(programme: Programme, name: str) -> dict[str, int]:
    listed: dict[str, Callable[[], Sequence[Any]]] = {
        "line": lambda: programme.lines,
        "lane": lambda: programme.lanes,
        "shift": lambda: programme.shifts,
        "product": lambda: programme.products,
    }
    return {each.code: at for at, each in enumerate(listed[name]())} if name in listed else {}


def _group(value: Any) -> str:
    return f"{value:%Y-%m-%d}" if isinstance(value, date) else str(value)


def _figure(value: float) -> str:
    return "" if math.isnan(value) else f"{value:,.0f}" if value >= 100 else f"{value:.3g}"


def _is_number(cell: object) -> bool:
    return isinstance(cell, int | float | np.number)


def _text(cell: object) -> str:
    return f"{cell:,}" if isinstance(cell, int | np.integer) else str(cell)
