"""What is known of a lane and category, in words."""

from datetime import datetime, timedelta

import pandas as pd

from qa.drift.baseline import FEW_TOTES, NEVER, Correlation, Watch
from qa.drift.eras import FIRST_DAYS, Era
from qa.drift.heads import Carrier
from qa.drift.result import SILENCE, Break, Excursion
from qa.events import CHANGEOVER, SANITATION
from qa.intervals import Interval
from qa.programme import Programme
from qa.wording import Wording, decimals_for, utc

_TOLD = 1.05  # limits that are so many times as high; below it people need not know


class Teller:
    """Says findings in the words of one language and the programme's names."""

    def __init__(self, programme: Programme, words: Wording) -> None:
        self._programme = programme
        self._words = words

    def never(self) -> str:
        """No audit at all."""
        return self._words.say("drift.never")

    def no_baseline(self) -> str:
        """Nothing to be held against."""
        return self._words.say("drift.no_baseline")

    def not_yet(self, era: Era) -> str:
        """Nothing yet that could be held against the baseline."""
        first, last = (self._words.day(each) for each in (era.first, era.last))
        if era.begins is not None:
            begins = self._moment(utc(pd.Timestamp(era.begins)))
            return self._words.say("drift.not_since", first=first, last=last, since=begins)
        if era.complete < NEVER:
            return self._words.say("drift.not_yet", first=first, last=last)
        return self._words.say("drift.first_days", days=FIRST_DAYS)

    def down(self, since: datetime, what: str) -> str:
        """A lane that does not run."""
        return self._words.say("drift.down", since=self._moment(since), what=what)

    def silent(self, last: datetime) -> str:
        """A lane that was not audited for long."""
        hours = round(SILENCE / timedelta(hours=1))
        return self._words.say("drift.silent", hours=hours, last=self._moment(last))

    def risen(
        self,
        category: str,
        rise: Excursion,
        head: Carrier | None,
        silent_since: datetime | None,
        down: tuple[datetime, str] | None,
    ) -> str:
        """A rise that goes on: since when, from what to what, which head, what was said of it."""
        words = self._words
        parts = [
            words.say(
                "drift.risen",
                category=self._name(category),
                since=self._moment(rise.since),
                span=words.span(rise.since_low, rise.since_high, self._programme.zone),
                tote=rise.tote,
                before=self._plainly(rise.before),
                after=self._figure(rise.after),
            )
        ]
        if head:
            rates = {"rate": words.per_cent(head.rate), "others": words.per_cent(head.others)}
            parts.append(words.say("drift.head", head=head.head, **rates))
        if down:
            parts.append(words.say("drift.down_since", since=self._moment(down[0])))
        elif silent_since:
            parts.append(words.say("drift.silent_since", last=self._moment(silent_since)))
        said = ["; ".join(parts) + "."]
        if rise.acknowledged:
            said.append(self._acknowledged(rise))
        if head:
            said.append(words.say("drift.caution", head=head.head))
        return " ".join(said)

    def near(self, category: str, before: Interval, now: Interval, totes: int) -> str:
        """A sum that nears its limit."""
        return self._words.say(
            "drift.near",
            category=self._name(category),
            before=self._plainly(before),
            now=self._figure(now),
            count=totes,
        )

    def back(self, category: str, before: Interval, over: Excursion) -> str:
        """A level that came back lately."""
        return self._words.say(
            "drift.back",
            category=self._name(category),
            until=self._moment(over.until or over.since),
            since=self._moment(over.since),
            before=self._plainly(before),
            after=self._figure(over.after),
        )

    def steady(self, category: str, before: Interval) -> str:
        """No rise beyond chance."""
        name, level = self._name(category), self._figure(before)
        return self._words.say("drift.steady", category=name, before=level)

    def dating(self, rise: Excursion, *, gradual: bool) -> tuple[str, ...]:
        """How finely the beginning of a rise is known, and whether it came little by little."""
        between, totes = rise.totes_between, rise.totes_in_set
        if between is None:
            said = self._words.say("drift.dating", count=totes)
        else:
            about = self._words.about(between)
            said = self._words.say("drift.dating_between", count=totes, between=about)
        return said, self._words.say("drift.gradual" if gradual else "drift.step")

    def notes(
        self,
        era: Era,
        watch: Watch,
        correlation: Correlation,
        breaks: tuple[Break, ...],
        late: tuple[int, datetime] | None,
    ) -> tuple[str, ...]:
        """What the charts are held against, what came too late for it, where they start afresh.

        `late` are how many totes of the baseline's days, and when it was fixed.
        """
        say = self._words.say
        kind = "baseline_by" if era.by else "baseline" if era.chosen else "baseline_first"
        notes = [
            say(
                f"drift.{kind}",
                product=era.product,
                days=FIRST_DAYS,
                first=self._words.day(era.first),
                last=self._words.day(era.last),
                count=watch.count.size,
                pieces=int(watch.inspected.sum()),
                by=era.by,
                reason=era.reason,
                since="" if era.begins is None else self._moment(utc(pd.Timestamp(era.begins))),
            )
        ]
        if era.set_aside:
            told = [f"{tote} ({cause})" for tote, cause in sorted(era.set_aside.items())]
            notes.append(say("drift.set_aside", totes=self._words.listed(told)))
        if late:
            count, fixed = late
            notes.append(say("drift.late", count=count, fixed=self._moment(fixed)))
        if not watch.own:
            notes.append(say("drift.baseline_shared", few=FEW_TOTES))
        value = self._words.number(correlation.value, ".3f")
        notes.append(say(f"drift.correlation_{correlation.source}", value=value))
        if watch.apart:
            notes.append(say("drift.stands_out"))
        if watch.lean.limit > _TOLD:
            times = self._words.number(watch.lean.limit, ".1f")
            notes.append(say("drift.leaning", times=times))
        for key, kind in (("afresh", CHANGEOVER), ("cleaned", SANITATION)):
            count = sum(each.kind == kind for each in breaks)
            if count:
                notes.append(say(f"drift.{key}", count=count))
        return tuple(notes)

    def _acknowledged(self, rise: Excursion) -> str:
        said = rise.acknowledged
        if said is None:
            return ""
        when = self._moment(said.at)
        parts = {"by": said.by, "cause": said.cause, "done": said.done}
        return self._words.say("drift.acknowledged", when=when, **parts)

    def _name(self, category: str) -> str:
        return next(each.name for each in self._programme.categories if each.code == category)

    def _moment(self, moment: datetime) -> str:
        return self._words.moment(moment, self._programme.zone)

    def _plainly(self, level: Interval) -> str:
        """A level without its limits, in the digits that they can bear."""
        decimals = decimals_for(float(level.low), float(level.high))
        return self._words.per_cent(float(level.estimate), decimals=decimals)

    def _figure(self, level: Interval) -> str:
        limits = (float(each) for each in (level.estimate, level.low, level.high))
        return self._words.interval(*limits)
