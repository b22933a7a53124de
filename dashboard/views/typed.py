"""Texts that people type, beside an audit's own: present, plain and not too long."""

from collections.abc import Mapping, Sequence

from qa.audit import MOST_CHARACTERS, text_problem
from qa.wording import load

__all__ = ["MOST_CHARACTERS", "texts"]


def texts(
    fields: Mapping[str, object],
    names: Sequence[str],
    problems: dict[str, str],
    language: str = "en",
) -> dict[str, str]:
    """The texts of some fields; what is wrong with any goes to the problems."""
    words = load(language)
    said = {name: str(fields.get(name) or "").strip() for name in names}
    for name, text in said.items():
        problem = text_problem(text, words) if text else words.say("field.missing")
        if problem:
            problems[name] = problem
    return said
