"""Rows of a table to audits: every row is taken, skipped or told about. No store, no file."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any

from qa.audit import Audit, parse
from qa.errors import InvalidAudit
from qa.files import cells
from qa.files.columns import DATED, LATER_MOMENTS, Columns, Skipped, columns_of, without_totals
from qa.files.mapping import CODED, ColumnMapping, code_of
from qa.files.tables import Cell, Row, Table, shown
from qa.programme import Programme

Progress = Callable[[int, int], None]  # rows done, rows in all
_STEP = 500  # rows between two reports of progress
_TWO_WAYS = 'could be read with "," or "." as its decimal mark; say decimal = in a mapping'


@dataclass(frozen=True, slots=True)
class Reject:
    """A cell that keeps its row out; the row as a spreadsheet numbers it."""

    row: int
    column: str
    value: str
    reason: str


@dataclass(frozen=True, slots=True)
class Reading:
    """What a table says: audits with the rows they come from, and what else became of its rows.

    Attributes
    ----------
    audits : tuple of (rows, Audit)
        A wide file's audit has one row, a long file's several.
    rejects : tuple of Reject
        One or more for each of the `rejected` rows.
    skipped : tuple of Skipped
        A totals row, or a row that only repeats another.
    notes : tuple of str
        What was taken for what, where the file's word is not our code.
    """

    audits: tuple[tuple[tuple[Row, ...], Audit], ...]
    rejects: tuple[Reject, ...]
    rejected: tuple[Row, ...]
    skipped: tuple[Skipped, ...]
    notes: tuple[str, ...]


class _Fields:
    """The raw fields of one audit being gathered, and the cells that cannot be read."""

    def __init__(self, columns: Columns, row: Row) -> None:
        self.columns = columns
        self.row = row
        self.values: dict[str, Any] = {}
        self.faults: list[Reject] = []

    def fault(self, names: Sequence[str], reason: str, row: Row | None = None) -> None:
        row = row or self.row
        value = next((self.columns.cell(row, e) for e in names if e in self.columns.at), "")
        header = self.columns.header(*names)
        self.faults.append(Reject(row.number, header, shown(value), reason))


def read_audits(
    table: Table,
    mapping: ColumnMapping,
    programme: Programme,
    *,
    source: str = "",
    progress: Progress | None = None,
) -> Reading:
    """The audits in a table.

    Parameters
    ----------
    table : Table
    mapping : ColumnMapping
        As `qa.files.mapping.complete` gives it.
    programme : Programme
    source : str
        Kept with every audit.
    progress : callable, optional
        Told now and then how many rows are done, of how many.

    Raises
    ------
    InvalidFile
        If the dates could be day first or month first and no column decides.
    """
    columns = columns_of(table, mapping, programme)
    rows, skipped = without_totals(columns)
    if mapping.long:
        rows, repeats = _without_repeats(rows)
        skipped += repeats
    place = {header: at for at, header in enumerate(table.headers)}
    audits: dict[str, tuple[tuple[Row, ...], Audit]] = {}
    rejects: list[Reject] = []
    rejected: list[Row] = []
    done = 0
    for group in _groups(columns, rows):
        found = _audit(columns, group, source)
        earlier = audits.get(found.key) if isinstance(found, Audit) else None
        if earlier and earlier[1] == found:
            skipped += [Skipped(row.number, _repeats(earlier[0][0])) for row in group]
        elif isinstance(found, Audit) and not earlier:
            audits[found.key] = columns.plain(group), found
        else:
            if earlier:
                told = f"is the audit of row {earlier[0][0].number} with other figures or words"
                found = [Reject(group[0].number, columns.header("tote"), earlier[1].tote, told)]
            rejects += found  # type: ignore[arg-type]  # an Audit went one of the ways above
            rejected += columns.plain(group)
        done = _tell(progress, done, len(group), len(rows))
    return Reading(
        audits=tuple(audits.values()),
        rejects=tuple(sorted(rejects, key=lambda each: (each.row, place.get(each.column, -1)))),
        rejected=tuple(sorted(rejected, key=lambda each: each.number)),
        skipped=tuple(sorted(skipped, key=lambda each: each.row)),
        notes=tuple(columns.taken.values()),
    )


def _without_repeats(rows: Sequence[Row]) -> tuple[list[Row], list[Skipped]]:
    """A long file's rows without those that say again, cell by cell, what another said."""
    first: dict[tuple[Cell, ...], Row] = {}
    for row in rows:
        first.setdefault(row.cells, row)
    repeats = [row for row in rows if first[row.cells] is not row]
    skipped = [Skipped(row.number, _repeats(first[row.cells])) for row in repeats]
    return list(first.values()), skipped


def _repeats(row: Row) -> str:
    return f"repeats row {row.number}"


def _groups(columns: Columns, rows: Sequence[Row]) -> Iterable[tuple[Row, ...]]:
    """The rows of each audit: one in a wide file; in a long one, those alike but for category."""
    if not columns.mapping.long:
        return ((row,) for row in rows)
    own = {columns.at["category"], columns.at["count"]}
    shared = [at for name, at in columns.at.items() if at not in own and name != "note"]
    groups: dict[tuple[Cell, ...], list[Row]] = {}
    for row in rows:
        groups.setdefault(tuple(row.cells[at] for at in shared), []).append(row)
    return (tuple(group) for group in groups.values())


def _audit(columns: Columns, group: tuple[Row, ...], source: str) -> Audit | list[Reject]:
    """The audit of a row, or of a long file's rows; else every cell at fault."""
    fields = _Fields(columns, group[0])
    _read_moments(fields)
    _read_numbers(fields)
    _read_words(fields)
    for row in group:
        if columns.mapping.long:
            _read_category(fields, row)
        for cell in filter(None, map(shown, row.cells[len(columns.table.headers) :])):
            told = f'stands right of the last header, got "{cell}"'
            fields.faults.append(Reject(row.number, "", cell, told))
    _settle_incorrect(fields)
    faults = fields.faults
    blamed = {each.column for each in faults}
    try:
        audit = parse({"source": source, **fields.values}, columns.programme)
    except InvalidAudit as reason:
        for name, told in reason.problems.items():
            if not blamed & {columns.header(each) for each in _names_of(name)}:
                fields.fault(_names_of(name), told)
        return faults
    return faults or audit


def _names_of(name: str) -> tuple[str, ...]:
    """The mapping's names for a field of an audit, the likeliest to be at fault first."""
    more = {"pulled_at": ("date", "time"), "correct": ("incorrect",)}
    return (name, *more.get(name, ()))


def _read_moments(fields: _Fields) -> None:
    sources = ("time", "pulled_at", "date")  # a time of its own is the time
    said = [(name, _said(fields, name)) for name in sources]
    known = [(name, each) for name, each in said if each]
    blank = all(fields.columns.cell(fields.row, name) == "" for name in sources)
    day = next((each.day for name, each in known if each.day and name != "time"), None)
    clock = next((each.clock for _, each in known if each.clock), None)
    zone = next((each.zone for _, each in known if each.zone), None)
    if day and clock:
        fields.values["pulled_at"] = datetime.combine(day, clock, zone)
    elif not blank and not fields.faults:
        told = "has no time of day" if day else "has no date"
        fields.fault(("pulled_at", "date", "time") if day else ("pulled_at", "date"), told)
    for name in LATER_MOMENTS:
        if (moment := _said(fields, name)) is not None:
            _put_moment(fields, name, moment, day, clock)
    if (production := _said(fields, "day")) is not None:
        fields.values["day"] = production.day or shown(fields.columns.cell(fields.row, "day"))


def _said(fields: _Fields, name: str) -> cells.When | None:
    """What a cell says of a moment; None if it is blank, and a fault if it says nothing."""
    cell = fields.columns.cell(fields.row, name)
    if cell == "":
        return None
    said = fields.columns.when(cell)
    if said is None:
        rules = {"day": "a date such as 2026-03-16", "time": "a time of day such as 14:05"}
        rule = rules.get(name, "a date and time such as 2026-03-16 14:05")
        fields.fault((name,), f'must be {rule}, got "{shown(cell)}"')
    return said


def _put_moment(
    fields: _Fields, name: str, said: cells.When, day: date | None, clock: time | None
) -> None:
    """A moment of the tote; a time of day alone is the last such time before the pieces came."""
    if said.clock is None:
        fields.fault((name,), "has no time of day")
    elif said.day:
        fields.values[name] = datetime.combine(said.day, said.clock, said.zone)
    elif day and clock:
        before = said.clock > clock
        fields.values[name] = datetime.combine(day - timedelta(days=before), said.clock, said.zone)


def _read_numbers(fields: _Fields) -> None:
    columns = fields.columns
    for name in columns.counted:
        cell = columns.cell(fields.row, name)
        if cell == "" or name == "count":
            continue
        fields.values[name] = cells.number(cell, columns.decimal)
        if not columns.decimal and cells.needs_decimal(cell):
            fields.fault((name,), _TWO_WAYS)


def _read_words(fields: _Fields) -> None:
    """Codes and texts: everything that is neither a moment nor a number."""
    columns, mapping = fields.columns, fields.columns.mapping
    others = {*DATED, "time", "category", "count", *columns.counted}
    for name in (*mapping.columns, *mapping.constants):
        cell = columns.cell(fields.row, name)
        if name not in others and cell != "":
            fields.values[name] = _word(columns, name, shown(cell))


def _word(columns: Columns, name: str, word: str) -> str:
    """What a word of the file means: by the mapping, else the one code that it can only be."""
    listed = columns.mapping.values.get(name, {})
    if word in listed:
        return listed[word]
    code = code_of(word, columns.codes[name]) if name in CODED else word
    if code != word:
        columns.taken[f"{name} {word}"] = f'{columns.header(name)} "{word}" is taken for {code}'
    return code


def _read_category(fields: _Fields, row: Row) -> None:
    """One category's count of a long file's audit; no category and no count is none found."""
    columns = fields.columns
    word, cell = shown(columns.cell(row, "category")), columns.cell(row, "count")
    count = cells.number(cell, columns.decimal) if cell != "" else 0
    if not word and count == 0:
        return
    code = _word(columns, "category", word)
    if code not in columns.codes["category"]:
        known = ", ".join(columns.codes["category"])
        fields.fault(("category",), f'must be one of {known}, got "{word}"', row)
    elif not isinstance(count, int) or count < 0:
        fields.fault(("count",), f'must be a whole number, 0 or more, got "{shown(cell)}"', row)
    elif code in fields.values:
        fields.fault(("category",), f'comes more than once in one audit, got "{word}"', row)
    else:
        fields.values[code] = count


def _settle_incorrect(fields: _Fields) -> None:
    """A count of incorrect pieces gives correct, or must agree with it."""
    values = fields.values
    incorrect = values.pop("incorrect", "")
    if incorrect == "":
        return
    inspected = values.get("inspected")
    if not isinstance(incorrect, int) or incorrect < 0:
        fields.fault(("incorrect",), f'must be a whole number, 0 or more, got "{incorrect}"')
    elif isinstance(inspected, int) and inspected - incorrect != values.get(
        "correct", inspected - incorrect
    ):
        told = f"inspected less correct: {inspected - values['correct']}, got {incorrect}"
        fields.fault(("incorrect",), f"must be {told}")
    elif isinstance(inspected, int) and incorrect > inspected:
        fields.fault(("incorrect",), f"must be from 0 to inspected, got {incorrect} of {inspected}")
    elif isinstance(inspected, int):
        values["correct"] = inspected - incorrect


def _tell(progress: Progress | None, done: int, more: int, total: int) -> int:
    """The rows done, told once a step and at the end."""
    now = done + more
    if progress and (now // _STEP > done // _STEP or now >= total):
        progress(now, total)
    return now
