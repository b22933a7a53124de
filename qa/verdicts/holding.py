"""What a rejected lot holds back: all that its lane filled since its last accepted one."""

from collections.abc import Iterator, Mapping
from datetime import timedelta
from itertools import islice
from typing import Any, NamedTuple

import pandas as pd

from qa.programme import Programme
from qa.verdicts.judging import Case, Judge
from qa.wording import Wording, utc

LISTED = 6  # totes that a sentence names one by one


MOST = 200  # totes that a lot lists, the newest; the sentence counts them all
Lot = tuple[str, str, int]


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
    lot: Lot
    tote: str
    case: Case


def held(judge: Judge, programme: Programme) -> dict[Lot, Held]:
    """What each lot that stands rejected holds back."""
    lanes: dict[tuple[str, str], list[_Filled]] = {}
    for lot, case in judge.lots.items():
        pulled = [each for each in case.audits if each["purpose"] != "re-audit"]
        if pulled:
            last = max(pulled, key=_filled_at)
            row = _Filled(_filled_at(last), lot, last["tote"], case)
            lanes.setdefault((lot[0], last["lane"]), []).append(row)
    found: dict[Lot, Held] = {}
    for (_, lane), rows in lanes.items():
        found.update(_of_lane(judge.words, programme, lane, sorted(rows, key=lambda row: row.at)))
    return found


def _of_lane(
    words: Wording, programme: Programme, lane: str, rows: list[_Filled]
) -> Iterator[tuple[Lot, Held]]:
    since: _Filled | None = None
    back: dict[str, None] = {}
    for row in rows:
        original, standing = row.case.original, row.case.standing.verdict
        if original is not None and original.verdict == standing == "accept":
            since, back = row, {}
        elif standing != "accept":  # else it was re-sorted, and accepted since
            back.update(dict.fromkeys(_totes(row.case)))
        if standing == "reject":
            newest = list(islice(reversed(back), MOST))[::-1]
            ends = (next(iter(back)), newest[-1], len(back))
            yield (
                row.lot,
                Held(tuple(newest), _said(words, programme, lane, since, row, newest, ends)),
            )


def _said(
    words: Wording,
    programme: Programme,
    lane: str,
    since: _Filled | None,
    row: _Filled,
    totes: list[str],
    ends: tuple[str, str, int],
) -> str:
    first, last, count = ends
    listed = words.listed(totes)
    if count > LISTED:
        listed = words.say("hold.many", count=count, first=first, last=last)
    if since is None:
        return words.say("hold.all", lane=lane, totes=listed)
    between = _between(programme, lane, since.at, row.at) - count + 1
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
