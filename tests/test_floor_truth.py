"""Every sentence on Floor is true of the audits beneath it: its figures counted anew from them.

The sentence is read as a person reads it, and each of its figures is worked out again from the
demo's audits by plain sums and scipy, none of the drift code being asked.
"""

import re
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from dashboard import components
from dashboard.app import PAGES
from dashboard.pages import floor as floor_page
from dashboard.pages import inspectors
from dashboard.pages.lane import body
from dashboard.texts import words
from dashboard.views import floor, keeping, lane, sources
from dashboard.views.choices import Choices
from qa.cli import answers
from qa.store import records
from qa.store.schema import Store

CAUTION = "lockout, and the high-pressure water made safe, by the site's own procedure."
RISEN = re.compile(
    r"(?P<name>.+) has risen since about (?P<since>.+?) "
    r"\(between (?P<low>.+?) and (?P<high>.+?)\), "
    r"tote (?P<tote>\S+): (?P<before>[\d.]+) % to (?P<after>[\d.]+) % "
    r"\((?P<down>[\d.]+) to (?P<up>[\d.]+)\)"
)
HEAD = re.compile(r"; mostly head (\w) \(([\d.]+) % in head checks against ([\d.]+) %\)")


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Store, datetime]]:
    folder: Path = tmp_path_factory.mktemp("truth") / "demo"
    store, now, _ = answers.demo(folder, lambda *_: None)
    yield store, now
    store.engine.dispose()


@pytest.fixture(scope="module")
def rows(demo: tuple[Store, datetime]) -> tuple[floor.Row, ...]:
    return floor.view(demo[0], Choices(), demo[1]).rows


@pytest.fixture(scope="module")
def audits(demo: tuple[Store, datetime]) -> pd.DataFrame:
    found = records.tallies(demo[0])
    filled = found["fill_start"].fillna(found["pulled_at"])
    zone = records.programme(demo[0]).time_zone
    return found.assign(filled=filled, local=filled.dt.tz_convert(zone))


def moment(text: str, year: int = 2026) -> pd.Timestamp:
    return pd.Timestamp(datetime.strptime(f"{text} {year}", "%H:%M on %d %B %Y"))


def rate(audits: pd.DataFrame, category: str) -> float:
    return float(100 * audits[category].sum() / audits["inspected"].sum())


def test_a_rise_on_floor_is_there_in_the_audits(
    demo: tuple[Store, datetime], rows: tuple[floor.Row, ...], audits: pd.DataFrame
) -> None:
    programme = records.programme(demo[0])
    codes = {components.sentence(each.name): each.code for each in programme.categories}
    drifting = [row for row in rows if row.status == "drifting"]
    assert drifting
    for row in drifting:
        said = RISEN.match(row.sentence)
        assert said is not None
        category = codes[said["name"]]
        lane = audits[(audits["lane"] == row.lane) & (audits["purpose"] == "routine")]
        held = programme.baselines[-1]
        days = pd.Timestamp(held.first_day), pd.Timestamp(held.last_day)
        base = lane[lane["day"].between(*days)]
        first = lane.loc[lane["tote"] == said["tote"], "local"].min()
        after = lane[lane["local"] >= first]
        minute = pd.Timedelta(minutes=1)
        assert abs(first.tz_localize(None) - moment(said["since"])) < minute
        assert moment(said["low"]) <= moment(said["since"]) <= moment(said["high"])
        # The point estimates are ratios of plain sums, to the digits that are shown.
        for name, of in (("before", base), ("after", after)):
            digits = len(said[name].partition(".")[2])
            assert abs(rate(of, category) - float(said[name])) <= 0.5 * 10.0**-digits + 1e-9
        # The rise is no chance, by a rank test of the totes' shares.
        shares = [(of[category] / of["inspected"]).to_numpy() for of in (after, base)]
        test = stats.mannwhitneyu(*shares, alternative="greater")
        assert test.pvalue < 5e-8
        # The interval holds what a bootstrap over totes gives, to a third of its width.
        draws = np.random.default_rng(1).integers(0, len(after), (2000, len(after)))
        x, n = after[category].to_numpy(), after["inspected"].to_numpy()
        ends = np.percentile(100 * x[draws].sum(1) / n[draws].sum(1), [2.5, 97.5])
        shown = float(said["down"]), float(said["up"])
        assert np.abs(ends - shown).max() < (shown[1] - shown[0]) / 3


def test_the_head_on_floor_has_the_rates_that_its_checks_show(
    rows: tuple[floor.Row, ...], audits: pd.DataFrame
) -> None:
    named = [(row, HEAD.search(row.sentence)) for row in rows]
    said = [(row, found) for row, found in named if found]
    assert said
    for row, found in said:
        risen = RISEN.match(row.sentence)
        assert risen is not None
        begin = audits.loc[audits["tote"] == risen["tote"], "filled"].min()
        checks = audits[(audits["purpose"] == "head-check") & (audits["lane"] == row.lane)]
        checks = checks[checks["pulled_at"] >= begin]
        one, rest = checks["head"] == found[1], checks["head"] != found[1]
        assert f"{rate(checks[one], 'stem'):.1f}" == found[2]
        assert f"{rate(checks[rest], 'stem'):.1f}" == found[3]


def test_every_sentence_that_sends_people_to_a_head_carries_the_caution(
    demo: tuple[Store, datetime], rows: tuple[floor.Row, ...]
) -> None:
    for row in rows:
        for said in (row.sentence, f"{row.brief} {row.caution}", *row.gross):
            assert ("head" not in said) or CAUTION in said
    shown = str(floor_page.body(words(), floor.view(demo[0], Choices(), demo[1])))
    assert CAUTION in shown


def test_steady_lanes_show_no_great_difference_from_their_baseline(
    demo: tuple[Store, datetime], rows: tuple[floor.Row, ...], audits: pd.DataFrame
) -> None:
    """No category of a steady lane is up by half, over its last 100 totes, beyond 3 errors."""
    programme = records.programme(demo[0])
    held = programme.baselines[-1]
    days = pd.Timestamp(held.first_day), pd.Timestamp(held.last_day)
    for row in (each for each in rows if each.status == "steady"):
        assert row.sentence == "No category shows a rise beyond chance."
        lane = audits[(audits["lane"] == row.lane) & (audits["purpose"] == "routine")]
        last, base = lane.tail(100), lane[lane["day"].between(*days)]
        for category in programme.category_codes:
            share = (last[category] / last["inspected"]).to_numpy()
            error = 100 * share.std(ddof=1) / np.sqrt(share.size)
            assert rate(last, category) < 1.5 * rate(base, category) + 3 * error


def test_the_shares_on_floor_are_those_of_the_audits(
    demo: tuple[Store, datetime], rows: tuple[floor.Row, ...], audits: pd.DataFrame
) -> None:
    view = floor.view(demo[0], Choices(), demo[1])
    routine = audits[audits["purpose"] == "routine"]
    week = routine[routine["day"] > pd.Timestamp(view.day) - pd.Timedelta(days=7)]
    shift = week[(week["day"] == pd.Timestamp(view.day)) & (week["shift"] == view.shift)]
    for row in rows:
        for share, of in ((row.week, week), (row.shift, shift)):
            own = of[of["lane"] == row.lane]
            if share is None:
                assert own.empty
                continue
            assert (share.count, share.inspected) == (
                own["incorrect"].sum(),
                own["inspected"].sum(),
            )
            assert share.low <= share.fraction <= share.high
        newest = audits[(audits["lane"] == row.lane) & (audits["purpose"] != "head-check")]
        newest = newest[newest["purpose"] != "study"].sort_values("pulled_at").iloc[-1]
        assert (row.recent[-1].tote, row.recent[-1].incorrect) == (
            *(newest["tote"], newest["incorrect"]),
        )


def test_no_page_for_all_speaks_of_an_inspector(
    demo: tuple[Store, datetime], rows: tuple[floor.Row, ...]
) -> None:
    shown = str(floor_page.body(words(), floor.view(demo[0], Choices(), demo[1])))
    drawn = str(body(words(), lane.view(demo[0], Choices(lane="4"), demo[1])))
    assert "insp-" not in shown + drawn
    assert "inspector" not in drawn.lower()
    said = sources.differences(keeping.record(demo[0]))
    assert any(each.startswith("Monday: more over-trim") for each in said)
    assert said[0] in drawn
    found = sources.inspectors(demo[0]).found
    assert found[0].value == "insp-08"
    assert found[0].beyond_chance


def test_the_lead_s_page_is_at_its_own_address(demo: tuple[Store, datetime]) -> None:
    assert inspectors not in PAGES
    shown = str(inspectors.body(words(), sources.inspectors(demo[0])))
    assert "For the lead alone" in shown
    assert "Inspector insp-08 finds over-trim less often" in shown
    none: Any = inspectors.body(words(), sources.InspectorsView((), {}, 0.95))
    assert "nothing to compare yet" in str(none)
