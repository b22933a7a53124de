"""What a programme holds: the plant's own settings, frozen; how its days and shifts run."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

SEVERITIES = ("critical", "major", "minor")
TOGETHER = "together"  # a plan for all categories at once, beside those of the classes
JUDGED = (*SEVERITIES, TOGETHER)
LOTS = ("tote", "lane_shift")
KINDS = ("single", "double", "multiple")
SWITCHING = ("none", "mil_std_105e", "iso_2859_1")
LEVELS = ("S-1", "S-2", "S-3", "S-4", "I", "II", "III")
HOUSE = "house"


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
        return ((minutes(self.end) - minutes(self.start)) % 1440 or 1440) / 60


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


def minutes(clock: time) -> int:
    """Minutes from midnight to a time of day."""
    return clock.hour * 60 + clock.minute
