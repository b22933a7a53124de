"""All text that the screens show, one TOML file a language, read by the loader of `qa.wording`."""

from pathlib import Path

from flask import has_request_context, request

from qa.wording import Wording, load, utc
from qa.wording import told as qa_told

__all__ = [
    "COOKIE",
    "DEFAULT",
    "LANGUAGES",
    "Wording",
    "language",
    "others",
    "told",
    "utc",
    "words",
]

HERE = Path(__file__).parent
DEFAULT = "en"
LANGUAGES = (DEFAULT, *sorted(path.stem for path in HERE.glob("*.toml") if path.stem != DEFAULT))
COOKIE = "toteproof_language"  # what the switch in the bar leaves in the browser


def language() -> str:
    """The language of whoever asks: the switch's, else the browser's, else English."""
    if not has_request_context():
        return DEFAULT
    chosen = request.cookies.get(COOKIE)
    if chosen in LANGUAGES:
        return chosen
    return request.accept_languages.best_match(LANGUAGES, DEFAULT)


def others() -> list[tuple[str, str]]:
    """The languages that whoever asks may change to, each with its own name for itself."""
    return [(each, words(each).say("app.language")) for each in LANGUAGES if each != language()]


def told(text: str) -> str:
    """What an error or a note of `qa` says, in the reader's language."""
    return qa_told.told(text, language())


def words(of: str | None = None) -> Wording:
    """The wording of a language, the reader's own unless another is named."""
    return load(of or language(), HERE)
