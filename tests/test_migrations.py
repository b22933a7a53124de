"""A store that an earlier version made and filled is brought up with all that it holds."""

from datetime import UTC, datetime

import pytest
from sqlalchemy import Engine, create_engine, insert, inspect, make_url, select

from qa import audit
from qa.audit import Finding
from qa.errors import StoreTooNew
from qa.store import deeds, migrations, records, schema, trail
from tests.databases import both, past_the_guards

pytestmark = both
AT = datetime(2026, 3, 16, 10, tzinfo=UTC)
BY = {"by": "Ines", "at": AT}
EARLIER = sorted(migrations.known() - {migrations.HEAD})
Kept = dict[str, list[dict[str, object]]]


@pytest.fixture
def filled(store, programme, audit_fields):
    """With something in every table."""

    def make(number, **changes):
        return audit.parse(audit_fields(key=f"K{number}", tote=f"T{number}", **changes), programme)

    records.log_many(store, [make(number) for number in range(30)], **BY)
    records.correct(store, make(7, stem=4, raw_lot="field 7"), **BY, reason="recounted")
    records.void(store, "K9", **BY, reason="the wrong tote")
    for key in ("F1", "F2"):
        found = Finding(key, "SP1", AT, "A", "1", "T1", "a shard of glass, 3 × 2 mm")
        records.record_finding(store, found, **BY)
    records.lift_finding(store, "F1", **BY, reason="scrapped")
    event = deeds.Event("e1", "SP1", "A", "1", AT, "put-right", "nozzle changed")
    deeds.record_event(store, event, **BY)
    done = deeds.Disposition("d1", "SP1", "1", "T1", "T1", "re-sort")
    deeds.dispose(store, done, **BY, reason="stems")
    return store


def engine_at(where: str) -> Engine:
    url = make_url(where if "://" in where else f"sqlite:///{where}")
    driver = {"postgresql": "postgresql+psycopg"}.get(url.drivername, url.drivername)
    return create_engine(url.set(drivername=driver))


def kept(connection, only: Kept | None = None) -> Kept:
    """Every row of every table that is there; of some columns alone, where `only` has no more."""
    found: Kept = {}
    for table in schema.metadata.sorted_tables:
        if not inspect(connection).has_table(table.name) or (only and table.name not in only):
            continue
        there = {each["name"] for each in inspect(connection).get_columns(table.name)}
        if only and only[table.name]:
            there &= set(only[table.name][0])
        columns = [each for each in table.c if each.name in there]
        rows = connection.execute(select(*columns).order_by(*columns[:2])).mappings()
        found[table.name] = [dict(row) for row in rows]
    return found


def older(where: str, revision: str, filled: schema.Store) -> Kept:
    """A store as it was at a revision, holding what another one holds."""
    engine = engine_at(where)
    with schema.reading(filled) as newest, engine.begin() as connection:
        migrations.upgrade(connection, schema.metadata, to=revision)
        for table in schema.metadata.sorted_tables:
            if inspect(connection).has_table(table.name):
                rows = [dict(row) for row in newest.execute(select(table)).mappings()]
                there = {each["name"] for each in inspect(connection).get_columns(table.name)}
                some = [{n: v for n, v in row.items() if n in there} for row in rows]
                if some:
                    connection.execute(insert(table), some)
    with engine.begin() as connection:
        found = kept(connection)
    engine.dispose()
    return found


@pytest.mark.parametrize("revision", EARLIER)
def test_a_filled_store_of_every_earlier_revision_is_brought_up(filled, somewhere, revision):
    where = somewhere()
    before = older(where, revision, filled)
    assert len(before["entry"]) == 32
    opened = schema.open_store(where)
    assert trail.check(opened) == ()
    with schema.reading(opened) as connection:
        after = kept(connection, before)
    assert after == before
    assert records.tallies(opened).equals(records.tallies(filled))
    late = Finding("F9", "SP1", AT, "A", "1", "T1", "a bolt")
    records.record_finding(opened, late, **BY)
    assert trail.check(opened) == ()
    opened.engine.dispose()


def test_there_are_earlier_revisions(database):
    assert EARLIER[:2] == ["0001", "0002"]


def test_a_chain_built_later_finds_what_is_changed_after_that(filled, somewhere):
    where = somewhere()
    older(where, "0002", filled)
    opened = schema.open_store(where)
    past_the_guards(opened, "UPDATE entry SET note = 'x' WHERE number = 12")
    assert trail.check(opened)[0].startswith("entry 12, link 13 of the chain, is not what was")
    opened.engine.dispose()


def test_a_newer_store_is_left_alone_on_every_database(filled, database):
    where = filled.engine.url.render_as_string() if database != "sqlite" else filled.url
    past_the_guards(filled, f"UPDATE {migrations.VERSION_TABLE} SET version_num = '0999'")
    told = rf"newer version of Toteproof.* revision 0999, .* {migrations.HEAD} at most"
    with pytest.raises(StoreTooNew, match=told):
        schema.open_store(where)
