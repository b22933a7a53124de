"""A lane's rises in one sentence for a wall: what it keeps of a finding, what it leaves to Lane."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from qa import drift
from qa.drift import Acknowledged, DriftFinding
from qa.intervals import Interval
from qa.programme import Programme
from qa.store import records
from tests.small_plant import small_plant

SINCE = datetime(2026, 5, 2, 5, 45, tzinfo=UTC)
CAUTION = (
    "Before anyone goes to head B: lockout, and the high-pressure water made safe, "
    "by the site's own procedure."
)


@pytest.fixture(scope="module")
def programme(tmp_path_factory: pytest.TempPathFactory) -> Programme:
    store = small_plant(tmp_path_factory.mktemp("afar") / "plant.db")
    found = records.programme(store)
    store.engine.dispose()
    return found


def level(per_cent: float, low: float, high: float) -> Interval:
    ends = (np.array(each / 100) for each in (per_cent, low, high))
    return Interval(*ends, 0.95, "exact", "both")


def rise(category: str = "stem", after: float = 1.3, head: str | None = "B") -> DriftFinding:
    return DriftFinding(
        *("4", category, "sprout", "drifting", SINCE, SINCE, SINCE, "415920"),
        level(0.45, 0.4, 0.5),
        level(after, after - 0.2, after + 0.2),
        head,
        *(None, "all of it", (), (), None, None, None),
    )


def test_a_rise_is_told_without_its_ranges(programme: Programme) -> None:
    said, caution = drift.briefly([rise()], programme)
    when = "06:45 on 2 May"
    assert said == (
        f"Stem left on has risen since about {when}, tote 415920: 0.45 % to 1.3 %; mostly head B."
    )
    assert caution == CAUTION


def test_of_several_rises_the_largest_that_is_open_is_told(programme: Programme) -> None:
    small, large = rise("over_trim", 1.1, None), rise("stem", 1.9, None)
    said, caution = drift.briefly([small, large], programme)
    assert said.startswith("Stem left on has risen since")
    assert said.endswith("0.45 % to 1.9 %. Over-trim has risen too.")
    assert caution == ""
    seen = Acknowledged("key", "worn nozzle", "changed it", "lead-1", SINCE)
    said, _ = drift.briefly([small, replace(large, acknowledged=seen)], programme)
    assert said.startswith("Over-trim has risen since")
    said, _ = drift.briefly([replace(large, acknowledged=seen)], programme)
    assert said.endswith("; acknowledged by lead-1.")


def test_where_many_lanes_have_one_it_is_one_short_sentence(programme: Programme) -> None:
    every = [rise("over_trim", 1.1, None), rise("stem", 1.9, "B")]
    said, caution = drift.briefly(every, programme, short=True)
    assert said == (
        "Stem left on up since about 06:45 on 2 May: 0.45 % to 1.9 %; mostly head B; over-trim too."
    )
    assert len(said) < len(drift.briefly(every, programme)[0])
    assert caution == CAUTION
    said, _ = drift.briefly(every, programme, short=True, language="es")
    assert said.endswith("; sobre todo el cabezal B; también over-trim.")


def test_every_head_that_is_known_is_in_the_caution(programme: Programme) -> None:
    found = [rise("stem", 1.9, "B"), rise("double", 1.2, "A")]
    assert "goes to head A or B: lockout" in drift.briefly(found, programme)[1]


def test_what_does_not_drift_is_left_to_its_own_sentence(programme: Programme) -> None:
    assert drift.briefly([replace(rise(), status="steady")], programme) == ("", "")
    assert drift.briefly([], programme) == ("", "")
