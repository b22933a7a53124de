"""Percent correct as made and as shipped, by any grouping."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from qa import efficiency, tally, verdicts
from qa.audit import Audit, parse
from qa.errors import InvalidInput
from qa.intervals import accepted
from qa.programme import Programme

START = datetime(2026, 3, 16, 6, 30, tzinfo=UTC)


def audit_at(programme: Programme, hours: float, **fields: object) -> Audit:
    good = {"lane": "1", "tote": f"T{hours}", "inspector": "Ines", "inspected": 200}
    return parse({**good, "pulled_at": START + timedelta(hours=hours), **fields}, programme)


def plant(programme: Programme, days: int, lanes: str = "123456", each: int = 6) -> pd.DataFrame:
    """Routine audits of simulated totes that differ (beta-binomial, correlation 0.01)."""
    rng = np.random.default_rng(14)
    shape = [(day, shift, lane) for day in range(days) for shift in range(3) for lane in lanes]
    rows = pd.DataFrame(shape, columns=["day", "shift", "lane"]).loc[lambda t: t.index.repeat(each)]
    rows = rows.reset_index(drop=True)
    n = rng.integers(100, 251, len(rows))
    x = rng.binomial(n, rng.beta(0.01 * 99, 0.99 * 99, len(rows)))
    codes = np.array([shift.code for shift in programme.shifts])
    return tally.table(
        rows.assign(
            key=rows.index.astype(str),
            site="SP1",
            line="A",
            day=pd.Timestamp("2026-03-16") + pd.to_timedelta(rows["day"], unit="D"),
            shift=codes[rows["shift"]],
            tote=rows.index.astype(str),
            lot=rows.index.astype(str),
            purpose="routine",
            pulled_at=pd.Timestamp("2026-03-16", tz="UTC") + pd.to_timedelta(rows.index, unit="m"),
            inspected=n,
            correct=n - x,
            incorrect=x,
            stem=x,
            programme=1,
        ),
        programme.category_codes,
    )


def by_hand(rows: pd.DataFrame) -> tuple[float, float]:
    """Weighted mean of the shifts' ratios and its design effect, from the cited formulas."""
    parts = []
    for _, stratum in rows.groupby("shift"):
        x, n, m = stratum["incorrect"], stratum["inspected"], len(stratum)
        p = x.sum() / n.sum()
        parts.append((m, p, m / (m - 1) * ((x - p * n) ** 2).sum() / n.sum() ** 2))
    m, p, v = np.array(parts).T
    share = m / m.sum()
    level = share @ p
    variance = share**2 @ v
    return 1 - level, variance * rows["inspected"].sum() / (level * (1 - level))


# Cochran (1977), Sampling Techniques, ratio estimator (ch. 6) in strata weighted by totes.
def test_each_lane_is_the_weighted_ratio_of_its_shifts(programme):
    rows = plant(programme, 10)
    table = efficiency.estimate(rows, programme).set_index("lane")
    assert list(table.index) == list("123456")
    for lane, group in rows.groupby("lane"):
        level, design_effect = by_hand(group)
        assert_allclose(table.loc[lane, "correct"], level, rtol=1e-12)
        assert_allclose(table.loc[lane, "design_effect"], design_effect, rtol=1e-9)
        assert table.loc[lane, "low"] < level < table.loc[lane, "high"]
        assert table.loc[lane, "totes"] == 180
        assert table.loc[lane, "incorrect"] == group["incorrect"].sum()


def test_only_routine_audits_speak_of_what_was_made(programme):
    rows = plant(programme, 3)
    bad = rows.assign(correct=0, incorrect=rows["inspected"], stem=rows["inspected"])
    others = [
        bad.assign(purpose=purpose, tote=bad["tote"] + purpose)
        for purpose in ("re-audit", "for-cause", "study", "head-check")
    ]
    both = pd.concat([rows, *others], ignore_index=True)
    table = efficiency.estimate(both, programme)
    pd.testing.assert_frame_equal(table, efficiency.estimate(rows, programme))
    assert set(table["figure"]) == {"as made"}


def test_as_shipped_takes_re_sorted_lots_by_their_re_audit_and_leaves_held_ones_out(programme):
    again = {"purpose": "re-audit", "re_sorted_at": START + timedelta(hours=1, minutes=30)}
    audits = [
        audit_at(programme, 1, tote="A", stem=9),
        audit_at(programme, 2, tote="A", stem=1, **again),
        audit_at(programme, 3, tote="B", stem=2),
        audit_at(programme, 4, tote="C", stem=20),
        audit_at(programme, 5, tote="D", stem=5),
    ]
    rows = tally.from_audits(audits, programme)
    found_at = START + timedelta(hours=9)
    bolt = {"site": "SP1", "lane": "1", "tote": "D", "found_at": found_at, "what": "a bolt"}
    shipped = efficiency.as_shipped(rows, programme, verdicts.lots(rows, programme), by=())
    assert shipped[["figure", "totes", "incorrect"]].iloc[0].tolist() == ["as shipped", 3, 8]
    first = accepted([191, 198, 180, 195], 200, [False, True, False, True], again=([199], [200]))
    limits = shipped[["correct", "low", "high"]].iloc[0].astype(float)
    assert_allclose(limits, [first.estimate, first.low, first.high], rtol=1e-12)
    assert shipped["method"].iloc[0] == "accepted"
    assert shipped["correct"].iloc[0] < 1 - 8 / 600
    made = efficiency.estimate(rows, programme, by=())
    assert made[["figure", "totes", "incorrect"]].iloc[0].tolist() == ["as made", 4, 36]
    locked = verdicts.lots(rows, programme, pd.DataFrame([bolt]))
    free = efficiency.as_shipped(rows, programme, locked, by=())
    assert free[["totes", "incorrect"]].iloc[0].tolist() == [2, 3]


def test_a_specification_says_what_counts(programme):
    rows = tally.from_audits([audit_at(programme, 1, stem=2, over_trim=3)], programme)
    house = efficiency.estimate(rows, programme)
    freezer = efficiency.estimate(rows, programme, specification="freezer")
    assert (house["incorrect"].iloc[0], freezer["incorrect"].iloc[0]) == (5, 2)
    with pytest.raises(InvalidInput, match="specification must be one of house, freezer"):
        efficiency.estimate(rows, programme, specification="canner")


def test_two_audits_of_one_tote_are_one_cluster(programme):
    audits = [audit_at(programme, hour, tote="A", stem=hour) for hour in (1, 2)]
    table = efficiency.estimate(tally.from_audits(audits, programme), programme)
    assert table[["totes", "inspected", "incorrect"]].iloc[0].tolist() == [1, 400, 3]


def test_one_tote_says_what_it_assumes(programme):
    rows = tally.from_audits([audit_at(programme, 1, stem=2)], programme)
    row = efficiency.estimate(rows, programme).iloc[0]
    assert row["effective_n"] < 200
    assert f"correlation of {programme.correlation:g} is assumed" in row["assumed"]
    assert row["correlation"] == programme.correlation
    assert 0 < row["low"] < row["correct"] == 0.99 < row["high"] < 1


def test_the_whole_line_is_one_row_and_groups_without_audits_are_absent(programme):
    rows = plant(programme, 2, lanes="14")
    line = efficiency.estimate(rows, programme, by=())
    assert len(line) == 1
    assert line["inspected"].iloc[0] == rows["inspected"].sum()
    table = efficiency.estimate(rows, programme, by=("day", "shift", "lane"))
    assert list(table.columns) == ["day", "shift", "lane", *efficiency.FIGURES]
    assert len(table) == 2 * 3 * 2


@pytest.mark.parametrize("by", [(), ("lane",), ("day", "lane")])
def test_no_audits_give_an_empty_table(programme, by):
    table = efficiency.estimate(tally.from_audits([], programme), programme, by=by)
    assert table.empty
    assert list(table.columns) == [*by, *efficiency.FIGURES]


def test_an_unknown_column_is_refused(programme):
    rows = plant(programme, 1)
    with pytest.raises(InvalidInput, match=r"by must name each column once, got lane, lane"):
        efficiency.estimate(rows, programme, by=("lane", "lane"))
    with pytest.raises(InvalidInput, match=r'by must be one of key, .*got "correct"'):
        efficiency.estimate(rows, programme, by=("correct",))
    with pytest.raises(InvalidInput, match=r'by must be one of key, site, .*got "lanes"'):
        efficiency.estimate(rows, programme, by=("lanes",))
    with pytest.raises(InvalidInput, match='by must be a list of columns, got "lane"'):
        efficiency.estimate(rows, programme, by="lane")


def test_confidence_is_the_programmes(programme):
    assert set(efficiency.estimate(plant(programme, 1), programme)["confidence"]) == {0.95}


# ISO 8601: 1 January 2027 is a Friday, and lies in week 53 of 2026.
def test_weeks_and_months_of_production_days_may_group(programme):
    rows = plant(programme, 1)
    days = pd.to_datetime(["2026-12-27", "2026-12-28", "2027-01-01", "2027-01-04"])
    rows = pd.concat([rows.iloc[:1]] * 4, ignore_index=True)
    rows = rows.assign(day=days.astype("datetime64[us]"), tote=list("abcd"), key=list("abcd"))
    by_week = efficiency.estimate(rows, programme, by=("week",)).set_index("week")["totes"]
    assert by_week.to_dict() == {"2026-W52": 1, "2026-W53": 2, "2027-W01": 1}
    by_month = efficiency.estimate(rows, programme, by=("month",)).set_index("month")["totes"]
    assert by_month.to_dict() == {"2026-12": 2, "2027-01": 2}


GROUPS = (
    [],
    ["lane"],
    ["shift"],
    ["line"],
    ["head"],
    ["product"],
    ["inspector"],
    ["day"],
    ["week"],
    ["month"],
    ["lane", "shift"],
    ["week", "lane"],
)


def mixed(programme: Programme) -> pd.DataFrame:
    """A plant whose inspectors, products, heads and lines take turns."""
    rows = plant(programme, 16, lanes="124", each=4)
    turn = pd.Series(rows.index)
    return rows.assign(
        inspector=turn.mod(3).map({0: "Ines", 1: "Ola", 2: "Ram"}),
        product=turn.mod(2).map({0: "P1", 1: "P2"}),
        head=turn.floordiv(7).mod(2).map({0: "A", 1: "B"}),
        line=rows["lane"].map({"1": "A", "2": "A", "4": "B"}),
    )


# Independent road: the same figures by way of the sums, and by way of the totes.
@pytest.mark.parametrize("by", GROUPS, ids="-".join)
def test_six_sums_say_what_audits_say_by_any_grouping(programme: Programme, by: list[str]) -> None:
    rows = mixed(programme)
    cells = ["site", "day", "lane", "shift", *(name for name in by if name in rows)]
    sums = tally.six_sums(rows, [*dict.fromkeys(cells)])
    one = efficiency.estimate(rows, programme, by=by)
    other = efficiency.from_sums(sums, programme, by=by)
    assert len(one) >= len(by)
    alike = [*by, "figure", "totes", "inspected", "incorrect", "method", "assumed"]
    pd.testing.assert_frame_equal(one[alike], other[alike], check_dtype=False)
    for name in ("correct", "low", "high", "confidence", "design_effect", "effective_n"):
        assert_allclose(other[name], one[name], rtol=1e-12)


def test_equal_totes_hold_the_correlation_in_their_sums(programme: Programme) -> None:
    rows = mixed(programme).assign(inspected=200)
    rows = rows.assign(correct=200 - rows["incorrect"])
    one = efficiency.estimate(rows, programme)
    other = efficiency.from_sums(tally.six_sums(rows, ["lane", "shift"]), programme)
    assert_allclose(other["correlation"], one["correlation"], rtol=1e-10)


# Cochran (1977), section 5.3: a stratified mean by the strata's own weights.
def test_lanes_are_pooled_with_weights(programme: Programme) -> None:
    rows = mixed(programme)
    codes = [shift.code for shift in programme.shifts]
    weight = {(lane, shift): 1.0 + at for at, lane in enumerate("124") for shift in codes}
    weight["4", codes[0]] = 40.0
    parts = rows.groupby(["lane", "shift"])[["correct", "inspected"]].sum()
    share = pd.Series(weight).reindex(parts.index)
    expected = (share * parts["correct"] / parts["inspected"]).sum() / share.sum()
    for of in (efficiency.estimate, efficiency.from_sums):
        given = rows if of is efficiency.estimate else tally.six_sums(rows, ["lane", "shift"])
        (whole,) = of(given, programme, by=[], weight=weight).to_dict("records")
        assert_allclose(whole["correct"], expected, rtol=1e-12)
        assert "strata count by" not in whole["assumed"]
        by_lane = of(given, programme, weight=weight).set_index("lane")
        lane = share["4"] / share["4"].sum()
        alone = (lane * parts.loc["4", "correct"] / parts.loc["4", "inspected"]).sum()
        assert_allclose(by_lane.loc["4", "correct"], alone, rtol=1e-12)
        assert not by_lane["assumed"].str.contains("does not speak of it").any()
        night = of(given, programme, by=["shift"], weight=weight).set_index("shift")
        assert not night["assumed"].str.contains("does not speak of it").any()
        unseen = of(given, programme, by=[], weight={**weight, ("9", "night"): 1.0})
        assert "No tote was inspected in 9 night" in unseen["assumed"].iloc[0]
        with pytest.raises(InvalidInput, match="weight must name every stratum, got none for '4 "):
            of(given, programme, by=[], weight={k: v for k, v in weight.items() if k[0] != "4"})


def test_sums_must_say_lane_and_shift(programme: Programme) -> None:
    sums = tally.six_sums(mixed(programme), ["lane", "shift"])
    with pytest.raises(InvalidInput, match="the six sums must have the columns shift, which"):
        efficiency.from_sums(sums.drop(columns="shift"), programme)
    with pytest.raises(InvalidInput, match="the six sums must have the columns day, which"):
        efficiency.from_sums(sums, programme, by=["week"])
    with pytest.raises(InvalidInput, match='by must be a list of columns, got "lane"'):
        efficiency.from_sums(sums, programme, by="lane")
    assert efficiency.from_sums(sums.iloc[:0], programme).empty
