"""The programme: the plant's own settings, read from TOML, checked as a whole, then frozen.

`parse` reads a text and `load` a file. Every fault is reported at once, each with its key, what
came and what was expected. Fractions are 0 to 1, times of day are the plant's own.
"""

import tomllib
from pathlib import Path

from qa._fields import Fields
from qa.errors import InvalidProgramme
from qa.programme.checking import faults
from qa.programme.settings import (
    HOUSE,
    JUDGED,
    KINDS,
    LEVELS,
    LOTS,
    SEVERITIES,
    SWITCHING,
    TOGETHER,
    Baseline,
    Category,
    ClassPlan,
    GrossLimit,
    Lane,
    Line,
    Product,
    Programme,
    Shift,
    Specification,
    lot_size,
    production_day_and_shift,
    shift_times,
)

__all__ = [
    "HOUSE",
    "JUDGED",
    "KINDS",
    "LEVELS",
    "LOTS",
    "RESERVED",
    "SEVERITIES",
    "SWITCHING",
    "TOGETHER",
    "Baseline",
    "Category",
    "ClassPlan",
    "GrossLimit",
    "Lane",
    "Line",
    "Product",
    "Programme",
    "Shift",
    "Specification",
    "load",
    "lot_size",
    "parse",
    "production_day_and_shift",
    "read_text",
    "shift_times",
]

# Names of an audit's own fields, which no category may take: both head columns of one table.
RESERVED = frozenset(
    {
        *("key", "site", "day", "shift", "line", "lane", "head", "product", "raw_lot", "tote"),
        *("lot", "pulled_at", "inspector", "purpose", "inspected", "correct", "incorrect"),
        *("counts", "pieces_in_tote", "fill_start", "fill_end", "re_sorted_at", "note", "source"),
        *("programme", "category", "count", "totes", "n", "x", "n2", "x2", "nx"),
    }
)


def load(path: str | Path) -> Programme:
    """The programme in a TOML file.

    Raises
    ------
    InvalidProgramme
        If the file cannot be read, or with every fault it has.
    """
    return parse(read_text(path), where=str(path))


def read_text(path: str | Path) -> str:
    """The text of a programme's file, as it is kept in a store.

    Raises
    ------
    InvalidProgramme
        If the file cannot be read.
    """
    try:
        return Path(path).read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as reason:
        told = reason.strerror if isinstance(reason, OSError) else "is not UTF-8 text"
        raise InvalidProgramme([f"cannot be read: {told}"], str(path)) from None


def parse(text: str, where: str = "programme") -> Programme:
    """The programme that a TOML text says.

    Parameters
    ----------
    text : str
        TOML; `data_demo/programme.toml` shows every key.
    where : str
        Named in the error: a file, or the place in the store.

    Raises
    ------
    InvalidProgramme
        With every fault: its key, what was expected and what came.
    """
    try:
        text.encode()  # half a character, which a browser can send, cannot be kept
        raw = tomllib.loads(text)
    except (ValueError, RecursionError) as reason:
        raise InvalidProgramme([f"is not TOML: {reason}"], where) from None
    misread: list[str] = []
    programme = _read(Fields(raw, "", misread))
    found = [*misread, *faults(programme, tuple(misread))]
    if found:
        raise InvalidProgramme(found, where)
    return programme


def _read(top: Fields) -> Programme:
    programme = Programme(
        site=top.code("site"),
        name=top.text("name"),
        time_zone=top.zone("time_zone"),
        lot=top.choice("lot", LOTS),
        several_per_piece=top.flag("several_per_piece", default=False),
        pieces_per_tote=top.whole("pieces_per_tote"),
        pull=top.whole("pull"),
        target=top.fraction("target"),
        confidence=top.fraction("confidence", default=0.95),
        false_alarms_per_week=top.number("false_alarms_per_week", default=1.0),
        correlation=top.fraction("correlation", default=0.01),
        switching=top.choice("switching", SWITCHING, default="none"),
        reduced=top.flag("reduced", default=False),
        lines=tuple(_line(each) for each in top.tables("lines")),
        lanes=tuple(_lane(each) for each in top.tables("lanes")),
        shifts=tuple(_shift(each) for each in top.tables("shifts")),
        products=tuple(
            Product(each.code("code"), each.text("name")) for each in top.tables("products")
        ),
        categories=tuple(_category(each) for each in top.tables("categories")),
        plans={name: _class_plan(name, each) for name, each in top.named("plans", JUDGED)},
        specifications=tuple(
            Specification(each.code("code"), each.text("name"), each.codes("categories"))
            for each in top.tables("specifications", needed=False)
        ),
        baselines=tuple(
            Baseline(each.code("product"), each.day("first_day"), each.day("last_day"))
            for each in top.tables("baselines", needed=False)
        ),
    )
    top.no_more()
    return programme


def _line(each: Fields) -> Line:
    return Line(
        each.code("code"),
        each.number("nest_time_ms", default=None),
        each.number("belt_speed_mm_s", default=None),
    )


def _lane(each: Fields) -> Lane:
    return Lane(each.code("code"), each.code("line"), each.codes("heads", default=()))


def _shift(each: Fields) -> Shift:
    return Shift(each.code("code"), each.text("name"), each.clock("start"), each.clock("end"))


def _category(each: Fields) -> Category:
    return Category(
        each.column("code", RESERVED),
        each.text("name"),
        each.choice("class", SEVERITIES),
        _gross_limit(each),
    )


def _gross_limit(each: Fields) -> GrossLimit | None:
    inner = each.table("gross", 'a table such as { at = 10.0, call = "shift lead" }')
    if inner is None:
        return None
    limit = GrossLimit(inner.per_cent("at"), inner.text("call"))
    inner.no_more()
    return limit


def _class_plan(severity: str, each: Fields) -> ClassPlan:
    if each.has("n") or each.has("ac"):
        return ClassPlan(severity, n=each.whole("n"), ac=each.whole("ac", least=0))
    aql = each.number("aql")
    level = each.choice("level", LEVELS, default="II")
    return ClassPlan(severity, aql, level, each.choice("kind", KINDS, default="single"))
