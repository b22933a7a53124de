"""A table's columns: which field each is, and what only a whole column can decide.

Whether dates are day first, what the decimal mark is, and which rows are sums of the others.
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from qa.errors import InvalidFile
from qa.files import cells
from qa.files.formulas import plain
from qa.files.mapping import COUNTED, ColumnMapping, choices
from qa.files.tables import Cell, Row, Table
from qa.programme import Programme

LATER_MOMENTS = ("fill_start", "fill_end", "re_sorted_at")
DATED = ("pulled_at", "date", "day", *LATER_MOMENTS)
_TOTAL = re.compile(r"(grand |sub|sub-)?totals?\b.*|sums?:?|summe:?|gesamt:?|suma:?", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Skipped:
    """A row that is no audit of its own, and why."""

    row: int
    reason: str


@dataclass(slots=True)
class Columns:
    """A table's columns as the mapping and the columns themselves say to read them."""

    table: Table
    mapping: ColumnMapping
    programme: Programme
    at: Mapping[str, int]
    day_first: bool
    decimal: str
    codes: Mapping[str, Mapping[str, str]]
    counted: tuple[str, ...]
    unsure: frozenset[str]  # fields whose cells only the whole column could decide
    taken: dict[str, str] = field(default_factory=dict)  # a note for each word taken for a code

    def cell(self, row: Row, name: str) -> Cell:
        """A field's cell in a row, or its constant; "" where there is neither."""
        constant: Cell = self.mapping.constants.get(name, "")
        return plain(row.cells[self.at[name]]) if name in self.at else constant

    def header(self, *names: str) -> str:
        """The header of the first of these fields that has one, else the field's own name."""
        return next((self.mapping.columns[e] for e in names if e in self.at), names[0])

    def when(self, cell: Cell) -> cells.When | None:
        """What a cell says of a moment, read as the columns say."""
        return cells.when(cell, day_first=self.day_first, epoch=self.table.epoch)

    def plain(self, rows: Iterable[Row]) -> tuple[Row, ...]:
        """The rows with unsure cells written in the one way that everybody reads alike."""
        return tuple(self._plain(row) for row in rows) if self.unsure else tuple(rows)

    def _plain(self, row: Row) -> Row:
        written = list(row.cells)
        for name in self.unsure:
            cell = written[self.at[name]]
            if name in self.counted:
                written[self.at[name]] = cells.number(cell, self.decimal)
            elif said := self.when(cell):
                written[self.at[name]] = said.text() or cell
        return Row(row.number, tuple(written))


def columns_of(table: Table, mapping: ColumnMapping, programme: Programme) -> Columns:
    """The columns of a table, with what the mapping leaves open decided from them.

    Raises
    ------
    InvalidFile
        If the dates could be day first or month first and no column decides.
    """
    at = {name: table.headers.index(header) for name, header in mapping.columns.items()}
    counted = tuple(name for name in (*COUNTED, *programme.category_codes) if name in at)
    dated = [name for name in DATED if name in at]
    day_first, unsure_dates = _day_first(table, mapping, at, dated)
    decimal, unsure_numbers = _decimal(table, mapping, at, counted)
    return Columns(
        table=table,
        mapping=mapping,
        programme=programme,
        at=at,
        day_first=day_first,
        decimal=decimal,
        codes=choices(programme),
        counted=(*COUNTED, *programme.category_codes),
        unsure=frozenset((*unsure_dates, *unsure_numbers)),
    )


def _day_first(
    table: Table, mapping: ColumnMapping, at: Mapping[str, int], dated: Sequence[str]
) -> tuple[bool, list[str]]:
    """Whether dates are day first, from all columns of dates, and the fields that left it open."""
    if mapping.day_first is not None:
        return mapping.day_first, []
    votes: set[bool] = set()
    unsure: dict[str, str] = {}
    for name in dated:
        said, example = cells.day_first_votes(row.cells[at[name]] for row in table.rows)
        votes |= said
        if example:
            unsure[name] = example
    if len(votes) == 1:
        return votes.pop(), list(unsure)
    if not votes and not unsure:
        return True, []
    name = next(iter(unsure), dated[0])
    header = mapping.columns[name]
    what = (
        f'dates of column "{header}", such as {unsure[name]}, could be day first or month first'
        if not votes
        else "some dates can only be day first and some only month first"
    )
    raise InvalidFile(f"{table.name}: {what}; say day_first = true or false in a mapping")


def _decimal(
    table: Table, mapping: ColumnMapping, at: Mapping[str, int], counted: Sequence[str]
) -> tuple[str, list[str]]:
    """The decimal mark, from all columns of numbers, and the fields whose cells need it."""
    if mapping.decimal:
        return mapping.decimal, []
    votes: set[str] = set()
    unsure = []
    for name in counted:
        column = [row.cells[at[name]] for row in table.rows]
        votes |= cells.decimal_votes(column)
        if any(cells.needs_decimal(cell) for cell in column):
            unsure.append(name)
    return (votes.pop(), unsure) if len(votes) == 1 else ("", [])


def without_totals(columns: Columns) -> tuple[list[Row], list[Skipped]]:
    """The rows that are audits, and the totals rows that people add under or between them."""
    rows: list[Row] = []
    skipped: list[Skipped] = []
    numbers = [columns.at[name] for name in columns.counted if name in columns.at]
    dates = [columns.at[name] for name in ("pulled_at", "date") if name in columns.at]
    note, sums = columns.at.get("note"), dict.fromkeys(numbers, 0)
    for row in columns.table.rows:
        words = {at for at, cell in enumerate(row.cells) if at != note and _is_total_word(cell)}
        counts = {at: cells.number(row.cells[at], columns.decimal) for at in numbers}
        filled = {at: count for at, count in counts.items() if count != ""}
        above = {at: sums[at] for at in filled}
        if words and all(row.cells[at] == "" or at in words for at in dates):
            skipped.append(Skipped(row.number, "is a totals row"))
        elif _only(row, filled) and any(sums.values()) and filled == above:
            skipped.append(Skipped(row.number, "is a totals row: the sums of the rows above"))
        else:
            rows.append(row)
            for at, count in filled.items():
                sums[at] += count if isinstance(count, int) else 0
    return rows, skipped


def _is_total_word(cell: Cell) -> bool:
    return isinstance(cell, str) and bool(_TOTAL.fullmatch(cell))


def _only(row: Row, filled: Mapping[int, Cell]) -> bool:
    return bool(filled) and all(cell == "" or at in filled for at, cell in enumerate(row.cells))
