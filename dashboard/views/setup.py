"""The programme as forms show it, its versions, and a change put in force from now on."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import inf
from urllib.parse import parse_qsl

from dashboard.views.typed import texts
from qa import amending
from qa.amending import PARTS, Difference, Part
from qa.audit import text_problem
from qa.errors import Conflict, InvalidAudit, InvalidInput, InvalidProgramme
from qa.programme import Programme, parse
from qa.store import records
from qa.store.schema import Store
from qa.wording import load
from qa.wording.told import told
from qa.wording.typed import plainly, two_ways

TEXT, VERSIONS = "text", "versions"
ASKED = ("part", "older", "newer", "account")
WHO, WHY, PART, VERSION = "stamp-who", "stamp-why", "stamp-part", "stamp-version"
MOST_ROWS = 1_000
FIGURES = {"number": inf, "per_cent": 100.0}  # kinds of field, and what is below it
_TICK = timedelta(seconds=1)


@dataclass(frozen=True, slots=True)
class Version:
    """One version of the programme, and what it says differently from the one before it."""

    version: int
    at: datetime
    by: str
    reason: str
    changes: tuple[Difference, ...]


@dataclass(frozen=True, slots=True)
class SetupView:
    """The newest programme and one part of it, by row and key; or two versions side by side.

    `part` is one of `qa.amending.PARTS`, "text" or "versions"; `older` and `newer` are the
    versions whose differences `between` says, if two were asked for.
    """

    programme: Programme
    part: str
    version: int
    text: str
    rows: amending.Rows
    versions: tuple[Version, ...]
    older: int | None
    newer: int | None
    between: tuple[Difference, ...]


def view(store: Store, search: str | None, sections: tuple[str, ...] = ()) -> SetupView:
    """What an address asks of the programme; `sections` are parts that others show.

    Raises
    ------
    InvalidInput
        If it asks for something that there is not.
    """
    asked = dict(parse_qsl((search or "").lstrip("?"), keep_blank_values=True))
    for name in asked:
        if name not in ASKED:
            raise InvalidInput(f'an address may ask for {", ".join(ASKED)}, got "{name}"')
    part = asked.get("part", next(iter(PARTS)))
    if part not in (*PARTS, TEXT, VERSIONS, *sections):
        known = ", ".join((*PARTS, TEXT, VERSIONS, *sections))
        raise InvalidInput(f'part must be one of {known}, got "{part}"')
    kept = records.programmes(store)
    if kept.empty:
        records.programme(store)  # says that there is none
    by_number = dict(zip(kept["version"].astype(str), kept["text"], strict=True))
    for name in ("older", "newer"):
        if asked.get(name, "1") not in by_number:
            raise InvalidInput(
                f'{name} must be a version from 1 to {len(kept)}, got "{asked[name]}"'
            )
    older, newer = asked.get("older"), asked.get("newer")
    both = older is not None and newer is not None
    newest = kept.iloc[-1]
    return SetupView(
        programme=parse(newest["text"]),
        part=part,
        version=int(newest["version"]),
        text=newest["text"],
        rows=amending.shown(newest["text"])[part] if part in PARTS else {},
        versions=_versions(store) if part == VERSIONS else (),
        older=int(older) if both else None,
        newer=int(newer) if both else None,
        between=amending.differences(by_number[older], by_number[newer]) if both else (),
    )


def change(
    store: Store, fields: Mapping[str, object], now: datetime, language: str = "en"
) -> tuple[Difference, ...]:
    """Put a changed programme in force: one part as a form typed it, or the whole text.

    Parameters
    ----------
    store : Store
    fields : mapping
        ``row-key`` or ``key`` of a part, or ``text``; and who, why, the part, and the version
        that was looked at.
    now : datetime

    Returns
    -------
    tuple of Difference
        What the new version says differently; none where nothing had changed, and then nothing
        is recorded.

    Raises
    ------
    InvalidAudit
        With every problem, field by field.
    InvalidProgramme
        With every fault of a whole text.
    Conflict
        If somebody else changed the programme meanwhile; nothing is written over.
    """
    problems: dict[str, str] = {}
    stamp = texts(fields, (WHO, WHY), problems, language)
    newest = records.programmes(store).iloc[-1]
    _check_newest(store, newest, fields, language)
    part = str(fields.get(PART) or "")
    if part == TEXT:
        if problems:
            raise InvalidAudit(problems)
        text = f"{str(fields.get('text') or '').replace(chr(13), '').strip()}\n"
        if text.strip() == newest["text"].strip():
            return ()
        parse(text)
    else:
        text = _amended(newest["text"], part, fields, problems, language)
    if text == newest["text"]:
        return ()
    told = amending.differences(newest["text"], text)
    # A clock that was set back, or that stands still in a demo, does not keep anybody from it.
    at = max(now, newest["at"].to_pydatetime() + _TICK)
    follows = int(newest["version"])
    records.put_programme(store, text, by=stamp[WHO], at=at, reason=stamp[WHY], follows=follows)
    return told or (Difference(TEXT, "", "", "", ""),)


def _amended(
    text: str, part: str, fields: Mapping[str, object], problems: dict[str, str], language: str
) -> str:
    which = PARTS.get(part)
    if which is None:
        raise InvalidInput(f'part must be one of {", ".join(PARTS)}, got "{part[:40]}"')
    before = amending.shown(text)[part]
    amiss: dict[str, str] = {}
    typed = _typed(which, before, fields, amiss, language)
    if amiss:
        raise InvalidAudit(problems | amiss)
    made = amending.amended(text, part, typed)
    try:
        parse(made)
    except InvalidProgramme as fault:
        found = amending.by_field(fault.problems, part, text, typed)
        shares = {each.key for each in which.fields if each.kind == "per_cent"}
        words = load(language)
        for name in shares & found.keys():
            value = typed.get("", {}).get(name, "")
            found[name] = words.say("field.per_cent", value=value or words.say("field.nothing"))
        problems |= {_sent(name): told(said, language) for name, said in found.items()}
        raise InvalidAudit(problems) from None
    if problems:
        raise InvalidAudit(problems)
    return made


def _typed(
    part: Part,
    before: amending.Rows,
    fields: Mapping[str, object],
    problems: dict[str, str],
    language: str,
) -> dict[str, dict[str, str]]:
    """A part's fields by row and key, of those that the part has; others are nobody's."""
    words, typed = load(language), {}
    figures = {each.key: FIGURES[each.kind] for each in part.fields if each.kind in FIGURES}
    keys = {_sent(each.key): each.key for each in part.fields} | {amending.GONE: amending.GONE}
    for name, value in fields.items():
        row, dash, key = name.rpartition("-")
        at_home = (row == "" and not dash) if not part.rows else _is_row(part, row)
        if key not in keys or not at_home:
            continue
        text = str(value or "").strip()
        if keys[key] in figures:
            kept, below = before.get(row, {}).get(keys[key]), figures[keys[key]]
            same = text.replace(",", ".") == kept
            if two_ways(text, below) and not same:
                problems[name] = words.say("field.two_ways", got=text)
            text = kept if same and kept else plainly(text, below)
        problem = text_problem(text, words) if text else ""
        if problem:
            problems[name] = problem
        typed.setdefault(row, {})[keys[key]] = text
    return typed


def _is_row(part: Part, row: str) -> bool:
    if part.names:
        return row in part.names
    return row.isascii() and row.isdecimal() and len(row) < 6 and int(row) < MOST_ROWS


def _sent(key: str) -> str:
    """A key as a form's field may be named."""
    return key.replace(".", "_")


def _check_newest(
    store: Store, newest: Mapping[str, object], fields: Mapping[str, object], language: str
) -> None:
    if str(fields.get(VERSION) or "") != str(newest["version"]):
        words, at = load(language), newest["at"]
        raise Conflict(
            words.say(
                "field.programme_changed",
                by=newest["by"],
                when=words.moment(at, records.programme(store).zone),
                reason=newest["reason"],
            )
        )


def _versions(store: Store) -> tuple[Version, ...]:
    """Every version, the newest first."""
    kept = records.programmes(store).to_dict("records")
    texts_before = [None, *(each["text"] for each in kept)]
    made = [
        Version(
            int(row["version"]),
            row["at"].to_pydatetime(),
            row["by"],
            row["reason"],
            amending.differences(before, row["text"]) if before else (),
        )
        for before, row in zip(texts_before, kept, strict=False)
    ]
    return tuple(reversed(made))
