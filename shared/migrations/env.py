"""Alembic's entry: the engine comes from `shared.db`, never from a file or the environment.

One upgrade is one transaction, whatever the number of its steps: it is done whole or not at all, and
two programs that start at the same moment wait for each other.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from alembic import context
from sqlalchemy import Connection

from shared.errors import CatalogueError
from shared.models import Base

UPGRADE_LOCK = 864_000_001  # any number that stays the same, see PostgreSQL's advisory locks


def include_name(name: str | None, kind: str, _parents: object) -> bool:
    """The full-text index is made by SQL of ours and is no model: tables on SQLite, an index elsewhere."""
    return not (kind in ("table", "index") and name is not None and name.startswith("clip_words"))


@contextmanager
def foreign_keys_off(connection: Connection) -> Iterator[None]:
    """SQLite changes a table by building it anew, and dropping the old one would count as deleting its
    rows (sqlite.org/lang_altertable.html, section 7). The switch does nothing inside a transaction.
    """
    driver = connection.connection.driver_connection
    if connection.dialect.name != "sqlite" or driver is None:
        yield
        return
    driver.execute("PRAGMA foreign_keys=OFF").close()
    try:
        yield
    finally:
        connection.rollback()  # after a commit there is nothing left to take back
        driver.execute("PRAGMA foreign_keys=ON").close()


def check_foreign_keys(connection: Connection) -> None:
    """What `foreign_keys_off` left unchecked. Raises CatalogueError, and nothing is committed."""
    if connection.dialect.name != "sqlite":
        return
    orphans = {row[0] for row in connection.exec_driver_sql("PRAGMA foreign_key_check")}
    if orphans:
        raise CatalogueError(
            f"rows that point at nothing, in {', '.join(sorted(orphans))}",
            path=connection.engine.url.database,
            remedy="Nothing was changed. Restore a backup of the catalogue and upgrade that.",
        )


def run() -> None:
    engine = context.config.attributes["engine"]
    with engine.connect() as plain:
        connection = plain.execution_options(writes=True)
        context.configure(
            connection=connection,
            target_metadata=Base.metadata,
            render_as_batch=True,
            include_name=include_name,
            compare_type=True,
            transactional_ddl=True,
        )
        with foreign_keys_off(connection), context.begin_transaction():
            if connection.dialect.name == "postgresql":
                connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({UPGRADE_LOCK})")
            context.run_migrations()
            check_foreign_keys(connection)


run()
