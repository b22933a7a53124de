"""What an audit is: one sample of pieces pulled from one tote, sorted and counted.

`parse` turns raw fields, from a form, a file or another program, into an `Audit`, or says every
fault at once. Times are kept in UTC; a time without a zone is read as plant time.
"""

import hashlib
import uuid
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from itertools import combinations

from qa._form import MOST_CHARACTERS, Form, text_problem
from qa.errors import InvalidAudit
from qa.programme import Lane, Programme, production_day_and_shift, shift_times

__all__ = [
    "MOST_CHARACTERS",
    "PURPOSES",
    "Audit",
    "Finding",
    "derived_key",
    "moment",
    "new_key",
    "parse",
    "text_problem",
]

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


def moment(name: str, value: object, programme: Programme, *, language: str = "en") -> datetime:
    """The moment in UTC that a field says, by the rules of `parse`.

    Raises
    ------
    InvalidAudit
        With the field's problem.
    """
    form = Form({name: value}, programme, language)
    found = form.moment(name)
    if found is None:
        form.fault(name, "missing")
        raise InvalidAudit(form.problems)
    return found


def parse(fields: Mapping[str, object], programme: Programme, *, language: str = "en") -> Audit:
    """The audit that raw fields describe.

    Parameters
    ----------
    fields : mapping of field name to text, number, date or time
        Named as the attributes of `Audit`, and one a category code; blank or None is left out.
        May be left out: key, site, line, lot; shift (from pulled_at) and day (when the shift last
        began before pulled_at); product, where there is one; purpose, if routine; correct, where
        one piece shows one category; a category without pieces.
    programme : Programme
        Says which lanes, shifts, products and categories there are.
    language : str
        Of the messages: a file of `qa.wording`.

    Raises
    ------
    InvalidAudit
        With a message for every field at fault.
    """
    form = Form(fields, programme, language)
    form.only({*Audit.__dataclass_fields__, *programme.category_codes} - {"counts"})
    pulled_at = form.moment("pulled_at")
    if not form.given("pulled_at"):
        form.fault("pulled_at", "missing")
    shift = _shift(form, programme, pulled_at)
    day = _day(form, programme, shift, pulled_at)
    lane = form.choice("lane", {each.code: each for each in programme.lanes})
    purpose = form.choice("purpose", {each: each for each in PURPOSES}, default="routine") or ""
    tote = form.text("tote")
    inspected, correct, counts = _counts(form, programme)
    derived_lot = tote if programme.lot == "tote" else f"{day} {shift} {lane and lane.code}"
    audit = Audit(
        key=form.text("key", default=""),
        site=_site(form, programme),
        day=day,
        shift=shift,
        line=_line(form, lane),
        lane=lane.code if lane else "",
        product=_product(form, programme),
        tote=tote,
        lot=form.text("lot", default=derived_lot),
        pulled_at=pulled_at or datetime.min,
        inspector=form.text("inspector"),
        purpose=purpose,
        inspected=inspected,
        correct=correct,
        counts=counts,
        head=_head(form, purpose, lane),
        raw_lot=form.text("raw_lot", default="") or None,
        pieces_in_tote=_pieces(form, inspected),
        fill_start=form.moment("fill_start"),
        fill_end=form.moment("fill_end"),
        re_sorted_at=form.moment("re_sorted_at"),
        note=form.text("note", default=""),
        source=form.text("source", default="", most=None),  # a file's name, typed by nobody
    )
    _check_re_sort(form, purpose)
    _check_order(form, audit)
    if form.problems:
        raise InvalidAudit(form.problems)
    return audit if audit.key else replace(audit, key=derived_key(audit))


def _site(form: Form, programme: Programme) -> str:
    site = form.text("site", default=programme.site)
    if site != programme.site:
        form.fault("site", "site", site=programme.site, got=site)
    return site


def _line(form: Form, lane: Lane | None) -> str:
    if lane is None:
        return ""
    if form.text("line", default=lane.line) != lane.line:
        form.fault("line", "line", line=lane.line, lane=lane.code, got=form.shown("line"))
    return lane.line


def _product(form: Form, programme: Programme) -> str:
    codes = {each.code: each.code for each in programme.products}
    only = next(iter(codes)) if len(codes) == 1 else None
    return form.choice("product", codes, default=only) or ""


def _shift(form: Form, programme: Programme, pulled_at: datetime | None) -> str:
    """As given, else the one that ran when the pieces were pulled."""
    if form.given("shift"):
        return form.choice("shift", {each.code: each.code for each in programme.shifts}) or ""
    if pulled_at is None:
        return ""
    found = production_day_and_shift(programme, pulled_at)
    if found is None:
        clock = f"{pulled_at.astimezone(programme.zone):%H:%M}"
        form.fault("shift", "no_shift", clock=clock)
        return ""
    return found[1]


def _day(form: Form, programme: Programme, shift: str, pulled_at: datetime | None) -> date:
    """As given, else the last day on which the shift began before the pieces were pulled."""
    day = form.date("day")
    if pulled_at is None:
        return day or date.min
    today = pulled_at.astimezone(programme.zone).date()
    if day is None and shift and not form.given("day"):
        began = shift_times(programme, today, shift)[0] <= pulled_at
        return today if began else today - timedelta(days=1)
    if day and day > today:
        form.fault("day", "day_after", got=day)
    return day or date.min


def _head(form: Form, purpose: str, lane: Lane | None) -> str | None:
    if purpose != "head-check":
        if form.given("head") and purpose:
            form.fault("head", "head")
        return None
    if lane is None:
        return None
    if not lane.heads:
        form.fault("head", "no_heads", lane=lane.code)
    return form.choice("head", {each: each for each in lane.heads})


def _counts(form: Form, programme: Programme) -> tuple[int, int, dict[str, int]]:
    """Inspected, correct and the count of each category, checked against each other."""
    if not form.given("inspected"):
        form.fault("inspected", "missing")
    inspected = form.whole("inspected", least=1)
    correct = form.whole("correct")
    counts = {code: form.whole(code) or 0 for code in programme.category_codes}
    if inspected is None or not form.sound("correct", *counts):
        return inspected or 1, correct or 0, counts
    for code, count in counts.items():
        if count > inspected:
            form.fault(code, "count", got=count, inspected=inspected)
    if not form.sound(*counts):
        return inspected, correct or 0, counts
    if correct is None:
        if programme.several_per_piece:
            form.fault("correct", "correct_missing")
            return inspected, 0, counts
        correct = inspected - sum(counts.values())
    key = _arithmetic(inspected, correct, counts, several=programme.several_per_piece)
    if key:
        incorrect, total, most = inspected - correct, sum(counts.values()), max(counts.values())
        form.fault(
            "correct" if form.given("correct") else "inspected",
            key,
            got=correct,
            inspected=inspected,
            incorrect=incorrect,
            total=total,
            most=most,
            left=inspected - total,
        )
    return inspected, correct, counts


def _arithmetic(inspected: int, correct: int, counts: dict[str, int], *, several: bool) -> str:
    """The key of what is wrong with numbers that must add up; "" when nothing is."""
    incorrect, total, most = inspected - correct, sum(counts.values()), max(counts.values())
    if incorrect < 0:
        return "count"
    if not several and total > inspected:
        return "counted"
    if not several and total != incorrect:
        return "sum"
    if several and not most <= incorrect <= total:
        return "several"
    return ""


def _pieces(form: Form, inspected: int) -> int | None:
    pieces = form.whole("pieces_in_tote", least=1)
    if pieces is not None and pieces < inspected:
        form.fault("pieces_in_tote", "pieces", inspected=inspected, got=pieces)
    return pieces


def _check_re_sort(form: Form, purpose: str) -> None:
    if purpose == "re-audit" and not form.given("re_sorted_at"):
        form.fault("re_sorted_at", "re_sort_missing")
    if purpose not in ("", "re-audit") and form.given("re_sorted_at"):
        form.fault("re_sorted_at", "re_sort_blank", purpose=purpose)


def _check_order(form: Form, audit: Audit) -> None:
    """The times of one tote come in order: filled, re-sorted, pulled.

    A head check is pulled while its tote fills, so its fill may end later.
    """
    times = ["fill_start", "fill_end", "re_sorted_at", "pulled_at"]
    for early, late in combinations(times, 2):
        if (early, late, audit.purpose) == ("fill_end", "pulled_at", "head-check"):
            continue
        first, second = getattr(audit, early), getattr(audit, late)
        if form.sound(early, late) and first and second and first > second:
            form.late(early, late, second)


def _timed_uuid(moment: datetime, tail: bytes, *, version: int) -> str:
    milliseconds = (moment - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(milliseconds=1)
    bits = milliseconds << 80 | int.from_bytes(tail[:10], "big")
    bits = bits & ~(0xF << 76) | version << 76
    return str(uuid.UUID(int=bits & ~(0x3 << 62) | 0x2 << 62))
