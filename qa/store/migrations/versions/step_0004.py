"""People: accounts, devices, who signed in and when, and what signs the cookies."""

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

MOMENT = sa.DateTime(timezone=True)
NUMBER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
SAME = dict.fromkeys(("account", "device", "sign_in"), "number = NEW.number")
SAME["secret"] = "name = NEW.name"
ACCOUNT = "action in ('added', 'role', 'password', 'pin', 'disabled', 'enabled')"


def upgrade() -> None:
    """Make the tables and the triggers that keep the record."""
    op.create_table(
        "account",
        sa.Column("number", NUMBER, primary_key=True, autoincrement=False),
        *_texts("name", "action", "value"),
        *_stamp(),
        sa.CheckConstraint(ACCOUNT, name="action"),
    )
    op.create_index("ix_account_name", "account", ["name"])
    op.create_table(
        "device",
        sa.Column("number", NUMBER, primary_key=True, autoincrement=False),
        *_texts("name", "action", "kind", "role", "digest"),
        *_stamp(),
        sa.CheckConstraint("action in ('registered', 'revoked')", name="action"),
        sa.CheckConstraint("kind in ('station', 'token')", name="kind"),
    )
    op.create_index("ix_device_digest", "device", ["digest"])
    op.create_table(
        "sign_in",
        sa.Column("number", NUMBER, primary_key=True, autoincrement=False),
        *_texts("action", "name", "place", "session"),
        sa.Column("account", NUMBER, nullable=False),
        sa.Column("at", MOMENT, nullable=False),
        sa.CheckConstraint("action in ('tried', 'passed', 'ended')", name="action"),
    )
    op.create_index("ix_sign_in_session", "sign_in", ["session"])
    op.create_index("ix_sign_in_at", "sign_in", ["at"])
    op.create_table(
        "secret",
        sa.Column("name", sa.Text(), primary_key=True),
        *_texts("value"),
        sa.Column("at", MOMENT, nullable=False),
        *_texts("by"),
    )
    sqlite = op.get_bind().dialect.name == "sqlite"
    for table, same in SAME.items():
        for statement in _sqlite_guards(table, same) if sqlite else _other_guards(table):
            op.execute(statement)


def downgrade() -> None:
    """Take them away."""
    for table in SAME:
        op.drop_table(table)


def _texts(*names: str) -> list[sa.Column[Any]]:
    return [sa.Column(name, sa.Text(), nullable=False) for name in names]


def _stamp() -> list[sa.Column[Any]]:
    return [sa.Column("at", MOMENT, nullable=False), *_texts("by", "reason")]


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
