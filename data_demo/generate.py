"""Make the demo's audits: an invented plant that trims Brussels sprouts with water jets.

``python data_demo/generate.py`` writes `audits.csv` and `truth.toml` beside this file, the same
bytes every time. Nothing here comes from a real plant. README.md says what the columns mean.

A tote's shares of stem, over-trim, double and correct pieces are drawn from a Dirichlet law around
the rates in force, and the pieces pulled from it from a multinomial law; so every category, and all
of them together, have the intra-tote correlation `CORRELATION`.
"""

import csv
import io
import math
import sys
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from pathlib import Path
from typing import TypeAlias
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

Floats: TypeAlias = NDArray[np.float64]
Row: TypeAlias = dict[str, object]

SEED = 20260316
ZONE = ZoneInfo("Europe/Dublin")
FIRST_DAY = date(2026, 3, 16)
DAYS = 60
LANES = ("1", "2", "3", "4", "5", "6")
HEADS = ("A", "B")
SHIFT_STARTS = {"morning": time(6), "afternoon": time(14), "night": time(22)}
CATEGORIES = ("stem", "over_trim", "double")
HEADERS = (
    *("site", "day", "shift", "line", "lane", "head", "product", "raw_lot", "tote", "pulled_at"),
    *("inspector", "purpose", "inspected", "correct", *CATEGORIES, "pieces_in_tote"),
    *("fill_start", "fill_end", "re_sorted_at", "note"),
)

CORRELATION = 0.01
RATES = np.array([0.0045, 0.0035, 0.0020])  # of a usual lane, in order of CATEGORIES
LANE_FACTORS = {
    "1": (1.00, 1.05, 0.95),
    "2": (0.95, 1.00, 1.00),
    "3": (1.10, 0.95, 1.05),
    "4": (1.00, 0.90, 1.00),
    "5": (0.90, 1.10, 0.90),
    "6": (1.05, 1.00, 1.10),
}
NEST_SECONDS = 0.055
PIECES_PER_TOTE = 4000

# (1) Lane 4, head B: stem left on creeps up from a night on, then doubles and stays.
WORN_LANE, WORN_HEAD = "4", "B"
WEAR_FROM = datetime(2026, 4, 29, 22, tzinfo=ZONE).astimezone(UTC)
WEAR_DOUBLES = datetime(2026, 5, 3, 22, tzinfo=ZONE).astimezone(UTC)
CREEP_TO, WORN_FACTOR = 2.5, 5.0
# (2) Lane 2: doubles rise while the camera is fouled.
FOULED_LANE, FOULED_FACTOR = "2", 4.0
FOULED_FROM = datetime(2026, 4, 16, 6, tzinfo=ZONE).astimezone(UTC)
FOULED_UNTIL = datetime(2026, 4, 24, 6, tzinfo=ZONE).astimezone(UTC)
# (3) The afternoon shift over-trims on Mondays, after changeover, on every lane.
MONDAY_SHIFT, MONDAY_FACTOR = "afternoon", 2.5
# (4) One inspector finds only half of the over-trimmed pieces.
CREWS = tuple(tuple(f"insp-{3 * crew + place:02d}" for place in (1, 2, 3)) for crew in range(3))
MISSING_INSPECTOR, FOUND_SHARE = "insp-08", 0.5

# The study: three inspectors call the same pieces of known kind, so many of each wrongly, no two of
# them the same piece; the inspector of (4) misses half of the over-trimmed ones here too.
STUDY_SEED = SEED + 1
STUDY_KINDS = {"correct": 180, "stem": 24, "over_trim": 20, "double": 16}
STUDY_ERRORS: dict[str, dict[tuple[str, str], int]] = {
    "insp-02": {("stem", "correct"): 1, ("correct", "over_trim"): 1},
    "insp-05": {("stem", "correct"): 2, ("over_trim", "stem"): 2, ("correct", "stem"): 2},
    MISSING_INSPECTOR: {
        ("over_trim", "correct"): round(STUDY_KINDS["over_trim"] * FOUND_SHARE),
        ("double", "correct"): 1,
    },
}
CALLED_AGAIN = 60  # of the pieces, by each
OTHERWISE = {"insp-02": 1, "insp-05": 2, MISSING_INSPECTOR: 4}  # of these, not as the first time

# MIL-STD-105E, table II-A, single sampling, normal inspection: the largest sample size not above
# the pieces inspected, and Ac at AQL 1.0 (stem and double together) and at 1.5 (over-trim). For
# stem and double that is one step tighter than the programme: this floor re-sorts a little sooner.
ACCEPTANCE = ((200, 5, 7), (125, 3, 5), (80, 2, 3))


@dataclass(frozen=True, slots=True)
class Run:
    """One lane in one shift, and every tote it filled.

    Attributes
    ----------
    begins, ends : datetime
        The shift, in UTC.
    first : int
        Number of its first tote; the others follow in order of filling.
    fill_start, fill_end : array of float
        Seconds after `begins`, one a tote.
    pieces : array of int
    """

    lane: str
    day: date
    shift: str
    begins: datetime
    ends: datetime
    first: int
    fill_start: Floats
    fill_end: Floats
    pieces: NDArray[np.int64]

    def moment(self, seconds: float) -> datetime:
        """The moment so many seconds into the shift."""
        return self.begins + timedelta(seconds=round(seconds))

    def before(self, seconds: float) -> int:
        """How many of its totes are full by so many seconds into the shift."""
        return int(np.searchsorted(self.fill_end, seconds))


@dataclass(frozen=True, slots=True)
class Pull:
    """A tote from which pieces are pulled, its shares of each category, and why it was chosen."""

    run: Run
    at: int
    pulled_at: datetime
    shares: Floats
    purpose: str = "routine"
    head: str = ""
    re_sorted_at: datetime | None = None
    note: str = ""


def runs(rng: np.random.Generator) -> Iterator[Run]:
    """Every lane and shift of the period, in order of day, shift and lane."""
    following = {lane: int(lane) * 100_000 + 1 for lane in LANES}
    for number in range(DAYS):
        day = FIRST_DAY + timedelta(days=number)
        for shift in SHIFT_STARTS:
            for lane in LANES:
                run = one_run(rng, lane, day, shift, following[lane])
                following[lane] += len(run.pieces)
                yield run


def one_run(rng: np.random.Generator, lane: str, day: date, shift: str, first: int) -> Run:
    """The totes that a lane fills in a shift, one after the other, with short stops between."""
    begins, ends = shift_times(day, shift)
    most = 130
    pieces = PIECES_PER_TOTE + rng.integers(-60, 61, size=most)
    fill = pieces * NEST_SECONDS / rng.uniform(0.86, 0.96, size=most)
    fill_end = np.cumsum(fill + rng.exponential(12, size=most))
    kept = int(np.searchsorted(fill_end, (ends - begins).total_seconds()))
    ended = fill_end[:kept]
    return Run(lane, day, shift, begins, ends, first, ended - fill[:kept], ended, pieces[:kept])


def shift_times(day: date, shift: str) -> tuple[datetime, datetime]:
    """When a shift of a production day begins and ends, in UTC; each lasts 8 hours by the clock."""
    begins = datetime.combine(day, SHIFT_STARTS[shift])
    ends = begins + timedelta(hours=8)
    return begins.replace(tzinfo=ZONE).astimezone(UTC), ends.replace(tzinfo=ZONE).astimezone(UTC)


def day_and_shift(moment: datetime) -> tuple[date, str]:
    """The production day and the shift at a moment."""
    local = moment.astimezone(ZONE)
    day = local.date() - timedelta(days=local.time() < SHIFT_STARTS["morning"])
    return day, [shift for shift in SHIFT_STARTS if shift_times(day, shift)[0] <= moment][-1]


def wear(moment: datetime) -> float:
    """By how much head B of lane 4 leaves more stems than it should."""
    if moment < WEAR_FROM:
        return 1.0
    if moment >= WEAR_DOUBLES:
        return WORN_FACTOR
    return 1 + (CREEP_TO - 1) * ((moment - WEAR_FROM) / (WEAR_DOUBLES - WEAR_FROM))


def head_rates(lane: str, head: str, moment: datetime) -> Floats:
    """True rates of stem, over-trim and double of one head, planted troubles included."""
    stem, over_trim, double = RATES * LANE_FACTORS[lane]
    day, shift = day_and_shift(moment)
    if (lane, head) == (WORN_LANE, WORN_HEAD):
        stem *= wear(moment)
    if day.weekday() == 0 and shift == MONDAY_SHIFT:
        over_trim *= MONDAY_FACTOR
    if lane == FOULED_LANE and FOULED_FROM <= moment < FOULED_UNTIL:
        double *= FOULED_FACTOR
    return np.array([stem, over_trim, double])


def tote_rates(lane: str, moment: datetime) -> Floats:
    """True rates of a lane: its heads take alternate nests, so the mean of theirs."""
    return np.mean([head_rates(lane, head, moment) for head in HEADS], axis=0)


def shares(rng: np.random.Generator, rates: Floats) -> Floats:
    """A tote's own shares of stem, over-trim, double and correct pieces, around the true rates."""
    return rng.dirichlet(np.append(rates, 1 - rates.sum()) * (1 / CORRELATION - 1))


def routine(rng: np.random.Generator, run: Run) -> Iterator[Pull]:
    """Five to eight audits, spread over the shift; each some minutes after its tote was full."""
    edges = np.linspace(0, (run.ends - run.begins).total_seconds() - 900, rng.integers(5, 9) + 1)
    for early, late in pairwise(edges):
        yield from_full_tote(rng, run, run.before(rng.uniform(early + 600, late)))


def from_full_tote(rng: np.random.Generator, run: Run, at: int, purpose: str = "routine") -> Pull:
    """Pieces pulled from a full tote, two to eight minutes later."""
    ended = run.moment(run.fill_end[at])
    pulled_at = whole_minute(ended + timedelta(minutes=rng.uniform(2, 8)))
    return Pull(run, at, pulled_at, shares(rng, tote_rates(run.lane, ended)), purpose)


def head_checks(rng: np.random.Generator, run: Run) -> Iterator[Pull]:
    """Pieces caught from each head of a lane, at a point the site approves, while totes fill."""
    first = int(rng.integers(3, len(run.pieces) - 6))
    for at, head in zip((first, first + 2), HEADS, strict=True):
        moment = run.moment(run.fill_start[at])
        own = shares(rng, head_rates(run.lane, head, moment))
        yield Pull(
            run, at, whole_minute(moment + timedelta(minutes=1)), own, "head-check", head=head
        )


def for_cause(rng: np.random.Generator, run: Run, taken: set[int]) -> Pull:
    """A tote pulled because it looked wrong: the worst of six that no audit has taken."""
    free = [at for at in range(5, len(run.pieces) - 6) if at not in taken]
    seen = [from_full_tote(rng, run, int(at), "for-cause") for at in rng.choice(free, size=6)]
    return replace(min(seen, key=lambda pull: pull.shares[-1]), note="looked wrong at the station")


def study(rng: np.random.Generator, run: Run, taken: set[int]) -> Iterator[Pull]:
    """Totes one after the other, to learn how much totes differ."""
    for at in (at for at in range(30, 52) if at not in taken):
        yield replace(from_full_tote(rng, run, at, "study"), note="totes in a row")


def pulls(rng: np.random.Generator) -> Iterator[Pull]:
    """All pulls of the period but the re-audits."""
    checked_shift = ""
    for number, run in enumerate(runs(rng)):
        scheduled = list(routine(rng, run))
        yield from scheduled
        taken = {pull.at for pull in scheduled}
        if number % (3 * len(LANES)) == 0:
            checked_shift = str(rng.choice(list(SHIFT_STARTS)))
        if run.shift == checked_shift:
            yield from head_checks(rng, run)
        if rng.uniform() < 0.03:
            yield for_cause(rng, run, taken)
        if (run.lane, run.day, run.shift) == ("3", date(2026, 4, 9), "morning"):
            yield from study(rng, run, taken)


def audits(rng: np.random.Generator) -> Iterator[Row]:
    """Every audit; a rejected tote is usually re-sorted and audited again."""
    _, end = shift_times(FIRST_DAY + timedelta(days=DAYS - 1), "night")
    for pull in pulls(rng):
        row = sorted_pieces(rng, pull)
        yield row
        judged = pull.purpose in ("routine", "for-cause")
        if judged and rejected(row) and rng.uniform() < 0.6:
            again = after_re_sort(rng, pull)
            if again.pulled_at < end:
                yield sorted_pieces(rng, again)


def rejected(row: Row) -> bool:
    """Whether the counts are above an acceptance number."""
    found = [int(str(row[category])) for category in CATEGORIES]
    ac = next(numbers for n, *numbers in ACCEPTANCE if n <= int(str(row["inspected"])))
    return found[0] + found[2] > ac[0] or found[1] > ac[1]


def after_re_sort(rng: np.random.Generator, pull: Pull) -> Pull:
    """The same tote after most of its incorrect pieces were taken out by hand."""
    done = whole_minute(pull.pulled_at + timedelta(minutes=rng.uniform(40, 200)))
    incorrect = pull.shares[:-1] * rng.uniform(0.1, 0.4)
    return replace(
        pull,
        pulled_at=whole_minute(done + timedelta(minutes=rng.uniform(5, 30))),
        re_sorted_at=done,
        shares=np.append(incorrect, 1 - incorrect.sum()),
        purpose="re-audit",
        note="",
    )


def sorted_pieces(rng: np.random.Generator, pull: Pull) -> Row:
    """The audit: pieces pulled from a tote and sorted by an inspector."""
    day, shift = day_and_shift(pull.pulled_at)
    inspector = on_duty(day, shift, pull.run.lane)
    inspected = pieces_pulled(rng, pull.purpose)
    stem, over_trim, double, _ = (int(each) for each in rng.multinomial(inspected, pull.shares))
    if inspector == MISSING_INSPECTOR:
        over_trim = int(rng.binomial(over_trim, FOUND_SHARE))
    full = pull.purpose != "head-check"
    run, at = pull.run, pull.at
    return {
        "site": "SP1",
        "day": day,
        "shift": shift,
        "line": "A",
        "lane": run.lane,
        "head": pull.head,
        "product": "sprout-whole",
        "raw_lot": field_of(run),
        "tote": str(run.first + at),
        "pulled_at": in_plant_time(pull.pulled_at, "minutes"),
        "inspector": inspector,
        "purpose": pull.purpose,
        "inspected": inspected,
        "correct": inspected - stem - over_trim - double,
        "stem": stem,
        "over_trim": over_trim,
        "double": double,
        "pieces_in_tote": int(run.pieces[at]) if full else "",
        "fill_start": in_plant_time(run.moment(run.fill_start[at]), "seconds"),
        "fill_end": in_plant_time(run.moment(run.fill_end[at]), "seconds") if full else "",
        "re_sorted_at": pull.re_sorted_at and in_plant_time(pull.re_sorted_at, "minutes"),
        "note": pull.note,
    }


def field_of(run: Run) -> str:
    """The field whose sprouts the shift trimmed: another each shift, 23 in all."""
    return f"F{(run.day.toordinal() * 3 + len(run.shift)) % 23 + 1:02d}"


def pieces_pulled(rng: np.random.Generator, purpose: str) -> int:
    """Mostly 200; a head check is smaller."""
    if purpose == "head-check":
        return int(rng.choice([100, 120, 150, 200], p=[0.1, 0.1, 0.2, 0.6]))
    return int(rng.choice([200, 100, 120, 150, 180, 220, 250], p=[0.7, *[0.05] * 6]))


def on_duty(day: date, shift: str, lane: str) -> str:
    """The inspector of a lane: crews change shift by the week, and lanes by the day."""
    place = list(SHIFT_STARTS).index(shift)
    crew = CREWS[(place + (day - FIRST_DAY).days // 7) % 3]
    return crew[(int(lane) + day.toordinal()) % 3]


def whole_minute(moment: datetime) -> datetime:
    """The next whole minute."""
    return datetime.fromtimestamp(math.ceil(moment.timestamp() / 60) * 60, UTC)


def in_plant_time(moment: datetime, timespec: str) -> str:
    """A moment as the plant writes it, without its zone."""
    return moment.astimezone(ZONE).replace(tzinfo=None).isoformat(sep=" ", timespec=timespec)


@dataclass(frozen=True, slots=True)
class Fault:
    """A row that is spoiled: what is written over it, the column at fault, and why."""

    where: float
    written: Mapping[str, object]
    column: str
    why: str


FAULTS = (
    Fault(0.03, {"inspected": 10, "stem": 11, "correct": ""}, "stem", "11 stems of 10 pieces"),
    Fault(0.11, {"lane": "9"}, "lane", "the line has no lane 9"),
    Fault(0.23, {"pulled_at": "2026-03-29 01:30"}, "pulled_at", "the clocks skipped that hour"),
    Fault(0.34, {"correct": 200, "stem": 3}, "correct", "the counts do not add up to inspected"),
    Fault(0.42, {"inspector": ""}, "inspector", "nobody signed"),
    Fault(0.58, {"pulled_at": "2026-04-31 10:15"}, "pulled_at", "April has 30 days"),
    Fault(0.66, {"inspected": "two hundred"}, "inspected", "a number in words"),
    Fault(0.79, {"shift": "evening"}, "shift", "the plant has no evening shift"),
    Fault(0.93, {"purpose": "re-audit"}, "re_sorted_at", "a re-audit without its re-sort"),
)
STRAY_SPACES, DAY_FIRST, TWICE = 0.15, 0.51, 0.72
BLANK_LINES = (0.2, 0.4, 0.6, 0.8)


def untidy(rows: list[Row]) -> tuple[list[Row | None], dict[int, Fault]]:
    """The rows as a real file has them (None: a blank line), and the faults by line number."""
    lines: list[Row | None] = []
    faults: dict[int, Fault] = {}
    spoiled = {place(fault.where, rows): fault for fault in FAULTS}
    blank = {place(where, rows) for where in BLANK_LINES}
    for at, row in enumerate(rows):
        lines += [None] * (at in blank)
        if at in spoiled:
            row = row | dict(spoiled[at].written)
            faults[len(lines) + 2] = spoiled[at]  # the header is line 1
        if at == place(STRAY_SPACES, rows):
            row = row | {"lane": f" {row['lane']}", "inspector": f"{row['inspector']}  "}
        if at == place(DAY_FIRST, rows):
            row = row | {"pulled_at": day_first(str(row["pulled_at"]))}
        lines += [row, row] if at == place(TWICE, rows) else [row]
    return [*lines, None, totals(rows)], faults


def place(where: float, rows: list[Row]) -> int:
    """The first routine audit of 200 pieces from so far into the rows."""
    at = int(where * len(rows))
    while (rows[at]["purpose"], rows[at]["inspected"]) != ("routine", 200):
        at += 1
    return at


def day_first(moment: str) -> str:
    """A time as some write it by hand, the day first."""
    return f"{datetime.fromisoformat(moment):%d/%m/%Y %H:%M}"


def totals(rows: list[Row]) -> Row:
    """The last line that people add under a table."""
    counted = ("inspected", "correct", *CATEGORIES)
    sums = {column: sum(int(str(row[column])) for row in rows) for column in counted}
    return {"site": "Total", **sums}


def csv_text(lines: Iterable[Row | None]) -> str:
    """The lines as comma-separated text."""
    out = io.StringIO()
    writer = csv.DictWriter(out, HEADERS, restval="", lineterminator="\n")
    writer.writeheader()
    for line in lines:
        if line is None:
            out.write("\n")
        else:
            writer.writerow(line)
    return out.getvalue()


def study_text(rng: np.random.Generator) -> str:
    """The agreement study as comma-separated text, one row a call."""
    known = rng.permutation([kind for kind, n in STUDY_KINDS.items() for _ in range(n)]).tolist()
    free = {kind: [at for at, each in enumerate(known) if each == kind] for kind in STUDY_KINDS}
    again = sorted(rng.choice(len(known), CALLED_AGAIN, replace=False).tolist())
    calls = {}
    for inspector, errors in STUDY_ERRORS.items():
        called = list(known)
        for (kind, wrong), count in errors.items():
            for at in rng.choice(free[kind], count, replace=False).tolist():
                called[at] = wrong
                free[kind].remove(at)
        calls[inspector, 1] = dict(enumerate(called))
        changed = rng.choice(again, OTHERWISE[inspector], replace=False).tolist()
        second = {at: "correct" if called[at] != "correct" else "over_trim" for at in changed}
        calls[inspector, 2] = {at: second.get(at, called[at]) for at in again}
    rows = [
        f"{at + 1},{inspector},{trial},{called[at]},{known[at]}\n"
        for at in range(len(known))
        for (inspector, trial), called in calls.items()
        if at in called
    ]
    return "".join(("piece,inspector,trial,called,known\n", *rows))


def study_in_words() -> tuple[str, ...]:
    """What was planted in study.csv."""
    wrong = sum(n for errors in STUDY_ERRORS.values() for n in errors.values())
    return (
        "[study]  # study.csv: so many pieces of each kind, and of each so many called wrongly",
        f"seed = {STUDY_SEED}",
        f"all_agree = {sum(STUDY_KINDS.values()) - wrong}  # no two err on the same piece",
        f"called_again = {CALLED_AGAIN}  # by each inspector",
        *(f"pieces.{kind} = {n}" for kind, n in STUDY_KINDS.items()),
        *(
            f"otherwise.{inspector} = {n}  # of the second calls"
            for inspector, n in OTHERWISE.items()
        ),
        *(
            f"wrong.{inspector}.{kind}.{called} = {n}"
            for inspector, errors in STUDY_ERRORS.items()
            for (kind, called), n in errors.items()
        ),
        "",
    )


def truth_text(rows: list[Row], faults: Mapping[int, Fault]) -> str:
    """What was planted and how many rows there are, as TOML."""
    bad = (line for at, fault in faults.items() for line in bad_row(at, fault))
    troubles = (*head_wear(), *fouled_camera(), *monday_changeover(), *missing_inspector())
    return "\n".join(
        (*rates_in_words(), *rows_in_words(rows, faults), *bad, *troubles, *study_in_words())
    )


def rates_in_words() -> tuple[str, ...]:
    """The seed, the period and the rates of lanes without trouble."""
    return (
        "# What was planted in audits.csv. Written by generate.py, like the audits themselves.",
        "# Rates are fractions of pieces; each `until` is the first moment after.",
        f"seed = {SEED}",
        f"first_day = {FIRST_DAY}",
        f"last_day = {FIRST_DAY + timedelta(days=DAYS - 1)}",
        f"correlation = {CORRELATION}  # within totes, for each category and for all together",
        "",
        "[rates]  # of a lane whose factors are 1",
        *(f"{name} = {rate}" for name, rate in zip(CATEGORIES, RATES, strict=True)),
        "",
        "[lane_factors]  # in order stem, over_trim, double",
        *(f"{lane} = {list(factors)}" for lane, factors in LANE_FACTORS.items()),
        "",
    )


def rows_in_words(rows: list[Row], faults: Mapping[int, Fault]) -> tuple[str, ...]:
    """How many rows there are of each kind."""
    purposes = [str(row["purpose"]) for row in rows]
    return (
        "[rows]",
        f"audits = {len(rows)}  # as written, faulty rows included, the row written twice once",
        f"good = {len(rows) - len(faults)}",
        "twice = 1",
        f"bad = {len(faults)}",
        f"blank_lines = {len(BLANK_LINES) + 1}",
        "totals_rows = 1",
        "",
        "[purposes]  # faulty rows included, as they were before they were spoiled",
        *(f"{purpose} = {purposes.count(purpose)}" for purpose in sorted(set(purposes))),
        "",
    )


def head_wear() -> tuple[str, ...]:
    """Trouble 1."""
    stem = float(RATES[0])
    return planted(
        "head_wear",
        "stem left on creeps up on one head, then doubles and stays",
        {"lane": WORN_LANE, "head": WORN_HEAD, "category": "stem"},
        {"from": WEAR_FROM, "doubles": WEAR_DOUBLES},
        {
            "head_rate_before": stem,
            "head_rate_end_of_creep": stem * CREEP_TO,
            "head_rate_after": stem * WORN_FACTOR,
            "lane_rate_before": stem,
            "lane_rate_end_of_creep": stem * (1 + CREEP_TO) / 2,
            "lane_rate_after": stem * (1 + WORN_FACTOR) / 2,
        },
    )


def fouled_camera() -> tuple[str, ...]:
    """Trouble 2."""
    double = float(RATES[2])
    return planted(
        "fouled_camera",
        "doubles rise while the camera is fouled, and fall after cleaning",
        {"lane": FOULED_LANE, "category": "double"},
        {"from": FOULED_FROM, "until": FOULED_UNTIL},
        {"rate_before": double, "rate_while": double * FOULED_FACTOR, "rate_after": double},
    )


def monday_changeover() -> tuple[str, ...]:
    """Trouble 3."""
    over_trim = float(RATES[1])
    return planted(
        "monday_changeover",
        "over-trim on Mondays after changeover, on every lane",
        {"shift": MONDAY_SHIFT, "weekday": "Monday", "category": "over_trim"},
        {},
        {"rate_other_days": over_trim, "rate_mondays": over_trim * MONDAY_FACTOR},
    )


def missing_inspector() -> tuple[str, ...]:
    """Trouble 4."""
    return planted(
        "missing_inspector",
        "finds only a share of the over-trimmed pieces and calls the others correct",
        {"inspector": MISSING_INSPECTOR, "category": "over_trim"},
        {},
        {"found_share": FOUND_SHARE},
    )


def bad_row(line: int, fault: Fault) -> tuple[str, ...]:
    """A faulty row of the file: its line number (the header is line 1), the column and why."""
    return (
        *("[[bad_rows]]", f"line = {line}"),
        *(f'column = "{fault.column}"', f'why = "{fault.why}"', ""),
    )


def planted(
    name: str,
    what: str,
    where: Mapping[str, str],
    when: Mapping[str, datetime],
    rates: Mapping[str, float],
) -> tuple[str, ...]:
    """A planted trouble, its moments in UTC and in plant time."""
    times = [
        f"{key}{suffix} = {moment.astimezone(zone).isoformat()}"
        for key, moment in when.items()
        for suffix, zone in (("_utc", UTC), ("_plant_time", ZONE))
    ]
    return (
        *(f"[planted.{name}]", f'what = "{what}"'),
        *(f'{key} = "{value}"' for key, value in where.items()),
        *times,
        *(f"{key} = {round(rate, 6)}" for key, rate in rates.items()),
        "",
    )


def demo() -> dict[str, str]:
    """The texts of the demo's files, by name."""
    rows = sorted(
        audits(np.random.default_rng(SEED)),
        key=lambda row: (str(row["pulled_at"]), str(row["tote"])),
    )
    lines, faults = untidy(rows)
    return {
        "audits.csv": csv_text(lines),
        "study.csv": study_text(np.random.default_rng(STUDY_SEED)),
        "truth.toml": truth_text(rows, faults),
    }


def main() -> None:
    """Write the files beside this one."""
    for name, text in demo().items():
        path = Path(__file__).with_name(name)
        path.write_text(text, encoding="utf-8", newline="\n")
        print(f"{path.name}: {len(text.splitlines()):,} lines", file=sys.stdout)


if __name__ == "__main__":
    main()
