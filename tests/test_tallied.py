"""Entries as tallies: whichever way they are read, they are what was logged."""

import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pandas.testing import assert_frame_equal

from qa.audit import Audit
from qa.programme import Programme
from qa.store import changes, following, records, schema, tallied
from tests.test_records import AT, BY, of

START = datetime(2026, 3, 16, 6, tzinfo=UTC)
TEXT = st.text(st.characters(codec="utf-8", exclude_categories=("C", "Z")), min_size=1, max_size=6)
MOMENT = st.integers(0, 3).map(lambda n: START + timedelta(hours=n, microseconds=n))
SAID = st.fixed_dictionaries(
    {
        "tote": TEXT,
        "lot": TEXT,
        "inspector": TEXT,
        "raw_lot": st.none() | TEXT,
        "head": st.none() | TEXT,
        "note": TEXT | st.just(""),
        "pulled_at": MOMENT,
        "fill_start": st.none() | MOMENT,
        "fill_end": st.none() | MOMENT,
        "re_sorted_at": st.none() | MOMENT,
        "pieces_in_tote": st.none() | st.integers(1, 9_000),
        "purpose": st.sampled_from(["routine", "for-cause", "study", "re-audit", "head-check"]),
        "stem": st.integers(0, 200),
    }
)


def audit(number: int, said: dict[str, Any], programme: Programme) -> Audit:
    stem, rest = said["stem"], {name: value for name, value in said.items() if name != "stem"}
    counts = dict.fromkeys(programme.category_codes, 0) | {"stem": stem}
    return Audit(
        key=f"k{number}",
        site=programme.site,
        day=START.date(),
        shift=programme.shifts[0].code,
        line="A",
        lane=programme.lanes[0].code,
        product=programme.products[0].code,
        inspected=200,
        correct=200 - stem,
        counts=counts,
        **rest,
    )


@settings(max_examples=25)
@given(said=st.lists(SAID, max_size=8), batch=st.integers(1, 3))
def test_every_way_of_reading_gives_what_was_logged(
    said: list[dict[str, Any]],
    batch: int,
    programme: Programme,
    store_to_copy: Path,
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    audits = [audit(number, each, programme) for number, each in enumerate(said)]
    place = shutil.copy(store_to_copy, tmp_path_factory.mktemp("tallied"))
    store = schema.open_store(place)
    try:
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(tallied, "_BATCH", batch)  # an answer comes in several parts
            records.log_many(store, audits, **BY)
            expected = of(audits, programme)
            assert_frame_equal(records.tallies(store), expected)
            known = following.read(store)
            assert_frame_equal(known.where(lambda part: part["number"] > 0), expected)
            noted = records.audits(store)
            assert_frame_equal(noted[expected.columns], expected)
            notes = {each.key: each.note for each in audits}
            assert noted["note"].tolist() == [notes[key] for key in noted["key"]]
            for each in audits[:1]:
                history = records.history(store, each.key)
                assert_frame_equal(history[expected.columns], of([each], programme))
                records.void(store, each.key, by="Ines", at=AT, reason="twice")
                before = changes.replaced(store)
                assert_frame_equal(before[expected.columns], of([each], programme))
                assert before["replaced_at"].tolist() == [AT]
    finally:
        store.engine.dispose()
