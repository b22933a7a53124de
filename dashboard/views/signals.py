"""A lane's signals and what people say: an answer, another baseline, what was entered wrongly."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime

import pandas as pd

from dashboard.views import keeping
from dashboard.views import record as kept_record
from dashboard.views.keeping import ALL, Record
from dashboard.views.typed import MOST_CHARACTERS, texts
from qa.audit import text_problem
from qa.drift import Acknowledged, Excursion, LaneChart
from qa.drift.baseline import FEW_TOTES
from qa.errors import InvalidAudit
from qa.programme import Programme
from qa.store import deeds, signals
from qa.store.schema import Store
from qa.store.signals import Acknowledgement, ChosenBaseline
from qa.tally import routine
from qa.wording import load

REACHES = ("lane", "all")
MOST_ASIDE = 10 * MOST_CHARACTERS  # characters of a list of totes set aside
EVENT, ANSWER = "event", "acknowledgement"


@dataclass(frozen=True, slots=True)
class Signal:
    """One signal of a lane's charts; `key` names it in a form. Times are UTC."""

    key: str
    category: str
    product: str
    excursion: Excursion

    @property
    def state(self) -> str:
        """One of open, acknowledged, closed."""
        return self.excursion.state

    @property
    def said(self) -> Acknowledged | None:
        """What was said of it."""
        return self.excursion.acknowledged


def of_lane(kept: Record, lane: str, now: datetime, *, whole: bool = False) -> tuple[Signal, ...]:
    """Every signal of a lane's charts, the newest first.

    With `whole`, those of all categories together among them.
    """
    charts = dict(kept_record.charts(kept, lane, now))
    together = kept_record.chart(kept, lane, ALL, now) if whole else None
    if together:
        charts[ALL] = together
    found = [_signal(chart, each) for chart in charts.values() for each in chart.excursions]
    return tuple(sorted(found, key=lambda each: each.excursion.signalled_at, reverse=True))


def acknowledge(
    store: Store, fields: Mapping[str, object], now: datetime, language: str = "en"
) -> Signal:
    """Record what caused a signal and what was done: key, lane, signal, cause, done and who.

    Raises
    ------
    InvalidAudit
        With every problem, field by field.
    """
    kept, problems = keeping.record(store, language), dict[str, str]()
    said = texts(fields, ("key", "cause", "done", "who"), problems, language)
    lane = _lane(kept.programme, fields, problems, language)
    known = of_lane(kept, lane, now, whole=True) if lane else ()
    signal = next((each for each in known if each.key == fields.get("signal")), None)
    if signal is None:
        problems["signal"] = load(language).say("field.choose")
    if problems or signal is None:
        raise InvalidAudit(problems)
    answer = Acknowledgement(
        key=said["key"],
        site=kept.programme.site,
        lane=lane,
        product=signal.product,
        category=signal.category,
        signalled_at=signal.excursion.signalled_at,
        cause=said["cause"],
        done=said["done"],
    )
    signals.acknowledge(store, answer, by=said["who"], at=now)
    return signal


def choose_baseline(
    store: Store, fields: Mapping[str, object], now: datetime, language: str = "en"
) -> ChosenBaseline:
    """Record a baseline: key, lane, reach, first, last, aside, why and who.

    ``aside`` lists totes, each with its cause: ``T12: camera covered; T15: wrong tote``.

    Raises
    ------
    InvalidAudit
        With every problem, field by field.
    """
    kept, problems = keeping.record(store, language), dict[str, str]()
    words = load(language)
    said = texts(fields, ("key", "who", "why"), problems, language)
    lane = _lane(kept.programme, fields, problems, language)
    if fields.get("reach") not in REACHES:
        problems["reach"] = words.say("field.choose")
    first, last = (_day(fields, name, problems, language) for name in ("first", "last"))
    aside = _aside(fields, problems, language)
    chart = next(iter(kept_record.charts(kept, lane, now).values()), None) if lane else None
    product = chart.product if chart else ""
    if first and last:
        _check_days(kept, lane, product, (first, last), aside, now, problems, language)
    if problems or first is None or last is None:
        raise InvalidAudit(problems)
    made = ChosenBaseline(
        key=said["key"],
        site=kept.programme.site,
        product=product,
        lane=lane if fields["reach"] == "lane" else None,
        first_day=first,
        last_day=last,
        set_aside=aside,
    )
    signals.set_baseline(store, made, by=said["who"], at=now, reason=said["why"])
    return made


def withdraw(
    store: Store, fields: Mapping[str, object], now: datetime, language: str = "en"
) -> str:
    """Withdraw an event or an acknowledgement: which, who and why; what it was.

    Raises
    ------
    InvalidAudit
        With every problem, field by field.
    """
    problems: dict[str, str] = {}
    said = texts(fields, ("who", "why"), problems, language)
    kind, _, key = str(fields.get("which") or "").partition("|")
    known = {EVENT: deeds.events(store), ANSWER: signals.acknowledgements(store)}
    if kind not in known or not (known[kind]["key"] == key).any():
        problems["which"] = load(language).say("field.choose")
    if problems:
        raise InvalidAudit(problems)
    undo = deeds.withdraw_event if kind == EVENT else signals.withdraw_acknowledgement
    undo(store, key, by=said["who"], at=now, reason=said["why"])
    return kind


def days_between(programme: Programme, low: str, high: str) -> tuple[date, date] | None:
    """Production days of a stretch of plant time, as a chart gives its ends; None if it is none."""
    try:
        ends = [datetime.fromisoformat(e).replace(tzinfo=programme.zone) for e in (low, high)]
        first, last = (kept_record.day_and_shift(programme, each)[0] for each in sorted(ends))
    except (ValueError, OverflowError):  # no time, or one beyond the calendar
        return None
    return first, last


def _signal(chart: LaneChart, found: Excursion) -> Signal:
    key = f"{chart.category}|{found.signalled_at.isoformat()}"
    return Signal(key, chart.category, chart.product, found)


def _lane(
    programme: Programme, fields: Mapping[str, object], problems: dict[str, str], language: str
) -> str:
    lane = str(fields.get("lane") or "")
    if lane not in [each.code for each in programme.lanes]:
        problems["lane"] = load(language).say("field.choose")
        return ""
    return lane


def _day(
    fields: Mapping[str, object], name: str, problems: dict[str, str], language: str
) -> date | None:
    text = str(fields.get(name) or "").strip()
    try:
        return date.fromisoformat(text)
    except ValueError:
        problems[name] = load(language).say("field.day", value=text)
        return None


def _aside(fields: Mapping[str, object], problems: dict[str, str], language: str) -> dict[str, str]:
    """Totes and their causes, as they were typed."""
    words, found = load(language), dict[str, str]()
    for part in str(fields.get("aside") or "").split(";"):
        tote, _, cause = (each.strip() for each in part.partition(":"))
        if not tote and not cause:
            continue
        if not tote or not cause:
            problems["aside"] = words.say("field.aside", got=part.strip())
        elif problem := text_problem(cause, words):
            problems["aside"] = problem
        found[tote] = cause
    return found


def _check_days(
    kept: Record,
    lane: str,
    product: str,
    days: tuple[date, date],
    aside: Mapping[str, str],
    now: datetime,
    problems: dict[str, str],
    language: str,
) -> None:
    """Days in order and not of the future, with totes enough of the lane that speak."""
    words, (first, last) = load(language), days
    if last < first:
        problems["last"] = words.say("field.day_order")
    elif last > kept_record.day_and_shift(kept.programme, now)[0]:
        problems["last"] = words.say("field.future")
    rows = routine(kept_record.window(kept, first, last))
    rows = rows[(rows["lane"] == lane) & (rows["product"] == product)]
    totes: pd.Series[str] = rows["tote"]
    strange = [tote for tote in aside if tote not in set(totes)]
    if strange and "aside" not in problems:
        problems["aside"] = words.say("field.no_tote", totes=words.listed(strange))
    count = len(set(totes) - set(aside))
    if "last" not in problems and lane and count < FEW_TOTES:
        problems["first"] = words.say("field.few_totes", count=count, few=FEW_TOTES)
