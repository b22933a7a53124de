"""A gross audit is told at once: on Tally to whoever logs it, and first on Floor."""

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

from dashboard.pages import floor as floor_page
from dashboard.pages import tally as tally_page
from dashboard.texts import words
from dashboard.views import floor, lane, tally
from dashboard.views.choices import Choices
from qa.store import deeds
from tests.small_plant import NOW, small_plant

CALL = "Call the shift lead now."
CAUTION = "lockout, and the high-pressure water made safe"


def test_a_gross_audit_is_told_on_tally_and_first_on_floor(tmp_path: Path) -> None:
    plant = small_plant(tmp_path / "plant.db")
    assert [row.gross for row in floor.view(plant, Choices(), NOW).rows] == [()] * 6
    fields = {"key": "0196f0c0-0000-7000-8000-000000000001", "tote": "T9", "lane": "5"}
    fields |= {"pulled_at": NOW - timedelta(minutes=3), "inspector": "insp-03"}
    saved = tally.save(plant, {**fields, "inspected": "200", "stem": "21"}, NOW)
    answer = tally_page.answer(words(), saved)
    (said,) = answer["gross"]
    assert "stem left on in 21 of 200 pieces (10.5 %) of tote T9, lane 5" in said
    assert CALL in said
    assert CAUTION in said
    first = floor.view(plant, Choices(), NOW).rows[0]
    assert (first.lane, first.gross) == ("5", (said,))
    assert (first.word, lane.view(plant, Choices(lane="5"), NOW).word) == ("gross", "gross")
    seen = floor.view(plant, Choices(lane="5"), NOW)
    calm_row = replace(seen.rows[0], status="steady", sentence="No rise beyond chance.")
    shown = str(floor_page.body(words(), replace(seen, rows=(calm_row,))))
    assert said in shown
    assert "1 gross failure" in shown
    assert "rise beyond chance" not in shown, "a gross failure is not called steady beside it"
    calm = {**fields, "key": "0196f0c0-0000-7000-8000-000000000002", "tote": "T10", "stem": "20"}
    assert (
        tally_page.answer(words(), tally.save(plant, {**calm, "inspected": "200"}, NOW))["gross"]
        == []
    )
    plant.engine.dispose()


def test_a_lane_that_does_not_run_is_down_in_a_word_and_comes_last(tmp_path: Path) -> None:
    plant = small_plant(tmp_path / "plant.db")
    torn = deeds.Event("d1", "SP1", "A", "3", NOW - timedelta(hours=1), "lane-down", "belt torn")
    deeds.record_event(plant, torn, by="Ines", at=NOW)
    seen = floor.view(plant, Choices(), NOW)
    assert [(row.lane, row.word) for row in seen.rows][-1] == ("3", "down")
    assert [row.word for row in seen.rows].count("down") == 1
    assert lane.view(plant, Choices(lane="3"), NOW).word == "down"
    shown = str(floor_page.body(words(), seen))
    assert "1 down" in shown
    assert "belt torn" in shown
    drifting = deeds.Event("d2", "SP1", "A", "2", NOW - timedelta(hours=1), "lane-down", "cleaning")
    deeds.record_event(plant, drifting, by="Ines", at=NOW)
    first = floor.view(plant, Choices(), NOW).rows[0]
    assert (first.lane, first.word) == ("2", "drifting"), "what drifts is told, running or not"
    plant.engine.dispose()
