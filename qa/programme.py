"""The programme: the plant's own settings, read from TOML, checked as a whole, then frozen.

`parse` reads a text and `load` a file. Every fault is reported at once, each with its key, what
came and what was expected. Fractions are 0 to 1, times of day are the plant's own.
"""

import tomllib
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from itertools import product
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from qa import plans
from qa._fields import Fields
from qa.errors import InvalidProgramme, QAError

SEVERITIES = ("critical", "major", "minor")
TOGETHER = "together"  # a plan for all categories at once, beside those of the classes
JUDGED = (*SEVERITIES, TOGETHER)
LOTS = ("tote", "lane_shift")
KINDS = ("single", "double", "multiple")
SWITCHING = ("none", "mil_std_105e", "iso_2859_1")
LEVELS = ("S-1", "S-2", "S-3", "S-4", "I", "II", "III")
HOUSE = "house"
LISTS = ("lines", "lanes", "shifts", "products", "categories", "specifications")
# Names of an audit's own fields, which no category may take: both head columns of one table.
RESERVED = frozenset(
    {
        *("key", "site", "day", "shift", "line", "lane", "head", "product", "raw_lot", "tote"),
        *("lot", "pulled_at", "inspector", "purpose", "inspected", "correct", "incorrect"),
        *("counts", "pieces_in_tote", "fill_start", "fill_end", "re_sorted_at", "note", "source"),
        *("programme", "category", "count", "totes", "n", "x", "n2", "x2", "nx"),
    }
)


@dataclass(frozen=True, slots=True)
class Line:
    """Several parallel lanes; the nest time is from one nest of a lane to the next."""

    code: str
    nest_time_ms: float | None = None
    belt_speed_mm_s: float | None = None

    @property
    def pieces_per_second(self) -> float | None:
        """Nests that pass on one lane each second: the most pieces it can carry."""
        return None if self.nest_time_ms is None else 1000 / self.nest_time_ms

    @property
    def nest_pitch_mm(self) -> float | None:
        """Distance from one nest to the next along the belt."""
        if self.nest_time_ms is None or self.belt_speed_mm_s is None:
            return None
        return self.belt_speed_mm_s * self.nest_time_ms / 1000


@dataclass(frozen=True, slots=True)
class Lane:
    """A lane of a line and its cutting heads, which take alternate nests."""

    code: str
    line: str
    heads: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Shift:
    """A shift in plant time; one that ends at or before its start crosses midnight."""

    code: str
    name: str
    start: time
    end: time

    @property
    def crosses_midnight(self) -> bool:
        """Whether it ends on the calendar day after its production day."""
        return self.end <= self.start

    @property
    def hours(self) -> float:
        """Length on an ordinary day, without a change of the clocks."""
        return ((_minutes(self.end) - _minutes(self.start)) % 1440 or 1440) / 60


@dataclass(frozen=True, slots=True)
class Product:
    """What a lane trims."""

    code: str
    name: str


@dataclass(frozen=True, slots=True)
class GrossLimit:
    """Per cent of the pieces of one audit beyond which somebody is called at once, and who."""

    at: float
    call: str


@dataclass(frozen=True, slots=True)
class Category:
    """A kind of defect; `severity` is its class: critical, major or minor."""

    code: str
    name: str
    severity: str
    gross: GrossLimit | None = None


@dataclass(frozen=True, slots=True)
class ClassPlan:
    """How a class is judged: by AQL, inspection level and kind of plan, or by n and Ac."""

    severity: str
    aql: float | None = None
    level: str = "II"
    kind: str = "single"
    n: int | None = None
    ac: int | None = None


@dataclass(frozen=True, slots=True)
class Specification:
    """Which categories count against a piece, as a buyer (or the house) has agreed."""

    code: str
    name: str
    categories: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Baseline:
    """Production days, chosen by a person, whose level a product's charts are held against."""

    product: str
    first_day: date
    last_day: date


@dataclass(frozen=True, slots=True)
class Programme:
    """A plant's arrangements for its audits."""

    site: str
    name: str
    time_zone: str
    lot: str
    several_per_piece: bool
    pieces_per_tote: int
    pull: int
    target: float
    confidence: float
    false_alarms_per_week: float
    correlation: float
    switching: str
    reduced: bool
    lines: tuple[Line, ...]
    lanes: tuple[Lane, ...]
    shifts: tuple[Shift, ...]
    products: tuple[Product, ...]
    categories: tuple[Category, ...]
    plans: Mapping[str, ClassPlan]
    specifications: tuple[Specification, ...]
    baselines: tuple[Baseline, ...]

    @property
    def zone(self) -> ZoneInfo:
        """The site's time zone."""
        return ZoneInfo(self.time_zone)

    @property
    def category_codes(self) -> tuple[str, ...]:
        """The categories' codes, in the programme's order."""
        return tuple(category.code for category in self.categories)

    def line_of(self, lane: str) -> Line:
        """The line that a lane belongs to."""
        owner = next(each.line for each in self.lanes if each.code == lane)
        return next(line for line in self.lines if line.code == owner)


def load(path: str | Path) -> Programme:
    """The programme in a TOML file.

    Raises
    ------
    InvalidProgramme
        If the file cannot be read, or with every fault it has.
    """
    return parse(read_text(path), where=str(path))


def read_text(path: str | Path) -> str:
    """The text of a programme's file, as it is kept in a store.

    Raises
    ------
    InvalidProgramme
        If the file cannot be read.
    """
    try:
        return Path(path).read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as reason:
        told = reason.strerror if isinstance(reason, OSError) else "is not UTF-8 text"
        raise InvalidProgramme([f"cannot be read: {told}"], str(path)) from None


def parse(text: str, where: str = "programme") -> Programme:
    """The programme that a TOML text says.

    Parameters
    ----------
    text : str
        TOML; `data_demo/programme.toml` shows every key.
    where : str
        Named in the error: a file, or the place in the store.

    Raises
    ------
    InvalidProgramme
        With every fault: its key, what was expected and what came.
    """
    try:
        text.encode()  # half a character, which a browser can send, cannot be kept
        raw = tomllib.loads(text)
    except (ValueError, RecursionError) as reason:
        raise InvalidProgramme([f"is not TOML: {reason}"], where) from None
    faults: list[str] = []
    programme = _read(Fields(raw, "", faults))
    misread = tuple(faults)
    for parts, check in _CHECKS:
        if not any(fault.startswith(parts) for fault in misread):
            faults += check(programme)
    if faults:
        raise InvalidProgramme(faults, where)
    return programme


def production_day_and_shift(programme: Programme, moment: datetime) -> tuple[date, str] | None:
    """The production day and the shift's code at a moment; None when no shift runs then.

    A shift that crosses midnight belongs to the day on which it began. Plant time decides, so a
    night with a change of the clocks is one shift, an hour shorter or longer.
    """
    local = moment.astimezone(programme.zone)
    clock = local.time()
    for shift in programme.shifts:
        if shift.crosses_midnight:
            if clock >= shift.start:
                return local.date(), shift.code
            if clock < shift.end:
                return local.date() - timedelta(days=1), shift.code
        elif shift.start <= clock < shift.end:
            return local.date(), shift.code
    return None


def shift_times(programme: Programme, day: date, shift: str) -> tuple[datetime, datetime]:
    """When a shift of a production day begins and ends, in UTC."""
    which = next(each for each in programme.shifts if each.code == shift)
    last = day + timedelta(days=1) if which.crosses_midnight else day
    begins = datetime.combine(day, which.start, programme.zone)
    ends = datetime.combine(last, which.end, programme.zone)
    return begins.astimezone(UTC), ends.astimezone(UTC)


def lot_size(programme: Programme, lane: str, shift: str) -> int:
    """Pieces in a lot: a tote's, or what full nests carry down a lane in a shift."""
    if programme.lot == "tote":
        return programme.pieces_per_tote
    rate = programme.line_of(lane).pieces_per_second
    hours = next(each.hours for each in programme.shifts if each.code == shift)
    return round((rate or 0) * hours * 3600)


def _read(top: Fields) -> Programme:
    programme = Programme(
        site=top.code("site"),
        name=top.text("name"),
        time_zone=top.zone("time_zone"),
        lot=top.choice("lot", LOTS),
        several_per_piece=top.flag("several_per_piece", default=False),
        pieces_per_tote=top.whole("pieces_per_tote"),
        pull=top.whole("pull"),
        target=top.fraction("target"),
        confidence=top.fraction("confidence", default=0.95),
        false_alarms_per_week=top.number("false_alarms_per_week", default=1.0),
        correlation=top.fraction("correlation", default=0.01),
        switching=top.choice("switching", SWITCHING, default="none"),
        reduced=top.flag("reduced", default=False),
        lines=tuple(_line(each) for each in top.tables("lines")),
        lanes=tuple(_lane(each) for each in top.tables("lanes")),
        shifts=tuple(_shift(each) for each in top.tables("shifts")),
        products=tuple(
            Product(each.code("code"), each.text("name")) for each in top.tables("products")
        ),
        categories=tuple(_category(each) for each in top.tables("categories")),
        plans={name: _class_plan(name, each) for name, each in top.named("plans", JUDGED)},
        specifications=tuple(
            Specification(each.code("code"), each.text("name"), each.codes("categories"))
            for each in top.tables("specifications", needed=False)
        ),
        baselines=tuple(
            Baseline(each.code("product"), each.day("first_day"), each.day("last_day"))
            for each in top.tables("baselines", needed=False)
        ),
    )
    top.no_more()
    return programme


def _line(each: Fields) -> Line:
    return Line(
        each.code("code"),
        each.number("nest_time_ms", default=None),
        each.number("belt_speed_mm_s", default=None),
    )


def _lane(each: Fields) -> Lane:
    return Lane(each.code("code"), each.code("line"), each.codes("heads", default=()))


def _shift(each: Fields) -> Shift:
    return Shift(each.code("code"), each.text("name"), each.clock("start"), each.clock("end"))


def _category(each: Fields) -> Category:
    return Category(
        each.column("code", RESERVED),
        each.text("name"),
        each.choice("class", SEVERITIES),
        _gross_limit(each),
    )


def _gross_limit(each: Fields) -> GrossLimit | None:
    inner = each.table("gross", 'a table such as { at = 10.0, call = "shift lead" }')
    if inner is None:
        return None
    limit = GrossLimit(inner.per_cent("at"), inner.text("call"))
    inner.no_more()
    return limit


def _class_plan(severity: str, each: Fields) -> ClassPlan:
    if each.has("n") or each.has("ac"):
        return ClassPlan(severity, n=each.whole("n"), ac=each.whole("ac", least=0))
    aql = each.number("aql")
    level = each.choice("level", LEVELS, default="II")
    return ClassPlan(severity, aql, level, each.choice("kind", KINDS, default="single"))


def _repeated(name: str) -> Callable[[Programme], Iterable[str]]:
    def check(programme: Programme) -> Iterable[str]:
        codes = Counter(each.code for each in getattr(programme, name))
        for code in (code for code, times in codes.items() if times > 1):
            yield f'{name}: every code must be there once, got "{code}" more than once'

    return check


def _lane_faults(programme: Programme) -> Iterable[str]:
    named = ((lane.code, (lane.line,)) for lane in programme.lanes)
    return _unknown("lanes", "line", programme.lines, named)


def _specification_faults(programme: Programme) -> Iterable[str]:
    named = ((each.code, each.categories) for each in programme.specifications)
    return _unknown("specifications", "categories", programme.categories, named)


def _several_faults(programme: Programme) -> Iterable[str]:
    every = set(programme.category_codes)
    partial = [each.code for each in programme.specifications if set(each.categories) < every]
    if programme.several_per_piece and partial:
        yield (
            "specifications: need one category a piece, and several_per_piece is true: the counts "
            f'cannot say how many pieces are correct under "{partial[0]}"'
        )


def _baseline_faults(programme: Programme) -> Iterable[str]:
    named = ((each.product, (each.product,)) for each in programme.baselines)
    yield from _unknown("baselines", "product", programme.products, named)
    for each in programme.baselines:
        if each.last_day < each.first_day:
            yield (
                f"baselines ({each.product}).last_day: must not be before first_day "
                f"{each.first_day}, got {each.last_day}"
            )


def _unknown(
    owner: str, key: str, known: Iterable[Any], named: Iterable[tuple[str, tuple[str, ...]]]
) -> Iterable[str]:
    codes = [each.code for each in known]
    for code, values in named:
        for value in values:
            if value not in codes:
                yield f'{owner} ({code}).{key}: must be one of {", ".join(codes)}, got "{value}"'


def _shift_faults(programme: Programme) -> Iterable[str]:
    taken: dict[int, str] = {}
    for shift in programme.shifts:
        begins, length = _minutes(shift.start), round(shift.hours * 60)
        minutes = [minute % 1440 for minute in range(begins, begins + length)]
        clash = next((taken[minute] for minute in minutes if minute in taken), None)
        if clash:
            yield f"shifts ({shift.code}): must not overlap another shift, overlaps {clash}"
        taken.update(dict.fromkeys(minutes, shift.code))


def _pull_faults(programme: Programme) -> Iterable[str]:
    if programme.pull > programme.pieces_per_tote:
        yield (
            f"pull: must be at most pieces_per_tote {programme.pieces_per_tote}, "
            f"got {programme.pull}"
        )


def _class_faults(programme: Programme) -> Iterable[str]:
    for severity in dict.fromkeys(each.severity for each in programme.categories):
        if severity not in programme.plans:
            yield f"plans.{severity}: is missing, and there are categories of class {severity}"


def _number_faults(programme: Programme) -> Iterable[str]:
    for severity, plan in programme.plans.items():
        if plan.n is not None and plan.ac is not None and plan.ac >= plan.n:
            yield f"plans.{severity}.ac: must be below n {plan.n}, got {plan.ac}"
    critical = programme.plans.get("critical")
    if critical and critical.ac:
        yield f"plans.critical.ac: must be 0 for a critical class, got {critical.ac}"
    if critical and critical.kind != "single":
        yield f'plans.critical.kind: must be single for a critical class, got "{critical.kind}"'


def _table_faults(programme: Programme) -> Iterable[str]:
    if programme.lot == "lane_shift" and any(not line.nest_time_ms for line in programme.lines):
        yield "lines: nest_time_ms is needed where a lot is a lane's totes of a shift"
        return
    known = {line.code for line in programme.lines}
    cells = product((e.code for e in programme.lanes if e.line in known), programme.shifts)
    sizes = sorted({lot_size(programme, lane, shift.code) for lane, shift in cells})
    by_aql = [(each, each.aql) for each in programme.plans.values() if each.aql is not None]
    by_number = [plan.n for plan in programme.plans.values() if plan.n is not None]
    pulled, staged = max((programme.pull, *by_number)), []
    for (plan, aql), size in product(by_aql, sizes):
        try:
            found = plans.standard(size, aql, level=plan.level, kind=plan.kind)
        except QAError as reason:
            yield f"plans.{plan.severity}: {reason}"
            return
        pulled = max(pulled, found.first)
        if isinstance(found, plans.DoublePlan | plans.MultiplePlan):
            staged.append((plan, found.first))
    for plan, first in staged:
        yield from _stage_faults(programme, plan, first, pulled)


def _stage_faults(programme: Programme, plan: ClassPlan, first: int, pulled: int) -> Iterable[str]:
    """A tote's sample is pulled at once: more pieces than a first stage would skip a decision."""
    if programme.lot == "tote" and programme.pull > first:
        yield (
            f"pull: must be at most {first}, the first sample of the {plan.kind} plan of class "
            f"{plan.severity}, got {programme.pull}"
        )
    elif programme.lot == "tote" and pulled > first:
        yield (
            f"plans.{plan.severity}.kind: must be single where another class asks for more "
            f"pieces than its first sample of {first}, got {plan.kind} and {pulled}"
        )
    if plan.kind == "multiple" and programme.switching != "none":
        yield (
            f"plans.{plan.severity}.kind: multiple plans are printed for normal inspection alone; "
            f'set switching to "none", got "{programme.switching}"'
        )


def _minutes(clock: time) -> int:
    return clock.hour * 60 + clock.minute


# Each check looks at some parts of the file, and is left out where these could not be read.
_CHECKS: tuple[tuple[tuple[str, ...], Callable[[Programme], Iterable[str]]], ...] = (
    *(((name,), _repeated(name)) for name in LISTS),
    (("lines", "lanes"), _lane_faults),
    (("shifts",), _shift_faults),
    (("categories", "specifications"), _specification_faults),
    (("several_per_piece", "categories", "specifications"), _several_faults),
    (("products", "baselines"), _baseline_faults),
    (("pull", "pieces_per_tote"), _pull_faults),
    (("categories", "plans"), _class_faults),
    (("plans",), _number_faults),
    (("lot", "pieces_per_tote", "lines", "lanes", "shifts", "plans"), _table_faults),
)
