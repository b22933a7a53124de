"""The record as the ledger lists it; one audit's history; correcting and voiding it."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl, urlencode
from zoneinfo import ZoneInfo

import pandas as pd

from dashboard.views import restated
from dashboard.views.restated import Place, Restated
from dashboard.views.typed import texts
from qa import audit
from qa.audit import PURPOSES, Audit
from qa.errors import Conflict, InvalidAudit, InvalidInput, QAError, StoreError
from qa.files import exporting
from qa.programme import Programme
from qa.store import ledger, records, trail
from qa.store.ledger import KINDS, Asked, Listed
from qa.store.schema import ACTIONS, Store
from qa.wording import load

AUDITS = "audits"
WHATS = (AUDITS, *KINDS)
ORDERS = ("-recorded", "-pulled", "pulled", "-incorrect", "lane", "tote", "inspector")
CHOSEN = ("lane", "shift", "product", "purpose", "state")
FILTERS = ("first", "last", "tote", "lot", "inspector", *CHOSEN)
NAMES = ("what", *FILTERS, "order", "page", "key")
# What a correction may change, in the order of the form; a line follows from its lane.
EDITED = (
    *("pulled_at", "shift", "day", "lane", "product", "tote", "lot", "inspector", "purpose"),
    *("head", "re_sorted_at", "inspected", "correct", "raw_lot", "pieces_in_tote"),
    *("fill_start", "fill_end", "note"),
)
WHO, WHY, OF, REVISION = "stamp-who", "stamp-why", "stamp-audit", "stamp-revision"
MOST_EXPORTED = 200_000  # audits in a file that a page sends; the command writes any number


@dataclass(frozen=True, slots=True)
class Change:
    """One field that a version changed; a category goes by its name."""

    field: str
    before: str
    after: str


@dataclass(frozen=True, slots=True)
class Line:
    """An audit as the ledger lists it; `found` is each category's name with its count.

    `changes` are those of its newest entry, where that is a correction.
    """

    key: str
    state: str
    at: datetime
    by: str
    reason: str
    day: date
    shift: str
    lane: str
    tote: str
    product: str
    pulled_at: datetime
    inspector: str
    purpose: str
    inspected: int
    incorrect: int
    found: tuple[tuple[str, int], ...]
    changes: tuple[Change, ...]


@dataclass(frozen=True, slots=True)
class LedgerView:
    """A page of the record: `asked` holds the address's texts, `problems` what is wrong with any.

    Of `audits` and `deeds` one is empty; a deed is a row's texts and moments by name.
    """

    programme: Programme
    asked: Mapping[str, str]
    problems: Mapping[str, str]
    audits: tuple[Line, ...]
    deeds: tuple[Mapping[str, object], ...]
    page: int
    pages: int
    total: int


@dataclass(frozen=True, slots=True)
class Version:
    """One entry of an audit's history."""

    revision: int
    action: str
    at: datetime
    by: str
    reason: str
    source: str
    changes: tuple[Change, ...]


@dataclass(frozen=True, slots=True)
class AuditView:
    """One audit: its whole history, oldest first, and how its fields stand, as a form types them.

    `asked` is the address's texts, so that one can go back to the list.
    """

    key: str
    programme: Programme
    asked: Mapping[str, str]
    versions: tuple[Version, ...]
    fields: Mapping[str, str]

    @property
    def voided(self) -> bool:
        """Whether it is out of every figure."""
        return self.versions[-1].action == "voided"


def asked(search: str | None) -> dict[str, str]:
    """What an address asks for, blanks left out.

    Raises
    ------
    InvalidInput
        If it names something that the ledger does not know.
    """
    said = dict(parse_qsl((search or "").lstrip("?"), keep_blank_values=True))
    for name in said:
        if name not in NAMES:
            raise InvalidInput(f'an address may ask for {", ".join(NAMES)}, got "{name}"')
    return {name: text.strip() for name, text in said.items() if text.strip()}


def address(known: Mapping[str, str], **changed: object) -> str:
    """The query that asks for what is known, with some of it changed; None takes one away."""
    said = {**known, **{name: str(each) for name, each in changed.items() if each is not None}}
    kept = {n: t for n, t in said.items() if n not in changed or changed[n] is not None}
    return f"?{urlencode(kept)}" if kept else ""


def view(store: Store, known: Mapping[str, str], language: str = "en") -> LedgerView:
    """A page of the record, by what the address asks for."""
    programme = records.programme(store)
    problems: dict[str, str] = {}
    what = _one_of(known, "what", WHATS, problems, language) or AUDITS
    order = _one_of(known, "order", ORDERS, problems, language) or ORDERS[0]
    wanted = _wanted(known, problems, language)
    page = _page(known, problems, language)
    if problems:
        return LedgerView(programme, known, problems, (), (), 1, 1, 0)
    if what != AUDITS:
        found = ledger.deeds(store, what, page=page)
        rows = tuple(_plain(row) for row in found.rows.to_dict("records"))
        return LedgerView(programme, known, {}, (), rows, found.page, found.pages, found.total)
    how = {"order": order.lstrip("-"), "descending": order.startswith("-")}
    found = ledger.audits(store, wanted, page=page, **how)
    lines = _lines(store, found, programme)
    return LedgerView(programme, known, {}, lines, (), found.page, found.pages, found.total)


def export(store: Store, path: Path, known: Mapping[str, str], language: str = "en") -> int:
    """Write the audits that an address asks for to a new file, by its ending; how many.

    Raises
    ------
    InvalidInput
        If something asked for is at fault, only voided audits are asked for, or there are more
        than a page sends.
    InvalidFile
        As `qa.files.exporting.export`.
    """
    problems: dict[str, str] = {}
    wanted, words = _wanted(known, problems, language), load(language)
    if problems:
        raise InvalidInput("; ".join(f"{name} {said}" for name, said in problems.items()))
    if wanted.state == "voided":
        raise InvalidInput(words.say("field.voided_stay"))
    found = ledger.audits(store, wanted).total
    if found > MOST_EXPORTED:
        raise InvalidInput(words.say("field.too_many", most=MOST_EXPORTED, got=found))
    return exporting.export(store, path, **asdict(wanted))


def history(store: Store, known: Mapping[str, str]) -> AuditView:
    """One audit with its whole history.

    Raises
    ------
    StoreError
        If there is no such audit.
    """
    key = known["key"]
    rows = records.history(store, key)
    kept = rows.to_dict("records")
    last = kept[-1]
    programme = records.programme(store, last["pulled_at"].to_pydatetime())
    names = _names(records.programmes_by_version(store).values())
    versions = tuple(
        Version(
            int(row["revision"]),
            row["action"],
            row["at"].to_pydatetime(),
            row["by"],
            row["reason"],
            row["source"],
            _changes(before, row, programme.zone, names),
        )
        for before, row in zip([None, *kept], kept, strict=False)
    )
    return AuditView(key, programme, known, versions, _typed(last, programme))


@dataclass(frozen=True, slots=True)
class Corrected:
    """A correction that is recorded: the audit's tote, and what became of its lots."""

    tote: str
    lots: tuple[Restated, ...]


def correct(
    store: Store, fields: Mapping[str, object], now: datetime, language: str = "en"
) -> Corrected | None:
    """Record a correction: the audit's fields, whose, why, and the revision that was looked at.

    Returns
    -------
    Corrected or None
        None where nothing had changed.

    Raises
    ------
    InvalidAudit
        With every problem, field by field.
    Conflict
        If somebody else changed the audit meanwhile; nothing is written over.
    """
    problems: dict[str, str] = {}
    stamp = texts(fields, (WHO, WHY), problems, language)
    key, revision = _looked_at(fields)
    last = records.history(store, key).iloc[-1]
    source = last["source"]
    made: Audit | None = None
    try:
        programme = _programme_of(store, fields, language)
        names = (*(n for n in EDITED if n in fields), *programme.category_codes)
        raw = {name: fields.get(name) for name in names}
        made = audit.parse({**raw, "key": key, "source": source}, programme, language=language)
    except InvalidAudit as fault:
        problems |= fault.problems
    if problems or made is None:
        raise InvalidAudit(problems)
    _check_unchanged(store, key, revision, language)
    old, new = _place(last), Place(made.site, made.lot, made.pulled_at)
    before = restated.lots(store, (old, new), language)
    stamped = {"by": stamp[WHO], "at": now, "reason": stamp[WHY]}
    if not records.correct(store, made, **stamped, revision=revision).new:
        return None
    after = restated.lots(store, (old, new), language)
    return Corrected(made.tote, restated.restated(before, after, old, new))


def void(
    store: Store, fields: Mapping[str, object], now: datetime, language: str = "en"
) -> tuple[Restated, ...]:
    """Take an audit out of every figure: whose, why, and the revision that was looked at.

    Returns
    -------
    tuple of Restated
        What became of its lot.

    Raises
    ------
    InvalidAudit, Conflict
        As for `correct`.
    """
    problems: dict[str, str] = {}
    stamp = texts(fields, (WHO, WHY), problems, language)
    if problems:
        raise InvalidAudit(problems)
    key, revision = _looked_at(fields)
    _check_unchanged(store, key, revision, language)
    old = _place(records.history(store, key).iloc[-1])
    before = restated.lots(store, (old,), language)
    stamped = {"by": stamp[WHO], "at": now, "reason": stamp[WHY]}
    records.void(store, key, **stamped, revision=revision)
    return restated.restated(before, restated.lots(store, (old,), language), old, None)


def _place(row: Mapping[str, Any] | pd.Series) -> Place:
    return Place(row["site"], row["lot"], row["pulled_at"])


def breaks(store: Store) -> tuple[str, ...]:
    """Every place where the record contradicts itself; none when it is whole."""
    return trail.check(store)


def _check_unchanged(store: Store, key: str, revision: int, language: str) -> None:
    """Say it in plant time and the reader's language; the store checks again as it writes."""
    last = records.history(store, key).iloc[-1]
    if int(last["revision"]) != revision:
        words = load(language)
        zone = records.programme(store).zone
        raise Conflict(
            words.say(
                "field.changed_meanwhile",
                by=last["by"],
                when=words.moment(last["at"].to_pydatetime(), zone),
                reason=last["reason"],
            )
        )


def _looked_at(fields: Mapping[str, object]) -> tuple[str, int]:
    key, revision = str(fields.get(OF) or ""), str(fields.get(REVISION) or "")
    if not revision.isdecimal() or not revision.isascii() or len(revision) > 9:
        raise StoreError(f'the revision that was looked at must be a number, got "{revision[:20]}"')
    return key, int(revision)


def _programme_of(store: Store, fields: Mapping[str, object], language: str) -> Programme:
    """The programme in force when the pieces were pulled, as the correction says it."""
    newest = records.programme(store)
    try:
        at = audit.moment("pulled_at", fields.get("pulled_at"), newest, language=language)
    except InvalidAudit:
        return newest  # the whole form is then said to be at fault, this field among others
    return records.programme(store, at)


def _wanted(known: Mapping[str, str], problems: dict[str, str], language: str) -> Asked:
    for name, choices in (("state", ACTIONS), ("purpose", PURPOSES)):
        _one_of(known, name, choices, problems, language)
    days = {name: _day(known, name, problems, language) for name in ("first", "last")}
    first, last = days["first"], days["last"]
    if first and last and last < first:
        problems["last"] = load(language).say("field.day_order")
    named = {name: known.get(name) for name in ("tote", "lot", "inspector", *CHOSEN)}
    return Asked(first_day=first, last_day=last, **named)


def _one_of(
    known: Mapping[str, str],
    name: str,
    choices: Sequence[str],
    problems: dict[str, str],
    language: str,
) -> str | None:
    value = known.get(name)
    if value is not None and value not in choices:
        listed = ", ".join(choices)
        problems[name] = load(language).say("problem.choice", choices=listed, got=f'"{value}"')
    return value


def _day(
    known: Mapping[str, str], name: str, problems: dict[str, str], language: str
) -> date | None:
    text = known.get(name)
    if text is None:
        return None
    try:
        return datetime.strptime(text, "%Y-%m-%d").date()
    except ValueError:
        problems[name] = load(language).say("field.day", value=f'"{text}"')
        return None


def _page(known: Mapping[str, str], problems: dict[str, str], language: str) -> int:
    text = known.get("page", "1")
    if text.isascii() and text.isdecimal() and len(text) < 10 and int(text):
        return int(text)
    problems["page"] = load(language).say("field.page", got=f'"{text[:20]}"')
    return 1


def _lines(store: Store, found: Listed, programme: Programme) -> tuple[Line, ...]:
    names = _names(records.programmes_by_version(store).values())
    before: dict[str, dict[str, object]] = {}
    if (found.rows["action"] == "corrected").any():
        earlier = ledger.replaced(store, found.rows).to_dict("records")
        before = {row["key"]: _sideways(row, names) for row in earlier}
    return tuple(
        Line(
            state=row["action"],
            at=row["at"].to_pydatetime(),
            day=row["day"].date(),
            pulled_at=row["pulled_at"].to_pydatetime(),
            incorrect=row["inspected"] - row["correct"],
            found=tuple((names.get(code, code), n) for code, n in row["counts"].items() if n),
            changes=_changes(before.get(row["key"]), _sideways(row, names), programme.zone, names),
            **{
                name: row[name]
                for name in (
                    *("key", "by", "reason", "shift", "lane", "tote", "product", "inspector"),
                    *("purpose", "inspected"),
                )
            },
        )
        for row in found.rows.to_dict("records")
    )


def _sideways(row: Mapping[str, Any], names: Iterable[str]) -> dict[str, object]:
    """An entry with a column a category."""
    return {**row, **{code: row["counts"].get(code) for code in names}}


def _names(programmes: Iterable[Programme]) -> dict[str, str]:
    """Every category's name; the newest programme that has it says it."""
    return {c.code: c.name for each in programmes for c in each.categories}


def _plain(row: Mapping[str, object]) -> dict[str, object]:
    blank = {name: None if value is pd.NaT else value for name, value in row.items()}
    return {
        name: value.to_pydatetime() if isinstance(value, pd.Timestamp) else value
        for name, value in blank.items()
    }


def _changes(
    before: Mapping[str, object] | None,
    after: Mapping[str, object],
    zone: ZoneInfo,
    names: Mapping[str, str],
) -> tuple[Change, ...]:
    if before is None:
        return ()
    fields = [*EDITED, "line", *names]
    pairs = ((name, _text(before[name], zone), _text(after[name], zone)) for name in fields)
    return tuple(Change(names.get(n, n), old, new) for n, old, new in pairs if old != new)


def _typed(row: Mapping[str, object], programme: Programme) -> dict[str, str]:
    """An audit's fields as a form types them; day and lot are blank where they follow."""
    names = (*EDITED, *programme.category_codes)
    typed = {name: _text(row[name], programme.zone) for name in names}
    if not programme.several_per_piece:
        typed["correct"] = ""
    for name in ("lot", "day"):
        try:
            follows = audit.parse({**typed, name: ""}, programme)
        except QAError:
            continue
        if str(getattr(follows, name)) == typed[name]:
            typed[name] = ""
    return typed


def _text(value: object, zone: ZoneInfo) -> str:
    """A value as people type it: plant time without what is zero, the offset where it must be."""
    if value is None or value is pd.NaT or value != value:
        return ""
    if isinstance(value, pd.Timestamp):
        return f"{value:%Y-%m-%d}" if value.tzinfo is None else _clock(value.to_pydatetime(), zone)
    return str(int(value)) if isinstance(value, float) else str(value)


def _clock(moment: datetime, zone: ZoneInfo) -> str:
    local = moment.astimezone(zone)
    early, late = (local.replace(fold=fold).utcoffset() for fold in (0, 1))
    shown = local if early != late else local.replace(tzinfo=None)
    form: Callable[..., str] = shown.isoformat
    exact = "minutes" if not local.second and not local.microsecond else "auto"
    return form(sep=" ", timespec=exact)
