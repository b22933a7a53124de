"""A programme's text changed field by field: TOML in, TOML out, comments and layout kept.

`shown` gives what a form shows of a text, part by part; `amended` the text with one part's fields
as a form typed them; `differences` what two texts say differently. A field that is typed as it was
shown keeps the very characters that stand in the text. What the typed values are worth is judged by
`qa.programme.parse` alone; `by_field` gives its faults back to the fields.
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, time
from decimal import Decimal, InvalidOperation
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Table

from qa.errors import InvalidProgramme
from qa.programme import JUDGED, KINDS, LEVELS, LOTS, SEVERITIES, SWITCHING

GONE = "gone"  # the field of a row that takes it away, when it says GONE_YES
GONE_YES = "yes"
_PLACE = re.compile(r"(\w+)(?:\[(\d+)\]| \((.*?)\)|\.(\w+))?(?:\.([\w.]+))?: ")


@dataclass(frozen=True, slots=True)
class Field:
    """One value of a part: its key, how it is typed, and what it may be where it is chosen.

    `kind` is "text", "whole", "number", "per_cent", "codes", "clock", "day" or "choice"; a value
    of a table within has a dot in its key.
    """

    key: str
    kind: str = "text"
    choices: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Part:
    """One part of a programme: single values, a list of rows, or one row a name."""

    name: str
    fields: tuple[Field, ...]
    rows: bool = True
    names: tuple[str, ...] = ()


_FLAG = ("true", "false")
PARTS: Mapping[str, Part] = {
    each.name: each
    for each in (
        Part(
            "plant",
            (
                *(Field("site"), Field("name"), Field("time_zone")),
                Field("lot", "choice", LOTS),
                Field("several_per_piece", "choice", _FLAG),
                Field("pieces_per_tote", "whole"),
            ),
            rows=False,
        ),
        Part(
            "targets",
            (
                *(Field("target", "per_cent"), Field("pull", "whole")),
                *(Field("confidence", "per_cent"), Field("false_alarms_per_week", "number")),
                *(Field("correlation", "number"), Field("switching", "choice", SWITCHING)),
                Field("reduced", "choice", _FLAG),
            ),
            rows=False,
        ),
        Part(
            "lines",
            (Field("code"), Field("nest_time_ms", "number"), Field("belt_speed_mm_s", "number")),
        ),
        Part("lanes", (Field("code"), Field("line"), Field("heads", "codes"))),
        Part(
            "shifts", (Field("code"), Field("name"), Field("start", "clock"), Field("end", "clock"))
        ),
        Part("products", (Field("code"), Field("name"))),
        Part(
            "categories",
            (
                *(Field("code"), Field("name"), Field("class", "choice", SEVERITIES)),
                *(Field("gross.at", "number"), Field("gross.call")),
            ),
        ),
        Part(
            "plans",
            (
                *(Field("aql", "number"), Field("level", "choice", LEVELS)),
                *(Field("kind", "choice", KINDS), Field("n", "whole"), Field("ac", "whole")),
            ),
            names=JUDGED,
        ),
        Part("specifications", (Field("code"), Field("name"), Field("categories", "codes"))),
        Part("baselines", (Field("product"), Field("first_day", "day"), Field("last_day", "day"))),
    )
}

Rows = Mapping[str, Mapping[str, str]]  # by row: "" for single values, "0", "1", ..., or a name


@dataclass(frozen=True, slots=True)
class Difference:
    """What two texts say differently of one field.

    `row` names the row, "" for a single value; `field` is "" where a whole row came or went, and
    the one of `before` and `after` that is there then says what it holds.
    """

    part: str
    row: str
    field: str
    before: str
    after: str


def shown(text: str) -> dict[str, dict[str, dict[str, str]]]:
    """What a form shows of a programme's text: by part, row and key, blank where it is left out.

    Raises
    ------
    InvalidProgramme
        If the text is not TOML, or has another shape where a part should be.
    """
    document = _document(text)
    return {name: _shown_part(document, part) for name, part in PARTS.items()}


def amended(text: str, part: str, typed: Rows) -> str:
    """The text with one part as a form typed it.

    Parameters
    ----------
    text : str
        A programme's TOML.
    part : str
        One of `PARTS`.
    typed : mapping of row to mapping of key to text
        Rows as `shown` numbers them. A blank takes a key away; `GONE` with `GONE_YES` takes a row
        away, and a row of a new number that is not blank is added. What is not named stays.

    Returns
    -------
    str
        To be judged by `qa.programme.parse`: a value of the wrong kind stands there as typed.
    """
    document, which = _document(text), PARTS[part]
    before = _shown_part(document, which)
    if not which.rows:
        _write(document, which, before[""], typed.get("", {}))
    elif which.names:
        _write_named(document, which, before, typed)
    else:
        _write_rows(document, which, before, typed)
    return tomlkit.dumps(document)


def by_field(problems: Iterable[str], part: str, text: str, typed: Rows) -> dict[str, str]:
    """A programme's faults by the field of a form that each is about.

    Parameters
    ----------
    problems : iterable of str
        As `InvalidProgramme` has them.
    part, text, typed
        What `amended` was given.

    Returns
    -------
    dict of field to message
        A field is ``row-key``, or the key alone of a single value; faults of anything that the
        form does not show are together under "".
    """
    which, stays = PARTS[part], _staying(text, PARTS[part], typed)
    found: dict[str, str] = {}
    for problem in problems:
        place = _PLACE.match(problem)
        field = _field_of(place, which, stays, typed) if place else ""
        said = problem[place.end() :] if place and field else problem
        found[field] = "; ".join(filter(None, (found.get(field, ""), said)))
    return found


def differences(before: str, after: str) -> tuple[Difference, ...]:
    """What two texts of programmes say differently, in the order of a programme's parts."""
    old, new = shown(before), shown(after)
    return tuple(
        each
        for name, part in PARTS.items()
        for each in _differing(part, _by_code(part, old[name]), _by_code(part, new[name]))
    )


def _document(text: str) -> tomlkit.TOMLDocument:
    try:
        return tomlkit.parse(text)
    except (TOMLKitError, ValueError, RecursionError) as reason:
        raise InvalidProgramme([f"is not TOML: {reason}"]) from None


def _shown_part(document: Any, part: Part) -> dict[str, dict[str, str]]:
    if not part.rows:
        return {"": _shown_row(document, part)}
    kept = document.get(part.name, {} if part.names else [])
    shape = isinstance(kept, Mapping) if part.names else isinstance(kept, Sequence)
    rows = kept.values() if shape and part.names else kept
    if not shape or not all(isinstance(each, Mapping) for each in rows):
        raise InvalidProgramme([f"{part.name}: must be tables such as [[{part.name}]]"])
    if part.names:
        return {name: _shown_row(kept.get(name, {}), part) for name in part.names}
    return {str(at): _shown_row(row, part) for at, row in enumerate(kept)}


def _shown_row(row: Any, part: Part) -> dict[str, str]:
    return {each.key: _shown(_value(row, each.key), each.kind) for each in part.fields}


def _value(row: Any, key: str) -> Any:
    outer, _, inner = key.partition(".")
    value = row.get(outer)
    if not inner or value is None:
        return value
    return value.get(inner) if isinstance(value, Mapping) else value


def _shown(value: Any, kind: str) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, time):
        return f"{value:%H:%M}" if not value.second and not value.microsecond else str(value)
    if isinstance(value, list):
        return ", ".join(str(each) for each in value)
    if kind == "per_cent" and isinstance(value, int | float):
        return _plain(Decimal(str(value)) * 100)
    return str(value)


def _plain(number: Decimal) -> str:
    text = f"{number:f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _write(row: Any, part: Part, before: Mapping[str, str], typed: Mapping[str, str]) -> None:
    for each in part.fields:
        text = typed.get(each.key, before.get(each.key, "")).strip()
        if text == before.get(each.key, ""):
            continue
        outer, _, inner = each.key.partition(".")
        if not inner:
            _set(row, outer, text, each.kind)
            continue
        if not isinstance(row.get(outer), Mapping):
            row[outer] = tomlkit.inline_table()
        _set(row[outer], inner, text, each.kind)
        if not row[outer]:
            del row[outer]


def _set(row: Any, key: str, text: str, kind: str) -> None:
    if text:
        row[key] = _typed(text, kind)
    elif key in row:
        del row[key]


def _typed(text: str, kind: str) -> Any:
    """A typed text as a TOML value; as a text where it is none of its kind."""
    try:
        return _READERS[kind](text)
    except (ValueError, InvalidOperation):
        return text


def _number(text: str, per: int = 1) -> Any:
    if not re.fullmatch(r"[+-]?\d{1,18}(\.\d{1,18})?", text, re.ASCII):
        raise ValueError
    number = Decimal(text) / per
    return int(number) if per == 1 and "." not in text else tomlkit.float_(_fraction(number))


def _fraction(number: Decimal) -> str:
    text = _plain(number)
    return text if "." in text else f"{text}.0"


def _whole(text: str) -> int:
    number = _number(text)
    if not isinstance(number, int):
        raise ValueError
    return number


def _codes(text: str) -> list[str]:
    return [each.strip() for each in text.split(",") if each.strip()]


_READERS: Mapping[str, Any] = {
    "text": str,
    "choice": lambda text: text == "true" if text in _FLAG else text,
    "whole": _whole,
    "number": _number,
    "per_cent": lambda text: _number(text, 100),
    "codes": _codes,
    "clock": time.fromisoformat,
    "day": date.fromisoformat,
}


def _write_named(document: Any, part: Part, before: Rows, typed: Rows) -> None:
    if part.name not in document:
        document[part.name] = tomlkit.table(is_super_table=True)
    kept = document[part.name]
    for name in part.names:
        fields = typed.get(name, {})
        if name not in kept:
            if not any(text.strip() for text in fields.values()):
                continue
            kept[name] = _new_row(part, fields)
            continue
        _write(kept[name], part, before[name], fields)
        if not kept[name]:
            del kept[name]


def _write_rows(document: Any, part: Part, before: Rows, typed: Rows) -> None:
    kept = document.setdefault(part.name, tomlkit.aot())
    if not isinstance(kept, AoT):
        raise InvalidProgramme([f"{part.name}: is written on one line; change it in the text"])
    for at, row in enumerate(kept):
        _write(row, part, before[str(at)], typed.get(str(at), {}))
    for name in _added(before, typed):
        kept.append(_new_row(part, typed[name]))
    for at in reversed(range(len(before))):
        if _goes(typed, str(at)):
            del kept[at]
    if not kept:
        del document[part.name]


def _new_row(part: Part, fields: Mapping[str, str]) -> Table:
    row = tomlkit.table()
    _write(row, part, {}, fields)
    row.add(tomlkit.nl())
    return row


def _added(before: Rows, typed: Rows) -> list[str]:
    """The numbers of new rows that are not blank, in order."""
    new = [name for name in typed if name not in before and name.isdecimal() and name.isascii()]
    return [name for name in sorted(new, key=int) if _filled(typed[name])]


def _filled(row: Mapping[str, str]) -> bool:
    return row.get(GONE) != GONE_YES and any(
        text.strip() for key, text in row.items() if key != GONE
    )


def _goes(typed: Rows, name: str) -> bool:
    return typed.get(name, {}).get(GONE) == GONE_YES


def _staying(text: str, part: Part, typed: Rows) -> list[str]:
    """The form's rows in the order in which they stand in the amended text."""
    before = _shown_part(_document(text), part)
    return [*(name for name in before if not _goes(typed, name)), *_added(before, typed)]


def _field_of(place: re.Match[str], part: Part, stays: Sequence[str], typed: Rows) -> str:
    """The form's field at which a fault points; "" where the form does not show it."""
    table, number, code, key, rest = place.groups()
    known = [each.key for each in part.fields]
    if not part.rows:
        return table if table in known and not (number or code or key) else ""
    if table != part.name:
        return ""
    if part.names:
        return f"{key}-{rest if rest in known else known[0]}" if key in part.names else ""
    if number:
        row = stays[int(number) - 1] if int(number) <= len(stays) else ""
    else:
        row = next((n for n in stays if typed.get(n, {}).get(known[0], "").strip() == code), "")
    at = rest if number or code else key
    return f"{row}-{at if at in known else known[0]}" if row and (number or code) else ""


def _by_code(part: Part, rows: Rows) -> dict[str, Mapping[str, str]]:
    """Rows by what names them; rows that share a name are told apart by their number."""
    if not part.rows or part.names:
        return {name: row for name, row in rows.items() if any(row.values())}
    named: dict[str, Mapping[str, str]] = {}
    for row in rows.values():
        first = row[part.fields[0].key]
        times = sum(name == first or name.startswith(f"{first} (") for name in named)
        named[first if not times else f"{first} ({times + 1})"] = row
    return named


def _differing(
    part: Part, old: Mapping[str, Mapping[str, str]], new: Mapping[str, Mapping[str, str]]
) -> Iterable[Difference]:
    for name in dict.fromkeys((*old, *new)):
        before, after = old.get(name), new.get(name)
        if part.rows and (before is None or after is None):
            yield Difference(part.name, name, "", _told(before), _told(after))
            continue
        for each in part.fields:
            was, now = ((row or {}).get(each.key, "") for row in (before, after))
            if was != now:
                yield Difference(part.name, name, each.key, was, now)


def _told(row: Mapping[str, str] | None) -> str:
    return ", ".join(filter(None, (row or {}).values()))
