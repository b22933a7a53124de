"""What an audit is: one sample of pieces pulled from one tote, sorted and counted.

`parse` turns raw fields, from a form, a file or another program, into an `Audit`, or says every
fault at once. Times are kept in UTC; a time without a zone is read as plant time.
"""

import hashlib
import uuid
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any

from qa.errors import InvalidAudit
from qa.programme import Programme, production_day_and_shift

PURPOSES = ("routine", "re-audit", "for-cause", "study", "head-check")


@dataclass(frozen=True, slots=True)
class Audit:
    """The record of one audit.

    Attributes
    ----------
    key : str
        Identifies the audit everywhere; whoever records it first makes it, and sending the same
        key again is harmless.
    day, shift : date, str
        The production day, on which the shift began, and the shift's code.
    head : str or None
        Only a head check has one: a routine audit mixes both heads of a lane.
    pulled_at : datetime
        When the pieces were pulled, in UTC.
    purpose : str
        One of `PURPOSES`; only routine audits speak of what lanes make.
    inspected, correct : int
        Pieces looked at, and pieces without any category.
    counts : mapping of category code to int
        Every category of the programme, zeros included.
    re_sorted_at : datetime or None
        A re-audit's: when the re-sort that it follows was done.
    source : str
        Where the record came from: "form", a file's name, ...
    """

    key: str
    site: str
    day: date
    shift: str
    line: str
    lane: str
    product: str
    tote: str
    lot: str
    pulled_at: datetime
    inspector: str
    purpose: str
    inspected: int
    correct: int
    counts: Mapping[str, int]
    head: str | None = None
    raw_lot: str | None = None
    pieces_in_tote: int | None = None
    fill_start: datetime | None = None
    fill_end: datetime | None = None
    re_sorted_at: datetime | None = None
    note: str = ""
    source: str = ""

    @property
    def incorrect(self) -> int:
        """Pieces with any category."""
        return self.inspected - self.correct


@dataclass(frozen=True, slots=True)
class Finding:
    """A food-safety finding: it locks its tote and the totes beside it, whatever samples say."""

    key: str
    site: str
    found_at: datetime
    line: str
    lane: str
    tote: str
    what: str


def new_key(moment: datetime, random: bytes) -> str:
    """A key that sorts by time: a UUID of version 7 (RFC 9562).

    Parameters
    ----------
    moment : datetime
        With its zone; its milliseconds lead the key.
    random : bytes
        At least ten, from the operating system's generator.

    Examples
    --------
    >>> new_key(datetime(2022, 2, 22, 19, 22, 22, tzinfo=UTC), bytes(10))
    '017f22e2-79b0-7000-8000-000000000000'
    """
    return _timed_uuid(moment, random, version=7)


def derived_key(audit: Audit) -> str:
    """A key from what an audit is of, so that the same row of a file always gets the same one.

    A UUID of version 8 (RFC 9562): the time of pulling, then a digest of site, line, lane, head,
    product, tote, time, inspector and purpose.
    """
    of = (audit.site, audit.line, audit.lane, audit.head or "", audit.product, audit.tote)
    when = audit.pulled_at.isoformat()
    what = "\x1f".join((*of, when, audit.inspector, audit.purpose))
    return _timed_uuid(audit.pulled_at, hashlib.sha256(what.encode()).digest(), version=8)


def parse(fields: Mapping[str, object], programme: Programme) -> Audit:
    """The audit that raw fields describe.

    Parameters
    ----------
    fields : mapping of field name to text, number, date or time
        Named as the attributes of `Audit`, and one a category code; blank or None is left out.
        May be left out: site, line, lot; day and shift (from pulled_at); product and inspector's
        note; correct, where one piece shows one category; a category without pieces.
    programme : Programme
        Says which lanes, shifts, products and categories there are.

    Raises
    ------
    InvalidAudit
        With a message for every field at fault.
    """
    form = _Form(fields, programme)
    form.nothing_unknown()
    pulled_at = form.moment("pulled_at", needed=True)
    day, shift = _day_and_shift(form, pulled_at)
    lane = form.choice("lane", {each.code: each for each in programme.lanes})
    line = lane.line if lane else ""
    if form.given("line") and lane and form.text("line") != line:
        form.fault("line", f'must be {line}, the line of lane {lane.code}, got "{form["line"]}"')
    product = form.choice(
        "product",
        {each.code: each for each in programme.products},
        default=programme.products[0] if len(programme.products) == 1 else None,
    )
    site = form.text("site", default=programme.site)
    if site != programme.site:
        form.fault("site", f'must be {programme.site}, the programme\'s site, got "{site}"')
    purpose = form.choice("purpose", {each: each for each in PURPOSES}, default="routine") or ""
    head = _head(form, purpose, lane.heads if lane else ())
    tote = form.text("tote")
    inspected, correct, counts = _counts(form, programme)
    derived_lot = tote if programme.lot == "tote" else f"{day} {shift} {lane and lane.code}"
    audit = Audit(
        key=form.text("key", default=""),
        site=site,
        day=day,
        shift=shift,
        line=line,
        lane=lane.code if lane else "",
        product=product.code if product else "",
        tote=tote,
        lot=form.text("lot", default=derived_lot),
        pulled_at=pulled_at or datetime.min,
        inspector=form.text("inspector"),
        purpose=purpose,
        inspected=inspected,
        correct=correct,
        counts=counts,
        head=head,
        raw_lot=form.text("raw_lot", default="") or None,
        pieces_in_tote=_pieces(form, inspected),
        fill_start=form.moment("fill_start"),
        fill_end=form.moment("fill_end"),
        re_sorted_at=form.moment("re_sorted_at"),
        note=form.text("note", default=""),
        source=form.text("source", default=""),
    )
    _check_order(form, audit)
    if form.problems:
        raise InvalidAudit(form.problems)
    return audit if audit.key else _replace_key(audit)


class _Form:
    """Raw fields being read: each reader notes a problem in words and gives a harmless value."""

    def __init__(self, fields: Mapping[str, object], programme: Programme) -> None:
        self._fields = {
            name: value.strip() if isinstance(value, str) else value
            for name, value in fields.items()
        }
        self._programme = programme
        self.problems: dict[str, str] = {}

    def __getitem__(self, name: str) -> Any:
        return self._fields.get(name)

    def given(self, name: str) -> bool:
        return self[name] is not None and self[name] != ""

    def fault(self, name: str, text: str) -> None:
        self.problems.setdefault(name, text)

    def nothing_unknown(self) -> None:
        known = {*Audit.__dataclass_fields__, *self._programme.category_codes} - {"counts"}
        for name in self._fields:
            if name not in known and self.given(name):
                self.fault(name, "is no field of an audit and no category of the programme")

    def text(self, name: str, default: str | None = None) -> str:
        if self.given(name):
            return str(self[name])
        if default is None:
            self.fault(name, "is missing")
        return default or ""

    def whole(self, name: str, *, least: int = 0, default: int | None = None) -> int | None:
        if not self.given(name):
            return default
        number = _as_whole(self[name])
        if number is None or number < least:
            self.fault(name, f"must be a whole number, {least} or more, got {_shown(self[name])}")
            return None
        return number

    def choice(self, name: str, choices: Mapping[str, Any], default: Any = None) -> Any:
        if not self.given(name) and default is not None:
            return default
        value = self.text(name)
        if value and value not in choices:
            self.fault(name, f"must be one of {', '.join(choices)}, got {_shown(value)}")
        return choices.get(value)

    def date(self, name: str) -> date | None:
        value = self[name]
        if isinstance(value, datetime):
            value = value.date()
        if isinstance(value, str):
            value = _tried(date.fromisoformat, value)
        if not isinstance(value, date):
            self.fault(name, f"must be a date such as 2026-03-16, got {_shown(self[name])}")
            return None
        return value

    def moment(self, name: str, *, needed: bool = False) -> datetime | None:
        if not self.given(name):
            if needed:
                self.fault(name, "is missing")
            return None
        value = self[name]
        if isinstance(value, str):
            value = _tried(datetime.fromisoformat, value)
        if not isinstance(value, datetime):
            rule = "must be a date and time such as 2026-03-16 14:05"
            self.fault(name, f"{rule}, got {_shown(self[name])}")
            return None
        if value.tzinfo is None:
            value = self._in_plant_time(name, value)
        return value and value.astimezone(UTC)

    def _in_plant_time(self, name: str, value: datetime) -> datetime | None:
        zone = self._programme.zone
        early, late = (value.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
        if early.utcoffset() == late.utcoffset():
            return early
        told = "comes twice" if early.utcoffset() > late.utcoffset() else "does not come"
        self.fault(
            name,
            f"{told} in plant time on the night the clocks change, got {_shown(self[name])}; "
            f"add the offset, such as {early.isoformat(sep=' ', timespec='minutes')}",
        )
        return None


def _day_and_shift(form: _Form, pulled_at: datetime | None) -> tuple[date, str]:
    """Both as given, else as the moment of pulling says."""
    programme = form._programme
    found = production_day_and_shift(programme, pulled_at) if pulled_at else None
    day = form.date("day") if form.given("day") else found and found[0]
    shift = (
        form.choice(
            "shift",
            {each.code: each.code for each in programme.shifts},
            default=found and found[1],
        )
        if form.given("shift") or pulled_at
        else None
    )
    if pulled_at and found is None and not form.given("shift"):
        local = pulled_at.astimezone(programme.zone)
        form.problems["shift"] = f"no shift runs at {local:%H:%M} plant time; say which it was"
    if pulled_at and day is None and "day" not in form.problems:
        form.fault("day", "is missing, and the time of pulling falls in no shift")
    if pulled_at and day and day > pulled_at.astimezone(programme.zone).date():
        form.fault("day", f"must not be after the pieces were pulled, got {day}")
    return day or date.min, shift or ""


def _head(form: _Form, purpose: str, heads: tuple[str, ...]) -> str | None:
    if purpose == "head-check":
        named = form.choice("head", {each: each for each in heads})
        return str(named) if named else None
    if form.given("head"):
        form.fault(
            "head",
            "must be blank: pieces of both heads mix in a tote, and only a head-check has a head",
        )
    return None


def _counts(form: _Form, programme: Programme) -> tuple[int, int, dict[str, int]]:
    """Inspected, correct and the count of each category, checked against each other."""
    inspected = form.whole("inspected", least=1)
    if not form.given("inspected"):
        form.fault("inspected", "is missing")
    read = {code: form.whole(code, default=0) for code in programme.category_codes}
    correct = form.whole("correct")
    counts = {code: count or 0 for code, count in read.items()}
    wrong = {"inspected", "correct", *counts} & set(form.problems)
    if inspected is None or wrong:
        return inspected or 1, correct or 0, counts
    for code, count in counts.items():
        if count > inspected:
            form.fault(code, f"must be from 0 to inspected, got {count} of {inspected}")
    if correct is None:
        if programme.several_per_piece:
            form.fault("correct", "is missing, and is needed where a piece may show several")
            return inspected, 0, counts
        correct = inspected - sum(counts.values())
    _check_arithmetic(form, inspected, correct, counts)
    return inspected, correct, counts


def _check_arithmetic(form: _Form, inspected: int, correct: int, counts: dict[str, int]) -> None:
    incorrect, total, most = inspected - correct, sum(counts.values()), max(counts.values())
    if incorrect < 0:
        form.fault("correct", f"must be from 0 to inspected, got {correct} of {inspected}")
    elif correct < 0:
        form.fault("inspected", f"must be at least what was counted: {total} of {inspected}")
    elif not form._programme.several_per_piece and total != incorrect:
        form.fault(
            "correct",
            f"must be inspected less the counts: {inspected} - {total} = {inspected - total}, "
            f"got {correct}",
        )
    elif form._programme.several_per_piece and not most <= incorrect <= total:
        form.fault(
            "correct",
            f"leaves {incorrect} incorrect, and the counts allow {most} to {total}, got {correct}",
        )


def _pieces(form: _Form, inspected: int) -> int | None:
    pieces = form.whole("pieces_in_tote", least=1)
    if pieces is not None and pieces < inspected:
        form.fault("pieces_in_tote", f"must be at least inspected {inspected}, got {pieces}")
    return pieces


def _check_order(form: _Form, audit: Audit) -> None:
    """The times of one tote come in order: filled, re-sorted, pulled."""
    if audit.purpose == "re-audit" and not form.given("re_sorted_at"):
        form.fault("re_sorted_at", "is missing: a re-audit says when the tote was re-sorted")
    if audit.purpose != "re-audit" and audit.re_sorted_at:
        form.fault("re_sorted_at", f"must be blank for purpose {audit.purpose}")
    if "pulled_at" in form.problems:
        return
    for early, late in (
        ("fill_start", "fill_end"),
        ("fill_end", "pulled_at"),
        ("fill_start", "pulled_at"),
        ("re_sorted_at", "pulled_at"),
    ):
        first, second = getattr(audit, early), getattr(audit, late)
        if audit.purpose == "head-check" and late == "pulled_at" and early != "fill_start":
            continue
        if first and second and first > second:
            form.fault(early, f"must not be after {late}, got {_shown(form[early])}")


def _replace_key(audit: Audit) -> Audit:
    values: dict[str, Any] = {name: getattr(audit, name) for name in Audit.__dataclass_fields__}
    return Audit(**{**values, "key": derived_key(audit)})


def _timed_uuid(moment: datetime, tail: bytes, *, version: int) -> str:
    milliseconds = (moment - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(milliseconds=1)
    bits = milliseconds << 80 | int.from_bytes(tail[:10], "big")
    bits = bits & ~(0xF << 76) | version << 76
    return str(uuid.UUID(int=bits & ~(0x3 << 62) | 0x2 << 62))


def _as_whole(value: Any) -> int | None:
    if isinstance(value, bool):
        return None
    if isinstance(value, int):
        return value
    if isinstance(value, float):
        return int(value) if value.is_integer() else None
    text = str(value)
    return int(text) if text.isascii() and text.isdigit() and len(text) < 10 else None


def _tried(read: Callable[[str], Any], text: str) -> Any:
    try:
        return read(text)
    except ValueError:
        return None


def _shown(value: object) -> str:
    text = f'"{value}"' if isinstance(value, str) else str(value)
    return text if len(text) <= 60 else text[:57] + "..."
