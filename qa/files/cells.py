"""What a cell means: dates, times and numbers as plants write them, and what a column decides.

``03/05/2026`` is a day in May or in March, ``4,000`` is four or four thousand: no cell can say
which. The whole column can, and where it cannot the mapping must.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, timezone, tzinfo

from qa.files.tables import Cell

_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_DATE = r"(?P<a>\d{1,4})(?P<sep>[-/. ])(?P<b>\d{1,2}|[A-Za-z]{3,9})(?P=sep)(?P<c>\d{4}|\d{1,2})"
_TIME = r"(?P<hour>\d{1,2})[:.h](?P<minute>\d\d)(?:[:.](?P<second>\d\d)(?:[.,]\d+)?)?"
_HALF = r"(?:\s*(?P<half>[AaPp])\.?[Mm]\.?)?"
_ZONE = r"\s*(?P<zone>[Zz]|UTC|[+-]\d\d:?\d\d)?"
_MOMENT = re.compile(rf"(?:{_DATE})?(?P<between>T|,?\s+)?(?:{_TIME}{_HALF}{_ZONE})?")
_SERIAL = re.compile(r"\d{1,5}(?:[.,]\d+)?")
_SERIAL_DAYS = (20_000, 80_000)  # 1954 to 2119: a count or a year is no date
_SPACES = re.compile(r"[\s']")  # thin and unbreakable spaces too


@dataclass(frozen=True, slots=True)
class When:
    """What a cell says of a moment: a date, a time of day, an offset, or some of them."""

    day: date | None = None
    clock: time | None = None
    zone: tzinfo | None = None

    def text(self) -> str:
        """As ISO 8601 writes it."""
        clock = self.clock.isoformat() if self.clock else ""
        offset = datetime.min.replace(tzinfo=self.zone).strftime("%z") if self.zone else ""
        return f"{self.day or ''} {clock}{offset}".strip()


def when(cell: Cell, *, day_first: bool, epoch: datetime) -> When | None:
    """The date and time that a cell says; None if it says neither.

    Parameters
    ----------
    cell : a cell of a table
        A date or time of a workbook, a serial number, or text: ISO 8601, or day, month and year
        between slashes, dots, hyphens or spaces, the month as a number or an English name.
    day_first : bool
        How to read 03/05/2026.
    epoch : datetime
        Day 0 of serial numbers.
    """
    if isinstance(cell, datetime):
        return When(cell.date(), cell.time(), cell.tzinfo)
    if isinstance(cell, date):
        return When(day=cell)
    if isinstance(cell, time):
        return When(clock=cell)
    text = str(cell)
    if _SERIAL.fullmatch(text) and (said := _serial(float(text.replace(",", ".")), epoch)):
        return said
    found = _MOMENT.fullmatch(text)
    if not found or not (found["a"] or found["hour"]):
        return None
    try:
        day = _day(found, day_first) if found["a"] else None
        return When(day, _clock(found), _offset(found["zone"]))
    except ValueError:
        return None


def day_first_votes(cells: Iterable[Cell]) -> tuple[set[bool], str]:
    """What a column of dates says of its order, and a date of it that could be read both ways.

    Returns
    -------
    votes : set of bool
        True where a date can only be day first, False where it can only be month first.
    unsure : str
        "" if every date can be read in one way only.
    """
    votes: set[bool] = set()
    unsure = ""
    for text in (cell for cell in cells if isinstance(cell, str)):
        found = _MOMENT.fullmatch(text)
        if not found or not found["a"] or len(found["a"]) > 2 or found["b"].isalpha():
            continue
        first, second = int(found["a"]), int(found["b"])
        if first > 12 >= second or second > 12 >= first:
            votes.add(first > 12)
        elif first != second:
            unsure = unsure or text
    return votes, unsure


def number(cell: Cell, decimal: str) -> Cell:
    """A whole number, where the cell says one; else the cell as it is.

    Parameters
    ----------
    cell : a cell of a table
    decimal : {".", ",", ""}
        The decimal mark; the other groups thousands. "" where the column leaves it open: then
        ``4,000`` is not read.
    """
    if not isinstance(cell, str):
        return cell
    if cell.isascii() and cell.isdecimal():
        return int(cell)
    text = _SPACES.sub("", cell)
    if decimal:
        grouped = re.fullmatch(rf"\d{{1,3}}(?:{re.escape(_other(decimal))}\d{{3}})+(\D0*)?", text)
        text = text.replace(_other(decimal), "") if grouped else text
        text = text.replace(decimal, ".")
    else:
        text = re.sub(r"^(\d+)[.,](\d{1,2})$", r"\1.\2", text)
    whole = re.fullmatch(r"(\d+)(?:\.0*)?", text)
    return int(whole[1]) if whole else cell


def needs_decimal(cell: Cell) -> bool:
    """Whether a number cannot be read without knowing its decimal mark, as 4,000 cannot."""
    if not isinstance(cell, str) or cell.isdecimal():
        return False
    return bool(re.fullmatch(r"\d{1,3}[.,]\d{3}", _SPACES.sub("", cell)))


def decimal_votes(cells: Iterable[Cell]) -> set[str]:
    """The decimal marks that a column of numbers uses, as far as its digits tell."""
    votes: set[str] = set()
    for cell in cells:
        if not isinstance(cell, str) or cell.isdecimal():
            continue
        text = _SPACES.sub("", cell)
        marks = re.sub(r"\d", "", text)
        if not marks or set(marks) - {".", ","}:
            continue
        tail = len(text) - 1 - max(text.rfind("."), text.rfind(","))
        if len(set(marks)) == 2 or (len(marks) == 1 and tail != 3):
            votes.add(marks[-1])
        elif len(marks) > 1:
            votes.add(_other(marks[-1]))
    return votes


def _other(decimal: str) -> str:
    return "." if decimal == "," else ","


def _serial(value: float, epoch: datetime) -> When | None:
    """A spreadsheet's number of days since its epoch, or a part of a day."""
    if 0 <= value < 1:
        return When(clock=(datetime.min + timedelta(seconds=round(value * 86400))).time())
    if not _SERIAL_DAYS[0] <= value <= _SERIAL_DAYS[1]:
        return None
    moment = epoch + timedelta(seconds=round(value * 86400))
    return When(moment.date(), None if value == int(value) else moment.time())


def _day(found: re.Match[str], day_first: bool) -> date:
    a, b, c = found["a"], found["b"], found["c"]
    if len(a) == 4 and b.isdigit() and len(c) <= 2:
        return date(int(a), int(b), int(c))
    if len(a) > 2 or len(c) not in (2, 4) or (len(c) == 2 and found["sep"] == "-"):
        raise ValueError  # 26-05-14 could be two different years
    year = int(c) if len(c) == 4 else 2000 + int(c)
    if b.isalpha():
        return date(year, _MONTHS.index(b[:3].lower()) + 1, int(a))
    day, month = (int(a), int(b)) if day_first else (int(b), int(a))
    return date(year, month, day)


def _clock(found: re.Match[str]) -> time | None:
    if not found["hour"]:
        return None
    hour = int(found["hour"])
    if found["half"]:
        if not 1 <= hour <= 12:
            raise ValueError
        hour = hour % 12 + 12 * (found["half"] in "Pp")
    return time(hour, int(found["minute"]), int(found["second"] or 0))


def _offset(text: str | None) -> tzinfo | None:
    if not text:
        return None
    if text in ("Z", "z", "UTC"):
        return UTC
    minutes = int(text[1:3]) * 60 + int(text[-2:])
    return timezone(timedelta(minutes=-minutes if text[0] == "-" else minutes))
