"""What people did: events on the line, and what became of totes that were held."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

MOMENT = sa.DateTime(timezone=True)
RECORDED = {"event": "key = NEW.key AND action = NEW.action", "disposition": "key = NEW.key"}


def upgrade() -> None:
    """Make the tables and the triggers that keep the record."""
    op.create_table(
        "event",
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("action", sa.Text(), nullable=False),
        sa.Column("at", MOMENT, nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("line", sa.Text(), nullable=False),
        sa.Column("lane", sa.Text(), nullable=False),
        sa.Column("happened_at", MOMENT, nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("key", "action"),
        sa.CheckConstraint("action in ('recorded', 'withdrawn')", name="action"),
    )
    op.create_table(
        "disposition",
        sa.Column("key", sa.Text(), primary_key=True),
        sa.Column("at", MOMENT, nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("lane", sa.Text(), nullable=False),
        sa.Column("lot", sa.Text(), nullable=False),
        sa.Column("tote", sa.Text(), nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.CheckConstraint(
            "what in ('release', 're-sort', 'rework', 'downgrade', 'scrap')", name="what"
        ),
    )
    op.create_index("ix_disposition_lot", "disposition", ["lot"])
    sqlite = op.get_bind().dialect.name == "sqlite"
    for table, same in RECORDED.items():
        for statement in _sqlite_guards(table, same) if sqlite else _other_guards(table):
            op.execute(statement)


def downgrade() -> None:
    """Take them away."""
    for table in ("disposition", "event"):
        op.drop_table(table)


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
