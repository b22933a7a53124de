"""What a shift leaves open, as Shift and its printed sheet say it first."""

from typing import Any

from dash import html

from dashboard import components, people
from dashboard.texts import Wording
from dashboard.views import choices, standing
from dashboard.views.shift import ShiftView
from dashboard.views.standing import Accepted, HeldTote, Lot, Need

IDENTITY = "open"
MOST = standing.LISTED
SHOWN = 5  # lots of one kind that stand in the open; the others are opened
COLUMNS = ("lane", "since_why", "with_it")


def block(words: Wording, view: ShiftView) -> html.Section:
    """Lanes that need somebody, lots that stand held or locked, and what was put right."""
    say = words.say
    recent = [each for each in view.held if each.recent]
    older = [each for each in view.held if not each.recent]
    title = say("shift.open_now" if view.now < view.end else "shift.open_then")
    return components.panel(
        title,
        html.P(html.B(handed(words, view.needs, recent, view.stands.before)), id="open-sum"),
        *(
            [html.Ul([html.Li(need(words, view, each)) for each in view.needs])]
            if view.needs
            else []
        ),
        *listed(words, view, recent),
        *(before(words, view, older) if older else []),
        html.P(put_right(words, view)),
        html.P(say("shift.release_note"), className="quiet shift-note"),
        id=IDENTITY,
        className="shift-open",
    )


def handed(words: Wording, needs: tuple[Need, ...], recent: list[Lot], before: int) -> str:
    """All that is open, in one sentence."""
    say, parts = words.say, []
    for word in dict.fromkeys(each.word for each in needs):
        lanes = [each.lane for each in needs if each.word == word]
        parts.append(say(f"shift.hand_{word}", count=len(lanes), lanes=words.listed(lanes)))
    locked = sum(each.floor == "locked" for each in recent)
    counts = [("locked", locked), ("held", len(recent) - locked), ("before", before)]
    parts += [say(f"shift.hand_{name}", count=count) for name, count in counts if count]
    return say("shift.hand_over", what=", ".join(parts)) if parts else say("shift.hand_none")


def need(words: Wording, view: ShiftView, of: Need) -> list[Any]:
    """A lane's state in its sentences, and whether somebody has answered its signals."""
    say = words.say
    to = f"/lane{choices.query(lane=of.lane)}"
    head = [
        html.A(say("shift.open_lane", lane=of.lane), href=to),
        " ",
        components.status(of.word, say(f"status.{of.word}")),
    ]
    names = {each.code: each.name for each in view.programme.categories}
    unanswered = (say("shift.signal_open", category=names[each]) for each in of.open)
    told = [*of.sentences, *unanswered]
    return [*head, " ", " ".join(components.sentence(each) for each in told)]


def listed(words: Wording, view: ShiftView, lots: list[Lot]) -> list[Any]:
    """Lots held lately and all that are locked; what is next is said once for all that it is of."""
    if not lots:
        return []
    left_out, lots = newest(words, lots, len(lots))
    kinds = dict.fromkeys((e.floor, e.verdict) for e in lots)
    alike = [[e for e in lots if (e.floor, e.verdict) == kind] for kind in kinds]
    parts = [of_kind(words, view, each) for each in alike]
    return [*left_out, *(each for part in parts for each in part)]


def of_kind(words: Wording, view: ShiftView, lots: list[Lot]) -> list[Any]:
    """Lots that stand alike, the first in the open; of those that are locked, all.

    First come those that hold back what no other does, so that all of it is on paper as well.
    """
    say, of = words.say, lots[0]
    lots = sorted(lots, key=lambda each: told_with(each, lots) is not None)
    shown = len(lots) if of.floor == "locked" else SHOWN
    in_open, others = lots[:shown], lots[shown:]
    mark = html.B(say(f"floor_word.{of.floor}"), className=f"floor-{of.floor}")
    same = len({each.next for each in lots}) == 1
    said = "shift.for_each" if same else "shift.for_several"
    told = [html.P([mark, " ", say(said, count=len(lots), **({"next": of.next} if same else {}))])]
    if any(each.hold for each in lots):
        told.append(html.P(say("shift.hold_with"), className="quiet"))
    told.append(table(words, view, in_open, in_open, same=same))
    if others:
        title = html.Summary(say("shift.others", count=len(others)))
        told.append(html.Details([title, table(words, view, others, in_open, same=same)]))
        named = [say("shift.lot_lane", lot=each.lot, lane=each.lane) for each in others]
        also = say("shift.also", count=len(others), lots=", ".join(named))
        told.append(html.P(also, className="only-print"))
    return told


def table(
    words: Wording, view: ShiftView, lots: list[Lot], in_open: list[Lot], *, same: bool
) -> html.Div:
    """Some lots, with what stands back with each, and what is next where that is not the same."""
    beside = [then(words, view, each, in_open) for each in lots]
    names = COLUMNS if any(beside) else COLUMNS[:-1]
    rows = []
    for each, with_it in zip(lots, beside, strict=True):
        after = [] if same else [html.P(words.say("shift.next_of", next=each.next))]
        told = html.Div([why(words, view, each), *after])
        rows.append([each.lot, each.lane, told, html.Div(with_it, className="shift-with")])
    columns = [of_lot(words, view), *(words.say(f"shift.{name}") for name in names)]
    rows = [row[: len(columns)] for row in rows]
    return components.table(None, columns, rows, name=words.say("shift.lots"), stacks=columns)


def of_lot(words: Wording, view: ShiftView) -> str:
    return words.say("shift.tote" if view.programme.lot == "tote" else "shift.lot")


def why(words: Wording, view: ShiftView, lot: Lot) -> str:
    """Since when it is held and by what; what locks a lot says when by itself."""
    if lot.floor == "locked" or lot.since is None:
        return lot.why
    since = words.moment(lot.since, view.programme.zone)
    return words.say("shift.since", since=since, why=lot.why)


def before(words: Wording, view: ShiftView, lots: list[Lot]) -> list[Any]:
    """Lots held before the last days: told in a sentence, listed where somebody looks."""
    say = words.say
    left_out, listing = newest(words, lots, view.stands.before)
    rows = [[each.lot, each.lane, why(words, view, each)] for each in listing]
    columns = [of_lot(words, view), *(say(f"shift.{name}") for name in ("lane", "since_why"))]
    day = words.day(view.held_from)
    listed = components.table(None, columns, rows, name=say("shift.lots"))
    told = say("shift.held_before", count=view.stands.before, day=day)
    parts = [html.Summary(say("shift.list_before")), *left_out, listed]
    return [html.P(told), html.Details(parts)]


def newest(words: Wording, lots: list[Lot], of: int) -> tuple[list[html.P], list[Lot]]:
    """The lots that are listed, and a sentence where these are not all of so many."""
    left_out = [html.P(words.say("shift.newest", most=MOST))] if of > MOST else []
    return left_out, lots[:MOST]


def put_right(words: Wording, view: ShiftView) -> str:
    if not view.accepted:
        return words.say("shift.accepted_none")
    told = "; ".join(once_rejected(words, view, each) for each in view.accepted)
    return words.say("shift.accepted", count=len(view.accepted), lots=told)


def once_rejected(words: Wording, view: ShiftView, lot: Accepted) -> str:
    zone = view.programme.zone
    at = {"rejected": lot.rejected_at, "accepted": lot.accepted_at}
    whens = {name: words.moment(each, zone) for name, each in at.items()}
    return words.say("shift.accepted_lot", lot=lot.lot, lane=lot.lane, **whens)


def told_with(lot: Lot, lots: list[Lot]) -> Lot | None:
    """The one of some lots of its lane that holds back most, if all that this one does and more."""
    totes = {each.tote for each in lot.totes}
    wider = [each for each in lots if totes < {of.tote for of in each.totes}]
    lane = [each for each in wider if each.lane == lot.lane]
    return max(lane, key=lambda each: len(each.totes), default=None)


def then(words: Wording, view: ShiftView, lot: Lot, in_open: list[Lot]) -> list[Any]:
    """What stands back with a lot, what was done with it, and where its re-audit is logged."""
    other = told_with(lot, in_open)
    hold = words.say("shift.held_with", lot=other.lot) if lot.hold and other else lot.hold
    said: list[Any] = [html.P(hold)] if hold else []
    said += [html.P(done(words, view, each)) for each in lot.totes if each.what]
    parts: list[Any] = [html.Div(said)] if said else []
    if lot.verdict == "reject" and lot.totes and people.may(people.RECORD):
        to = choices.query(tote=lot.totes[-1].tote, lane=lot.lane, purpose="re-audit")
        link = html.A(words.say("shift.re_audit"), href=f"/tally{to}", className="choice no-print")
        parts.append(link)
    return parts


def done(words: Wording, view: ShiftView, tote: HeldTote) -> str:
    when = words.moment(tote.at, view.programme.zone) if tote.at else ""
    what = words.say(f"disposition.{tote.what}")
    return words.say("shift.done", tote=tote.tote, what=what, by=tote.by, when=when)
