"""What to pull: how many totes, shared over lanes and shifts, which ones, and where in them."""

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, fields, replace

from qa.errors import InvalidAsk, InvalidInput
from qa.planning.answering import Answer, in_totes
from qa.planning.ask import ByClaim, Conditions
from qa.planning.fields import Reader, choice, number, per_cent, refuse, strangers, take, whole
from qa.plans.pull import DEPTHS, Schedule, allocate, schedule
from qa.plans.pull_size import Effort, PullSize, for_precision, for_rise
from qa.programme import Programme


@dataclass(frozen=True, slots=True)
class ByPlan:
    """So many totes; from each one the pieces of the plan's first sample, or `pieces`."""

    totes: int
    pieces: int | None = None


@dataclass(frozen=True, slots=True)
class ByPrecision:
    """The totes that tell a fraction of about `expect` to within `half_width`."""

    expect: float
    half_width: float
    pieces: int | None = None


@dataclass(frozen=True, slots=True)
class ByRise:
    """The totes that find, with chance `power`, that a fraction of `expect` rose `rise` times."""

    expect: float
    rise: float
    power: float = 0.9
    pieces: int | None = None


Question = ByPlan | ByPrecision | ByRise
WAYS: Mapping[str, type[Question]] = {"plan": ByPlan, "precision": ByPrecision, "rise": ByRise}


@dataclass(frozen=True, slots=True)
class PullAsk:
    """What to pull, from which lane and shift (None: all), drawn from which seed.

    Attributes
    ----------
    filled : totes that each lane fills in a shift; None: those of full nests
    quadrants : drawn in each third of a tote's depth
    """

    question: Question
    seed: int
    filled: int | None = None
    lane: str | None = None
    shift: str | None = None
    quadrants: int = 1


@dataclass(frozen=True, slots=True)
class Cell:
    """A lane in a shift, and the totes it fills; blank where there is no programme."""

    lane: str
    shift: str
    filled: int


@dataclass(frozen=True, slots=True)
class Pulling:
    """What to pull.

    Attributes
    ----------
    size : totes, pieces from each, and what that costs in seconds of one person; what it reaches
        is the half width or the power, and 1 where the number of totes was simply asked
    shares : totes of each lane and shift
    schedule : which totes, and where in them; its labels are `Cell`
    spread : pieces that prove a claim, where these are what is spread over the totes
    left : the confidence that these prove it with when totes differ; None where they do not
    """

    ask: PullAsk
    size: PullSize
    shares: Mapping[Cell, int]
    schedule: Schedule
    spread: int | None = None
    left: float | None = None


READERS: Mapping[str, Reader] = {
    "totes": whole(1, 2000),
    "pieces": whole(1, 100_000),
    "expect": per_cent(),
    "half_width": per_cent(),
    "rise": number(1, 1000),
    "power": per_cent(50),
    "filled": whole(1, 10_000),
    "lane": str,
    "shift": str,
    "quadrants": whole(1, 4),
    "seed": whole(0, 2**53),
}


def names(by: str) -> tuple[str, ...]:
    """What a way of sizing a pull takes, in the order in which it is asked."""
    found = (each.name for kind in (WAYS[by], PullAsk) for each in fields(kind))
    return tuple(name for name in dict.fromkeys(found) if name in READERS)


def read_pull(raw: Mapping[str, str]) -> PullAsk:
    """The wish that texts say: the names of `names(by)`, and "by" ("plan" when left out).

    Raises
    ------
    InvalidAsk
        With every fault, name by name.
    """
    problems: dict[str, str] = {}
    by = raw.get("by") or "plan"
    try:
        choice(*WAYS)(by)
    except InvalidInput as reason:
        raise InvalidAsk({"by": str(reason)}) from None
    said = {name: text for name, text in raw.items() if name != "by"}
    strangers(said, names(by), f"a pull by {by}", problems)
    question = take(WAYS[by], said, READERS, problems)
    rest = take(PullAsk, said, READERS, problems)
    refuse(problems)
    return PullAsk(WAYS[by](**question), **rest)


def cells(asked: PullAsk, programme: Programme) -> tuple[Cell, ...]:
    """The lanes and shifts of a programme that a pull is of, with the totes they fill.

    Raises
    ------
    InvalidAsk
        If the programme has no such lane or shift, or cannot say how many totes are filled.
    """
    lanes = [each for each in programme.lanes if asked.lane in (None, each.code)]
    shifts = [each for each in programme.shifts if asked.shift in (None, each.code)]
    known = {
        "lane": (lanes, [each.code for each in programme.lanes], asked.lane),
        "shift": (shifts, [each.code for each in programme.shifts], asked.shift),
    }
    refuse(
        {
            name: f"must be one of {', '.join(codes)}, got {got}"
            for name, (found, codes, got) in known.items()
            if not found
        }
    )
    found = []
    for lane in lanes:
        rate = programme.line_of(lane.code).pieces_per_second
        for shift in shifts:
            full = int((rate or 0) * shift.hours * 3600 / programme.pieces_per_tote)
            found.append(Cell(lane.code, shift.code, asked.filled or full))
    if not any(each.filled for each in found):
        raise InvalidAsk({"filled": "is missing, and the programme does not tell it"})
    return tuple(found)


def pull(
    asked: PullAsk, answered: Answer, where: Sequence[Cell], *, pieces_per_tote: int
) -> Pulling:
    """What to pull from some lanes and shifts.

    Raises
    ------
    InvalidAsk
        If an argument does not go with the totes that are filled or the pieces in them.
    NoSuchPlan
        If more totes are needed than anyone would pull.

    References
    ----------
    `qa.plans.pull_size` (how many), `qa.plans.pull` (shares and draws).
    """
    conditions = answered.ask.conditions
    try:
        size = _sized(asked, answered, conditions, pieces_per_tote, len(where))
        room: dict[Hashable, int] = {each: each.filled for each in where}
        shares = allocate(size.totes, room)
        drawn = schedule(
            shares, room, pieces=size.pieces, seed=asked.seed, quadrants=asked.quadrants
        )
    except InvalidInput as reason:
        name, _, told = str(reason).partition(" ")
        raise InvalidAsk({name: told}) from None
    told_shares = {each: shares[each] for each in where}
    spread = _spread(asked, answered)
    left = None if spread is None else _left(answered, min(size.totes, spread))
    return Pulling(asked, size, told_shares, drawn, spread, left)


def _spread(asked: PullAsk, answered: Answer) -> int | None:
    """The pieces that prove a claim: of all totes together, unless so many of each are asked."""
    proves = isinstance(answered.ask.question, ByClaim) and isinstance(asked.question, ByPlan)
    return answered.stages[0].n if proves and asked.question.pieces is None else None


def _left(answered: Answer, totes: int) -> float | None:
    """One less the chance that a sample passes at the target when it comes from so many totes."""
    question = answered.ask.question
    if not isinstance(question, ByClaim):
        return None
    told = replace(answered.ask.conditions, from_totes=totes)
    passes = in_totes(answered.plan, 1 - question.target, told)
    return None if passes is None else 1 - float(passes)


def _sized(
    asked: PullAsk, answered: Answer, conditions: Conditions, pieces_per_tote: int, least: int
) -> PullSize:
    question = asked.question
    effort = Effort(max(conditions.tote_seconds, 1e-9), conditions.piece_seconds, pieces_per_tote)
    if isinstance(question, ByPlan):
        proves = isinstance(answered.ask.question, ByClaim)
        over = question.totes if proves else conditions.from_totes
        sample = -(-answered.stages[0].n // over)
        if proves:
            sample = max(sample, asked.quadrants * len(DEPTHS))  # one from each place at least
        pieces = question.pieces or min(sample, pieces_per_tote)
        if pieces > pieces_per_tote:
            raise InvalidInput(
                f"pieces must be at most the {pieces_per_tote:,} in a tote, got {pieces:,}"
            )
        return PullSize(question.totes, pieces, effort.of(question.totes, pieces), 1.0)
    spread, each = conditions.correlation, question.pieces
    if isinstance(question, ByPrecision):
        size = for_precision(
            question.expect, question.half_width, effort, correlation=spread, pieces=each
        )
    else:
        size = for_rise(
            question.expect,
            question.rise,
            effort,
            correlation=spread,
            power=question.power,
            pieces=each,
        )
    totes = max(size.totes, least)  # one from each lane and shift at least
    return PullSize(totes, size.pieces, effort.of(totes, size.pieces), size.reached)
