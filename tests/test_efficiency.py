"""Percent correct as made and as shipped, by any grouping."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from qa import efficiency, tally, verdicts
from qa.audit import Audit, parse
from qa.errors import InvalidInput
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
