"""A statement and the words to tell it in, with what its sections share."""

from collections.abc import Sequence
from dataclasses import dataclass

from qa.statement import writing
from qa.statement.result import Figure, Statement
from qa.wording import Wording, decimals_beside


@dataclass(frozen=True, slots=True)
class Teller:
    """A statement and the words to tell it in."""

    of: Statement
    words: Wording

    def say(self, key: str, **values: object) -> str:
        """A sentence of the statement."""
        return self.words.say(f"statement.{key}", **values)

    def heads(self, *names: str) -> tuple[str, ...]:
        """Heads of a table."""
        return tuple(self.say(f"head.{name}") for name in names)

    def pairs(self, *pairs: tuple[str, str]) -> tuple[tuple[str, str], ...]:
        """Texts with their labels, those without a text left out."""
        return tuple((self.say(f"label.{label}"), text) for label, text in pairs if text)

    def count(self, number: int) -> str:
        """A whole number."""
        return self.words.count(number)

    @property
    def confidence(self) -> str:
        """Of each bound."""
        return writing.whole(self.words, self.of.claim.confidence)

    @property
    def figure(self) -> str:
        """What the claim is of: as made or as shipped."""
        name = "as_shipped" if self.of.scope.as_shipped else "as_made"
        return self.words.say(f"efficiency.{name}")

    @property
    def target(self) -> str:
        """Of the claim."""
        return writing.whole(self.words, self.of.claim.target)


def alike(teller: Teller, shown: Sequence[Figure]) -> list[writing.Bounded]:
    """Figures of one table, all with the decimals of the one that wants most."""
    target = teller.of.claim.target
    at = max(decimals_beside(each.lower, each.upper, target) for each in shown)
    limits = ((each.estimate, each.lower, each.upper) for each in shown)
    return [writing.bounded(teller.words, *each, at) for each in limits]


def vars_of(told: writing.Bounded) -> dict[str, str]:
    """The three texts by name, for a sentence."""
    return {"estimate": told.estimate, "lower": told.lower, "upper": told.upper}
