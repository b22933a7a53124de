"""How a store's tables came to be, step by step: `versions` holds one module a step.

A new step is a module with the next number, `revision`, `down_revision`, `upgrade` and
`downgrade`, and `HEAD` set to it; a test holds the steps against the tables in `qa.store.schema`.
"""

from pathlib import Path
from threading import Lock
from typing import Any

from sqlalchemy import Connection, MetaData

HEAD = "0006"
VERSION_TABLE = "toteproof_schema"
_ONE_AT_A_TIME = Lock()  # Alembic keeps the connection of its steps in a global name
OPTIONS: dict[str, Any] = {"version_table": VERSION_TABLE, "render_as_batch": True}


def known() -> frozenset[str]:
    """The revisions that this version of the program knows."""
    return frozenset(step.revision for step in _steps().walk_revisions())


def upgrade(connection: Connection, metadata: MetaData, to: str = "head") -> None:
    """Bring the tables to a revision, in the transaction that the connection is in.

    Parameters
    ----------
    connection : Connection
        In a transaction; what fails half-way is undone with it.
    metadata : MetaData
        Whose naming convention new constraints follow.
    to : str
        A revision, or "head" for the newest.
    """
    from alembic.config import Config  # noqa: PLC0415 - 0.2 s that an up-to-date store can spare
    from alembic.runtime.environment import EnvironmentContext  # noqa: PLC0415 - the same

    steps = _steps()

    def wanted(revision: Any, _: object) -> Any:
        return steps._upgrade_revs(to, revision)

    with _ONE_AT_A_TIME, EnvironmentContext(Config(), steps, fn=wanted) as environment:
        environment.configure(connection=connection, target_metadata=metadata, **OPTIONS)
        environment.run_migrations()
    if connection.dialect.name == "postgresql":
        _order_plainly(connection, list(metadata.tables))


def _order_plainly(connection: Connection, tables: list[str]) -> None:
    """Texts in the order of their characters, as in SQLite, and not in that of a language."""
    columns = connection.exec_driver_sql(
        "SELECT table_name, column_name FROM information_schema.columns "
        "WHERE table_schema = current_schema() AND data_type = 'text' "
        "AND collation_name IS DISTINCT FROM 'C'"
    )
    for table, column in columns.all():
        if table in tables:
            connection.exec_driver_sql(
                f'ALTER TABLE "{table}" ALTER COLUMN "{column}" TYPE text COLLATE "C"'
            )


def _steps() -> Any:
    from alembic.script import ScriptDirectory  # noqa: PLC0415 - as above

    return ScriptDirectory(str(Path(__file__).parent))
