"""Answers for the terminal: aligned tables, and the same answer as JSON."""

import math
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, date, datetime
from typing import Any

import numpy as np
import pandas as pd

from qa._plain import as_json as as_json  # the command prints through this room
from qa._plain import plain as plain
from qa.programme import Programme
from qa.wording import Wording

Answer = Mapping[str, Any]
_HOW = ("design_effect", "effective_n", "correlation")

_DEVICES = {"station": "station_way", "token": "token_way"}  # what one is told by


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
        return words.say("command.efficiency.none")
    percent = f"{float(table['confidence'].iloc[0]) * 100:g} %"
    columns = ("totes", "pieces", "incorrect", "correct", *(_HOW if full else ()))
    named = (words.say(f"command.efficiency.{each}", percent=percent) for each in columns)
    headers = [*by, *named]
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
    ways = dict.fromkeys(zip(table["figure"], table["method"], strict=True))
    how = (words.say("command.efficiency.how", figure=each, method=way) for each, way in ways)
    assumed = [each for each in dict.fromkeys(table["assumed"]) if each]
    return "\n".join([aligned(headers, rows), "", "; ".join(how), *assumed])


def lots(answer: Answer, programme: Programme, words: Wording) -> str:
    """How many lots had which verdict, and the last ones that were not accepted."""
    lines = [
        aligned(
            [words.say(f"command.lots.{name}") for name in ("verdict", "floor", "lots")],
            [list(row.values()) for row in answer["counts"]],
        )
    ]
    for row in answer["latest"]:
        when = words.moment(datetime.fromisoformat(row["last_pulled_at"]), programme.zone)
        told = {name: row[name] for name in ("lane", "lot", "verdict", "floor", "why")}
        lines.append(words.say("command.lots.one_lot", when=when, **told))
    return "\n".join(lines)


def drift(answer: Answer, words: Wording) -> str:
    """A line a lane, the neediest first."""
    if not answer["lanes"]:
        return words.say("command.drift.none")
    return "\n".join(words.say("command.drift.lane", **row) for row in answer["lanes"])


def drift_in_full(answer: Answer, words: Wording) -> str:
    """A line a lane and below it one a category, with what there is to know besides."""
    say = words.say
    lines = [say("command.drift.as_of", when=_minute(answer["as_of"])), drift(answer, words)]
    for lane in answer["lanes"]:
        lines += ["", say("command.drift.heading", lane=lane["lane"])]
        for each in (each for each in answer["findings"] if each["lane"] == lane["lane"]):
            key = "finding_of" if each["product"] else "finding"
            named = {name: each[name] for name in ("category", "product", "status")}
            lines.append(f"  {say(f'command.drift.{key}', **named)}")
            lines += [f"    {said}" for said in (each["sentence"], *each["notes"])]
            lines += [f"    {said}" for past in each["past"] for said in _past(past, words)]
    return "\n".join(lines)


def _past(past: Answer, words: Wording) -> list[str]:
    """A rise that is over, how it ended, and what was said of it."""
    times = {name: past[name] for name in ("since", "until")}
    key = "past_baseline" if past["closed_by"] == "baseline" else "past_level"
    said = [words.say(f"command.drift.{key}", **times)]
    if past["acknowledged"]:
        told = {name: past["acknowledged"][name] for name in ("by", "cause", "done")}
        when = _minute(past["acknowledged"]["at"])
        said.append(words.say("drift.acknowledged", when=when, **told))
    return said


def sources(answer: Answer, words: Wording) -> str:
    """What is beyond chance, a line each, then the rest."""
    by, found = answer["by"], answer["sources"]
    say = words.say
    lines = [say("command.drift.as_of", when=_minute(answer["as_of"]))]
    if not found:
        return "\n".join([*lines, say("command.drift.by_none", by=by)])
    doubt = words.per_cent(answer["doubt"], decimals=0)
    lines.append(say("command.drift.by", by=by, comparisons=len(found), doubt=doubt))
    if by == "inspector":
        lines.append(say("command.drift.by_lead"))
    beyond = [each["sentence"] for each in found if each["beyond_chance"]]
    rest = [f"  {each['sentence']}" for each in found if not each["beyond_chance"]]
    lines += ["", *(beyond or [say("command.drift.by_quiet")])]
    return "\n".join([*lines, *(["", say("command.drift.by_rest"), *rest] if rest else [])])


def imported(answer: Answer, words: Wording, *, most: int = 20) -> str:
    """What became of a file and each of its rows."""

    def say(key: str, **values: object) -> str:
        return words.say(f"command.imported.{key}", **values)

    counts = {name: answer[name] for name in ("file", "rows", "audits", "new", "already")}
    counts |= {name: _of(answer[name]) for name in ("rejects", "skipped")}
    lines = [say("would" if answer["dry_run"] else "did", **counts)]
    if answer["held_back"]:
        lines.append(say("held_back"))
    taken = [
        say("column", name=name, header=header)
        for name, header in answer["columns"].items()
        if name != header
    ]
    if taken:
        lines.append(say("columns", columns=", ".join(taken)))
    lines += answer["notes"]
    rows = [
        [str(row["row"]), row["column"], row["value"], row["reason"]]
        for row in answer["rejects"][:most]
    ]
    if rows:
        headers = [say(f"head.{name}") for name in ("row", "column", "value", "reason")]
        lines += ["", aligned(headers, rows)]
    if len(answer["rejects"]) > most:
        lines.append(say("more", count=len(answer["rejects"]) - most))
    lines += [
        say("skipped", row=str(row["row"]), reason=row["reason"])
        for row in answer["skipped"][:most]
    ]
    if answer["rejects_file"]:
        key = "mend_whole" if answer["held_back"] else "mend_rejects"
        lines.append(say(key, rejects=answer["rejects_file"], file=answer["file"]))
    return "\n".join(lines)


def set_up(answer: Answer, words: Wording) -> str:
    """A programme that is in force, and what follows from it."""

    def say(key: str, **values: object) -> str:
        return words.say(f"command.set_up.{key}", **values)

    named = {name: str(answer[name]) for name in ("store", "version", "site", "name")}
    since = _minute(answer["in_force_from"])
    listed = {name: ", ".join(answer[name]) for name in ("shifts", "products")}
    sizes = {name: answer[name] for name in ("lot_size", "pull")}
    lot = say("tote" if answer["lot"] == "tote" else "lane_shift")
    return "\n".join(
        [
            say("new" if answer["new"] else "same", since=since, **named),
            *(_line(line, words) for line in answer["lines"]),
            say("lists", **listed),
            say("lot", lot=lot, target=f"{100 * answer['target']:g}", **sizes),
            *(
                say(
                    "class",
                    severity=each["class"],
                    categories=", ".join(each["categories"]),
                    n=each["n"],
                    ac=str(each["ac"]),
                )
                for each in answer["plans"]
            ),
        ]
    )


def checked(answer: Answer, words: Wording) -> str:
    """Whether a store agrees with itself."""
    key = "breaks" if answer["breaks"] else "sound"
    told = words.say(f"command.checked.{key}", store=answer["store"])
    if answer["breaks"]:
        return "\n".join([told, *answer["breaks"]])
    return f"{told}\n{_head(answer, words)}"


def backed_up(answer: Answer, words: Wording) -> str:
    """The backup that was made."""
    told = words.say("command.copied.backed_up", store=answer["store"], file=answer["file"])
    return f"{told}\n{_head(answer, words)}"


def restored(answer: Answer, words: Wording) -> str:
    """The store that was made."""
    told = words.say("command.copied.restored", store=answer["store"], file=answer["file"])
    return f"{told}\n{_head(answer, words)}"


def _head(answer: Answer, words: Wording) -> str:
    return words.say("command.checked.head", links=answer["links"], hash=answer["hash"])


def exported(answer: Answer, words: Wording) -> str:
    """What was written, and where."""
    return words.say("command.exported", count=answer["audits"], file=answer["file"])


def _minute(moment: str) -> str:
    """A moment as people read it, to the minute, in UTC."""
    return f"{datetime.fromisoformat(moment).astimezone(UTC):%Y-%m-%d %H:%M} UTC"


def _line(line: Answer, words: Wording) -> str:
    rate, pitch = line["pieces_per_second"], line["nest_pitch_mm"]
    told = words.say("command.set_up.line", line=line["line"], lanes=", ".join(line["lanes"]))
    if rate is not None:
        told += words.say("command.set_up.rate", rate=f"{rate:.2f}")
    if pitch is not None:
        told += words.say("command.set_up.pitch", pitch=f"{pitch:.1f}")
    return f"{told}."


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


def people(answer: Answer, words: Wording) -> str:
    """A line an account, then a line a device."""
    say = words.say
    if not answer["accounts"] and not answer["devices"]:
        return say("command.user.none")
    heads = ("name", "role", "by_what", "stands", "changed_at", "changed_by")
    rows = [
        [
            *(each["name"], each["role"]),
            ", ".join(
                say(f"command.user.{way}") for way in ("password_way", "pin_way") if each[way[:-4]]
            ),
            say("command.user.shut" if each["disabled"] else "command.user.open"),
            *(_minute(each["at"]), each["by"]),
        ]
        for each in answer["accounts"]
    ]
    rows += [
        [
            *(each["name"], each["role"], say(f"command.user.{_DEVICES[each['kind']]}")),
            say("command.user.shut" if each["revoked"] else "command.user.open"),
            *(_minute(each["at"]), each["by"]),
        ]
        for each in answer["devices"]
    ]
    return aligned([say(f"command.user.{each}") for each in heads], rows)
