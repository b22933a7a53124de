"""A gross audit is told at once: on Tally to whoever logs it, and first on Floor."""

from datetime import timedelta
from pathlib import Path

from dashboard.pages import floor as floor_page
from dashboard.pages import tally as tally_page
from dashboard.texts import words
from dashboard.views import floor, tally
from dashboard.views.choices import Choices
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
    shown = str(floor_page.body(words(), floor.view(plant, Choices(), NOW)))
    assert said in shown
    calm = {**fields, "key": "0196f0c0-0000-7000-8000-000000000002", "tote": "T10", "stem": "20"}
    assert (
        tally_page.answer(words(), tally.save(plant, {**calm, "inspected": "200"}, NOW))["gross"]
        == []
    )
    plant.engine.dispose()
