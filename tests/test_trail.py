"""The store held against its own entries: every kind of tampering is found, and said plainly."""

from datetime import UTC, datetime

import pytest

from qa import audit
from qa.audit import Finding
from qa.store import records, trail
from tests.databases import both, past_the_guards

pytestmark = both

AT = datetime(2026, 3, 16, 10, tzinfo=UTC)


@pytest.fixture
def filled(store, programme, audit_fields):
    """Entries 1 to 3 are logged (K1, K2, K3), 4 corrects K1, 5 voids K3."""

    def make(key, **changes):
        return audit.parse(audit_fields(key=key, tote=f"T{key}", **changes), programme)

    records.log_many(store, [make(key) for key in ("K1", "K2", "K3")], by="Ines", at=AT)
    records.correct(store, make("K1", stem=4), by="Ines", at=AT, reason="recounted")
    records.void(store, "K3", by="Ines", at=AT, reason="the wrong tote")
    found = Finding("F1", "SP1", AT, "A", "1", "T1", "a shard of glass")
    records.record_finding(store, found, by="Ines", at=AT)
    records.lift_finding(store, "F1", by="Ines", at=AT, reason="scrapped")
    return store


@pytest.fixture
def tamper(filled):
    """A function that runs statements with every guard taken away, and checks."""

    def run(*statements):
        past_the_guards(filled, *statements)
        return trail.check(filled)

    return run


def test_a_whole_store_has_no_breaks(filled):
    assert trail.check(filled) == ()


def test_an_empty_store_has_no_breaks(store):
    assert trail.check(store) == ()


def test_taking_the_guards_away_is_all_that_tampering_needs(tamper):
    assert tamper() == ()


CELL = "site SP1, day 2026-03-16, shift morning, line A, lane 1, head , product sprout-whole"
WAS = "totes 2, n 400, x 8, n2 80000, x2 34, nx 1600"


@pytest.mark.parametrize(
    ("statement", "breaks"),
    [
        (
            "UPDATE entry SET inspected = 300 WHERE number = 2",
            (
                "audit K2, entry 2: the counts must sum to the 103 incorrect, and sum to 3",
                f"the sums of incorrect at {CELL}, purpose routine are kept as {WAS}, and the "
                "audits give totes 2, n 500, x 108, n2 130000, x2 10634, nx 31900",
            ),
        ),
        (
            "UPDATE entry SET counts = '{\"stem\":3}' WHERE number = 1",  # corrected since
            ("entry 1, link 2 of the chain, is not what was recorded",),
        ),
        (
            "UPDATE sums SET x = x - 1 WHERE counted = 'incorrect'",
            (
                f"the sums of incorrect at {CELL}, purpose routine are kept as "
                f"{WAS.replace('x 8', 'x 7')}, and the audits give {WAS}",
            ),
        ),
        (
            "DELETE FROM sums WHERE counted = 'stem'",
            (
                f"the sums of stem at {CELL}, purpose routine are kept as totes 0, n 0, x 0, n2 0, "
                "x2 0, nx 0, and the audits give totes 2, n 400, x 6, n2 80000, x2 20, nx 1200",
            ),
        ),
        (
            "UPDATE current SET entry = 1 WHERE key = 'K1'",
            ("audit K1: its newest entry is 4, and the store takes 1 for it",),
        ),
        (
            "DELETE FROM current WHERE key = 'K2'",
            ("audit K2: its newest entry is 2, and the store takes none for it",),
        ),
        (
            "DELETE FROM entry WHERE number = 3",
            (
                "entry 3 is missing",
                "audit K3, entry 5: is revision 2, and 1 was expected",
            ),
        ),
        (
            "UPDATE entry SET action = 'logged' WHERE number = 4",
            (
                "audit K1, entry 4: is logged, and the first entry of an audit, and no other, is "
                "logged",
            ),
        ),
        (
            "UPDATE entry SET reason = ' ' WHERE number = 5",
            ("audit K3, entry 5: is voided without a reason",),
        ),
        (
            "UPDATE entry SET key = 'K3', revision = 3 WHERE number = 4",
            ("audit K3, entry 5: is revision 2, and 4 was expected",),
        ),
        (
            "UPDATE entry SET programme = 7 WHERE number = 2",
            ("audit K2, entry 2: its programme version 7 is not there",),
        ),
        (
            "UPDATE programme_version SET text = 'site = 1'",
            ("programme version 1 is not valid: ",),
        ),
        (
            "INSERT INTO programme_version SELECT 3, '2026-02-01 00:00:00.000000', by, reason, "
            "text FROM programme_version",
            (
                "programme version 2 is missing",
                "programme version 3 does not begin after the one before it",
            ),
        ),
        (
            "DELETE FROM finding WHERE action = 'recorded'",
            ("finding F1 is lifted, and was never recorded",),
        ),
    ],
)
def test_tampering_is_found(tamper, statement, breaks):
    found = tamper(statement)
    for told in breaks:
        assert any(each.startswith(told) for each in found), found


def test_every_break_is_told_and_no_other(tamper):
    found = tamper(
        "UPDATE current SET entry = 1 WHERE key = 'K1'",
        "UPDATE entry SET reason = '' WHERE number = 4",
    )
    assert found == (
        "entry 4, link 5 of the chain, is not what was recorded: it or its link was changed",
        "audit K1, entry 4: is corrected without a reason",
        "audit K1: its newest entry is 4, and the store takes 1 for it",
    )


def test_an_entry_after_a_void_is_found(tamper):
    columns = "site, day, shift, line, lane, head, product, raw_lot, tote, lot, pulled_at"
    columns += ", inspector, purpose, inspected, correct, counts, note, source, at, by, programme"
    found = tamper(
        f"INSERT INTO entry (number, key, revision, action, reason, {columns}) "
        f"SELECT 6, key, 3, 'corrected', 'back again', {columns} FROM entry WHERE number = 5"
    )
    assert found[0].startswith("entry 6 is in no link of the chain")
    assert found[1] == "audit K3, entry 6: comes after the audit was voided"
    assert found[2] == "audit K3: its newest entry is 6, and the store takes 5 for it"
