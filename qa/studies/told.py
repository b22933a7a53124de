"""A study in words: sentences first, then tables; the same on the page and in the command."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from qa.agreement import Agreement, Calling, Coefficient
from qa.intervals import Interval
from qa.studies.answer import StudyAnswer
from qa.wording import Wording

Rows = Iterable[tuple[str, ...]]

# Heads of the tables.
_CALLING = ("inspector", "pieces", "right", "misses", "false_calls", "kappa")
_CONFUSED = ("inspector", "is", "called", "times", "of")
_PAIRS = ("two", "pieces", "agree", "kappa")
_DIFFER = ("one", "says", "other", "says", "times")
_ITSELF = ("inspector", "again", "same")


@dataclass(frozen=True, slots=True)
class Table:
    """A title, heads and rows of texts; those after the first `texts` stand to the right."""

    title: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    texts: int


@dataclass(frozen=True, slots=True)
class Told:
    """A study in words: what it means, what a claim may take from it ("" if nothing), figures."""

    sentences: tuple[str, ...]
    carried: str
    tables: tuple[Table, ...]


def told(answer: StudyAnswer, words: Wording) -> Told:
    """A study's answer in words."""
    teller = _Teller(answer, words)
    return Told(tuple(_sentences(teller)), _carried(teller), tuple(_tables(teller)))


@dataclass(frozen=True, slots=True)
class _Teller:
    """A study's answer and the words to tell it in."""

    of: StudyAnswer
    words: Wording

    def say(self, key: str, **values: object) -> str:
        return self.words.say(f"study.{key}", **values)

    def share(self, found: Interval, at: int | tuple[()] = ()) -> str:
        limits = (found.estimate, found.low, found.high)
        return self.words.interval(*(float(each[at]) for each in limits))

    def coefficient(self, found: Coefficient, at: int | tuple[()] = ()) -> str:
        """With its limits, where there are such: all pieces alike leave it none."""
        value, low, high = (float(each[at]) for each in (found.estimate, found.low, found.high))
        if value != value:
            return self.say("no_value")
        if not found.error[at]:
            return self.say("no_limits", value=self.decimals(value))
        limits = {"low": self.decimals(low), "high": self.decimals(high)}
        return self.say("limits", value=self.decimals(value), **limits)

    def decimals(self, value: float) -> str:
        return self.words.number(value, ".2f")

    @property
    def alone(self) -> str:
        """What the key of a sentence ends in that names one inspector among no others."""
        return "" if len(self.of.inspectors) > 1 else "_alone"

    def pair(self, pair: Iterable[int]) -> str:
        return self.words.listed([self.of.inspectors[at] for at in pair])

    def table(self, name: str, texts: int, rows: Rows, *heads: str) -> Table:
        titles = tuple(self.say(f"head.{head}") for head in heads)
        return Table(self.say(f"table.{name}"), titles, tuple(rows), texts)


def _sentences(teller: _Teller) -> Iterator[str]:
    of = teller.of
    if of.together:
        yield from _together(teller, of.together)
    if of.calling:
        yield from _calling(teller, of.calling)
    if of.itself:
        yield _itself(teller)
        yield teller.say("first")
    yield teller.say("like_these", confidence=teller.words.number(100 * of.confidence))


def _together(teller: _Teller, found: Agreement) -> Iterator[str]:
    of, say = teller.of, teller.say
    yield say(
        "all" if of.alike < of.shared else "all_alike",
        who=teller.words.listed(list(of.inspectors)),
        alike=of.alike,
        shared=of.shared,
        share=teller.share(found.all_agree),
    )
    figures = {name: teller.coefficient(getattr(found, name)) for name in ("ac1", "fleiss")}
    yield say("beyond", **figures)
    if len(found.pairs) > 1 and of.alike < of.shared:
        least = int(np.argmin(found.agreed.estimate))
        called = int(found.tables[least].sum())
        share, pair = teller.share(found.agreed, least), teller.pair(found.pairs[least])
        yield say("least", pair=pair, share=share, called=called)


def _calling(teller: _Teller, found: Calling) -> Iterator[str]:
    """Who misses most, who calls falsely most, and what is most often taken for something else."""
    say, at_correct = teller.say, found.categories.index(teller.of.correct)
    for key, rate, kinds in (
        ("misses", found.miss_rate, np.arange(len(found.categories)) != at_correct),
        ("false_calls", found.false_call_rate, np.arange(len(found.categories)) == at_correct),
    ):
        worst = int(np.argmax(rate.estimate))
        of_kind = int(found.confusion[worst][kinds].sum())
        share = float(rate.estimate[worst])
        yield say(
            f"{key}{teller.alone}" if share else f"no_{key}",
            inspector=teller.of.inspectors[worst],
            wrong=round(share * of_kind),
            of=of_kind,
            share=teller.share(rate, worst),
        )
    for inspector, kind, called, wrong, of_kind in _confused(teller, found)[:1]:
        yield say("taken", inspector=inspector, kind=kind, called=called, wrong=wrong, of=of_kind)


def _confused(teller: _Teller, found: Calling) -> list[tuple[str, str, str, int, int]]:
    """Inspector, what pieces are, what they were called, how many, of how many; most first."""
    rows = [
        (
            teller.of.inspectors[at],
            str(found.categories[kind]),
            str(found.categories[called]),
            int(count),
            int(found.confusion[at, kind].sum()),
        )
        for (at, kind, called), count in np.ndenumerate(found.confusion)
        if count and kind != called
    ]
    return sorted(rows, key=lambda row: -row[3])


def _itself(teller: _Teller) -> str:
    least = min(teller.of.itself, key=lambda each: each.same / each.pieces)
    return teller.say(
        f"itself{teller.alone}" if least.same < least.pieces else "itself_all",
        inspector=least.inspector,
        same=least.same,
        pieces=least.pieces,
        share=teller.share(least.share),
    )


def _carried(teller: _Teller) -> str:
    found = teller.of.carried
    if found is None:
        return teller.say("carried_not") if teller.of.calling else ""
    names = ("found", "incorrect", "passed", "correct")
    return teller.say("carried", **{name: getattr(found, name) for name in names})


def _tables(teller: _Teller) -> Iterator[Table]:
    of, count = teller.of, teller.words.count
    if of.calling:
        yield teller.table("calling", 1, _calling_rows(teller, of.calling), *_CALLING)
        confused = [(*row[:3], *map(count, row[3:])) for row in _confused(teller, of.calling)]
        if confused:
            yield teller.table("confused", 3, confused, *_CONFUSED)
    if of.together:
        yield teller.table("pairs", 1, _pair_rows(teller, of.together), *_PAIRS)
        if not of.calling and of.alike < of.shared:
            yield teller.table("differ", 4, _differ_rows(teller, of.together), *_DIFFER)
    if of.itself:
        again = ((each.inspector, each.pieces, each.share) for each in of.itself)
        rows = ((name, count(pieces), teller.share(share)) for name, pieces, share in again)
        yield teller.table("itself", 1, rows, *_ITSELF)


def _calling_rows(teller: _Teller, found: Calling) -> Rows:
    for at, inspector in enumerate(teller.of.inspectors):
        rates = (found.effectiveness, found.miss_rate, found.false_call_rate)
        yield (
            inspector,
            teller.words.count(found.confusion[at].sum()),
            *(teller.share(rate, at) for rate in rates),
            teller.coefficient(found.kappa, at),
        )


def _pair_rows(teller: _Teller, found: Agreement) -> Rows:
    for at, pair in enumerate(found.pairs):
        called = teller.words.count(found.tables[at].sum())
        share, kappa = teller.share(found.agreed, at), teller.coefficient(found.kappa, at)
        yield teller.pair(pair), called, share, kappa


def _differ_rows(teller: _Teller, found: Agreement) -> Rows:
    names, who = [str(name) for name in found.categories], teller.of.inspectors
    cells = [at for at, count in np.ndenumerate(found.tables) if count and at[1] != at[2]]
    for pair, one, other in sorted(cells, key=lambda at: -found.tables[at]):
        first, second = (who[each] for each in found.pairs[pair])
        count = teller.words.count(float(found.tables[pair, one, other]))
        yield first, names[one], second, names[other], count
