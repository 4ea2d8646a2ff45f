"""From the first schema to this program's, with data in it, on both databases."""

from __future__ import annotations

import pytest
from alembic import command
from alembic.script import ScriptDirectory
from sqlalchemy import Engine, MetaData, Table, select

from shared.catalogue.assignments import SetValue
from shared.catalogue.log import apply_changes, production_vocabulary
from shared.catalogue.search import find_clips
from shared.db import (
    HEAD,
    check_revision,
    current_revision,
    make_sessions,
    open_catalogue,
    reading,
    writing,
)
from shared.errors import CatalogueError
from shared.models import Base, Production
from shared.upgrading import upgrade
from shared.vocabulary import Vocabulary
from tests.factories import make_clip, make_reel
from tests.schema import config_of, differences
from tests.shared.first_schema import FIRST, ROWS, kept_rows, make_first, read_rows


@pytest.fixture
def first(empty_engine: Engine) -> Engine:
    make_first(empty_engine)
    return empty_engine


def test_the_rows_are_of_every_table_that_the_first_schema_had(first: Engine) -> None:
    there = MetaData()
    there.reflect(first)
    ours = {name for name in there.tables if not name.startswith(("clip_words", "alembic"))}
    assert set(ROWS) == ours and all(ROWS.values())


def test_an_upgrade_keeps_every_row_and_makes_the_schema_of_the_models(first: Engine) -> None:
    assert read_rows(first) == kept_rows()
    upgrade(first)
    assert current_revision(first) == HEAD
    assert read_rows(first) == kept_rows()
    assert differences(first) == [], "alembic check"


def test_each_step_can_be_the_last_one_of_an_older_program(first: Engine) -> None:
    """Whoever upgraded now and then ends where everybody else does."""
    config = config_of(first)
    steps = [one.revision for one in ScriptDirectory.from_config(config).walk_revisions()]
    assert steps[0] == HEAD and steps[-1] == FIRST
    for revision in reversed(steps[:-1]):
        command.upgrade(config, revision)
        assert read_rows(first) == kept_rows()
    check_revision(first)
    assert differences(first) == []


def test_the_program_works_on_what_was_upgraded(first: Engine, vocabulary: Vocabulary) -> None:
    """Found by words of the old index, edited, and added to: the ids go on where they were."""
    upgrade(first)
    sessions = make_sessions(first)
    with writing(sessions) as session:
        production = session.scalars(select(Production)).one()
        words = production_vocabulary(session, production, vocabulary)
        page = find_clips(session, production, "winch kind:interview", words)
        assert [clip.id for clip in page.clips] == [1]
        apply_changes(session, production, [1], [SetValue("kind", "crossing")], words, "test")
        make_clip(session, make_reel(session, production))
    with reading(sessions) as session:
        production = session.scalars(select(Production)).one()
        assert find_clips(session, production, "kind:crossing", words).total == 1
        assert find_clips(session, production, "", words).total == 2


def test_an_older_schema_is_refused_with_the_command_to_run(first: Engine) -> None:
    with pytest.raises(CatalogueError, match="rushlight upgrade") as caught:
        open_catalogue(first.url.render_as_string(hide_password=False))
    assert FIRST in caught.value.message and HEAD in caught.value.message
    assert current_revision(first) == FIRST, "nothing was changed"


def test_what_was_upgraded_is_what_is_made_new(first: Engine, empty_engine_again: Engine) -> None:
    """The same tables, columns, keys and indexes, whichever way a catalogue came here."""
    upgrade(first)
    upgrade(empty_engine_again)
    old, new = MetaData(), MetaData()
    old.reflect(first)
    new.reflect(empty_engine_again)
    assert set(old.tables) == set(new.tables) >= set(Base.metadata.tables)
    for name, table in new.tables.items():
        assert _describe(table) == _describe(old.tables[name]), name


def _describe(table: Table) -> tuple[set[tuple[str, str, bool]], set[str]]:
    columns = {(column.name, str(column.type), bool(column.nullable)) for column in table.columns}
    return columns, {str(index.name) for index in table.indexes}
