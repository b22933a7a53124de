"""The tally: its promised columns, specifications, what was shipped, and six sums that add."""

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pandas.testing import assert_frame_equal

from qa import tally
from qa.audit import parse
from qa.errors import InvalidInput
from qa.programme import Programme, Specification

Fields = Callable[..., dict[str, object]]
START = datetime(2026, 3, 16, 7, tzinfo=UTC)
RE_SORTED = {"purpose": "re-audit", "re_sorted_at": "2026-03-16 07:00"}


def audit_row(at: int, **changes: object) -> dict[str, object]:
    """Raw fields of one audit, the at-th minute after seven."""
    fields: dict[str, object] = {
        "pulled_at": START + timedelta(minutes=at),
        "lane": "1",
        "tote": f"T{at}",
        "inspector": "insp-01",
        "inspected": 200,
    }
    return {**fields, **changes}


def tally_of(programme: Programme, *rows: dict[str, object]) -> pd.DataFrame:
    return tally.from_audits([parse(row, programme) for row in rows], programme)


def test_a_tally_has_the_promised_columns_and_types(programme: Programme) -> None:
    tallies = tally_of(
        programme,
        audit_row(1, stem=2, pieces_in_tote=3990),
        audit_row(2, purpose="head-check", head="B", fill_start="2026-03-16 07:01"),
    )
    assert list(tallies.columns) == [*tally.COLUMNS, "stem", "over_trim", "double"]
    for column in ("programme", "inspected", "correct", "incorrect", "stem", "over_trim", "double"):
        assert tallies[column].dtype == np.int64
    for column in tally.TIMES:
        assert str(tallies[column].dtype) == "datetime64[us, UTC]"
    assert str(tallies["day"].dtype) == "datetime64[us]"
    assert list(tallies["head"]) == ["", "B"]
    assert list(tallies["raw_lot"]) == ["", ""]
    assert tallies["re_sorted_at"].isna().all()
    assert tallies["pieces_in_tote"].tolist()[0] == 3990
    assert np.isnan(tallies["pieces_in_tote"].tolist()[1])
    assert (tallies["correct"] + tallies["incorrect"] == tallies["inspected"]).all()
    assert list(tallies["programme"]) == [1, 1]


def test_no_audits_make_an_empty_tally_of_the_same_types(programme: Programme) -> None:
    empty, one = tally_of(programme), tally_of(programme, audit_row(1))
    assert len(empty) == 0
    assert empty.dtypes.to_dict() == one.dtypes.to_dict()
    assert len(tally.six_sums(empty, ["lane"])) == 0
    assert tally.six_sums(empty, []).iloc[0].tolist() == [0] * 6


@given(st.lists(st.tuples(st.integers(0, 4), st.text(max_size=3)), max_size=12))
def test_audits_of_one_moment_are_in_order_of_their_keys(audits: list[tuple[int, str]]) -> None:
    rows = pd.DataFrame(
        {
            "pulled_at": pd.to_datetime([at for at, _ in audits], unit="s", utc=True),
            "key": pd.array([key for _, key in audits], dtype="str"),
        }
    )
    found = tally.in_order(rows)
    assert list(found.index) == list(range(len(audits)))
    assert list(zip(found["pulled_at"], found["key"], strict=True)) == sorted(
        zip(rows["pulled_at"], rows["key"], strict=True)
    )


def test_what_is_not_a_tally_is_refused(programme: Programme) -> None:
    tallies = tally_of(programme, audit_row(1))
    with pytest.raises(
        InvalidInput, match=r"a tally must have the columns lane, which are missing"
    ):
        tally.checked(tallies.drop(columns="lane"))
    with pytest.raises(InvalidInput, match=r"a tally must have the columns mud, which are missing"):
        tally.checked(tallies, ["mud"])
    for ask in (tally.routine, lambda t: tally.by_tote(t, [], []), lambda t: tally.six_sums(t, [])):
        with pytest.raises(InvalidInput, match="purpose"):
            ask(tallies.drop(columns="purpose"))


def test_only_routine_audits_speak_of_what_lanes_make(programme: Programme) -> None:
    tallies = tally_of(
        programme,
        audit_row(1),
        audit_row(2, **RE_SORTED),
        audit_row(3, purpose="for-cause"),
        audit_row(4, purpose="study"),
        audit_row(5, purpose="head-check", head="A"),
    )
    assert list(tally.routine(tallies)["tote"]) == ["T1"]


def test_a_specification_says_which_categories_count(programme: Programme) -> None:
    tallies = tally_of(programme, audit_row(1, stem=2, over_trim=3, double=4))
    freezer = tally.under(tallies, programme, "freezer")
    assert freezer[["incorrect", "correct"]].iloc[0].tolist() == [6, 194]
    assert tallies["incorrect"].tolist() == [9]
    assert tally.under(tallies, programme, "house") is tallies
    with pytest.raises(InvalidInput, match=r'must be one of house, freezer, got "fresh"'):
        tally.under(tallies, programme, "fresh")
    bare = replace(programme, specifications=())
    assert tally.under(tallies, bare, "house")["incorrect"].tolist() == [9]


def test_a_specification_needs_one_category_a_piece(programme: Programme) -> None:
    several = replace(
        programme,
        several_per_piece=True,
        specifications=(
            Specification("s", "S", ("stem",)),
            Specification("all", "All", ("double", "over_trim", "stem")),
        ),
    )
    tallies = tally_of(several, audit_row(1, stem=2, over_trim=2, correct=198))
    with pytest.raises(InvalidInput, match=r'specification "s" needs one category a piece'):
        tally.under(tallies, several, "s")
    assert tally.under(tallies, several, "all")["incorrect"].tolist() == [2]


def shipped(tallies: pd.DataFrame, *accepted: str, rejected: tuple[str, ...] = ()) -> list[str]:
    lots = pd.DataFrame(
        {
            "site": "SP1",
            "lot": [*accepted, *rejected],
            "verdict": ["accept"] * len(accepted) + ["reject"] * len(rejected),
        }
    )
    found = tally.as_shipped(tallies, lots)
    return [
        f"{tote} {purpose}" for tote, purpose in zip(found["tote"], found["purpose"], strict=True)
    ]


def test_accepted_lots_and_re_audits_speak_of_what_was_shipped(programme: Programme) -> None:
    tallies = tally_of(
        programme,
        audit_row(1),
        audit_row(2),
        audit_row(3),
        audit_row(4, tote="T2", **RE_SORTED),
        audit_row(6, tote="T2", **RE_SORTED),
        audit_row(7, tote="T1", purpose="for-cause"),
        audit_row(8, tote="T1", purpose="study"),
        audit_row(9, tote="T1", purpose="head-check", head="A"),
    )
    found = ["T1 routine", "T2 re-audit", "T2 re-audit"]  # both samples after the re-sort
    assert shipped(tallies, "T1", "T2", rejected=("T3",)) == found
    again = {**RE_SORTED, "re_sorted_at": "2026-03-16 07:05"}
    twice = tally_of(
        programme,
        audit_row(4, tote="T2", **RE_SORTED),  # failed, so it was re-sorted once more
        audit_row(6, tote="T2", **again),
    )
    assert shipped(twice, "T2") == ["T2 re-audit"]
    lots = pd.DataFrame({"site": ["SP1"], "lot": ["T2"], "verdict": ["accept"]})
    last = tally.as_shipped(twice, lots)
    assert last["pulled_at"].tolist() == [START + timedelta(minutes=6)]
    assert shipped(tallies, "T3") == ["T3 routine"]
    assert shipped(tallies, rejected=("T1", "T2", "T3")) == []


def test_what_was_seen_before_a_re_sort_is_not_what_was_shipped(programme: Programme) -> None:
    lane_shift = replace(programme, lot="lane_shift")
    tallies = tally_of(lane_shift, audit_row(1), audit_row(2), audit_row(3, tote="T2", **RE_SORTED))
    assert shipped(tallies, "2026-03-16 morning 1") == ["T2 re-audit"]


def test_lots_of_two_plants_are_kept_apart(programme: Programme) -> None:
    other = replace(programme, site="SP2")
    tallies = pd.concat(
        [
            tally_of(programme, audit_row(1)),
            tally_of(other, audit_row(1), audit_row(5, tote="T1", **RE_SORTED)),
        ]
    )
    lots = pd.DataFrame({"site": ["SP1", "SP2"], "lot": "T1", "verdict": "accept"})
    assert tally.as_shipped(tallies, lots)["purpose"].tolist() == ["routine", "re-audit"]
    here = lots.assign(verdict=["accept", "reject"])
    assert tally.as_shipped(tallies, here)["site"].tolist() == ["SP1"]


def test_lots_must_have_a_verdict(programme: Programme) -> None:
    with pytest.raises(InvalidInput, match="the lots must have the columns verdict"):
        lots = pd.DataFrame({"site": ["SP1"], "lot": ["T1"]})
        tally.as_shipped(tally_of(programme, audit_row(1)), lots)


def test_audits_of_one_tote_are_one_cluster(programme: Programme) -> None:
    tallies = tally_of(
        programme,
        audit_row(1, tote="T1", stem=1),
        audit_row(2, tote="T1", stem=2, inspected=100),
        audit_row(3, tote="T2"),
        audit_row(4, tote="T1", lane="2", stem=4),
    )
    totes = tally.by_tote(tallies, ["lane"], ["stem"])
    assert list(totes.columns) == ["lane", "site", "day", "tote", "inspected", "stem"]
    assert totes.drop(columns=["site", "day"]).to_numpy().tolist() == [
        ["1", "T1", 300, 3],
        ["1", "T2", 200, 0],
        ["2", "T1", 200, 4],
    ]
    assert len(tally.by_tote(tallies, [], ["stem"])) == 3
    assert tally.by_tote(tallies, ["tote"], ["inspected"]).columns.tolist() == [
        *("tote", "site", "day", "lane", "inspected"),
    ]


def test_a_code_that_comes_again_on_another_day_is_another_tote(programme: Programme) -> None:
    tallies = tally_of(programme, *(audit_row(1440 * day, tote="07", stem=day) for day in range(3)))
    assert tally.by_tote(tallies, [], ["stem"])["stem"].tolist() == [0, 1, 2]
    assert tally.six_sums(tallies, ["lane"], "stem").iloc[0].tolist()[1:4] == [3, 600, 3]


def test_a_tote_audited_in_two_shifts_is_one_cluster_in_the_stratum_of_the_first(
    programme: Programme,
) -> None:
    tallies = tally_of(
        programme,
        audit_row(500, tote="T1", stem=1),  # 15:20 UTC: the afternoon shift
        audit_row(380, tote="T1", stem=4),
        audit_row(390, tote="T2", stem=2),
    )
    assert set(tallies["shift"]) == {"morning", "afternoon"}
    totes = tally.stratified(tallies, [], ["stem"])
    assert totes[["tote", "stem", "stratum"]].to_numpy().tolist() == [
        ["T1", 5, "1 morning"],
        ["T2", 2, "1 morning"],
    ]
    assert totes["first_at"].min() == START + timedelta(minutes=380)
    apart = tally.stratified(tallies, ["shift"], ["stem"])
    assert sorted(apart["stratum"]) == ["1 afternoon", "1 morning", "1 morning"]


ROWS = st.lists(
    st.tuples(
        st.sampled_from("123"),  # lane
        st.sampled_from("ab"),  # tote
        st.integers(100, 250),
        st.integers(0, 30),
    ),
    min_size=1,
    max_size=12,
)


def random_tally(programme: Programme, rows: list[tuple[str, str, int, int]]) -> pd.DataFrame:
    return tally_of(
        programme,
        *(
            audit_row(at, lane=lane, tote=lane + tote, inspected=n, stem=x)
            for at, (lane, tote, n, x) in enumerate(rows)
        ),
    )


@given(ROWS)
def test_six_sums_are_what_a_hand_adds_up(
    programme: Programme, rows: list[tuple[str, str, int, int]]
) -> None:
    sums = tally.six_sums(random_tally(programme, rows), ["lane"], "stem")
    for lane, *found in sums.itertuples(index=False):
        totes: dict[str, list[int]] = {}
        for _, tote, n, x in (row for row in rows if row[0] == lane):
            held = totes.setdefault(tote, [0, 0])
            held[0] += n
            held[1] += x
        pairs = list(totes.values())
        assert found == [
            len(pairs),
            sum(n for n, _ in pairs),
            sum(x for _, x in pairs),
            sum(n * n for n, _ in pairs),
            sum(x * x for _, x in pairs),
            sum(n * x for n, x in pairs),
        ]
    assert set(sums["lane"]) == {row[0] for row in rows}


@given(ROWS)
def test_six_sums_add_over_lanes(
    programme: Programme, rows: list[tuple[str, str, int, int]]
) -> None:
    tallies = random_tally(programme, rows)
    by_lane = tally.six_sums(tallies, ["site", "lane"], "stem")
    parts = [tally.six_sums(part, ["site", "lane"], "stem") for _, part in tallies.groupby("lane")]
    assert_frame_equal(tally.add_sums(parts, ["site", "lane"]), by_lane)
    assert_frame_equal(tally.add_sums(parts, ["site"]), tally.six_sums(tallies, ["site"], "stem"))
    assert_frame_equal(tally.add_sums(parts, []), tally.six_sums(tallies, [], "stem"))


def test_six_sums_give_the_variance_between_totes(programme: Programme) -> None:
    # The linearised variance of a ratio: from the sums, and from the totes themselves.
    rng = np.random.default_rng(1)
    rows = [("1", str(at), int(rng.integers(100, 250)), int(rng.poisson(2))) for at in range(30)]
    tallies = random_tally(programme, rows)
    m, n, x, n2, x2, nx = tally.six_sums(tallies, [], "stem").iloc[0]
    p = x / n
    size, count = tallies["inspected"], tallies["stem"]
    assert x2 - 2 * p * nx + p * p * n2 == pytest.approx(((count - p * size) ** 2).sum(), rel=1e-12)
    assert m == 30


def test_sums_must_be_six(programme: Programme) -> None:
    sums = tally.six_sums(tally_of(programme, audit_row(1)), ["lane"])
    with pytest.raises(InvalidInput, match="the six sums must have the columns n2"):
        tally.add_sums([sums.drop(columns="n2")], ["lane"])


def test_rows_from_a_database_make_the_same_tally(programme: Programme) -> None:
    tallies = tally_of(
        programme, audit_row(1, stem=2), audit_row(2, raw_lot="F1", pieces_in_tote=9999)
    )
    read = tallies.astype(object).where(tallies.notna(), None)
    for column in (*tally.TIMES, "day"):
        read[column] = [None if value is None else value.isoformat() for value in read[column]]
    again = tally.table(read[list(reversed(read.columns))], programme.category_codes)
    assert_frame_equal(again, tallies)
