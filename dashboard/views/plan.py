"""Plan: a wish in the page's address, the plan that answers it, its curves, and what to pull."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import NamedTuple
from urllib.parse import parse_qsl, urlencode

from dashboard.views.keeping import Record, record
from dashboard.views.record import day_and_shift, days_of, window
from qa import planning, verdicts
from qa.errors import InvalidAsk, InvalidInput, NoSuchPlan, QAError
from qa.planning import Answer, Curves, Pulling, ask, pulling, sheet, words
from qa.planning.words import Told
from qa.programme import JUDGED, Programme, lot_size
from qa.store.schema import Store
from qa.tally import routine
from qa.wording import Wording, load
from qa.wording.told import told
from qa.wording.typed import plainly

RECENT_DAYS = 30  # production days whose audits say how many totes of a shift are audited
MOST = 3  # plans on one picture
BESIDE = "beside"  # a wish that stays on the picture, as the query of its own address
KINDS = {"aql": ("single", "double", "multiple"), "points": ("single", "double")}
Texts = Mapping[str, str]
Table = tuple[Sequence[str], Sequence[Sequence[str]]]


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """A plan on the picture: what it says, the wish it answers, and its curves."""

    pull: str
    wish: str
    answer: Answer
    curves: Curves


@dataclass(frozen=True, slots=True, eq=False)
class PullView:
    """The lower half: its form, and what to pull where that can be told.

    `problems` are by field; `trouble` is of the whole.
    """

    by: str
    fields: Texts
    problems: Texts
    trouble: str
    pulling: Pulling | None
    said: str
    rows: tuple[tuple[str, ...], ...]
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class PlanView:
    """What the page shows.

    Attributes
    ----------
    fields : the texts of the form: the address's, else those that follow from the programme
    changed : whether the address says anything of inspectors, totes or work
    problems, trouble : by field, and of the whole; then there is no answer
    instead : what inspecting every piece asks, where no plan answers
    told, table : the answer in words and its risk table
    in_shift : where the lots of a shift come from; "" where the address says them
    samples : the table of a plan's samples, where it has more than two
    points : chances, the qualities that the plan asked accepts as often, and these in words
    drawn : the plan asked, where there is one, then those kept beside it
    address : the address's own names and texts, for links
    """

    programme: Programme
    way: str
    fields: Texts
    changed: bool
    kinds: tuple[str, ...]
    problems: Texts
    trouble: str
    instead: str
    told: Told | None
    in_shift: str
    table: Table
    samples: Table | None
    points: tuple[tuple[float, float, str], ...]
    drawn: tuple[Drawn, ...]
    answered: bool
    pull: PullView
    address: tuple[tuple[str, str], ...]


def view(store: Store, search: str | None, now: datetime, language: str = "en") -> PlanView:
    """The page for an address.

    Raises
    ------
    InvalidInput
        If the address names something that there is not.
    """
    kept = record(store)
    programme, audited = kept.programme, _audited(kept)
    said = _read(search)
    raw = dict(said)
    way = raw.get("way") or _first_way(raw, programme)
    if way not in planning.WAYS:
        raise InvalidInput(f"way must be one of {', '.join(planning.WAYS)}, got {way}")
    fields = _fields(raw, way, programme, audited, now)
    text = load(language)
    found = _answered({"way": way, **fields}, programme, text)
    answer = found.answer
    beside = [text for name, text in said if name == BESIDE]
    wish = wish_of(way, fields)
    drawn = _drawn(
        [(wish, answer)] if answer else [], [each for each in beside if each != wish], text
    )
    return PlanView(
        programme=programme,
        way=way,
        fields=fields,
        changed=any(name in raw for name in _conditions()),
        kinds=_kinds(way, fields),
        problems=found.problems,
        trouble=found.trouble,
        instead=found.instead,
        told=words.tell(answer, text, programme.lot) if answer else None,
        in_shift=_in_shift(raw, way, programme, fields, audited, text),
        table=words.table(answer, text) if answer else ((), ()),
        samples=words.stages(answer, text) if answer and len(answer.stages) > 2 else None,
        points=_points(answer, text) if answer else (),
        drawn=drawn,
        answered=answer is not None,
        pull=_pull(raw, answer, programme, now, text),
        address=said,
    )


def sheet_of(store: Store, search: str, now: datetime, language: str = "en") -> str:
    """The pull sheet for an address, as HTML.

    Raises
    ------
    InvalidInput
        If the address has no pull that can be drawn; with the reason.
    """
    shown = view(store, search, now, language)
    faults = {**shown.problems, **shown.pull.problems}
    if faults:
        raise InvalidAsk(faults)
    if shown.pull.pulling is None or shown.told is None:
        raise InvalidInput(shown.trouble or shown.pull.trouble)
    return sheet.sheet(shown.pull.pulling, shown.told.pull, load(language), shown.programme)


def address(pairs: Iterable[tuple[str, str]]) -> str:
    """The query that says some names and texts."""
    made = urlencode(list(pairs))
    return f"?{made}" if made else ""


def wish_of(way: str, fields: Texts) -> str:
    """A wish as the query of its own address, so that the same wish is the same text."""
    named = ((name, fields.get(name, "").strip()) for name in ask.names(way))
    return urlencode([("way", way), *((name, text) for name, text in named if text)])


def _read(search: str | None) -> tuple[tuple[str, str], ...]:
    said = parse_qsl((search or "").lstrip("?"), keep_blank_values=True)
    known = ("way", *ask.READERS, "by", *pulling.READERS, BESIDE)
    for name, _ in said:
        if name not in known:
            raise InvalidInput(f"an address may ask for {', '.join(known)}, got {name}")
    if sum(name == BESIDE for name, _ in said) >= MOST:
        raise InvalidInput(f"{BESIDE} must come {MOST - 1} times at most")
    return tuple(said)


@dataclass(frozen=True, slots=True)
class _Answered:
    """What became of a wish: an answer, problems by field, or a trouble and what to do instead."""

    answer: Answer | None = None
    problems: Texts = field(default_factory=dict)
    trouble: str = ""
    instead: str = ""


def _answered(raw: Texts, programme: Programme, text: Wording) -> _Answered:
    try:
        asked = planning.read(raw)
        return _Answered(planning.answer(asked))
    except InvalidAsk as reason:
        return _Answered(problems=_told(reason, text))
    except NoSuchPlan as reason:
        instead = words.instead(asked, text, programme.lot)
        return _Answered(trouble=told(str(reason), text.language), instead=instead)


def _told(reason: InvalidAsk, text: Wording) -> Texts:
    return {name: told(each, text.language) for name, each in reason.problems.items()}


def share(quality: float, text: Wording) -> str:
    """A share of pieces as the answer's words write it."""
    return words.per_cent(quality, text)


def _points(answer: Answer, text: Wording) -> tuple[tuple[float, float, str], ...]:
    return tuple(
        (chance, quality, words.share(answer, quality, text))
        for chance, quality in zip(answer.chances, answer.qualities, strict=True)
        if quality is not None
    )


def _drawn(
    first: list[tuple[str, Answer]], beside: Sequence[str], text: Wording
) -> tuple[Drawn, ...]:
    """The plans on the picture, over the same qualities."""
    found = [*first, *((each, _beside(each)) for each in beside)]
    if not found:
        return ()
    worst = max(planning.span(answer) for _, answer in found)
    if any(answer.model != "poisson" for _, answer in found):
        worst = min(worst, 1.0)
    return tuple(
        Drawn(words.brief(answer, text), wish, answer, planning.curves(answer, worst))
        for wish, answer in found
    )


def _beside(wish: str) -> Answer:
    return planning.answer(planning.read(dict(parse_qsl(wish, keep_blank_values=True))))


# What the form says before anyone has typed


def _fields(
    raw: Texts, way: str, programme: Programme, audited: int | None, now: datetime
) -> dict[str, str]:
    """The texts of a way's form, and whatever else of a wish the address says."""
    start = _defaults(programme, way, audited)
    if way == "claim":
        totes = _pull_fields(raw, "plan", programme, now)["totes"]
        start |= {"from_totes": _spread(raw, start, totes), "lots": ""}
    fields = {name: start[name] for name in ask.names(way)}
    return fields | {name: plainly(text) for name, text in raw.items() if name in ask.READERS}


def _spread(raw: Texts, start: Texts, totes: str) -> str:
    """The totes over which a claim's pieces are spread: those pulled, each with a piece at least.

    A claim is of everything that is claimed, and the pieces of one tote prove that tote alone.
    """
    known = {name: raw.get(name, start[name]) for name in ask.names("claim")}
    try:
        found = planning.answer(planning.read({"way": "claim", **known, "from_totes": "1"}))
        return str(min(int(totes), found.plan.n))
    except (QAError, ValueError):  # told by the wish itself
        return "1"


def _defaults(programme: Programme, way: str, audited: int | None = None) -> dict[str, str]:
    short = 100 * (1 - programme.target)
    own = {wish.way: wish.asked for wish in reversed(class_wishes(programme))}
    table = own.get("aql", {"aql": "1", "level": "II", "kind": "single"})
    tote = programme.lot == "tote"
    lanes, shift = programme.lanes, programme.shifts[0].code
    full = [_full(programme, lane.code, shift) for lane in lanes]
    lane_lots = "" if tote else str(len(lanes))
    return {
        "lot_size": str(lot_size(programme, lanes[0].code, shift)),
        **{"aql": table["aql"], "level": table["level"], "inspection": "normal"},
        "kind": table["kind"] if way == "aql" else "single",
        **{"p1": _number(short), "p2": _number(5 * short)},
        **{"producer_risk": "5", "consumer_risk": "10"},
        **{"target": _number(100 * programme.target), "incorrect": "0"},
        "confidence": _number(100 * programme.confidence),
        **{"lq": _number(5 * short), "ac": "0"},
        **(own.get("numbers", {"n": str(programme.pull)}) if way == "numbers" else {}),
        **{"aoql": _number(short), "process_average": _number(short / 2)},
        **{"sensitivity": "100", "specificity": "100"},
        "correlation": _number(programme.correlation),
        "from_totes": "1" if tote else "10",
        "lots": str(audited or sum(full)) if tote and (audited or all(full)) else lane_lots,
        "piece_seconds": _number(ask.Conditions().piece_seconds),
        "tote_seconds": _number(ask.Conditions().tote_seconds),
    }


def _audited(kept: Record) -> int | None:
    """Totes with a routine audit in a shift, on average of its last days; None before the first."""
    days = days_of(kept)
    if not days or kept.programme.lot != "tote":
        return None
    audits = routine(window(kept, days[-1] - timedelta(days=RECENT_DAYS - 1), days[-1]))
    shifts = len(audits[["day", "shift"]].drop_duplicates())
    totes = len(audits[["day", "shift", "lane", "tote"]].drop_duplicates())
    return max(round(totes / shifts), 1) if shifts else None


def _in_shift(
    raw: Texts, way: str, programme: Programme, fields: Texts, audited: int | None, text: Wording
) -> str:
    """Where the lots of a shift come from, unless the address says them."""
    if way == "claim" or "lots" in raw or not fields["lots"] or programme.lot != "tote":
        return ""
    if audited is not None:
        count = int(fields["lots"])
        return text.say("planning.lots_audited", lots=count, days=RECENT_DAYS)
    return text.say("planning.lots_filled", lots=int(fields["lots"]))


def _full(programme: Programme, lane: str, shift: str) -> int:
    """Totes that full nests fill on a lane in a shift; 0 where that is not known."""
    rate = programme.line_of(lane).pieces_per_second or 0
    hours = next(each.hours for each in programme.shifts if each.code == shift)
    return int(rate * hours * 3600 / programme.pieces_per_tote)


def _first_way(raw: Texts, programme: Programme) -> str:
    """Until a way is chosen: the plan that the floor runs, unless the address asks by the table."""
    runs = any(wish.way == "numbers" for wish in class_wishes(programme))
    return "numbers" if runs and not raw.keys() & {"aql", "level", "inspection", "kind"} else "aql"


def _conditions() -> tuple[str, ...]:
    return tuple(each for each in ask.Conditions.__dataclass_fields__)


def _kinds(way: str, fields: Texts) -> tuple[str, ...]:
    """The kinds of plan that there are for what is asked."""
    known = KINDS.get(way, ())
    return tuple(each for each in known if each != "multiple" or _printed(fields))


def _printed(fields: Texts) -> bool:
    try:
        planning.answer(planning.read({"way": "aql", **fields, "kind": "multiple"}))
    except QAError:
        return False
    return True


def _number(value: float) -> str:
    return f"{value:.6g}"


# What to pull


def _pull(
    raw: Texts, answer: Answer | None, programme: Programme, now: datetime, text: Wording
) -> PullView:
    by = raw.get("by") or "plan"
    if by not in pulling.WAYS:
        raise InvalidInput(f"by must be one of {', '.join(pulling.WAYS)}, got {by}")
    fields = _pull_fields(raw, by, programme, now)
    found, problems, trouble = _pulled({"by": by, **fields}, answer, programme, text)
    return PullView(
        by=by,
        fields=fields,
        problems=problems,
        trouble=trouble,
        pulling=found,
        said=sheet.said(found, text) if found else "",
        rows=tuple(_rows(found, programme, text)) if found else (),
        cautions=sheet.cautions(text),
    )


def _pulled(
    raw: Texts, answer: Answer | None, programme: Programme, text: Wording
) -> tuple[Pulling | None, Texts, str]:
    if answer is None:
        return None, {}, ""
    try:
        asked = planning.read_pull(raw)
        where = planning.cells(asked, programme)
        holds = programme.pieces_per_tote
        return planning.pull(asked, answer, where, pieces_per_tote=holds), {}, ""
    except InvalidAsk as reason:
        return None, _told(reason, text), ""
    except NoSuchPlan as reason:
        return None, {}, told(str(reason), text.language)


def _rows(found: Pulling, programme: Programme, text: Wording) -> Iterable[tuple[str, ...]]:
    names = {each.code: each.name for each in programme.shifts}
    for each in found.schedule.pulls:
        cell = each.label
        if isinstance(cell, planning.Cell):
            yield cell.lane, names[cell.shift], str(each.tote), sheet.positions(each, text)


def _pull_fields(raw: Texts, by: str, programme: Programme, now: datetime) -> dict[str, str]:
    short = 100 * (1 - programme.target)
    shift = day_and_shift(programme, now)[1]
    lane, shift = raw.get("lane", ""), raw.get("shift", shift)
    shifts = [each.code for each in programme.shifts if shift in ("", each.code)]
    full = _full(programme, programme.lanes[0].code, programme.shifts[0].code)
    start = {
        "totes": str(2 * max(len(shifts), 1) * (1 if lane else len(programme.lanes))),
        **{"pieces": "", "lane": lane, "shift": shift},
        **{"expect": _number(short), "half_width": _number(short / 2)},
        **{"rise": "2", "power": "90"},
        **{"filled": str(full or ""), "quadrants": "1"},
        "seed": str(int(now.timestamp())),
    }
    fields = {name: start[name] for name in pulling.names(by)}
    return fields | {name: plainly(text) for name, text in raw.items() if name in pulling.READERS}


class ClassWish(NamedTuple):
    """Classes of the programme with one plan: the way of asking for it, and texts of its form."""

    classes: tuple[str, ...]
    way: str
    asked: Texts


def class_wishes(programme: Programme) -> tuple[ClassWish, ...]:
    """The programme's own plans as wishes, the gravest class first: as judged, and by the table."""
    found: dict[tuple[str, tuple[tuple[str, str], ...]], list[str]] = {}
    for severity in JUDGED:
        of_class = programme.plans.get(severity)
        if of_class is None:
            continue
        judged = verdicts.floor_plan(programme, severity)
        if judged is not None:
            texts = (("n", str(judged.n)), ("ac", str(judged.ac)))
            found.setdefault(("numbers", texts), []).append(severity)
        if of_class.aql is not None:
            aql, level, kind = _number(of_class.aql), of_class.level, of_class.kind
            texts = (("aql", aql), ("level", level), ("kind", kind))
            found.setdefault(("aql", texts), []).append(severity)
    return tuple(ClassWish(tuple(of), way, dict(texts)) for (way, texts), of in found.items())
