"""A study's figures: each inspector held against the others, the known kind, and itself."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qa.agreement import Agreement, Calling, against_known, agreement, inspection_study
from qa.errors import InvalidInput
from qa.files.studies import Study
from qa.intervals import InspectionStudy, Interval, binomial

Calls = NDArray[np.object_]


@dataclass(frozen=True, slots=True, eq=False)
class Itself:
    """Pieces that an inspector called more than once, and those called the same every time."""

    inspector: str
    same: int
    pieces: int
    share: Interval


@dataclass(frozen=True, slots=True, eq=False)
class StudyAnswer:
    """What a study says.

    Attributes
    ----------
    name, correct : str
        The file, and its word for a correct piece.
    pieces : int
    inspectors : tuple of str
    confidence : float
        Of every interval.
    alike, shared : int
        Pieces on which no first call differs, of those that two or more inspectors called.
    together : Agreement or None
        Of inspectors with each other; None where there is one alone.
    calling : Calling or None
        Of each inspector with what the pieces are; None where that is not known.
    itself : tuple of Itself
        Of those inspectors who called a piece more than once.
    carried : InspectionStudy or None
        The tallies that a claim asks for: each piece of known kind once, called by the inspectors
        in turn. None where kinds are not known, or where it does not show that an incorrect piece
        is called incorrect more often than a correct one.
    """

    name: str
    correct: str
    pieces: int
    inspectors: tuple[str, ...]
    confidence: float
    alike: int
    shared: int
    together: Agreement | None
    calling: Calling | None
    itself: tuple[Itself, ...]
    carried: InspectionStudy | None


def answer(study: Study, *, confidence: float = 0.95) -> StudyAnswer:
    """What a study says of its inspectors.

    An inspector's first call of a piece is held against the others' and against what the piece
    is; later ones show whether the inspector agrees with itself. So every piece counts once.

    Parameters
    ----------
    study : Study
        As `qa.files.studies.read_study` gives it.
    confidence : float, between 0 and 1

    Raises
    ------
    InvalidInput
        If the confidence is out of its range, or the study does not bear its figures.
    """
    first, known = study.calls[0], study.known
    together = calling = None
    categories = _categories(study)
    if len(study.inspectors) > 1:
        together = agreement(first, categories=categories, confidence=confidence)
    if known is not None:
        calling = against_known(
            first, known, correct=study.correct, categories=categories, confidence=confidence
        )
    shared = [set(row[row != ""]) for row in first if (row != "").sum() > 1]
    return StudyAnswer(
        name=study.name,
        correct=study.correct,
        pieces=len(study.pieces),
        inspectors=study.inspectors,
        confidence=confidence,
        alike=sum(len(each) == 1 for each in shared),
        shared=len(shared),
        together=together,
        calling=calling,
        itself=_itself(study, confidence),
        carried=_carried(study),
    )


def _categories(study: Study) -> tuple[str, ...]:
    """Every word of the study, that for a correct piece first."""
    words = {str(call) for calls in study.calls for call in calls.flat if call}
    words |= set() if study.known is None else {str(kind) for kind in study.known if kind}
    return (study.correct, *sorted(words - {study.correct}))


def _itself(study: Study, confidence: float) -> tuple[Itself, ...]:
    calls = np.array(study.calls)  # trials, pieces, inspectors
    several = (calls != "").sum(axis=0) > 1
    same = ((calls == calls[0]) | (calls == "")).all(axis=0) & several
    return tuple(
        Itself(
            inspector,
            int(same[:, at].sum()),
            int(several[:, at].sum()),
            binomial(same[:, at].sum(), several[:, at].sum(), confidence=confidence),
        )
        for at, inspector in enumerate(study.inspectors)
        if several[:, at].any()
    )


def _carried(study: Study) -> InspectionStudy | None:
    """Each piece of known kind once, the inspectors taking turns among the pieces of either kind.

    Inspectors who call the same piece tend to err alike, so that all their calls together would
    make the study look larger than it is.
    """
    if study.known is None:
        return None
    shared = np.full((len(study.pieces), 1), "", dtype=np.object_)
    for are in (study.known == study.correct, ~np.isin(study.known, ("", study.correct))):
        for turn, piece in enumerate(np.flatnonzero(are)):
            shared[piece, 0] = _in_turn(study.calls[0][piece], turn)
    try:
        return inspection_study(shared, study.known, correct=study.correct)
    except InvalidInput:  # of what is counted here it can only be that it shows nothing
        return None


def _in_turn(calls: Calls, turn: int) -> str:
    """The call of the inspector whose turn it is, of those who called the piece."""
    made = [str(call) for call in calls if call]
    return made[turn % len(made)]
