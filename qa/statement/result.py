"""What a buyer statement holds, as frozen results; fractions are of pieces, 0 to 1."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime

from qa.claim import Claim, Needed
from qa.programme import HOUSE


@dataclass(frozen=True, slots=True)
class Scope:
    """What a statement is asked to speak of.

    Attributes
    ----------
    product : str
    first_day, last_day : date
        Production days, both included.
    lanes : tuple of str
        None for all lanes of the programme.
    specification : str
    kind : "average" or "tote-by-tote"
    target, confidence : float or None
        The programme's, where None.
    share : float
        Of totes, for "tote-by-tote".
    as_shipped : bool
        Whether the claim is of what left the plant; else of what was made.
    """

    product: str
    first_day: date
    last_day: date
    lanes: tuple[str, ...] = ()
    specification: str = HOUSE
    kind: str = "average"
    target: float | None = None
    confidence: float | None = None
    share: float = 0.95
    as_shipped: bool = False


@dataclass(frozen=True, slots=True)
class Paper:
    """What the record does not know and people say; "" where nothing is said.

    Attributes
    ----------
    buyer, order, load, lots : str
        For whom, and the codes under which it goes out.
    shipped : int or None
        Totes of the load.
    chosen : str
        How totes were chosen, in the plant's own words.
    excluded : tuple of str
        What the statement does not cover, besides what none covers.
    signatory, issue, supersedes : str
    """

    buyer: str = ""
    order: str = ""
    load: str = ""
    lots: str = ""
    shipped: int | None = None
    chosen: str = ""
    excluded: tuple[str, ...] = ()
    signatory: str = ""
    issue: str = ""
    supersedes: str = ""


@dataclass(frozen=True, slots=True)
class Figure:
    """Percent correct with one-sided bounds, each with the claim's confidence.

    `by_count` is correct pieces of inspected ones and no more; `estimate` weighs lanes and shifts
    by their totes, and as shipped allows for that the same samples chose the lots.
    """

    label: str
    totes: int
    inspected: int
    incorrect: int
    by_count: float
    estimate: float
    lower: float
    upper: float


@dataclass(frozen=True, slots=True)
class CategoryShare:
    """Pieces of one kind of defect; `counts` where it counts against a piece.

    `first_day` and `last_day` are those of the audits that looked for it, None where all did.
    """

    code: str
    name: str
    severity: str
    counts: bool
    count: int
    inspected: int
    share: float
    upper: float
    first_day: date | None = None
    last_day: date | None = None


@dataclass(frozen=True, slots=True)
class Spread:
    """How audited totes differ, in the fraction of correct pieces.

    Attributes
    ----------
    worst, worst_lane, worst_day, worst_incorrect, worst_inspected
        The audited tote with the largest share incorrect.
    tenth, median : float
        Below which a tenth and a half of the audited totes lie.
    at_target : int
        Audited totes at or above the target.
    correlation : float
        Intra-tote; nan where totes cannot show one.
    design_effect, effective_n : float
        How many times more a mean of these pieces varies than one of single pieces, and how many
        single pieces would say as much.
    tarone_p : float
        Chance that totes which are all alike would differ so much.
    """

    worst: str
    worst_lane: str
    worst_day: date
    worst_incorrect: int
    worst_inspected: int
    tenth: float
    median: float
    at_target: int
    correlation: float
    design_effect: float
    effective_n: float
    tarone_p: float


@dataclass(frozen=True, slots=True)
class Counted:
    """Audits of the scope: those the claim rests on, those left out, and those changed.

    `silent_lanes` and `silent_days` have no routine audit, of all lanes and `days` of the scope.
    """

    counted: int
    left_out: Mapping[str, int]  # by purpose
    corrected: int
    voided: int
    fewest: int  # pieces of an audit
    most: int
    silent_lanes: tuple[str, ...]
    silent_days: int
    days: int


@dataclass(frozen=True, slots=True)
class Lots:
    """Lots with an audit in the scope, as they stand, and what became of held totes."""

    judged: int
    accepted: int
    re_sorted: int  # and accepted since
    held: int
    locked: int
    totes: Mapping[str, int]  # by disposition


@dataclass(frozen=True, slots=True)
class Stage:
    """One sample of a plan, counted from the first piece on; `ac` None where none accepts yet."""

    n: int
    ac: int | None
    re: int


@dataclass(frozen=True, slots=True)
class PlanInForce:
    """A class's plan and inspection at the end of the period, and the lanes that have it.

    `pulled` has its numbers at the sizes in which lots were judged and that are more than it asks:
    each from that size on, `n` being the smallest that was judged by them.
    """

    severity: str
    inspection: str
    stages: tuple[Stage, ...]
    pulled: tuple[Stage, ...]
    lanes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Version:
    """A version of the programme under which audits were pulled, and its text's SHA-256."""

    version: int
    sha256: str


@dataclass(frozen=True, slots=True)
class BuyersCount:
    """A buyer's own count beside ours, and the difference in percent correct, theirs less ours.

    `low` and `high` are two-sided limits; `ours` says what is compared: as made or as shipped.
    """

    incorrect: int
    inspected: int
    ours: str
    estimate: float
    low: float
    high: float
    confidence: float


@dataclass(frozen=True, slots=True)
class Digest:
    """SHA-256 of the audits that the claim rests on, as a CSV file."""

    sha256: str
    audits: int
    columns: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Statement:
    """Everything that a buyer statement says, in figures.

    Attributes
    ----------
    site, name, zone : str
        Of the plant.
    scope : Scope
        As asked for, with what was left to the programme filled in.
    product_name, specification_name : str
    lanes : tuple of str
        Spoken of; `every_lane` where these are all.
    begins, ends : datetime
        Of the period, UTC.
    claim : Claim
    needed : tuple of Needed
        Where the claim of an average is not settled.
    made : Figure
    shipped : Figure or None
        None where no lot was accepted.
    by_lane : tuple of Figure
        As made.
    """

    site: str
    name: str
    zone: str
    scope: Scope
    paper: Paper
    product_name: str
    specification_name: str
    lanes: tuple[str, ...]
    every_lane: bool
    begins: datetime
    ends: datetime
    claim: Claim
    needed: tuple[Needed, ...]
    made: Figure
    shipped: Figure | None
    by_lane: tuple[Figure, ...]
    categories: tuple[CategoryShare, ...]
    spread: Spread
    counted: Counted
    lots: Lots
    plans: tuple[PlanInForce, ...]
    versions: tuple[Version, ...]
    buyer: BuyersCount | None
    digest: Digest
