"""Every language says everything, with the same values, and in its own words."""

import string
from collections.abc import Iterator
from pathlib import Path

import pytest

from dashboard import texts
from qa import wording

ROOMS = (wording.HERE, Path(texts.__file__).parent)
# Words that Spanish has too, symbols of the standards, formats and what files are called.
CITED = ("how_source.", "word_from.")  # standards and papers are named as they are printed
SAME = {
    *("normal", "plan", "Plan", "n", "kappa", "inspector", "Inspector", "PIN", "AQL, %", "SHA-256"),
    *("CSV", "XLSX", "Parquet", "S-1", "S-2", "S-3", "S-4", "I", "II", "III", "supervisor", "no"),
    *("MIL-STD-105E", "ISO 2859-1", "Toteproof", "2026-05-14", "2026-05-14 21:40"),
}


def languages(room: Path) -> list[str]:
    return sorted(path.stem for path in room.glob("*.toml"))


def needs(text: str) -> set[tuple[str, str | None]]:
    """The values that a text takes, and the format of each."""
    read = string.Formatter().parse(text)
    return {(name, how) for _, name, how, _ in read if name is not None}


def rooms_and_others() -> Iterator[tuple[Path, str]]:
    for room in ROOMS:
        yield from ((room, language) for language in languages(room) if language != "en")


OTHERS = list(rooms_and_others())


def test_both_rooms_have_the_same_languages() -> None:
    first, second = (languages(room) for room in ROOMS)
    assert first == second
    assert {"en", "es"} <= set(first)


@pytest.mark.parametrize(("room", "language"), OTHERS, ids=str)
def test_no_text_is_missing_and_none_is_too_many(room: Path, language: str) -> None:
    ours, theirs = (wording.load(each, room).sentences for each in ("en", language))
    assert theirs.keys() - ours.keys() == set()
    assert ours.keys() - theirs.keys() == set()  # the forms one and other are keys of their own


@pytest.mark.parametrize(("room", "language"), OTHERS, ids=str)
def test_every_text_takes_the_same_values_in_the_same_format(room: Path, language: str) -> None:
    ours, theirs = (wording.load(each, room).sentences for each in ("en", language))
    assert {key: needs(text) for key, text in theirs.items()} == {
        key: needs(text) for key, text in ours.items()
    }


@pytest.mark.parametrize(("room", "language"), OTHERS, ids=str)
def test_whoever_has_one_form_has_the_other(room: Path, language: str) -> None:
    keys = wording.load(language, room).sentences.keys()
    forms = {key.rpartition(".")[0] for key in keys if key.endswith((".one", ".other"))}
    pairs = {form for form in forms if {f"{form}.one", f"{form}.other"} <= keys}
    alone = forms - pairs
    ours = wording.load("en", room).sentences.keys()
    # Some groups hold a key that is called "other" and is no form of counting, in every language.
    assert all(
        {f"{form}.one", f"{form}.other"} & keys == {f"{form}.one", f"{form}.other"} & ours
        for form in alone
    )


@pytest.mark.parametrize(("room", "language"), OTHERS, ids=str)
def test_no_text_is_left_in_english(room: Path, language: str) -> None:
    ours, theirs = (wording.load(each, room).sentences for each in ("en", language))
    same = {key: text for key, text in ours.items() if theirs[key] == text}
    worded = {
        key: text for key, text in same.items() if _letters(text) and not key.startswith(CITED)
    }
    assert {key: text for key, text in worded.items() if text not in SAME} == {}


def _letters(text: str) -> str:
    """What is left of a text beside its values and marks."""
    parts = "".join(part for part, *_ in string.Formatter().parse(text))
    return "".join(each for each in parts.replace("<br>", "") if each.isalpha())


@pytest.mark.parametrize(("room", "language"), OTHERS, ids=str)
def test_sentences_end_alike(room: Path, language: str) -> None:
    ours, theirs = (wording.load(each, room).sentences for each in ("en", language))
    for key, text in ours.items():
        if not text.endswith("no."):  # a number's own abbreviation
            ends = [
                each[-1:] if each.endswith((".", ":", "?")) else "" for each in (text, theirs[key])
            ]
            assert ends[0] == ends[1], key


@pytest.mark.parametrize("room", ROOMS, ids=str)
def test_accept_is_never_leave_to_ship_in_spanish_either(room: Path) -> None:
    ours, theirs = (wording.load(each, room).sentences for each in ("en", "es"))
    cautions = {key for key, text in ours.items() if "not leave to ship" in text}
    assert cautions
    assert {key for key, text in theirs.items() if "No es permiso de envío" in text} == cautions
