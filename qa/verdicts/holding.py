"""What a rejected lot holds back: all that its lane filled since its last accepted one."""

from collections.abc import Iterator, Mapping
from datetime import timedelta
from typing import Any, NamedTuple

import pandas as pd

from qa.programme import Programme
from qa.verdicts.judging import Case, Judge
from qa.wording import Wording, utc

LISTED = 6  # totes that a sentence names one by one


class Held(NamedTuple):
    """What stands back with a rejected lot.

    Attributes
    ----------
    totes : tuple of str
        The lane's audited totes since its last accepted one, in order of filling.
    said : str
        All that the floor must consider holding and how to narrow it, as sentences.
    """

    totes: tuple[str, ...]
    said: str


class _Filled(NamedTuple):
    """One lot in the order in which its lane filled them."""

    at: Any
    lot: tuple[str, str]
    tote: str
    case: Case


def held(judge: Judge, programme: Programme) -> dict[tuple[str, str], Held]:
    """What each lot that stands rejected holds back, by (site, lot)."""
    lanes: dict[tuple[str, str], list[_Filled]] = {}
    for lot, case in judge.lots.items():
        pulled = [each for each in case.audits if each["purpose"] != "re-audit"]
        if pulled and case.original is not None:
            last = max(pulled, key=_filled_at)
            row = _Filled(_filled_at(last), lot, last["tote"], case)
            lanes.setdefault((lot[0], last["lane"]), []).append(row)
    found: dict[tuple[str, str], Held] = {}
    for (_, lane), rows in lanes.items():
        found.update(_of_lane(judge.words, programme, lane, sorted(rows, key=lambda row: row.at)))
    return found


def _of_lane(
    words: Wording, programme: Programme, lane: str, rows: list[_Filled]
) -> Iterator[tuple[tuple[str, str], Held]]:
    since: _Filled | None = None
    back: list[str] = []
    for row in rows:
        case = row.case
        if case.original is not None and case.original.verdict == "accept":
            since, back = row, []
        elif case.standing.verdict != "accept":  # else it was re-sorted, and accepted since
            back += [each for each in _totes(case) if each not in back]
        if case.standing.verdict == "reject":
            totes = tuple(back) or _totes(case)
            yield row.lot, Held(totes, _said(words, programme, lane, since, row, totes))


def _said(
    words: Wording,
    programme: Programme,
    lane: str,
    since: _Filled | None,
    row: _Filled,
    totes: tuple[str, ...],
) -> str:
    listed = words.listed(list(totes))
    if len(totes) > LISTED:
        listed = words.say("hold.many", count=len(totes), first=totes[0], last=totes[-1])
    if since is None:
        return words.say("hold.all", lane=lane, totes=listed)
    between = _between(programme, lane, since.at, row.at) - len(totes) + 1
    when = words.moment(utc(since.at), programme.zone)
    key = "hold.since_more" if between > 0 else "hold.since"
    said = words.say(
        key, lane=lane, tote=since.tote, when=when, totes=listed, more=words.about(between)
    )
    if between < 1:
        return said
    half = words.moment(utc(since.at + (row.at - since.at) / 2), programme.zone)
    return f"{said} {words.say('hold.bracket', when=half)}"


def _between(programme: Programme, lane: str, first: Any, last: Any) -> int:
    """Totes that a lane filled between two, if it ran with full nests all the while."""
    rate = programme.line_of(lane).pieces_per_second
    if not rate or programme.lot != "tote":
        return 0
    fill = timedelta(seconds=programme.pieces_per_tote / rate)
    return max(int((last - first) / fill) - 1, 0)


def _totes(case: Case) -> tuple[str, ...]:
    return tuple(dict.fromkeys(each["tote"] for each in case.audits))


def _filled_at(audit: Mapping[str, Any]) -> Any:
    return audit["pulled_at"] if pd.isna(audit["fill_start"]) else audit["fill_start"]
