"""A statement laid out: titles, texts, pairs, tables and one picture, all as people read them.

Paper, screen and terminal show this and nothing else, so that they cannot differ.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Table:
    """Heads and rows of texts; `numbers` says which columns stand to the right.

    `notes` has a text to stand under each row, "" for none; empty where no row has one.
    """

    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: tuple[bool, ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class StripRow:
    """One lane in the picture; places are 0 at its left end and 1 at its right."""

    label: str
    said: str
    estimate: float
    lower: float
    upper: float


@dataclass(frozen=True, slots=True)
class Strip:
    """The picture: an interval a lane on one scale, the target drawn through them.

    Attributes
    ----------
    alt : str
        What it shows, for those who cannot see it.
    ticks : tuple of (place, text)
    """

    caption: str
    alt: str
    rows: tuple[StripRow, ...]
    ticks: tuple[tuple[float, str], ...]
    target: float
    target_said: str


@dataclass(frozen=True, slots=True)
class Section:
    """A title and what stands under it, in this order: pairs, table, picture, texts."""

    title: str
    pairs: tuple[tuple[str, str], ...] = ()
    table: Table | None = None
    strip: Strip | None = None
    texts: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Document:
    """The whole statement.

    Attributes
    ----------
    title, of, number : str
        What it is, of which plant, and its number, "" where it has none.
    answer : "supported", "contradicted" or "not_settled"
    answer_said : str
        The same as people read it.
    sentences : tuple of str
        The claim first, then what must be known with it.
    """

    language: str
    title: str
    of: str
    answer: str
    answer_said: str
    sentences: tuple[str, ...]
    sections: tuple[Section, ...]
    signature: str
    number: str
