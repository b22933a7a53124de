"""The chain of hashes over every row of the record, built for what is there."""

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import sqlalchemy as sa
from alembic import op

from qa.store.chain import START, content, key_of, sealed

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

NUMBER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
NOT_RECORDED = ("current", "sums", "chain", "toteproof_schema")
FIRST = ("programme_version", "entry")  # what others rest on comes before them
SAME = "number = NEW.number OR (recorded = NEW.recorded AND key = NEW.key)"
BATCH = 5_000


def upgrade() -> None:
    """Make the table, chain what is recorded, and set the triggers that keep it."""
    chain = op.create_table(
        "chain",
        sa.Column("number", NUMBER, primary_key=True, autoincrement=False),
        sa.Column("recorded", sa.Text(), nullable=False),
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("hash", sa.LargeBinary(), nullable=False),
        sa.UniqueConstraint("recorded", "key"),
    )
    bind = op.get_bind()
    links: list[dict[str, Any]] = []
    for link in _links(bind):
        links.append(link)
        if len(links) == BATCH:
            bind.execute(sa.insert(chain), links)
            links = []
    if links:
        bind.execute(sa.insert(chain), links)
    sqlite = bind.dialect.name == "sqlite"
    for statement in _sqlite_guards("chain", SAME) if sqlite else _other_guards("chain"):
        op.execute(statement)


def downgrade() -> None:
    """Take it away."""
    op.drop_table("chain")


def _links(bind: sa.Connection) -> Iterator[dict[str, Any]]:
    names = set(sa.inspect(bind).get_table_names()) - set(NOT_RECORDED)
    before, number = START, 0
    for name in (*FIRST, *sorted(names - set(FIRST))):
        table = sa.Table(name, sa.MetaData(), autoload_with=bind)
        keys = [column.name for column in table.primary_key]
        for row in _rows(bind, table):
            number += 1
            before = sealed(before, content(name, row))
            key = key_of([row[each] for each in keys])
            yield {"number": number, "recorded": name, "key": key, "hash": before}


def _rows(bind: sa.Connection, table: sa.Table) -> Iterator[dict[str, Any]]:
    """In the order of recording where it can be told: by number, else by time."""
    numbered = "number" in table.c or "at" not in table.c
    order = [*([] if numbered else [table.c["at"]]), *table.primary_key]
    found = sa.select(table).order_by(*order).execution_options(yield_per=BATCH)
    for row in bind.execute(found).mappings():
        yield {name: _zoned(value) for name, value in row.items()}


def _zoned(value: Any) -> Any:
    """SQLite keeps times in UTC, without their zone."""
    if isinstance(value, datetime) and value.tzinfo is None:
        return value.replace(tzinfo=UTC)
    return value


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
