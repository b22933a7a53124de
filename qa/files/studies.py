"""An agreement study's file: who called which piece what, one row a call.

Columns ``piece``, ``inspector`` and ``called``; where they are there, ``trial`` (1, 2, ... where an
inspector called a piece more than once) and ``known`` (what the piece is). A correct piece is
called ``correct``, an incorrect one by its category.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from qa.errors import InvalidInput, InvalidStudy
from qa.files.formulas import plain
from qa.files.tables import Row, Table, read_table, shown
from qa.files.uploads import Upload

CORRECT = "correct"
NEEDED, POSSIBLE = ("piece", "inspector", "called"), ("trial", "known")
MOST_CALLS = 50_000
MOST = {"piece": 5_000, "inspector": 40, "called": 30, "trial": 20}  # different words of a column
MOST_CHARACTERS = 60


@dataclass(frozen=True, slots=True, eq=False)
class Study:
    """Calls of P pieces by I inspectors, in the order in which the file names them.

    Attributes
    ----------
    name : str
        The file's.
    correct : str
        The word for a correct piece.
    calls : tuple of (P, I) arrays of texts
        First calls, then second ones and so on; "" where no call was made.
    known : (P,) array of texts, or None
        What each piece is, "" where that is not known; None where the file has no such column.
    """

    name: str
    correct: str
    pieces: tuple[str, ...]
    inspectors: tuple[str, ...]
    calls: tuple[NDArray[np.object_], ...]
    known: NDArray[np.object_] | None


@dataclass(frozen=True, slots=True)
class _Call:
    """One row as it is read: its texts and, for a fault, its number."""

    row: int
    piece: str
    inspector: str
    called: str
    trial: int
    known: str


def read_study(file: str | Path | Upload, *, correct: str = CORRECT) -> Study:
    """The study in a CSV or XLSX file.

    Parameters
    ----------
    file : path or Upload
    correct : str
        The file's word for a correct piece. Words are told apart by their letters, not by capitals.

    Raises
    ------
    InvalidFile
        If the file cannot be read as a table.
    InvalidInput
        If the word for a correct piece is blank.
    InvalidStudy
        If it is no study: every fault at once, with its row and column and what to do.
    """
    if not correct.strip():
        raise InvalidInput("the word for a correct piece must not be blank")
    table = read_table(file)
    at = _places(table)
    if len(table.rows) > MOST_CALLS:
        told = f"has {len(table.rows):,} rows: take at most {MOST_CALLS:,} of them"
        raise InvalidStudy([told], table.name)
    faults: list[str] = []
    calls = [call for row in table.rows if (call := _call(row, at, faults))]
    _check_repeats(calls, "trial" in at, faults)
    known = _known(calls, faults)
    faults += _too_many(calls, table)
    if faults:
        raise InvalidStudy(faults, table.name)
    study = _study(table.name, calls, known, correct)
    faults += _faults_of_all(study)
    if faults:
        raise InvalidStudy(faults, table.name)
    return study


class _Words:
    """Words told apart without capitals: the first spelling stands for all."""

    def __init__(self, correct: str) -> None:
        self._first = {correct.strip().casefold(): correct.strip()}

    def __call__(self, word: str) -> str:
        return self._first.setdefault(word.casefold(), word) if word else ""


def _places(table: Table) -> dict[str, int]:
    """Where each column is, by its header.

    Raises
    ------
    InvalidStudy
        If one that is needed is not there, or one is there twice.
    """
    headers = [header.strip().casefold() for header in table.headers]
    faults = [
        f'has no column "{name}": give it the headers {", ".join(NEEDED)}, and {POSSIBLE[0]} and '
        f"{POSSIBLE[1]} where there are such"
        for name in NEEDED
        if name not in headers
    ]
    faults += [
        f'has the column "{name}" {headers.count(name)} times: leave one'
        for name in (*NEEDED, *POSSIBLE)
        if headers.count(name) > 1
    ]
    if faults:
        raise InvalidStudy(faults, table.name)
    return {name: headers.index(name) for name in (*NEEDED, *POSSIBLE) if name in headers}


def _call(row: Row, at: dict[str, int], faults: list[str]) -> _Call | None:
    texts = {name: shown(plain(row.cells[place])).strip() for name, place in at.items()}
    wrong = list(_faults_of(texts))
    faults += [f'row {row.number:,}, column "{name}": {told}' for name, told in wrong]
    if wrong:
        return None
    trial = int(texts.get("trial") or 1)
    piece, inspector, called = (texts[name] for name in NEEDED)
    return _Call(row.number, piece, inspector, called, trial, texts.get("known", ""))


def _faults_of(texts: dict[str, str]) -> Iterable[tuple[str, str]]:
    """What is wrong with the cells of a row, each by its column."""
    for name, text in texts.items():
        if name in NEEDED and not text:
            yield name, "is blank: fill it in, or delete the row"
        elif len(text) > MOST_CHARACTERS:
            yield name, f"has {len(text)} characters: shorten it to {MOST_CHARACTERS} at most"
        elif not text.isprintable():
            yield name, "has a character that cannot be shown: type it anew"
        elif name == "trial" and text and not (text.isascii() and text.isdigit() and int(text) > 0):
            yield name, f'must be a whole number from 1 on, got "{text}"'


def _check_repeats(calls: Sequence[_Call], has_trials: bool, faults: list[str]) -> None:
    """Tell each call that is there already."""
    first: dict[tuple[str, str, int], int] = {}
    todo = "delete one" if has_trials else 'delete one, or number them in a column "trial"'
    for call in calls:
        key = (call.piece, call.inspector, call.trial)
        earlier = first.setdefault(key, call.row)
        if earlier != call.row:
            faults.append(
                f'row {call.row:,}, column "piece": {call.inspector} has called piece {call.piece} '
                f"in row {earlier:,} already: {todo}"
            )


def _known(calls: Sequence[_Call], faults: list[str]) -> dict[str, str]:
    """What each piece is known to be; each row that says otherwise than an earlier one is told."""
    found: dict[str, _Call] = {}
    for call in calls:
        if not call.known:
            continue
        earlier = found.setdefault(call.piece, call)
        if earlier.known.casefold() != call.known.casefold():
            faults.append(
                f'row {call.row:,}, column "known": says that piece {call.piece} is {call.known}, '
                f"and row {earlier.row:,} that it is {earlier.known}: make them the same"
            )
    return {piece: call.known for piece, call in found.items()}


def _too_many(calls: Sequence[_Call], table: Table) -> Iterable[str]:
    """Columns whose words are too many to be what they should be, or none."""
    if not table.rows:
        yield "has no row below its headers: write one row a call"
    for name, most in MOST.items():
        count = len({getattr(call, name) for call in calls})
        if count > most:
            yield f'column "{name}" has {count:,} different words: use {most:,} at most'


def _study(name: str, calls: Sequence[_Call], known: dict[str, str], correct: str) -> Study:
    words = _Words(correct)
    pieces = {piece: at for at, piece in enumerate(dict.fromkeys(each.piece for each in calls))}
    inspectors = dict.fromkeys(each.inspector for each in calls)
    column = {inspector: at for at, inspector in enumerate(inspectors)}
    shape = len(pieces), len(inspectors)
    made = np.zeros(shape, dtype=np.intp)  # calls so far
    tables: list[NDArray[np.object_]] = []
    for call in sorted(calls, key=lambda each: each.trial):
        at = pieces[call.piece], column[call.inspector]
        if made[at] == len(tables):
            tables.append(np.full(shape, "", dtype=np.object_))
        tables[made[at]][at] = words(call.called)
        made[at] += 1
    kinds = np.array([words(known.get(piece, "")) for piece in pieces], dtype=np.object_)
    return Study(
        name,
        words(correct),
        tuple(pieces),
        tuple(inspectors),
        calls=tuple(tables),
        known=kinds if known else None,
    )


def _faults_of_all(study: Study) -> Iterable[str]:
    """What no row is at fault for, but the study as a whole."""
    called = study.calls[0] != ""
    if len({call for calls in study.calls for call in calls.flat if call}) < 2:
        yield "has one word alone for every call: show pieces of several kinds"
    if study.known is None:
        if len(study.inspectors) < 2:
            yield 'has one inspector and no column "known": have others call the same pieces'
    else:
        yield from _faults_of_known(study, study.known, called)
    for a, b in combinations(range(len(study.inspectors)), 2):
        if not (called[:, a] & called[:, b]).any():
            pair = f"{study.inspectors[a]} and {study.inspectors[b]}"
            yield f"has no piece that {pair} both called: have each two call the same pieces"


def _faults_of_known(
    study: Study, known: NDArray[np.object_], called: NDArray[np.bool_]
) -> Iterable[str]:
    correct = study.correct
    if correct not in known:
        yield f'column "known" never says "{correct}": call a correct piece so in the whole file'
        return
    for at, inspector in enumerate(study.inspectors):
        for kind, are in (("correct", known == correct), ("incorrect", known != correct)):
            if not (called[:, at] & are & (known != "")).any():
                yield (
                    f"has no piece known as {kind} that {inspector} called: show every inspector "
                    "both kinds"
                )
