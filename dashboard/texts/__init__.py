"""All text that the screens show, one TOML file a language, read by the loader of `qa.wording`."""

from pathlib import Path

from qa.wording import Wording, load, utc

__all__ = ["LANGUAGE", "Wording", "utc", "words"]

LANGUAGE = "en"


def words() -> Wording:
    """The wording of the reader's language."""
    return load(LANGUAGE, Path(__file__).parent)
