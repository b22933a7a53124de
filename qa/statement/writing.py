"""How a statement writes its figures, days and plans."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date

from qa.claim import Bounded
from qa.statement.result import Figure, Scope, Spread, Stage
from qa.wording import Wording, decimals_for, up

_LEAST = 1e-6  # chances below are not worth their decimals
_SLACK = 1e-9  # a product of a decimal fraction may lie just beside the whole number it stands for


def points(words: Wording, fraction: float, toward: Callable[[float], float] = round) -> str:
    """A difference in percentage points, with its sign: -1.12, +0.70; a limit is rounded outwards.

    Examples
    --------
    >>> from qa.wording import load
    >>> points(load(), 0.00004, math.floor), points(load(), -0.00004, math.ceil)
    ('0.00', '0.00')
    """
    hundredths = int(toward(round(1e4 * fraction, 6)))
    return words.number(hundredths / 100, "+.2f" if hundredths else ".2f")


def day(words: Wording, when: date) -> str:
    """A day with its year: 14 May 2026."""
    return words.say("statement.date", day=words.day(when), year=str(when.year))


def claimed(words: Wording, product: str, scope: Scope, *, every_lane: bool) -> str:
    """What a claim speaks of: (Whole sprouts) on lane 2, 1 to 14 May 2026.

    Parameters
    ----------
    words : Wording
    product : str
        Its name.
    scope : Scope
        With its lanes named.
    every_lane : bool
        Whether these are all lanes of the programme.
    """
    first, last = scope.first_day, scope.last_day
    begins = day(words, first)
    if (first.year, first.month) == (last.year, last.month):
        begins = str(first.day)
    elif first.year == last.year:
        begins = words.day(first)
    days = words.say(
        f"statement.claimed.{'day' if first == last else 'days'}",
        first=begins,
        last=day(words, last),
    )
    several = "every_lane" if every_lane else "lanes"
    key = several if len(scope.lanes) > 1 else "lane"
    lanes = words.listed(list(scope.lanes))
    return words.say(f"statement.claimed.{key}", product=product, lanes=lanes, days=days)


def plan(words: Wording, stages: Sequence[Stage], pulled: Sequence[Stage] = ()) -> str:
    """A plan as the floor reads it: pull 80, accept on 3, reject on 4.

    With its numbers where more was pulled.
    """
    told, before = [], 0
    for at, stage in enumerate(stages):
        key = "then" if at else "pull"
        sizes = {"n": stage.n - before, "re": stage.re}
        if stage.ac is None:
            told.append(words.say(f"planning.{key}_wait", **sizes))
        else:
            told.append(words.say(f"planning.{key}", ac=stage.ac, **sizes))
        before = stage.n
    told += [
        words.say("statement.text.pulled", n=each.n, ac=each.ac, re=each.re) for each in pulled
    ]
    return "; ".join(told)


def likeness(words: Wording, spread: Spread) -> str:
    """How alike the pieces of a tote are and what that costs; "" where totes cannot show it."""
    if math.isnan(spread.correlation):
        return ""
    return words.say(
        "statement.text.likeness",
        value=_decimal(words, spread.correlation, 3),
        effect=_decimal(words, spread.design_effect, 1),
        effective=words.count(spread.effective_n),
        chance=_chance(words, spread.tarone_p),
    )


def _chance(words: Wording, probability: float) -> str:
    """A chance; below what is worth its decimals it is said to be less, and never nothing."""
    if probability < _LEAST:
        least = words.per_cent(_LEAST, decimals=4)
        return words.say("statement.text.barely", chance=least)
    return words.per_cent(probability, decimals=1)


def _decimal(words: Wording, value: float, decimals: int) -> str:
    return words.number(value, f".{decimals}f")


def beside_count(words: Wording, figure: Figure, said: Bounded, *, shipped: bool = False) -> str:
    """Why a figure is not its correct pieces of the inspected ones; "" where it reads the same."""
    decimals = len(said.estimate.removesuffix(" %").partition(words.decimal)[2])
    counted = words.per_cent(figure.by_count, decimals=decimals)
    if counted == said.estimate:
        return ""
    lowered = "lowered" if figure.estimate < figure.by_count else "raised"
    key = lowered if shipped else "weighed"
    return words.say(f"statement.by_count.{key}", counted=counted, estimate=said.estimate)


def share(words: Wording, fraction: float, upper: float) -> tuple[str, str]:
    """A small fraction and its upper bound as per cent, the bound rounded up."""
    at = max(2, decimals_for(0.0, upper))
    return words.per_cent(fraction, decimals=at), words.per_cent(up(upper, at), decimals=at)


@dataclass(frozen=True, slots=True)
class Axis:
    """A scale of fractions with its ticks, from `least` to `most`."""

    least: float
    most: float
    ticks: tuple[float, ...]

    def place(self, fraction: float) -> float:
        """Where a fraction stands, 0 to 1."""
        return round((fraction - self.least) / (self.most - self.least), 6)


def axis(fractions: Sequence[float]) -> Axis:
    """A scale that holds all fractions, with at most six round ticks.

    Examples
    --------
    >>> axis([0.981, 0.9934, 0.99]).ticks
    (0.98, 0.985, 0.99, 0.995)
    """
    low, high = min(fractions), max(fractions)
    step = next(each for each in _STEPS if (high - low) / each <= 5)
    first, last = math.floor(low / step + _SLACK), math.ceil(high / step - _SLACK)
    last = max(last, first + 1)
    ticks = tuple(round(at * step, 9) for at in range(first, last + 1))
    return Axis(ticks[0], ticks[-1], ticks)


_STEPS = tuple(m * 10.0**e for e in range(-6, 1) for m in (1, 2, 5))
