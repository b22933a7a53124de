"""The chain: what anybody does to the record behind the program's back is found, and where."""

import hashlib
import re
from datetime import UTC, date, datetime, timedelta, timezone

import pytest
from sqlalchemy import select

from qa import audit
from qa.audit import Finding
from qa.errors import InvalidInput
from qa.store import chain, deeds, records, rows, schema, trail
from tests.databases import both, past_the_guards

pytestmark = both
AT = datetime(2026, 3, 16, 10, tzinfo=UTC)
BY = {"by": "Ines", "at": AT}


@pytest.fixture
def make(programme, audit_fields):
    def one(key, **changes):
        return audit.parse(audit_fields(key=key, tote=f"T{key}", **changes), programme)

    return one


@pytest.fixture
def filled(store, make):
    """Eight links: a programme, three audits, a correction, a finding, an event, a disposition."""
    records.log_many(store, [make(key) for key in ("K1", "K2", "K3")], **BY)
    records.correct(store, make("K1", stem=4), **BY, reason="recounted")
    found = Finding("F1", "SP1", AT, "A", "1", "T1", "a shard of glass")
    records.record_finding(store, found, **BY)
    event = deeds.Event("e1", "SP1", "A", "1", AT, "put-right", "nozzle changed")
    deeds.record_event(store, event, **BY)
    done = deeds.Disposition("d1", "SP1", "1", "T1", "T1", "re-sort")
    deeds.dispose(store, done, **BY, reason="stems")
    return store


def links(store):
    with schema.reading(store) as connection:
        return connection.execute(select(schema.chain).order_by(schema.chain.c.number)).all()


def version(store):
    with schema.reading(store) as connection:
        return dict(connection.execute(select(schema.programme_version)).mappings().one())


def head(store):
    return trail.checked(store).head


def test_every_row_of_the_record_has_its_link_in_the_order_of_recording(filled):
    assert [(each.number, each.recorded, each.key) for each in links(filled)] == [
        (1, "programme_version", "1"),
        (2, "entry", "1"),
        (3, "entry", "2"),
        (4, "entry", "3"),
        (5, "entry", "4"),
        (6, "finding", '["F1","recorded"]'),
        (7, "event", '["e1","recorded"]'),
        (8, "disposition", "d1"),
    ]
    assert trail.check(filled) == ()
    assert head(filled) == chain.Head(8, links(filled)[-1].hash.hex())


def test_a_hash_is_what_anybody_can_compute_by_hand(filled):
    """The form is promised: SHA-256 over 32 zero bytes, or the hash before, and plain JSON."""
    done = (
        b'["disposition",{"at":"2026-03-16T10:00:00.000000+00:00","by":"Ines","key":"d1",'
        b'"lane":"1","lot":"T1","reason":"stems","site":"SP1","tote":"T1","what":"re-sort"}]'
    )
    *_, before, last = links(filled)
    assert last.hash == hashlib.sha256(before.hash + done).digest()
    first = hashlib.sha256(bytes(32) + chain.content("programme_version", version(filled))).digest()
    assert links(filled)[0].hash == first


def test_a_row_has_one_form_whatever_zone_it_came_in(database):
    cork = timezone(timedelta(hours=1))
    there = {"b": AT.astimezone(cork), "a": date(2026, 3, 16), "note": "é\n", "n": 7, "h": b"\x00"}
    assert chain.content("x", {**there, "empty": None}) == (
        b'["x",{"a":"2026-03-16","b":"2026-03-16T10:00:00.000000+00:00","h":"00","n":7,'
        b'"note":"\\u00e9\\n"}]'
    )


CHANGED = "is not what was recorded: it or its link was changed"


@pytest.mark.parametrize(
    ("statement", "told"),
    [
        # Nothing else would tell of these five.
        ("UPDATE entry SET inspector = 'Ivo' WHERE number = 2", f"entry 2, link 3 .*, {CHANGED}"),
        ("UPDATE entry SET note = '' WHERE number = 3", ""),
        ("UPDATE entry SET at = '2026-03-16 10:00:01+00:00' WHERE number = 1", "entry 1, link 2 "),
        ("UPDATE finding SET what = 'a leaf'", f"finding F1 recorded, link 6 .*, {CHANGED}"),
        ("UPDATE disposition SET what = 'release'", f"disposition d1, link 8 .*, {CHANGED}"),
        ("UPDATE programme_version SET by = 'Ivo'", f"programme version 1, link 1 .*{CHANGED}"),
        ("UPDATE entry SET raw_lot = 'field 7' WHERE number = 4", f"entry 4, link 5 .*{CHANGED}"),
        ("DELETE FROM event", "event e1 recorded, link 7 of the chain, is missing from the record"),
        ("UPDATE disposition SET key = 'd2'", "disposition d1, link 8 of .*, is missing from the"),
        ("DELETE FROM chain WHERE number = 3", "link 3 of the chain is missing"),
        ("DELETE FROM chain", "disposition d1 is in no link of the chain: it was put there"),
        ("DELETE FROM chain WHERE number > 7", "disposition d1 is in no link of the chain"),
        ("UPDATE chain SET hash = hash WHERE number = 4", ""),
        ("UPDATE chain SET key = '9' WHERE number = 4", "entry 9, link 4 of .*, is missing from"),
        ("UPDATE chain SET key = 'x' WHERE number = 4", "entry x, link 4 of .*, is missing from"),
        ("UPDATE chain SET key = '[' WHERE number = 6", r"finding \[, link 6 .*, is missing from"),
        (
            "UPDATE chain SET recorded = 'current' WHERE number = 4",
            "current 3, link 4 of .*missing",
        ),
        (
            "INSERT INTO disposition SELECT 'd0', at, by, reason, site, lane, lot, 'T2', 'release' "
            "FROM disposition",
            "disposition d0 is in no link of the chain: it was put there behind the program's back",
        ),
        (
            "INSERT INTO chain SELECT 9, 'disposition', 'd9', hash FROM chain WHERE number = 8",
            "disposition d9, link 9 of the chain, is missing from the record",
        ),
    ],
)
def test_the_first_break_is_named(filled, statement, told):
    past_the_guards(filled, statement)
    found = trail.check(filled)
    if told:
        assert re.match(told, found[0]), found
    else:
        assert found == ()


def test_of_several_breaks_of_the_chain_the_first_is_named(filled):
    past_the_guards(
        filled,
        "UPDATE entry SET note = 'x' WHERE number IN (2, 3)",
        "DELETE FROM event",
    )
    found = trail.check(filled)
    assert found == (f"entry 2, link 3 of the chain, {CHANGED}",)


def test_a_chain_made_anew_or_cut_is_found_by_a_head_kept_elsewhere(filled, make):
    """Who has every right to the database can mend the whole chain, but not what was printed."""
    kept = head(filled)
    assert trail.checked(filled, kept.hash).breaks == ()
    records.log(filled, make("K4"), **BY)
    assert trail.checked(filled, kept.hash[:16].upper()).breaks == (), "it has only grown"
    later = head(filled)
    past_the_guards(
        filled,
        "DELETE FROM chain WHERE number = 9",
        "DELETE FROM current WHERE key = 'K4'",
        "DELETE FROM entry WHERE key = 'K4'",
        "DELETE FROM sums",
    )
    told = f"the head {later.hash} is not among the 8 links of the chain: its end was cut, or"
    assert not any("link" in each for each in trail.check(filled))
    assert trail.checked(filled, later.hash).breaks[0].startswith(told)
    assert not any(each.startswith("the head") for each in trail.checked(filled, kept.hash).breaks)


@pytest.mark.parametrize("text", ["", "12ab", "g" * 64, "a" * 65, "a" * 15])
def test_a_head_is_hexadecimal(filled, text):
    with pytest.raises(InvalidInput, match=f"a head has 16 to 64 hexadecimal digits, got {text}"):
        trail.checked(filled, text)


def test_a_value_that_cannot_be_read_is_named(filled, database):
    if database != "sqlite":
        pytest.skip("only SQLite keeps any value in any column")
    past_the_guards(filled, "UPDATE entry SET day = 'Monday' WHERE number = 3")
    first, second = trail.check(filled)
    assert first == "entry 3, link 4 of the chain, was changed, and cannot be read any more"
    assert second.startswith("a value in the store cannot be read: ")
    past_the_guards(filled, "UPDATE entry SET day = '2026-03-16', note = x'00' WHERE number=3")
    assert trail.check(filled)[0].startswith("entry 3, link 4 of the chain, ")


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"lot": 7}, "disposition.lot takes str, got int"),
        ({"at": AT.date()}, "disposition.at takes datetime, got date"),
    ],
)
def test_a_row_that_would_read_back_otherwise_is_a_bug(store, change, told):
    row = dict.fromkeys((each.name for each in schema.disposition.c), "x") | {
        "at": AT,
        "what": "scrap",
    }
    with pytest.raises(TypeError, match=told), schema.writing(store) as connection:
        rows.add(connection, schema.disposition, [{**row, **change}])
    assert len(links(store)) == 1


@pytest.mark.parametrize(("version", "got"), [(True, "bool"), (2.0, "float")])
def test_a_truth_value_is_no_number(store, version, got):
    row = {"version": version, "at": AT, "by": "x", "reason": "x", "text": "x"}
    with (
        pytest.raises(TypeError, match=f"programme_version.version takes int, got {got}"),
        schema.writing(store) as connection,
    ):
        rows.add(connection, schema.programme_version, [row])


@pytest.mark.parametrize("text", ["nul\x00", "half of a pair \ud800"])
def test_a_text_that_no_database_keeps_is_refused(store, text):
    event = deeds.Event("e1", "SP1", "A", "1", AT, "camera", text)
    with pytest.raises(InvalidInput, match="what must be text that a store can keep, got "):
        deeds.record_event(store, event, **BY)
    assert len(links(store)) == 1


def test_what_fails_leaves_no_link(store, make):
    with pytest.raises(RuntimeError), schema.writing(store) as connection:
        row = {"version": 2, "at": AT, "by": "x", "reason": "x", "text": "x"}
        rows.add(connection, schema.programme_version, [row])
        raise RuntimeError
    assert len(links(store)) == 1
    assert trail.check(store) == ()


def test_nothing_added_is_no_link(store):
    with schema.writing(store) as connection:
        rows.add(connection, schema.event, [])
    assert len(links(store)) == 1


def test_long_records_are_checked_in_parts(store, make, monkeypatch):
    monkeypatch.setattr(chain, "_BATCH", 7)
    monkeypatch.setattr(chain, "_CHUNK", 3)
    records.log_many(store, [make(f"K{number}") for number in range(40)], **BY)
    assert trail.check(store) == ()
    past_the_guards(store, "UPDATE entry SET note = 'x' WHERE number = 29")
    assert trail.check(store) == (f"entry 29, link 30 of the chain, {CHANGED}",)
