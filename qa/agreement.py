"""Whether inspectors agree, with each other and with what a piece is known to be.

A study lays the same pieces before several inspectors, who call each one correct or a category.
"""

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from qa.errors import InvalidInput
from qa.intervals import InspectionStudy, Interval, binomial

Floats = NDArray[np.float64]
Codes = NDArray[np.intp]
_NONE = -1  # the code of a call that was not made


@dataclass(frozen=True, slots=True, eq=False)
class Coefficient:
    """Agreement beyond chance, with its large-sample error and limits: arrays of one shape.

    1 is full agreement, 0 what chance alone would give. The error is 0 where all agree, which
    shows that large-sample errors fail there and not that the value is certain.
    """

    estimate: Floats
    error: Floats
    low: Floats
    high: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Agreement:
    """How far inspectors agree with each other: K categories, P pairs of inspectors.

    Attributes
    ----------
    categories : the codes, in the order of the tables
    all_agree : share of pieces with two calls or more on which no call differs
    fleiss : Fleiss' kappa over all inspectors; nan where every call is of one category
    ac1 : Gwet's AC1 over all inspectors, which a rare category does not pull down as it does kappa
    pairs : (P, 2) columns of the two inspectors
    agreed : (P,) share of the pieces that both called on which they agree
    kappa : (P,) Cohen's kappa of the two; nan where both called all pieces the same one category
    tables : (P, K, K) pieces by the call of the first (row) and of the second (column)
    """

    categories: tuple[Hashable, ...]
    all_agree: Interval
    fleiss: Coefficient
    ac1: Coefficient
    pairs: NDArray[np.intp]
    agreed: Interval
    kappa: Coefficient
    tables: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Calling:
    """How inspectors called pieces of known kind: K categories, a row an inspector.

    Attributes
    ----------
    categories : the codes, in the order of the tables
    effectiveness : share of pieces called what they are, the category included
    miss_rate : share of incorrect pieces called correct
    false_call_rate : share of correct pieces called incorrect
    kappa : Cohen's kappa with the known kind
    confusion : (inspectors, K, K) pieces by what they are (row) and what they were called (column)
    """

    categories: tuple[Hashable, ...]
    effectiveness: Interval
    miss_rate: Interval
    false_call_rate: Interval
    kappa: Coefficient
    confusion: Floats


def agreement(
    calls: ArrayLike,
    *,
    categories: Sequence[Hashable] | None = None,
    confidence: float = 0.95,
) -> Agreement:
    """How far inspectors agree with each other, beyond what chance would give.

    Parameters
    ----------
    calls : array_like of codes, shape (pieces, inspectors), two of each or more
        What each inspector called each piece; None, NaN or an empty text where none was made.
    categories : sequence of codes, optional
        All that could have been called, which AC1 depends on; those that were, when left out.
    confidence : float, between 0 and 1

    Returns
    -------
    Agreement
        Shares have exact limits and speak of pieces like these; coefficients have large-sample
        limits, cut off at -1 and 1.

    Raises
    ------
    InvalidInput
        If calls are no such table, a call is of no category, there are fewer than two categories,
        or two inspectors have no piece in common.

    References
    ----------
    Cohen (1960), Educational and Psychological Measurement 20, 37-46, with the error of Fleiss,
    Cohen & Everitt (1969), Psychological Bulletin 72, 323-327; Fleiss (1971), Psychological
    Bulletin 76, 378-382; Gwet (2008), British Journal of Mathematical and Statistical Psychology
    61, 29-48 (AC1, and the errors of both by linearisation over pieces).

    Examples
    --------
    >>> calls = [["ok", "ok"]] * 40 + [["stem", "stem"]] * 5 + [["ok", "stem"]] * 5
    >>> found = agreement(calls)
    >>> found.agreed.estimate.tolist(), found.kappa.estimate.round(3).tolist()
    ([0.9], [0.615])
    >>> found.tables.tolist()
    [[[40.0, 5.0], [0.0, 5.0]]]
    """
    table = _table(calls)
    names = _categories(table, categories)
    codes = _coded(table, names, "calls")
    pairs = np.array(list(combinations(range(codes.shape[1]), 2)), dtype=np.intp).reshape(-1, 2)
    if not pairs.size:
        raise InvalidInput(f"calls must be of 2 inspectors or more, got {codes.shape[1]}")
    tables = np.array([_crossed(codes[:, a], codes[:, b], len(names)) for a, b in pairs])
    both = tables.sum(axis=(1, 2))
    if not both.all():
        a, b = pairs[int(np.argmin(both))]
        raise InvalidInput(
            f"each two inspectors must have called 1 piece or more in common, got none "
            f"for those at positions {a} and {b}"
        )
    agreed = binomial(np.trace(tables, axis1=1, axis2=2), both, confidence=confidence)
    kappa = _cohen(tables, confidence)
    return Agreement(names, *_over_all(codes, len(names), confidence), pairs, agreed, kappa, tables)


def against_known(
    calls: ArrayLike,
    known: ArrayLike,
    *,
    correct: Hashable,
    categories: Sequence[Hashable] | None = None,
    confidence: float = 0.95,
) -> Calling:
    """How inspectors call pieces whose kind is known, and what each takes for what.

    Parameters
    ----------
    calls : array_like of codes, shape (pieces, inspectors)
        What each inspector called each piece; None, NaN or an empty text where none was made.
    known : array_like of codes, shape (pieces,)
        What each piece is; a piece without it is left out.
    correct : code
        That of a correct piece.
    categories : sequence of codes, optional
        In the order wanted for the tables; those that occur, when left out.
    confidence : float, between 0 and 1

    Returns
    -------
    Calling
        Shares have exact limits and speak of pieces like these called by the same inspector.

    Raises
    ------
    InvalidInput
        If calls are no such table, known does not match it, a code is of no category, or an
        inspector called no correct or no incorrect piece.

    References
    ----------
    Cohen (1960) and Fleiss, Cohen & Everitt (1969), as for `agreement`; Clopper & Pearson (1934).

    Examples
    --------
    >>> known = ["ok"] * 20 + ["stem"] * 10
    >>> calls = [["ok"]] * 19 + [["stem"]] * 9 + [["ok"]] * 2
    >>> found = against_known(calls, known, correct="ok")
    >>> found.miss_rate.estimate.tolist(), found.false_call_rate.estimate.tolist()
    ([0.2], [0.05])
    """
    names, confusion = _confusion(calls, known, correct, categories)
    missed, incorrect, called, sound = _errors(confusion, names.index(correct))
    for kind, seen in (("incorrect", incorrect), ("correct", sound)):
        if not seen.all():
            raise InvalidInput(
                f"each inspector must have called 1 {kind} piece or more, got none "
                f"for the one at position {int(np.argmin(seen))}"
            )
    right = np.trace(confusion, axis1=1, axis2=2)
    return Calling(
        names,
        binomial(right, incorrect + sound, confidence=confidence),
        binomial(missed, incorrect, confidence=confidence),
        binomial(called, sound, confidence=confidence),
        _cohen(confusion, confidence),
        confusion,
    )


def inspection_study(calls: ArrayLike, known: ArrayLike, *, correct: Hashable) -> InspectionStudy:
    """The study that `qa.intervals.corrected` asks for, all inspectors' calls together.

    An incorrect piece called by another category than its own counts as found.

    Parameters
    ----------
    calls : array_like of codes, shape (pieces, inspectors)
        Each call counts as one piece. Inspectors who call the same pieces tend to err on the same
        ones, and the study then looks larger than it is: one column alone, or pieces shared out
        over the inspectors, keeps limits honest.
    known : array_like of codes, shape (pieces,)
        What each piece is; a piece without it is left out.
    correct : code
        That of a correct piece.

    Raises
    ------
    InvalidInput
        As for `against_known`, or if the study does not show that an incorrect piece is called
        incorrect more often than a correct one.

    Examples
    --------
    >>> known = ["ok"] * 20 + ["stem"] * 10
    >>> calls = [["ok"]] * 19 + [["stem"]] * 9 + [["ok"]] * 2
    >>> inspection_study(calls, known, correct="ok")
    InspectionStudy(found=8, incorrect=10, passed=19, correct=20)
    """
    names, confusion = _confusion(calls, known, correct, None)
    parts = _errors(confusion.sum(axis=0), names.index(correct))
    missed, incorrect, called, sound = (int(part) for part in parts)
    return InspectionStudy(incorrect - missed, incorrect, sound - called, sound)


def _table(calls: ArrayLike) -> NDArray[Any]:
    table = np.asarray(calls, dtype=object)
    if table.ndim != 2 or not table.size:
        raise InvalidInput(
            f"calls must be a table of pieces by inspectors, got shape {table.shape}"
        )
    return table


def _not_made(code: Any) -> bool:
    """Whether a cell is empty: what is missing does not equal itself."""
    same = code == code
    return code is None or not isinstance(same, bool | np.bool_) or not same or code == ""


def _categories(codes: NDArray[Any], given: Sequence[Hashable] | None) -> tuple[Hashable, ...]:
    found: set[Any] = {code for code in codes.flat if not _not_made(code)}
    try:
        names = tuple(sorted(found)) if given is None else tuple(given)
    except TypeError:  # texts and numbers together
        names = tuple(sorted(found, key=str))
    if len(names) < 2 or len(set(names)) < len(names):
        raise InvalidInput(f"categories must be 2 or more, each once, got {_listed(names)}")
    return names


def _coded(codes: NDArray[Any], names: tuple[Hashable, ...], what: str) -> Codes:
    """Each code's place among the categories."""
    places = {name: place for place, name in enumerate(names)}
    coded = np.full(codes.shape, _NONE, dtype=np.intp)
    for at, code in np.ndenumerate(codes):
        if _not_made(code):
            continue
        if code not in places:
            where = at[0] if len(at) == 1 else at
            raise InvalidInput(
                f"{what} must be among the categories {_listed(names)}, "
                f"got {code} at position {where}"
            )
        coded[at] = places[code]
    return coded


def _listed(names: tuple[Hashable, ...]) -> str:
    return ", ".join(str(name) for name in names) or "none"


def _crossed(first: Codes, second: Codes, size: int) -> Floats:
    """Pieces by both codes, where both are there."""
    both = (first != _NONE) & (second != _NONE)
    cells = np.bincount(first[both] * size + second[both], minlength=size * size)
    return cells.reshape(size, size).astype(np.float64)


def _confusion(
    calls: ArrayLike,
    known: ArrayLike,
    correct: Hashable,
    categories: Sequence[Hashable] | None,
) -> tuple[tuple[Hashable, ...], Floats]:
    table, kinds = _table(calls), np.asarray(known, dtype=object)
    if kinds.shape != table.shape[:1]:
        raise InvalidInput(
            f"known must have one kind a piece, got shape {kinds.shape} for {len(table)} pieces"
        )
    names = _categories(np.append(table, kinds), categories)
    if correct not in names:
        raise InvalidInput(f"correct must be among the categories {_listed(names)}, got {correct}")
    called, true = _coded(table, names, "calls"), _coded(kinds, names, "known")
    return names, np.array([_crossed(true, column, len(names)) for column in called.T])


def _errors(confusion: Floats, correct: int) -> tuple[Floats, Floats, Floats, Floats]:
    """Missed, of incorrect pieces; called incorrect, of correct pieces."""
    passed = confusion[..., correct, correct]
    sound = confusion[..., correct, :].sum(axis=-1)
    missed = confusion[..., :, correct].sum(axis=-1) - passed
    return missed, confusion.sum(axis=(-2, -1)) - sound, sound - passed, sound


def _cohen(tables: Floats, confidence: float) -> Coefficient:
    """Cohen's kappa of each table, with the error of Fleiss, Cohen & Everitt."""
    n = tables.sum(axis=(-2, -1))
    p = tables / n[..., np.newaxis, np.newaxis]
    row, column = p.sum(axis=-1), p.sum(axis=-2)
    chance = (row * column).sum(axis=-1)
    beyond = np.where(chance < 1.0, 1.0 - chance, np.nan)
    kappa = (np.trace(p, axis1=-2, axis2=-1) - chance) / beyond
    lost = 1.0 - kappa
    by_chance = column[..., :, np.newaxis] + row[..., np.newaxis, :]
    weight = np.eye(p.shape[-1]) - by_chance * lost[..., np.newaxis, np.newaxis]
    spread = (p * weight**2).sum(axis=(-2, -1)) - (kappa - chance * lost) ** 2
    error = np.sqrt(np.maximum(spread, 0.0) / n) / beyond
    return _coefficient(kappa, error, float(special.ndtri(0.5 + confidence / 2.0)))


def _over_all(
    codes: Codes, size: int, confidence: float
) -> tuple[Interval, Coefficient, Coefficient]:
    """Share of pieces on which all agree, Fleiss' kappa and Gwet's AC1."""
    counts = (codes[..., np.newaxis] == np.arange(size)).sum(axis=1).astype(np.float64)
    counts = counts[counts.any(axis=1)]
    calls = counts.sum(axis=1)
    several = calls > 1
    if several.sum() < 2:
        raise InvalidInput(
            f"2 pieces or more must have two calls or more, got {int(several.sum())}"
        )
    alike = (counts.max(axis=1) == calls)[several].sum()
    pairs = (counts * (counts - 1.0)).sum(axis=1)
    agreed = np.divide(pairs, calls * (calls - 1.0), out=np.zeros_like(pairs), where=several)
    share = counts / calls[:, np.newaxis]
    level = share.mean(axis=0)
    quantile = float(special.stdtrit(len(calls) - 1, 0.5 + confidence / 2.0))
    fleiss, ac1 = (
        _coefficient(*_beyond_chance(agreed, several, chance), quantile)
        for chance in (share @ level, share @ (1.0 - level) / (size - 1.0))
    )
    return binomial(alike, several.sum(), confidence=confidence), fleiss, ac1


def _beyond_chance(
    agreed: Floats, several: NDArray[np.bool_], by_chance: Floats
) -> tuple[Floats, Floats]:
    """Agreement beyond chance, and its error by linearisation: what each piece adds to it.

    Chance is a quadratic form of the categories' levels, so that a piece moves it twice.
    """
    n, weight = len(agreed), several / several.mean()
    seen, chance = (agreed * weight).mean(), by_chance.mean()
    beyond = np.where(chance < 1.0, 1.0 - chance, np.nan)
    value = (seen - chance) / beyond
    adds = (weight * (agreed - seen) - 2.0 * (1.0 - value) * (by_chance - chance)) / beyond
    return value, np.sqrt((adds**2).sum() / (n * (n - 1.0)))


def _coefficient(estimate: Floats, error: Floats, quantile: float) -> Coefficient:
    low, high = (np.clip(estimate + by * error, -1.0, 1.0) for by in (-quantile, quantile))
    return Coefficient(np.asarray(estimate), np.asarray(error), np.asarray(low), np.asarray(high))
