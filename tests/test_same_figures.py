"""The same audits in SQLite and in PostgreSQL give the same figures, to the last digit."""

from datetime import UTC, datetime
from pathlib import Path

import pytest
from pandas.testing import assert_frame_equal

from qa import drift, efficiency, verdicts
from qa._plain import as_json
from qa.files.importing import import_file
from qa.store import chain, records, schema, trail

DEMO = Path(__file__).resolve().parents[1] / "data_demo"
AT = datetime(2026, 6, 1, tzinfo=UTC)


@pytest.fixture(scope="module")
def both_stores(postgres, tmp_path_factory):
    folder = tmp_path_factory.mktemp("same")
    text = (DEMO / "programme.toml").read_text(encoding="utf-8")
    stores = [
        schema.open_store(where, create=True)
        for where in (folder / "plant.db", postgres.database())
    ]
    for store in stores:
        at = datetime(2026, 3, 1, tzinfo=UTC)
        records.put_programme(store, text, by="lead", at=at, reason="the plant is set up")
        programme = records.programme(store)
        import_file(store, DEMO / "audits.csv", programme, by="Ines", at=AT)
    yield stores
    for store in stores:
        store.engine.dispose()


def test_every_figure_is_the_same(both_stores):
    first, second = both_stores
    tallies, others = records.tallies(first), records.tallies(second)
    assert len(tallies) > 8_000
    assert_frame_equal(tallies, others, check_exact=True)
    programme = records.programme(first)
    assert records.programme(second) == programme
    for by in ((), ("lane", "shift")):
        pair = [efficiency.estimate(each, programme, by=by) for each in (tallies, others)]
        assert_frame_equal(*pair, check_exact=True)
    for by in ((), ("lane",), ("day", "shift", "lane"), schema.CELL):
        assert_frame_equal(records.sums(first, by=by), records.sums(second, by=by))
    now = tallies["pulled_at"].max().to_pydatetime()
    found = [drift.findings(each, programme, now=now) for each in (tallies, others)]
    assert any(each.status != "steady" for each in found[0])
    assert as_json(found[0]) == as_json(found[1])
    judged = [
        verdicts.lots(each, records.programmes_by_version(store))
        for each, store in zip((tallies, others), both_stores, strict=True)
    ]
    assert_frame_equal(*judged, check_exact=True)


def test_the_chain_is_the_same(both_stores):
    """The same rows, recorded in the same order, have the same hashes on every database."""
    heads = []
    for store in both_stores:
        assert trail.check(store) == ()
        with schema.reading(store) as connection:
            heads.append(chain.head(connection))
    assert heads[0] == heads[1]
