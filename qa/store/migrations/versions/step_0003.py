"""Signals that people acknowledge, and baselines that they choose."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

MOMENT = sa.DateTime(timezone=True)
RECORDED = {"acknowledgement": "key = NEW.key AND action = NEW.action", "baseline": "key = NEW.key"}


def upgrade() -> None:
    """Make the tables and the triggers that keep the record."""
    op.create_table(
        "acknowledgement",
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("action", sa.Text(), nullable=False),
        sa.Column("at", MOMENT, nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("lane", sa.Text(), nullable=False),
        sa.Column("product", sa.Text(), nullable=False),
        sa.Column("category", sa.Text(), nullable=False),
        sa.Column("signalled_at", MOMENT, nullable=False),
        sa.Column("cause", sa.Text(), nullable=False),
        sa.Column("done", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("key", "action"),
        sa.CheckConstraint("action in ('recorded', 'withdrawn')", name="action"),
    )
    op.create_table(
        "baseline",
        sa.Column("key", sa.Text(), primary_key=True),
        sa.Column("at", MOMENT, nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("product", sa.Text(), nullable=False),
        sa.Column("lane", sa.Text()),
        sa.Column("first_day", sa.Date(), nullable=False),
        sa.Column("last_day", sa.Date(), nullable=False),
        sa.Column("set_aside", sa.Text(), nullable=False),
        sa.CheckConstraint("last_day >= first_day", name="days"),
    )
    sqlite = op.get_bind().dialect.name == "sqlite"
    for table, same in RECORDED.items():
        for statement in _sqlite_guards(table, same) if sqlite else _other_guards(table):
            op.execute(statement)


def downgrade() -> None:
    """Take them away."""
    for table in ("baseline", "acknowledgement"):
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
