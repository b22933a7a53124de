"""What a rejected lot holds back: all that its lane filled since its last accepted one."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import timedelta
from itertools import islice
from operator import attrgetter
from typing import Any, NamedTuple

from qa.programme import Programme
from qa.verdicts.cases import Case, Lot
from qa.verdicts.judging import Judge
from qa.wording import Wording, utc

LISTED = 6  # totes that a sentence names one by one


MOST = 200  # totes that a lot lists, the newest; the sentence counts them all


class Held(NamedTuple):
    """What stands back with a rejected lot.

    Attributes
    ----------
    totes : tuple of str
        The lane's audited totes since its last accepted one, in order of filling.
    said : str
        All that the floor must consider holding and how to narrow it, as sentences.
    brief : str
        The same where a list says once what to consider and how to narrow it.
    """

    totes: tuple[str, ...]
    said: str
    brief: str


class Filled(NamedTuple):
    """One lot in the order in which its lane filled them."""

    at: Any
    order: int
    lot: Lot
    tote: str
    lane: str


def held(judge: Judge, programme: Programme) -> dict[Lot, Held]:
    """What each lot that stands rejected holds back."""
    lanes: dict[tuple[str, str], list[Filled]] = {}
    for lot, case in judge.lots.items():
        place = placed(lot, case)
        if place is not None:
            lanes.setdefault((lot[0], place.lane), []).append(place)
    found: dict[Lot, Held] = {}
    for (_, lane), rows in lanes.items():
        found.update(of_lane(judge.words, programme, lane, sorted(rows), judge.lots))
    return found


def placed(lot: Lot, case: Case) -> Filled | None:
    """Where a lot stands among those that its lane filled; None for one of re-audits alone."""
    pulled = [each for each in case.audits if each.purpose != "re-audit"]
    if not pulled:
        return None
    last = max(pulled, key=attrgetter("filled_at")) if len(pulled) > 1 else pulled[0]
    return Filled(last.filled_at, case.order, lot, last.tote, last.lane)


def accepted(case: Case) -> bool:
    """Whether a lot was accepted by its own sample, and stands accepted."""
    original = case.original
    return original is not None and original.verdict == case.standing.verdict == "accept"


def of_lane(
    words: Wording,
    programme: Programme,
    lane: str,
    rows: Sequence[Filled],
    cases: Mapping[Lot, Case],
) -> Iterator[tuple[Lot, Held]]:
    """What the rejected of some lots hold back, in order of filling.

    They are all of a lane, or those from one on that was `accepted`: what was before it is no
    longer held.
    """
    since: Filled | None = None
    back: dict[str, None] = {}
    for row in rows:
        case = cases[row.lot]
        standing = case.standing.verdict
        if accepted(case):
            since, back = row, {}
        elif standing != "accept":  # else it was re-sorted, and accepted since
            back.update(dict.fromkeys(each.tote for each in case.audits))
        if standing == "reject":
            newest = list(islice(reversed(back), MOST))[::-1]
            ends = (next(iter(back)), newest[-1], len(back))
            told = _said(words, programme, lane, since, row, newest, ends)
            yield row.lot, Held(tuple(newest), *told)


def _said(
    words: Wording,
    programme: Programme,
    lane: str,
    since: Filled | None,
    row: Filled,
    totes: list[str],
    ends: tuple[str, str, int],
) -> tuple[str, str]:
    first, last, count = ends
    listed = words.listed(totes)
    if count > LISTED:
        listed = words.say("hold.many", count=count, first=first, last=last)
    also = words.say("hold.also", totes=listed) if count > 1 else ""
    if since is None:
        said = words.say("hold.all", lane=lane, totes=listed)
        return said, words.say("hold.brief_all", also=also)
    between = _between(programme, lane, since.at, row.at) - count + 1
    where = {"tote": since.tote, "when": words.moment(utc(since.at), programme.zone)}
    if between < 1:
        said = words.say("hold.since", lane=lane, totes=listed, **where)
        return said, words.say("hold.brief", also=also, **where)
    half = words.moment(utc(since.at + (row.at - since.at) / 2), programme.zone)
    more = words.about(between)
    said = words.say("hold.since_more", lane=lane, totes=listed, more=more, **where)
    brief = words.say("hold.brief_more", also=also, more=more, half=half, **where)
    return f"{said} {words.say('hold.bracket', when=half)}", brief


def _between(programme: Programme, lane: str, first: Any, last: Any) -> int:
    """Totes that a lane filled between two, if it ran with full nests all the while."""
    rate = programme.line_of(lane).pieces_per_second
    if not rate or programme.lot != "tote":
        return 0
    fill = timedelta(seconds=programme.pieces_per_tote / rate)
    return max(int((last - first) / fill) - 1, 0)
