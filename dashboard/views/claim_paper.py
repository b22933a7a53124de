"""What a person adds to a claim's paper, as the Claim form says it."""

from collections.abc import Mapping
from dataclasses import dataclass

from qa.statement import Paper
from qa.statement.facts import LONGEST
from qa.wording import Wording

__all__ = ["LONGEST", "PAPER", "Added", "added"]

TEXTS = ("buyer", "order", "load", "lots", "chosen", "signatory", "issue", "supersedes")
EXCLUDED, SHIPPED = "excluded", "shipped"
COUNTED = ("buyer_incorrect", "buyer_inspected")
PAPER = (*TEXTS[:4], SHIPPED, *TEXTS[4:], EXCLUDED, *COUNTED)


@dataclass(frozen=True, slots=True)
class Added:
    """What the record does not know: the paper's texts, and the buyer's own count."""

    paper: Paper
    buyers: tuple[int, int] | None


def added(fields: Mapping[str, str], problems: dict[str, str], words: Wording) -> Added | None:
    """What the form says for the paper; None where something in it is wrong.

    Exclusions are told apart by semicolons.
    """
    wrong = {
        name: words.say("field.longest", most=LONGEST, got=len(fields[name]))
        for name in PAPER
        if len(fields[name]) > LONGEST
    }
    given = [name for name in COUNTED if fields[name]]
    for name in (SHIPPED, *COUNTED):
        if fields[name] and not (fields[name].isascii() and fields[name].isdecimal()):
            wrong[name] = words.say("field.whole")
        elif name in COUNTED and given and name not in given:
            wrong[name] = words.say("field.missing")
        elif name in (SHIPPED, COUNTED[1]) and fields[name] and not int(fields[name]):
            wrong[name] = words.say("field.least_one")
    if given and not wrong and int(fields[COUNTED[0]]) > int(fields[COUNTED[1]]):
        wrong[COUNTED[0]] = words.say("field.of_inspected")
    problems |= wrong
    if wrong:
        return None
    parts = (each.strip() for each in fields[EXCLUDED].split(";"))
    paper = Paper(
        **{name: fields[name] for name in TEXTS},
        shipped=int(fields[SHIPPED]) if fields[SHIPPED] else None,
        excluded=tuple(each for each in parts if each),
    )
    incorrect, inspected = (int(fields[name] or 0) for name in COUNTED)
    return Added(paper, (incorrect, inspected) if given else None)
