"""The plan that a wish asks for: two points, a claim to prove, a limiting quality."""

from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from qa._validate import checked_fraction, checked_level, chosen, one_whole
from qa.errors import InvalidInput, NoSuchPlan
from qa.plans.best_double import best_double
from qa.plans.double import DoublePlan
from qa.plans.points import (
    checked_points,
    least_in_bad_lot,
    single_in_lot,
    singles,
    smallest_in_lot,
    smallest_of_process,
)
from qa.plans.single import Array, SinglePlan

_MODELS = ("binomial", "poisson", "hypergeometric")
_HALVINGS = 64


class Plan(Protocol):
    """Anything with an operating characteristic."""

    def accept(
        self, p: ArrayLike, *, model: str = "binomial", lot_size: int | None = None
    ) -> Array:
        """Chance that a lot of quality `p` is accepted."""


def two_point(
    p1: float,
    p2: float,
    *,
    producer_risk: float = 0.05,
    consumer_risk: float = 0.10,
    model: str = "binomial",
    lot_size: int | None = None,
    kind: str = "single",
    ratio: int | None = None,
) -> SinglePlan | DoublePlan:
    """The cheapest plan that seldom rejects lots at `p1` and seldom accepts lots at `p2`.

    Parameters
    ----------
    p1, p2 : float
        Producer's and consumer's quality: fraction incorrect (defects a piece with "poisson").
    producer_risk, consumer_risk : float
        Most chance of rejection at `p1`, and of acceptance at `p2`; kept strictly, to a relative
        1e-12.
    model : {"binomial", "poisson", "hypergeometric"}
        As of `SinglePlan.accept`. A lot holds whole pieces: with "hypergeometric" good lots have
        at most ``p1 lot_size`` incorrect ones, or the next whole number below, and bad lots at
        least ``p2 lot_size``, or the next above, so some single plan meets both risks.
    lot_size : int, optional
        Needed by "hypergeometric". With the others, the most pieces that there are to pull.
    kind : {"single", "double"}
        "single": the smallest n, with its c. "double": the least average sample at `p1` (full
        second samples), rejection numbers both ``ac2 + 1``.
    ratio : int, optional
        For double plans: n2 is so many times n1. Left out, n2 is free.

    Returns
    -------
    SinglePlan or DoublePlan

    Raises
    ------
    InvalidInput
        If p1 is not below p2, or an argument is out of its range.
    NoSuchPlan
        If no plan within the lot meets both risks, or the points lie too close to tell apart.

    References
    ----------
    Guenther (1969), J. Quality Technology 1, 105-109. Hald (1981), Statistical Theory of Sampling
    Inspection by Attributes, ch. 2 and 5.

    Examples
    --------
    >>> two_point(0.01, 0.06)
    SinglePlan(n=110, ac=3, re=4)
    >>> two_point(0.01, 0.06, kind="double")
    DoublePlan(n1=42, ac1=0, re1=4, n2=90, ac2=3, re2=4)
    """
    chosen(dict.fromkeys(_MODELS), "model", model)
    chosen(dict.fromkeys(("single", "double")), "kind", kind)
    points = checked_points(p1, p2, producer_risk, consumer_risk, model)
    if points.p1.ndim:
        raise InvalidInput(
            f"p1 and p2 must be one number each, got {points.p1.size}; two_points takes more"
        )
    size = None if lot_size is None else one_whole(lot_size, "lot_size", least=1)
    if kind == "single":
        if ratio is not None:
            raise InvalidInput(f"ratio must be left out for single plans, got {ratio}")
        plan: SinglePlan | DoublePlan = (
            single_in_lot(points, size)
            if model == "hypergeometric"
            else SinglePlan(*(int(each) for each in singles(points)))
        )
    else:
        times = None if ratio is None else one_whole(ratio, "ratio", least=1)
        if model == "hypergeometric" and size is None:
            raise InvalidInput("lot_size must be given with the hypergeometric model, got None")
        plan = best_double(points, times, size if model == "hypergeometric" else None)
    if size is not None and plan.n > size:
        raise NoSuchPlan(
            f"no {kind} plan within the lot of {size:,} pieces meets both risks, {plan.n:,} would "
            "be needed; inspect every piece"
        )
    return plan


def two_points(
    p1: ArrayLike,
    p2: ArrayLike,
    *,
    producer_risk: float = 0.05,
    consumer_risk: float = 0.10,
    model: str = "binomial",
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Sample sizes and acceptance numbers of many single plans at once.

    Parameters
    ----------
    p1, p2 : array_like, broadcast to one shape S
    producer_risk, consumer_risk, model
        As of `two_point`; not "hypergeometric".

    Returns
    -------
    n, c : arrays of int, shape S
        For each pair what `two_point` gives.

    Raises
    ------
    InvalidInput, NoSuchPlan
        As `two_point`.
    """
    chosen(dict.fromkeys(_MODELS[:2]), "model", model)
    return singles(checked_points(p1, p2, producer_risk, consumer_risk, model))


def for_claim(
    target: float, confidence: float, *, incorrect: int = 0, lot_size: int | None = None
) -> SinglePlan:
    """The smallest sample that proves a percent correct, while `incorrect` pieces may be seen.

    Parameters
    ----------
    target : float, between 0 and 1
        Fraction correct to prove.
    confidence : float, between 0 and 1
        A process (or lot) that falls short passes with at most ``1 - confidence``.
    incorrect : int
        Incorrect pieces that the sample may show and still prove it.
    lot_size : int, optional
        Prove it of one lot of so many pieces; left out, of a process. The lot that must not pass
        has ``(1 - target) lot_size`` incorrect pieces, or the next whole number above.

    Returns
    -------
    SinglePlan
        `n` may be the lot: look at every piece.

    Raises
    ------
    InvalidInput
        If an argument is out of its range.
    NoSuchPlan
        If so many incorrect pieces may be seen that even the whole lot proves nothing.

    References
    ----------
    For ``incorrect=0``: ``n = ln(1 - confidence) / ln(target)``, rounded up. ISPM 31 (2008),
    Methodologies for sampling of consignments, appendix 2 (lots).

    Examples
    --------
    >>> for_claim(0.95, 0.95).n, for_claim(0.99, 0.95).n, for_claim(0.95, 0.95, lot_size=100).n
    (59, 299, 45)
    """
    short, risk = 1 - checked_level(target, "target"), 1 - checked_level(confidence)
    return _least_sample(short, risk, one_whole(incorrect, "incorrect"), lot_size)


def by_limiting_quality(
    limiting_quality: float,
    *,
    consumer_risk: float = 0.10,
    ac: int = 0,
    lot_size: int | None = None,
) -> SinglePlan:
    """The smallest sample that accepts isolated lots at the limiting quality seldom enough.

    Parameters
    ----------
    limiting_quality : float, between 0 and 1
        Fraction incorrect.
    consumer_risk : float, between 0 and 1
        Most chance of acceptance there; ISO 2859-2 keeps it usually below 0.10, always below 0.13.
    ac : int
        Acceptance number wanted.
    lot_size : int, optional
        As of `for_claim`.

    Raises
    ------
    InvalidInput, NoSuchPlan
        As `for_claim`.

    Examples
    --------
    >>> by_limiting_quality(0.02, ac=1)
    SinglePlan(n=194, ac=1, re=2)
    """
    limit = checked_level(limiting_quality, "limiting_quality")
    risk = checked_level(consumer_risk, "consumer_risk")
    return _least_sample(limit, risk, one_whole(ac, "ac"), lot_size)


def quality_at(
    plan: Plan, chance: ArrayLike, *, model: str = "binomial", lot_size: int | None = None
) -> Array:
    """The quality that a plan accepts with the chance asked: its points read back.

    Parameters
    ----------
    plan : SinglePlan, DoublePlan or any other with `accept`
    chance : array_like, strictly between 0 and 1
        0.95 gives the producer's point (risk 5 %), 0.10 the consumer's.
    model : {"binomial", "poisson", "hypergeometric"}
    lot_size : int, optional

    Returns
    -------
    array of chance's shape
        Fraction incorrect (defects a piece with "poisson"), found by halving in the logarithm to
        the last digits, between 1e-12 and 1 (1,000 defects a piece).

    Raises
    ------
    InvalidInput
        If a chance is not between 0 and 1, or the plan accepts even the worst lot more often.

    Examples
    --------
    >>> quality_at(SinglePlan(200, 3), [0.95, 0.10]).round(4)
    array([0.0069, 0.0331])
    """
    wanted = checked_fraction(chance, "chance", ends=False)
    worst = 1000.0 if model == "poisson" else 1.0
    least = float(plan.accept(worst, model=model, lot_size=lot_size))
    if (wanted < least).any():
        raise InvalidInput(
            f"chance must be {least:.4g} or more, which the plan gives the worst lot, "
            f"got {wanted.min():g}"
        )
    low, high = np.full_like(wanted, np.log(1e-12)), np.full_like(wanted, np.log(worst))
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        better = plan.accept(np.exp(middle), model=model, lot_size=lot_size) > wanted
        low, high = np.where(better, middle, low), np.where(better, high, middle)
    return np.asarray(np.exp((low + high) / 2), dtype=np.float64)


def _least_sample(p: float, risk: float, c: int, lot_size: int | None) -> SinglePlan:
    if lot_size is None:
        return SinglePlan(int(smallest_of_process(np.array(p), c, risk)), c)
    size = one_whole(lot_size, "lot_size", least=1)
    incorrect = least_in_bad_lot(p, size)
    if c >= incorrect:
        raise NoSuchPlan(
            f"no sample of a lot of {size:,} tells when {c} incorrect pieces may be seen: "
            f"{incorrect} in the lot are too many already"
        )
    return SinglePlan(smallest_in_lot(size, incorrect, c, risk), c)
