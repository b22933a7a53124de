"""A statement and the words to tell it in, with what its sections share."""

from dataclasses import dataclass

from qa.claim import Bounded, Told, as_chosen, bounded, told
from qa.statement import writing
from qa.statement.result import Figure, Statement
from qa.wording import Wording


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
        return as_chosen(self.words, self.of.claim.confidence)

    @property
    def told(self) -> Told:
        """The claim's answer in words."""
        of = writing.claimed(
            self.words, self.of.product_name, self.of.scope, every_lane=self.of.every_lane
        )
        return told(self.of.claim, self.words, of=of, needed=self.of.needed, figure=self.figure)

    @property
    def figure(self) -> str:
        """Of which pieces the claim speaks: "as_made" or "as_shipped"."""
        return "as_shipped" if self.of.scope.as_shipped else "as_made"

    @property
    def target(self) -> str:
        """Of the claim."""
        return as_chosen(self.words, self.of.claim.target)


def bounded_of(teller: Teller, figure: Figure) -> Bounded:
    """A figure as it reads wherever it stands."""
    limits = (figure.estimate, figure.lower, figure.upper)
    return bounded(teller.words, *limits, teller.of.claim.target)


def vars_of(shown: Bounded) -> dict[str, str]:
    """The three texts by name, for a sentence."""
    return {"estimate": shown.estimate, "lower": shown.lower, "upper": shown.upper}
