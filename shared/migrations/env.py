"""Alembic's entry: the engine comes from `shared.db`, never from a file or the environment."""

from __future__ import annotations

from alembic import context

from shared.models import Base


def include_name(name: str | None, kind: str, _parents: object) -> bool:
    """The full-text index's own tables are made by SQL of ours and are no models."""
    return not (kind == "table" and name is not None and name.startswith("clip_words"))


def run() -> None:
    engine = context.config.attributes["engine"]
    with engine.connect() as connection:
        connection = connection.execution_options(writes=True)
        context.configure(
            connection=connection,
            target_metadata=Base.metadata,
            render_as_batch=True,
            include_name=include_name,
            compare_type=False,
        )
        with context.begin_transaction():
            context.run_migrations()


run()
