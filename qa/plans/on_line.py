"""The on-line cumulative sum of the federal rules for processed foods: 7 CFR 42.131 and 52.38b."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import gcd

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from qa._validate import checked_fraction, checked_whole, chosen, one_whole
from qa.errors import InvalidInput
from qa.plans.federal import AQLS, JUDGED, SECTIONS, Judgement, by_class, rows
from qa.plans.single import Array


@dataclass(frozen=True, slots=True)
class OnLineStep:
    """One portion of production, judged on line.

    Attributes
    ----------
    value : the sum that was judged, before it was reset
    verdict : "accept" or "reject"
    carried : the sum that goes on to the next portion
    """

    value: float
    verdict: str
    carried: float


@dataclass(frozen=True, slots=True)
class OnLinePlan:
    """The on-line cumulative sum of defects: 7 CFR 42.131 to 42.133 and 52.38b.

    To the sum, `start` at first, add the defects of the portion and take the tolerance away.
    Judge: the portion is accepted at the limit or below. Only then reset: a sum below 0 to 0, one
    above the limit to the limit.

    Parameters
    ----------
    tolerance, limit, start : float
        T, L and S of the rule, 0 or more and in hundredths at the finest; start at most limit.

    Raises
    ------
    InvalidInput
        If a number is out of its range.

    Examples
    --------
    >>> [(step.value, step.verdict) for step in OnLinePlan(2, 3, 1).run([4, 3, 2])]
    [(3.0, 'accept'), (4.0, 'reject'), (3.0, 'accept')]
    """

    tolerance: float
    limit: float
    start: float

    def __post_init__(self) -> None:
        for name in ("tolerance", "limit", "start"):
            value = getattr(self, name)
            if np.ndim(value) != 0 or not (0 <= value < np.inf) or round(value * 100, 6) % 1:
                raise InvalidInput(f"{name} must be 0 or more in whole hundredths, got {value!r}")
        if self.start > self.limit:
            raise InvalidInput(
                f"start must be at most the limit {self.limit:g}, got {self.start:g}"
            )

    def run(self, defects: Sequence[int]) -> tuple[OnLineStep, ...]:
        """Portion by portion through the defects found, from the start of a period.

        Raises
        ------
        InvalidInput
            If a count is not a whole number, 0 or more.
        """
        tolerance, limit, total = self._hundredths()
        steps = []
        for found in checked_whole(defects, "defects").astype(np.int64).ravel().tolist():
            value = total + 100 * found - tolerance
            total = min(max(value, 0), limit)
            verdict = "accept" if value <= limit else "reject"
            steps.append(OnLineStep(value / 100, verdict, total / 100))
        return tuple(steps)

    def accept(self, p: ArrayLike, pieces: int, *, model: str = "poisson") -> Array:
        """Fraction of portions accepted in the long run, a process at `p` all the time.

        Parameters
        ----------
        p : array_like, shape S
            Defects a piece, or with "binomial" the fraction of defective pieces.
        pieces : int
            Pieces of each portion that are looked at: the subgroup, or the sample unit.
        model : {"poisson", "binomial"}

        Returns
        -------
        array of shape S
            By the stationary chances of the carried sum; the printed quality levels of 52.38b are
            of this kind.

        Raises
        ------
        InvalidInput
            If p is out of its range, pieces is not one whole number, or the model is unknown.
        """
        terms = chosen(_TERMS, "model", model)
        n = one_whole(pieces, "pieces", least=1)
        rate = checked_fraction(p, "p") if model == "binomial" else _rate(p)
        tolerance, limit, _ = self._hundredths()
        largest = (limit + tolerance) // 100
        chances = terms(rate.ravel(), n, largest)
        found = [self._long_run(chance) for chance in chances]
        return np.array(found, dtype=np.float64).reshape(rate.shape)

    def _hundredths(self) -> tuple[int, int, int]:
        return round(self.tolerance * 100), round(self.limit * 100), round(self.start * 100)

    def _long_run(self, chance: Array) -> float:
        """Share accepted, from the chances of 0, 1, ... defects in a portion."""
        tolerance, limit, _ = self._hundredths()
        unit = gcd(gcd(tolerance, limit), 100) or 1
        states = np.arange(0, limit + 1, unit)
        steps = np.zeros((states.size, states.size))
        accepted = np.zeros(states.size)
        for defects, part in enumerate(chance):
            value = states + 100 * defects - tolerance
            kept = value <= limit
            accepted += part * kept
            at = np.maximum(value, 0) // unit
            steps[np.flatnonzero(kept), at[kept]] += part
        steps[:, -1] += 1 - accepted
        balance = np.vstack([steps.T - np.eye(states.size), np.ones(states.size)])
        share = np.linalg.lstsq(balance, np.append(np.zeros(states.size), 1.0), rcond=None)[0]
        return float(share @ accepted)


def on_line_plans(inspection: str = "normal") -> dict[str, OnLinePlan]:
    """The on-line plans of filled containers, one a class, origin inspection: 7 CFR 42.132(a).

    Raises
    ------
    InvalidInput
        If the inspection is not "normal", "tightened" or "reduced".

    Examples
    --------
    >>> on_line_plans()["major"]
    OnLinePlan(tolerance=0.5, limit=2.0, start=1.0)
    """
    chosen(SECTIONS, "inspection", inspection)
    plans = {
        float(row["aql"]): _on_line(row)
        for row in rows()
        if row["section"] == "42.132(a)" and row["inspection"] == inspection
    }
    return {name: plans[aql] for name, aql in zip(JUDGED, AQLS["origin"], strict=True)}


def on_line_plan(aql: float, pieces: int, *, counted: str = "defects") -> OnLinePlan:
    """The on-line plan of processed fruits and vegetables: 7 CFR 52.38b, Tables VI to X.

    Parameters
    ----------
    aql : float
        Per cent, or defects per 100 pieces, as the table heads its rows.
    pieces : {13, 25, 50, 100, 200}
        Standard sample unit.
    counted : {"defects", "defectives"}
        One plan serves both up to an AQL of 10.

    Raises
    ------
    InvalidInput
        If the tables have no such row.

    Examples
    --------
    >>> on_line_plan(1.5, 50)
    OnLinePlan(tolerance=1.0, limit=2.0, start=1.0)
    """
    chosen({"defects": 0, "defectives": 0}, "counted", counted)
    tabled = [row for row in rows() if row["section"] == "52.38b(h)"]
    sizes = sorted({int(row["n"]) for row in tabled})
    if pieces not in sizes:
        raise InvalidInput(f"pieces must be one of {', '.join(map(str, sizes))}, got {pieces!r}")
    fit = {
        float(row["aql"]): row
        for row in tabled
        if int(row["n"]) == pieces and row["code"] in ("both", counted)
    }
    if np.ndim(aql) or aql not in fit:
        known = ", ".join(f"{each:g}" for each in fit)
        raise InvalidInput(f"aql must be one of {known}, got {aql!r}")
    return _on_line(fit[aql])


def judge_on_line(
    plans: Mapping[str, OnLinePlan], counts: Sequence[Mapping[str, int]]
) -> tuple[Judgement, ...]:
    """Portion by portion, all classes at once: accepted if no class exceeds its limit (42.133).

    Parameters
    ----------
    plans : mapping
        "critical", "major" and "total" to their plans.
    counts : sequence of mappings
        For each portion the defects of the classes "critical", "major" and "minor".

    Raises
    ------
    InvalidInput
        As `judge_classes`.
    """
    found = [by_class(each) for each in counts]
    runs = {name: plans[name].run([each[name] for each in found]) for name in JUDGED}
    judged = []
    for at in range(len(found)):
        over = tuple(name for name in JUDGED if runs[name][at].verdict == "reject")
        judged.append(Judgement("reject" if over else "accept", over))
    return tuple(judged)


def _on_line(row: Mapping[str, str]) -> OnLinePlan:
    return OnLinePlan(float(row["tolerance"]), float(row["limit"]), float(row["start"]))


def _rate(p: ArrayLike) -> Array:
    rate = np.asarray(p, dtype=np.float64)
    wrong = ~(np.isfinite(rate) & (rate >= 0))
    if wrong.any():
        raise InvalidInput(f"p must be defects a piece, 0 or more, got {rate[wrong][0]:g}")
    return rate


def _poisson(p: Array, n: int, largest: int) -> Array:
    k, mean = np.arange(largest + 1), n * p[:, np.newaxis]
    return np.asarray(np.exp(special.xlogy(k, mean) - mean - special.gammaln(k + 1)))


def _binomial(p: Array, n: int, largest: int) -> Array:
    k, at = np.arange(min(largest, n) + 1), p[:, np.newaxis]
    ways = -np.log1p(n) - special.betaln(k + 1, n - k + 1)
    return np.asarray(np.exp(ways + special.xlogy(k, at) + special.xlog1py(n - k, -at)))


_TERMS = {"poisson": _poisson, "binomial": _binomial}
