"""The first tables: programme versions, entries, current entries, six sums, findings."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

MOMENT = sa.DateTime(timezone=True)
NUMBER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
# What is recorded is only ever added to. SQLite's "insert or replace" deletes a row without
# asking the delete trigger, hence the third one; `same` says when a new row is an old one again.
RECORDED = {
    "programme_version": "version = NEW.version",
    "entry": "number = NEW.number OR (key = NEW.key AND revision = NEW.revision)",
    "finding": "key = NEW.key AND action = NEW.action",
}


def upgrade() -> None:
    """Make the tables and the triggers that keep the record."""
    _make_programme_version()
    _make_entry()
    _make_derived()
    _make_finding()
    sqlite = op.get_bind().dialect.name == "sqlite"
    if not sqlite:
        op.execute(
            "CREATE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$ "
            "BEGIN RAISE EXCEPTION '% is only ever added to', TG_TABLE_NAME "
            "USING ERRCODE = 'integrity_constraint_violation'; END $$"
        )
    for table, same in RECORDED.items():
        for statement in _sqlite_guards(table, same) if sqlite else _other_guards(table):
            op.execute(statement)


def downgrade() -> None:
    """Take everything away."""
    for table in ("finding", "sums", "current", "entry", "programme_version"):
        op.drop_table(table)
    if op.get_bind().dialect.name != "sqlite":
        op.execute("DROP FUNCTION refuse_change")


def _make_programme_version() -> None:
    op.create_table(
        "programme_version",
        sa.Column("version", sa.Integer(), primary_key=True, autoincrement=False),
        sa.Column("at", MOMENT, nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
    )


def _make_entry() -> None:
    op.create_table(
        "entry",
        sa.Column("number", NUMBER, primary_key=True, autoincrement=False),
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("action", sa.Text(), nullable=False),
        sa.Column("at", MOMENT, nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column(
            "programme", sa.Integer(), sa.ForeignKey("programme_version.version"), nullable=False
        ),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("day", sa.Date(), nullable=False),
        sa.Column("shift", sa.Text(), nullable=False),
        sa.Column("line", sa.Text(), nullable=False),
        sa.Column("lane", sa.Text(), nullable=False),
        sa.Column("head", sa.Text()),
        sa.Column("product", sa.Text(), nullable=False),
        sa.Column("raw_lot", sa.Text()),
        sa.Column("tote", sa.Text(), nullable=False),
        sa.Column("lot", sa.Text(), nullable=False),
        sa.Column("pulled_at", MOMENT, nullable=False),
        sa.Column("inspector", sa.Text(), nullable=False),
        sa.Column("purpose", sa.Text(), nullable=False),
        sa.Column("inspected", sa.Integer(), nullable=False),
        sa.Column("correct", sa.Integer(), nullable=False),
        sa.Column("counts", sa.Text(), nullable=False),
        sa.Column("pieces_in_tote", sa.Integer()),
        sa.Column("fill_start", MOMENT),
        sa.Column("fill_end", MOMENT),
        sa.Column("re_sorted_at", MOMENT),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.UniqueConstraint("key", "revision"),
        sa.CheckConstraint("action in ('logged', 'corrected', 'voided')", name="action"),
        sa.CheckConstraint("inspected between 1 and 1000000", name="inspected"),
        sa.CheckConstraint("correct between 0 and inspected", name="correct"),
    )
    op.create_index("ix_entry_tote", "entry", ["tote"])
    op.create_index("ix_entry_lot", "entry", ["lot"])
    op.create_index("ix_entry_day_lane", "entry", ["day", "lane"])


def _make_derived() -> None:
    op.create_table(
        "current",
        sa.Column("key", sa.Text(), primary_key=True),
        sa.Column("entry", NUMBER, sa.ForeignKey("entry.number"), nullable=False),
        sa.UniqueConstraint("entry"),
    )
    op.create_table(
        "sums",
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("day", sa.Date(), nullable=False),
        sa.Column("shift", sa.Text(), nullable=False),
        sa.Column("line", sa.Text(), nullable=False),
        sa.Column("lane", sa.Text(), nullable=False),
        sa.Column("head", sa.Text(), nullable=False),
        sa.Column("product", sa.Text(), nullable=False),
        sa.Column("purpose", sa.Text(), nullable=False),
        sa.Column("counted", sa.Text(), nullable=False),
        *(
            sa.Column(name, sa.BigInteger(), nullable=False)
            for name in ("totes", "n", "x", "n2", "x2", "nx")
        ),
        sa.PrimaryKeyConstraint(
            "counted", "purpose", "day", "site", "shift", "line", "lane", "head", "product"
        ),
    )


def _make_finding() -> None:
    op.create_table(
        "finding",
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("action", sa.Text(), nullable=False),
        sa.Column("at", MOMENT, nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("found_at", MOMENT, nullable=False),
        sa.Column("line", sa.Text(), nullable=False),
        sa.Column("lane", sa.Text(), nullable=False),
        sa.Column("tote", sa.Text(), nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("key", "action"),
        sa.CheckConstraint("action in ('recorded', 'lifted')", name="action"),
    )


def _sqlite_guards(table: str, same: str) -> list[str]:
    refusal = f"BEGIN SELECT RAISE(ABORT, '{table} is only ever added to'); END"
    return [
        f"CREATE TRIGGER {table}_not_changed BEFORE UPDATE ON {table} {refusal}",
        f"CREATE TRIGGER {table}_not_deleted BEFORE DELETE ON {table} {refusal}",
        f"CREATE TRIGGER {table}_not_replaced BEFORE INSERT ON {table} "
        f"WHEN EXISTS (SELECT 1 FROM {table} WHERE {same}) {refusal}",
    ]


def _other_guards(table: str) -> list[str]:
    refusal = "EXECUTE FUNCTION refuse_change()"
    return [
        f"CREATE TRIGGER {table}_not_changed BEFORE UPDATE OR DELETE ON {table} "
        f"FOR EACH ROW {refusal}",
        f"CREATE TRIGGER {table}_not_emptied BEFORE TRUNCATE ON {table} "
        f"FOR EACH STATEMENT {refusal}",
    ]
