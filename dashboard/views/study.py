"""An agreement study sent from the Claim page: what it says, and what a claim may take from it."""

from dataclasses import dataclass

from qa import studies
from qa.errors import InvalidAudit
from qa.files.studies import read_study
from qa.files.uploads import Upload
from qa.intervals import InspectionStudy
from qa.studies import Told
from qa.wording import load

__all__ = ["MOST_UPLOAD", "StudyView", "look"]

MOST_UPLOAD = 4 * 2**20  # bytes that a page sends
MOST_UNPACKED = 32 * 2**20  # bytes of a workbook that it sends, once unpacked
MOST_LINES = 200_000  # rows of a CSV that it sends
MOST_NAME = 200


@dataclass(frozen=True, slots=True)
class StudyView:
    """A study in words, and the tallies that a claim may take from it."""

    told: Told
    carried: InspectionStudy | None


def look(name: str, content: bytes, language: str = "en") -> StudyView:
    """What a study's file says; nothing is recorded.

    Raises
    ------
    InvalidAudit
        If no file came.
    InvalidFile, InvalidStudy
        If it cannot be read, with all its faults.
    """
    words = load(language)
    if not content and not name:
        raise InvalidAudit({"file": words.say("field.file")})
    answer = studies.answer(
        read_study(Upload(name[-MOST_NAME:], content, MOST_UNPACKED, MOST_LINES))
    )
    return StudyView(studies.told(answer, words), answer.carried)
