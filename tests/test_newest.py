"""The newest audits of each lane, however far back they lie."""

from datetime import timedelta
from pathlib import Path

import pandas as pd
import pytest

from dashboard.views import floor, keeping, record
from dashboard.views.choices import Choices
from tests.small_plant import NOW, small_plant


@pytest.mark.parametrize("looked_at", [1, 120, 20_000])
@pytest.mark.parametrize("purposes", [("routine",), ("re-audit",), ("routine", "head-check")])
def test_the_newest_of_each_lane_are_found_however_far_back(
    looked_at: int, purposes: tuple[str, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = small_plant(tmp_path / "plant.db")
    monkeypatch.setattr(record, "LOOKED_AT", looked_at)
    kept, until = keeping.record(store), NOW - timedelta(days=2)
    every = kept.audits.where(lambda part: part["pulled_at"] <= pd.Timestamp(until))
    wanted = every[every["purpose"].isin(purposes)].groupby("lane").tail(3)
    found = record.newest_of_lanes(kept, record.pulled(kept, until), 3, purposes)
    assert found["key"].tolist() == wanted["key"].tolist()
    store.engine.dispose()


def test_floor_shows_what_had_been_pulled_by_each_moment(tmp_path: Path) -> None:
    store = small_plant(tmp_path / "plant.db")
    newest = {}
    for hours in (0, 5, 26):
        now = NOW - timedelta(hours=hours)
        marks = [each for row in floor.view(store, Choices(), now).rows for each in row.recent]
        newest[hours] = max(each.pulled_at for each in marks)
        assert newest[hours] <= now
    assert newest[0] > newest[5] > newest[26]
    store.engine.dispose()
