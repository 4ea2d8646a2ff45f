"""Make the catalogue's schema, or bring it to this program's revision.

A module of its own: what it stands on takes a while to load and is needed only when there is something to
change.
"""

from __future__ import annotations

from importlib.resources import files

from alembic import command
from alembic.config import Config
from alembic.script import ScriptDirectory
from alembic.util.exc import CommandError
from sqlalchemy import Engine
from sqlalchemy.exc import DatabaseError

from shared.db import HEAD, current_revision
from shared.errors import CatalogueError


def upgrade(engine: Engine) -> None:
    """Bring the schema to this program's revision; makes an empty database whole.

    Raises CatalogueError when that can't be done; then nothing was changed.
    """
    try:
        command.upgrade(_config(engine), "head")
    except CommandError as error:
        raise CatalogueError(
            f"the catalogue's schema is {current_revision(engine)}, this program knows {HEAD} "
            "and what was before it",
            path=engine.url.database,
            remedy="A newer program has made it: install that one.",
        ) from error
    except DatabaseError as error:
        raise CatalogueError(
            f"the catalogue can't be upgraded: {error.orig}",
            path=engine.url.database,
            remedy="Nothing was changed. Is this a catalogue of this program, and may it be written?",
        ) from error


def newest_revision() -> str:
    """The last migration of the package, which `shared.db.HEAD` must name."""
    head = ScriptDirectory(str(files("shared") / "migrations")).get_current_head()
    assert head is not None, "the package carries no migration"
    return head


def _config(engine: Engine) -> Config:
    config = Config()
    config.set_main_option("script_location", str(files("shared") / "migrations"))
    config.attributes["engine"] = engine
    return config
