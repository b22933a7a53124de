"""A CSV or XLSX file as a table: headers, and rows of cells numbered as a spreadsheet shows them.

Cells of a CSV are text. Cells of a workbook keep what the workbook says of them (text, number,
date, time), since "as displayed" is not in the file; a number formatted with zeros alone, such as
``000``, becomes the text a person sees, so that lane 007 stays 007.
"""

import csv
import io
import re
import warnings
import zipfile
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from pathlib import Path, PurePath
from typing import Any
from xml.etree.ElementTree import ParseError

import openpyxl
from openpyxl.utils.exceptions import InvalidFileException

from qa.errors import InvalidFile
from qa.files.archives import check_archive
from qa.files.formulas import plain
from qa.files.uploads import MOST_BYTES, Upload

Cell = str | int | float | date | time  # a datetime is a date
EPOCH = datetime(1899, 12, 30)  # day 0 of a workbook's serial dates
DELIMITERS = (",", ";", "\t", "|")
MOST_ROWS = 200_000  # of a workbook
MOST_COLUMNS = 256
# What the workbook reader raises on a broken file: it promises no error of its own.
_BROKEN = (
    *(ArithmeticError, AttributeError, EOFError, LookupError, NotImplementedError, OSError),
    *(RuntimeError, TypeError, ValueError, InvalidFileException, ParseError),
    *(zipfile.BadZipFile, zlib.error),
)


@dataclass(frozen=True, slots=True)
class Row:
    """A row of cells; blank ones are ""."""

    number: int
    cells: tuple[Cell, ...]


@dataclass(frozen=True, slots=True)
class Table:
    """A file's headers and the rows below them that are not blank.

    Attributes
    ----------
    name : str
        The file's, for messages.
    above : tuple of Row
        What stands over the headers: a title, say.
    delimiter : str
        Of a CSV; "," for a workbook.
    epoch : datetime
        Day 0 of serial dates.
    """

    name: str
    headers: tuple[str, ...]
    rows: tuple[Row, ...]
    above: tuple[Row, ...] = ()
    delimiter: str = ","
    epoch: datetime = EPOCH


def read_table(
    file: str | Path | Upload, *, sheet: str | None = None, header_row: int | None = None
) -> Table:
    """The table in a CSV or XLSX file.

    Parameters
    ----------
    file : path or Upload
        A CSV's delimiter is found by looking; its text is UTF-8 (or UTF-16 with its mark), else
        Windows-1252.
    sheet : str, optional
        Of a workbook; else the first one that is not hidden.
    header_row : int, optional
        Where the headers are, counted from 1; else the first row that is not blank.

    Raises
    ------
    InvalidFile
        In one sentence, if the file cannot be read as a table.
    """
    file = file if isinstance(file, Upload) else _loaded(Path(file))
    workbook = file.name.lower().endswith((".xlsx", ".xlsm"))
    if file.content.startswith(b"\xd0\xcf\x11\xe0"):
        raise InvalidFile(
            f"{file} is an old .xls or a workbook with a password; save it as .xlsx without one"
        )
    if workbook and not zipfile.is_zipfile(io.BytesIO(file.content)):
        raise InvalidFile(f"{file} is not an XLSX workbook, whatever its name says")
    if len(file.content) > file.most_bytes:
        raise InvalidFile(_too_large(file.name, file.most_bytes))
    if workbook:
        return _workbook(file, sheet, header_row)
    if file.content.startswith(b"PK\x03\x04"):
        raise InvalidFile(f"{file} is a workbook or an archive, not CSV; name a workbook .xlsx")
    return _csv(file, header_row)


def _loaded(path: Path) -> Upload:
    try:
        if path.stat().st_size > MOST_BYTES:
            raise InvalidFile(_too_large(str(path), MOST_BYTES))
        return Upload(str(path), path.read_bytes(), MOST_BYTES)
    except OSError as reason:
        raise InvalidFile(f"{path} cannot be read: {reason.strerror}") from None


def _too_large(name: str, most: int) -> str:
    return f"{name} has more than {most >> 20} MB; import it in parts"


def shown(cell: Cell) -> str:
    """A cell as text; dates and times as ISO 8601 writes them, which no reader can mistake."""
    if isinstance(cell, datetime):
        return cell.isoformat(sep=" ", timespec="seconds")
    if isinstance(cell, date | time):
        return cell.isoformat()
    return str(cell)


def _csv(file: Upload, header_row: int | None) -> Table:
    text = _text(file)
    named = re.match(r"sep=(.)\r?\n", text)  # how some spreadsheets name the delimiter
    delimiter = named[1] if named else _delimiter(text)
    rows: list[Row] = []
    try:
        for number, cells in enumerate(_records(text, delimiter), start=1):
            if number > file.most_lines:
                raise InvalidFile(
                    f"{file} has more than {file.most_lines:,} rows; import it in parts"
                )
            if len(cells) > MOST_COLUMNS:
                raise InvalidFile(
                    f"{file} has cells right of column {MOST_COLUMNS} in row {number:,}; "
                    "delete the columns that are not audits"
                )
            rows.append(Row(number, tuple(cell.strip() for cell in cells)))
    except csv.Error as reason:
        raise InvalidFile(f"{file}: row {len(rows) + 1} is not CSV: {reason}") from None
    if named:
        rows[0] = Row(1, ())
    return _table(file, rows, header_row, delimiter, EPOCH)


def _text(file: Upload) -> str:
    raw = file.content
    marked = raw[:2] in (b"\xff\xfe", b"\xfe\xff")
    for encoding in ("utf-16",) if marked else ("utf-8-sig", "cp1252"):
        try:
            text = raw.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\0" not in text:
            return text
    raise InvalidFile(f"{file} is not text in UTF-8 or Windows-1252")


def _delimiter(text: str) -> str:
    """The delimiter that gives most rows the header's number of cells, and the most cells."""
    lines = [line for line in text[:20_000].splitlines(keepends=True) if line.strip()][:50]
    best, most = DELIMITERS[0], (0.0, 1)
    for delimiter in DELIMITERS:
        try:
            widths = [len(cells) for cells in csv.reader(lines, delimiter=delimiter) if cells]
        except csv.Error:
            continue
        width = max(set(widths), key=lambda each: (widths.count(each), each), default=1)
        score = (widths.count(width) / max(len(widths), 1), width)
        if width > 1 and score > most:
            best, most = delimiter, score
    return best


def _records(text: str, delimiter: str) -> Iterator[list[str]]:
    return csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)


def _workbook(file: Upload, sheet: str | None, header_row: int | None) -> Table:
    try:
        check_archive(file)
    except InvalidFile:
        raise
    except _BROKEN:
        raise InvalidFile(f"{file} is not an XLSX workbook, or is damaged") from None
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # of styles and extensions: not our cells
        try:
            book = openpyxl.load_workbook(
                io.BytesIO(file.content), read_only=True, data_only=True, keep_links=False
            )
        except _BROKEN:
            raise InvalidFile(f"{file} is not an XLSX workbook, or is damaged") from None
        try:
            rows = list(_sheet_rows(file, _sheet(file, book, sheet)))
        except _BROKEN as reason:
            if isinstance(reason, InvalidFile):
                raise
            raise InvalidFile(f"{file} is damaged: a sheet of it cannot be read") from None
        finally:
            book.close()
    return _table(file, rows, header_row, ",", book.epoch)


def _sheet(file: Upload, book: Any, name: str | None) -> Any:
    sheets = {each.title: each for each in book.worksheets}
    if name is not None and name not in sheets:
        raise InvalidFile(f'{file} has the sheets {", ".join(sheets)}, got "{name}"')
    seen = [each for each in book.worksheets if each.sheet_state == "visible"]
    if name is None and not seen:
        raise InvalidFile(f"{file} has no sheet that can be seen; say in the mapping which to read")
    return sheets[name] if name is not None else seen[0]


def _sheet_rows(file: Upload, sheet: Any) -> Iterator[Row]:
    sheet.reset_dimensions()  # what a file says of its own size is not to be trusted
    for number, cells in enumerate(sheet.iter_rows(), start=1):
        if number > MOST_ROWS:
            raise InvalidFile(
                f'{file}: sheet "{sheet.title}" has cells below row {MOST_ROWS:,}; '
                "delete the rows that are not audits, or import it in parts"
            )
        if len(cells) > MOST_COLUMNS:
            raise InvalidFile(
                f'{file}: sheet "{sheet.title}" has cells right of column {MOST_COLUMNS} in row '
                f"{number:,}; delete the columns that are not audits"
            )
        yield Row(number, tuple(_cell(cell) for cell in cells))


def _cell(cell: Any) -> Cell:
    value = cell.value
    if value is None:
        return ""
    if isinstance(value, str):
        return value.strip()
    if isinstance(value, bool):
        return str(value).upper()
    if isinstance(value, datetime):
        value = _to_second(value)
        plain = value.time() == time() and "h" not in cell.number_format.lower()
        return value.date() if plain else value
    if isinstance(value, timedelta):
        return _to_second(datetime.min + value).time() if value < timedelta(days=1) else str(value)
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    if isinstance(value, int) and re.fullmatch("0{2,}", cell.number_format):
        return str(value).zfill(len(cell.number_format))
    return value if isinstance(value, int | float | time) else str(value)


def _to_second(moment: datetime) -> datetime:
    """A serial date is a fraction of a day, so its last digits are noise."""
    return (moment + timedelta(microseconds=500_000)).replace(microsecond=0)


def _table(
    file: Upload, rows: Iterable[Row], header_row: int | None, delimiter: str, epoch: datetime
) -> Table:
    rows = list(rows)
    full = [row for row in rows if any(cell != "" for cell in row.cells)]
    first = header_row if header_row is not None else full[0].number if full else None
    head = next((row for row in full if row.number == first), None)
    if head is None:
        where = "" if header_row is None else f" {header_row}"
        raise InvalidFile(f"{file} has no row{where} with headers")
    headers = [plain(shown(cell)) for cell in head.cells]
    while headers and not headers[-1]:
        headers.pop()
    return Table(
        name=PurePath(file.name).name,
        headers=tuple(headers),
        rows=tuple(_fitted(row, len(headers)) for row in full if row.number > head.number),
        above=tuple(row for row in rows if row.number < head.number),
        delimiter=delimiter,
        epoch=epoch,
    )


def _fitted(row: Row, width: int) -> Row:
    """The row with a cell a header; what stands beyond the last header is kept, blanks are not."""
    cells = [*row.cells, *[""] * (width - len(row.cells))]
    while len(cells) > width and cells[-1] == "":
        cells.pop()
    return Row(row.number, tuple(cells))
