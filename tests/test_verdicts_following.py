"""Verdicts kept up with a record are those of a replay of all of it, whatever comes late."""

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pytest

from qa import tally, verdicts
from qa.programme import Programme, parse
from qa.verdicts import Following, Judged
from tests.conftest import PROGRAMME_FILE

TEXT = PROGRAMME_FILE.read_text(encoding="utf-8")
FIRST = datetime(2026, 3, 16, 7, tzinfo=UTC)
# Both kinds of lots, both rules, reduced inspection; the second is stricter and switches anew.
KINDS: tuple[Mapping[int, Programme], ...] = tuple(
    {number + 1: parse(text) for number, text in enumerate(texts)}
    for texts in (
        (TEXT, TEXT.replace("aql = 1.5", "aql = 1.0").replace("reduced = false", "reduced = true")),
        (TEXT.replace('lot = "tote"', 'lot = "lane_shift"'),),
        (TEXT.replace("mil_std_105e", "iso_2859_1"), TEXT.replace("pull = 200", "pull = 100")),
    )
)
CODES = KINDS[0][1].category_codes


def record(rng: np.random.Generator, programmes: Mapping[int, Programme], size: int) -> list[dict]:
    """Audits of three lanes in order of pulling, with all that makes verdicts hang together."""
    rows, at = [], FIRST
    several = programmes[1].lot == "lane_shift"
    bad = {lane: rng.choice([0.002, 0.01, 0.05]) for lane in "123"}
    for number in range(size):
        at += timedelta(minutes=int(rng.choice([0, 20, 90, 600, 3000, 15000], p=PACE)))
        lane = str(rng.choice(list("123")))
        if rng.random() < 0.1:
            bad[lane] = rng.choice([0.002, 0.01, 0.05])
        purposes = ("routine", "for-cause", "re-audit", "study", "head-check")
        purpose = str(rng.choice(purposes, p=(0.74, 0.08, 0.12, 0.03, 0.03)))
        earlier = [row for row in rows if row["lane"] == lane]
        tote = f"{lane}-{number % 37}"  # codes come again
        if earlier and (purpose == "re-audit" or rng.random() < 0.1):
            tote = earlier[-int(rng.integers(1, min(9, len(earlier)) + 1))]["tote"]
        n = int(rng.choice([50, 100, 200]))
        counts = rng.multinomial(n, [bad[lane] / 3] * 3 + [1 - bad[lane]])[:3]
        shift = ("morning", "afternoon", "night")[(at.hour - 6) // 8 % 3]
        day = (at - timedelta(hours=6)).date()
        again = purpose == "re-audit"
        sorted_at = at - timedelta(minutes=int(rng.choice([5, 5, 4000]))) if again else None
        filled = at - timedelta(minutes=int(rng.integers(4, 300))) if rng.random() < 0.8 else None
        rows.append(
            {
                "key": f"k{number:04}",
                "site": "SP1",
                "programme": 1 + number * len(programmes) // size,
                "day": day,
                "shift": shift,
                "line": "A",
                "lane": lane,
                "product": "sprout-whole",
                "tote": tote,
                "lot": f"{day} {shift} {lane}" if several else tote,
                "pulled_at": at,
                "inspector": "insp-01",
                "purpose": purpose,
                "re_sorted_at": sorted_at,
                "fill_start": filled,
                "inspected": n,
                "correct": n - int(counts.sum()),
                "incorrect": int(counts.sum()),
                **dict(zip(CODES, map(int, counts), strict=True)),
            }
        )
    return rows


PACE = (0.1, 0.35, 0.3, 0.2, 0.04, 0.01)


def as_tally(rows: list[dict]) -> pd.DataFrame:
    made = tally.table(pd.DataFrame(rows, columns=[*tally.COLUMNS, *CODES]), CODES)
    return made.sort_values(["pulled_at", "key"]).reset_index(drop=True)


def moments(resumed: list[tuple[str, datetime]]) -> dict[tuple[str, str], list[datetime]]:
    found: dict[tuple[str, str], list[datetime]] = {}
    for lane, at in resumed:
        found.setdefault(("SP1", lane), []).append(at)
    return found


def begun(judged: Judged, heads: np.ndarray) -> tuple[list, list, list]:
    """Of lots by their first rows: site, code and when each began."""
    names = [judged.replay.lot(each) for each in heads.tolist()]
    at = pd.DatetimeIndex(judged.replay.table["pulled_at"][heads]).tz_localize("UTC")
    return [each[0] for each in names], [each[1] for each in names], list(at)


def held_since(row: dict) -> tuple[object, pd.Timestamp, pd.Timestamp]:
    """A lot, since when it stands held and when it was last pulled, from its verdict in full."""
    lot = verdicts.LotVerdict(**row)
    return (lot.site, lot.lot, lot.began), lot.since, lot.last_pulled_at


def alike(judged: Judged, every: pd.DataFrame, whole: tuple[pd.DataFrame, pd.DataFrame]) -> None:
    """Every lot, by days and by codes, those held back, and the inspection in force."""
    lots, in_force = whole
    ends = (lots["day"].min(), lots["day"].max()) if len(lots) else (FIRST, FIRST)
    by = ["began", "site", "lot"]
    for found in (
        judged.of_days(*(pd.Timestamp(each).date() for each in ends)),
        judged.of_codes(zip(every["site"], every["lot"], strict=True)),
    ):
        wanted = lots if len(found) == len(lots) else lots[lots["lot"].isin(every["lot"])]
        one, other = (
            each.sort_values(by, kind="stable").reset_index(drop=True).astype(object)
            for each in (found, wanted)
        )
        pd.testing.assert_frame_equal(one, other)
    pd.testing.assert_frame_equal(judged.in_force, in_force)
    back = judged.back
    stand = lots[lots["floor"] == "hold"].to_dict("records")
    assert sorted(
        zip(
            zip(*begun(judged, back.head), strict=True),
            *(pd.DatetimeIndex(each).tz_localize("UTC") for each in (back.since, back.last)),
            strict=True,
        )
    ) == sorted(map(held_since, stand))
    last = lots["last_pulled_at"]
    for lane in "123":
        middle = last.median() if len(lots) else pd.Timestamp(FIRST)
        held = judged.held_back(lane, middle, FIRST + timedelta(days=10_000))
        wanted = lots[(lots["lane"] == lane) & (lots["floor"] == "hold") & (last >= middle)]
        assert sorted((each.lot, each.began) for each in held) == sorted(
            zip(wanted["lot"], wanted["began"], strict=True)
        )


@pytest.mark.parametrize("programmes", KINDS, ids=["tote", "lane_shift", "iso"])
@pytest.mark.parametrize("seed", range(4))
def test_verdicts_kept_up_are_those_of_a_replay(
    seed: int, programmes: Mapping[int, Programme]
) -> None:
    rng = np.random.default_rng(seed)
    rows = record(rng, programmes, 120)
    following, here, resumed = Following(), [], []
    looks: list[tuple[Judged, pd.DataFrame, tuple[pd.DataFrame, pd.DataFrame]]] = []
    left = list(rows)
    while left or rng.random() < 0.7:
        gone: list[dict] = []
        new = [left.pop(0) for _ in range(min(len(left), int(rng.choice([0, 1, 1, 5, 40]))))]
        if new and rng.random() < 0.3:  # it comes late
            left.insert(int(rng.integers(0, len(left) + 1)), new.pop())
        if here and rng.random() < 0.3:  # corrected, or voided
            gone = [here[int(rng.integers(0, len(here)))]]
            if rng.random() < 0.6:
                incorrect = int(rng.choice([0, 3, 9]))
                counts = {"stem": incorrect, "over_trim": 0, "double": 0}
                right = {"correct": gone[0]["inspected"] - incorrect, "incorrect": incorrect}
                new.append({**gone[0], **right, **counts})
        here = [row for row in here if row not in gone] + new
        if here and rng.random() < 0.3:
            at = here[int(rng.integers(0, len(here)))]["pulled_at"]
            resumed.append((str(rng.choice(list("123"))), at + timedelta(minutes=30)))
        if resumed and rng.random() < 0.1:
            resumed.pop(int(rng.integers(0, len(resumed))))
        every = as_tally(here)
        replay = following.follow(
            as_tally(gone),
            as_tally(new),
            lambda since, every=every: every[every["pulled_at"] >= since],
            programmes,
            moments(resumed),
        )
        judged = Judged(replay)
        table = pd.DataFrame([("SP1", *each) for each in resumed], columns=["site", "lane", "at"])
        whole = verdicts.lots_and_inspection(every, programmes, None, table)
        alike(judged, every, whole)
        looks.append((judged, every, whole))
    for judged, every, whole in looks[-5:]:  # a look that others still use
        alike(judged, every, whole)


@pytest.mark.parametrize("seed", range(6))
def test_findings_lock_what_a_replay_locks(seed: int) -> None:
    rng = np.random.default_rng(seed)
    every = as_tally(record(rng, KINDS[0], 80))
    totes = [*rng.choice(every["tote"], 2), "1-none"]
    found = pd.DataFrame(
        {
            "site": "SP1",
            "lane": [tote[0] for tote in totes],
            "tote": totes,
            "found_at": pd.to_datetime(rng.choice(every["pulled_at"], 3), utc=True),
            "what": "a screw",
            "lifted_at": pd.Series([pd.NaT] * 3, dtype="datetime64[us, UTC]"),
        }
    )
    programmes = KINDS[0]
    judged = Judged(Following().follow(every.iloc[:0], every, lambda _: every, programmes, {}))
    of_lanes = every[every["lane"].isin(found["lane"])]
    whole = verdicts.lots_and_inspection(every, programmes, found)
    wanted = whole[0].assign(code=whole[0]["lot"])
    locked = judged.locked(of_lanes, found, programmes[2])
    days = [pd.Timestamp(each).date() for each in (wanted["day"].min(), wanted["day"].max())]
    one, other = (
        each.sort_values(["site", "lot", "began"]).reset_index(drop=True).astype(object)
        for each in (locked.of_days(*days), whole[0])
    )
    pd.testing.assert_frame_equal(one, other)
    assert (one["floor"] == "locked").any()


def test_a_new_programme_tells_anew_what_is_held() -> None:
    rng = np.random.default_rng(8)
    every = as_tally(record(rng, KINDS[2], 120))
    slower = parse(TEXT.replace("nest_time_ms = 55", "nest_time_ms = 5500"))
    following = Following()
    following.follow(every.iloc[:0], every, lambda _: every, KINDS[2], {})
    more = {**KINDS[2], 3: slower}
    none = every.iloc[:0]
    judged = Judged(following.follow(none, none, lambda _: every, more, {}))
    alike(judged, every, verdicts.lots_and_inspection(every, more))


@pytest.mark.parametrize("language", ["en", "es"])
def test_each_language_has_its_own(language: str) -> None:
    every = as_tally(record(np.random.default_rng(2), KINDS[0], 60))
    replay = Following().follow(every.iloc[:0], every, lambda _: every, KINDS[0], {})
    judged = Judged(replay, language)
    alike(judged, every, verdicts.lots_and_inspection(every, KINDS[0], language=language))
