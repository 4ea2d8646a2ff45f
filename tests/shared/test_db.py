"""The catalogue on SQLite: how it is opened, upgraded and refused, and what its transactions promise."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path

import pytest
from alembic import command
from alembic.script import ScriptDirectory
from sqlalchemy import Engine, event, inspect, select, text, update
from sqlalchemy.exc import DatabaseError, IntegrityError
from sqlalchemy.orm import Session

from shared.db import (
    HEAD,
    SMALL_CACHE_KIB,
    Sessions,
    check_revision,
    current_revision,
    make_engine,
    make_sessions,
    open_catalogue,
    reading,
    with_small_cache,
    writing,
)
from shared.errors import CatalogueError, UsageError
from shared.models import Camera, Clip, Production
from shared.upgrading import newest_revision, upgrade
from tests.factories import make_clip, make_production, make_reel
from tests.schema import MIGRATIONS, all_rows, config_of, differences, fill, plant_migration

NEXT = f"{int(HEAD) + 1:04}"


def file_of(engine: Engine) -> Path:
    assert engine.url.database is not None
    return Path(engine.url.database)


@pytest.fixture
def filled(engine: Engine, catalogue: Sessions) -> Engine:
    with writing(catalogue) as session:
        fill(session)
    return engine


# -- opening and upgrading --------------------------------------------------------------------------


def test_an_empty_file_becomes_a_catalogue(tmp_path: Path) -> None:
    path = tmp_path / "a folder" / "not there yet" / "catalogue.db"
    engine = open_catalogue(f"sqlite:///{path}")
    assert path.is_file()
    assert current_revision(engine) == HEAD
    check_revision(engine)
    engine.dispose()


def test_opening_it_again_changes_nothing(filled: Engine) -> None:
    before = all_rows(filled)
    again = open_catalogue(str(filled.url))
    assert all_rows(again) == before
    again.dispose()


def test_an_upgrade_of_a_current_catalogue_keeps_every_row(filled: Engine) -> None:
    before = all_rows(filled)
    assert sum(map(len, before.values())) >= 20
    upgrade(filled)
    assert all_rows(filled) == before


def test_the_models_are_the_schema(engine: Engine) -> None:
    assert differences(engine) == []


@pytest.mark.parametrize(
    "change",
    [
        "ALTER TABLE lens ADD COLUMN weight_g INTEGER",
        "DROP INDEX ix_file_digest",
        "ALTER TABLE lens DROP COLUMN max_aperture",
        "CREATE TABLE boom (id INTEGER PRIMARY KEY)",
    ],
)
def test_a_schema_that_is_not_the_models_is_noticed(engine: Engine, change: str) -> None:
    with engine.begin() as connection:
        connection.exec_driver_sql(change)
    assert differences(engine)


def test_migrations_are_one_line_and_named_after_their_number() -> None:
    script = ScriptDirectory(str(MIGRATIONS))
    revisions = list(script.walk_revisions())
    assert [one.revision for one in revisions] == [f"{number:04}" for number in range(len(revisions), 0, -1)]
    assert all(Path(one.path).name.startswith(f"v{one.revision}_") for one in revisions)


# -- what the next migration will find: a planted one, on a populated file ------------------------------

REBUILD = """\
with op.batch_alter_table("clip", recreate="always") as table:
    table.add_column(sa.Column("colour", sa.Text(), nullable=False, server_default="none"))
with op.batch_alter_table("reel", recreate="always") as table:
    table.add_column(sa.Column("colour", sa.Text(), nullable=True))
"""


def test_a_later_migration_may_build_a_table_anew(filled: Engine, tmp_path: Path) -> None:
    """The tables that point at it keep their rows: foreign keys are off meanwhile, and on afterwards."""
    before = all_rows(filled)
    keys_before = inspect(filled).get_foreign_keys("clip")
    command.upgrade(config_of(filled, plant_migration(tmp_path, REBUILD)), "head")
    assert current_revision(filled) == NEXT
    assert all_rows(filled) == before
    with filled.connect() as connection:
        assert connection.scalar(text("SELECT DISTINCT colour FROM clip")) == "none"
        assert connection.exec_driver_sql("PRAGMA foreign_keys").scalar() == 1
        assert connection.exec_driver_sql("PRAGMA foreign_key_check").all() == []
    names = {key["name"] for key in inspect(filled).get_foreign_keys("clip")}
    assert names == {key["name"] for key in keys_before}


@pytest.mark.parametrize(
    ("step", "error"),
    [
        ("op.execute('CREATE TABLE half (id INTEGER)')\nop.execute('no SQL at all')", DatabaseError),
        ("op.execute('CREATE TABLE half (id INTEGER)')\nop.execute('DELETE FROM reel')", CatalogueError),
    ],
)
def test_a_migration_that_fails_leaves_the_file_as_it_was(
    filled: Engine, tmp_path: Path, step: str, error: type[Exception]
) -> None:
    before = all_rows(filled)
    with pytest.raises(error):
        command.upgrade(config_of(filled, plant_migration(tmp_path, step)), "head")
    assert current_revision(filled) == HEAD
    assert "half" not in inspect(filled).get_table_names()
    assert all_rows(filled) == before
    with filled.connect() as connection:
        assert connection.exec_driver_sql("PRAGMA foreign_keys").scalar() == 1


def test_programs_that_start_at_once_make_one_catalogue(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'catalogue.db'}"
    code = f"from shared.db import *; print(current_revision(open_catalogue({url!r})))"
    started = [
        subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True) for _ in range(3)
    ]
    assert [process.communicate(timeout=60)[0].strip() for process in started] == [HEAD] * 3
    engine = make_engine(url)
    assert differences(engine) == []
    engine.dispose()


def test_a_file_that_another_program_is_making_is_waited_for(tmp_path: Path) -> None:
    """SQLite refuses at once to switch such a file to its write-ahead log, whatever the time-out."""
    path = tmp_path / "catalogue.db"
    with closing(sqlite3.connect(path, isolation_level=None, check_same_thread=False)) as other:
        other.execute("BEGIN IMMEDIATE")
        with closing(sqlite3.connect(path)) as plain, pytest.raises(sqlite3.OperationalError, match="locked"):
            plain.execute("PRAGMA journal_mode=WAL")
        later = threading.Timer(0.3, other.rollback)
        later.start()
        engine = open_catalogue(f"sqlite:///{path}")
        later.join()
    assert current_revision(engine) == HEAD
    engine.dispose()


def test_writers_of_one_process_wait_for_each_other_and_not_at_the_database(engine: Engine) -> None:
    """The database here lets nobody wait: whoever reached it while another writes would be turned away."""
    event.listen(engine, "connect", lambda raw, _: raw.execute("PRAGMA busy_timeout=0").close())
    engine.dispose()
    sessions = make_sessions(engine)

    def write(number: int) -> None:
        with writing(sessions) as session:
            make_production(session, name=f"Film {number}")
            time.sleep(0.01)

    with ThreadPoolExecutor(8) as pool:
        list(pool.map(write, range(24)))
    with engine.connect() as connection:
        assert connection.scalar(text("SELECT count(*) FROM production")) == 24


def test_a_writer_that_fails_lets_the_next_one_go_on(engine: Engine) -> None:
    sessions = make_sessions(engine)
    with pytest.raises(ZeroDivisionError), writing(sessions):
        _ = 1 / 0

    def write() -> None:
        with writing(sessions) as session:
            make_production(session)

    with ThreadPoolExecutor(1) as pool:
        pool.submit(write).result(timeout=10)


# -- what is refused --------------------------------------------------------------------------------


@pytest.mark.parametrize("found", ["0000", NEXT, "9f3a"])
def test_an_unknown_schema_is_refused_with_the_command_to_run(engine: Engine, found: str) -> None:
    with engine.begin() as connection:
        connection.exec_driver_sql("UPDATE alembic_version SET version_num = ?", (found,))
    before = all_rows(engine)
    with pytest.raises(CatalogueError) as caught:
        open_catalogue(str(engine.url))
    assert found in caught.value.message and HEAD in caught.value.message
    assert caught.value.path == str(file_of(engine))
    assert "rushlight upgrade" in (caught.value.remedy or "")
    assert all_rows(engine) == before


def test_an_upgrade_of_a_newer_schema_says_so(engine: Engine) -> None:
    with engine.begin() as connection:
        connection.exec_driver_sql("UPDATE alembic_version SET version_num = ?", (NEXT,))
    with pytest.raises(CatalogueError, match="newer"):
        upgrade(engine)
    assert current_revision(engine) == NEXT


def test_the_file_of_another_program_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "other.db"
    with closing(sqlite3.connect(path)) as other:
        other.execute("CREATE TABLE production (x)")
        other.commit()
    with pytest.raises(CatalogueError, match=r"other\.db"):
        open_catalogue(f"sqlite:///{path}")
    with closing(sqlite3.connect(path)) as other:
        assert other.execute("SELECT name FROM sqlite_master").fetchall() == [("production",)]


def scribble(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:4096] + b"\xff" * (path.stat().st_size - 4096))


def put_a_folder_there(path: Path) -> None:
    path.unlink()
    path.mkdir()


FAULTS: dict[str, Callable[[Path], object]] = {
    "no database at all": lambda path: path.write_bytes(b"a shopping list, not a catalogue\n" * 200),
    "cut off": lambda path: os.truncate(path, 5000),
    "scribbled over": scribble,
    "a folder": put_a_folder_there,
}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_damaged_file_is_named_with_the_remedy(engine: Engine, fault: str) -> None:
    path = file_of(engine)
    FAULTS[fault](path)
    before = path.read_bytes() if path.is_file() else b""
    with pytest.raises(CatalogueError) as caught:
        open_catalogue(f"sqlite:///{path}")
    assert caught.value.path == str(path)
    assert "backup" in (caught.value.remedy or "")
    assert (path.read_bytes() if path.is_file() else b"") == before


def test_a_folder_that_cannot_be_made_names_the_setting(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(CatalogueError, match="RUSHLIGHT_HOME"):
        open_catalogue(f"sqlite:///{tmp_path / 'file' / 'catalogue.db'}")


@pytest.mark.parametrize("url", ["nonsense", "", "slate://catalogue", "sqlite+nodriver:///x.db"])
def test_an_address_that_is_none_names_the_setting(url: str) -> None:
    with pytest.raises(UsageError, match="RUSHLIGHT_DATABASE"):
        make_engine(url)


# -- connections and transactions -------------------------------------------------------------------


def test_every_connection_is_prepared(engine: Engine) -> None:
    with engine.connect() as first, engine.connect() as second:
        for connection in (first, second):
            pragmas = ("journal_mode", "synchronous", "foreign_keys", "busy_timeout")
            values = [connection.exec_driver_sql(f"PRAGMA {name}").scalar() for name in pragmas]
            assert values == ["wal", 2, 1, 30_000]


def test_a_row_that_points_at_nothing_is_refused(catalogue: Sessions) -> None:
    with pytest.raises(IntegrityError, match="FOREIGN KEY"), writing(catalogue) as session:
        session.add(Camera(production_id=999, letter="A"))


@pytest.fixture
def outsider(engine: Engine) -> Iterator[sqlite3.Connection]:
    """Another program's connection, that waits for nobody."""
    with closing(sqlite3.connect(file_of(engine), timeout=0, isolation_level=None)) as connection:
        yield connection


def test_writing_takes_the_write_lock_before_the_first_statement(
    catalogue: Sessions, outsider: sqlite3.Connection
) -> None:
    with writing(catalogue):
        with pytest.raises(sqlite3.OperationalError, match="locked"):
            outsider.execute("BEGIN IMMEDIATE")
        assert outsider.execute("SELECT count(*) FROM production").fetchone() == (0,)  # readers go on
    outsider.execute("BEGIN IMMEDIATE")


def test_reading_takes_no_lock_and_sees_one_moment(catalogue: Sessions, outsider: sqlite3.Connection) -> None:
    with writing(catalogue) as session:
        make_production(session)
    with reading(catalogue) as session:
        assert session.scalar(select(Production.name)) == "The Chain Ferry"
        outsider.execute("UPDATE production SET name = 'Another'")
        assert session.scalar(select(Production.name)) == "The Chain Ferry"
    with reading(catalogue) as session:
        assert session.scalar(select(Production.name)) == "Another"


def test_reading_writes_nothing(catalogue: Sessions) -> None:
    with reading(catalogue) as session:
        make_production(session)
    with reading(catalogue) as session:
        assert session.scalar(select(Production)) is None


def test_an_error_while_writing_takes_everything_back(catalogue: Sessions) -> None:
    with pytest.raises(ZeroDivisionError), writing(catalogue) as session:
        make_production(session)
        raise ZeroDivisionError
    with writing(catalogue) as session:  # and the lock is free again
        assert session.scalar(select(Production)) is None


def test_writers_wait_for_each_other_and_lose_nothing(catalogue: Sessions) -> None:
    """Four threads read a number and write the next one, twenty-five times each."""
    with writing(catalogue) as session:
        production_id = make_production(session, day_starts_minutes=0).id
    start = threading.Barrier(4)

    def count() -> None:
        start.wait()
        for _ in range(25):
            with writing(catalogue) as session:
                seen = session.get_one(Production, production_id).day_starts_minutes
                session.execute(update(Production).values(day_starts_minutes=seen + 1))

    with ThreadPoolExecutor(4) as pool:
        for counting in [pool.submit(count) for _ in range(4)]:
            counting.result()  # raises what was raised there
    with reading(catalogue) as session:
        assert session.get_one(Production, production_id).day_starts_minutes == 100


def test_the_full_text_index_sees_what_a_committed_transaction_wrote(filled: Engine) -> None:
    sessions = make_sessions(filled)
    with reading(sessions) as session:
        found = session.scalars(text("SELECT rowid FROM clip_words WHERE clip_words MATCH 'fahre'")).all()
        assert found == [session.scalar(select(Clip.id))]


# -- texts that are longer than their column ----------------------------------------------------------


def test_a_text_too_long_for_its_column_is_refused_in_words(session: Session) -> None:
    """Here as by PostgreSQL, before anything is written, and also when a row is changed."""
    with pytest.raises(UsageError, match="name of production: 201 characters are too many: nnn") as caught:
        make_production(session, name="n" * 201, slug="n")
    assert caught.value.remedy == "Write at most 200."
    session.rollback()
    clip = fill(session)
    clip.production.name = "n" * 200
    session.flush()
    clip.production.language = "l" * 17
    with pytest.raises(UsageError, match="language of production"):
        session.flush()


def test_the_name_of_a_clip_has_no_limit(session: Session) -> None:
    """It is a path from a card, and those have no length that a person could shorten."""
    path = "/".join(["x" * 200] * 10) + ".MP4"
    assert len(make_clip(session, make_reel(session, make_production(session)), path).name) == 2009


def test_the_program_knows_its_last_migration() -> None:
    assert newest_revision() == HEAD


def test_work_through_very_many_rows_keeps_the_cache_small(catalogue: Sessions) -> None:
    size = text("PRAGMA cache_size")
    with reading(catalogue) as session:
        usual = session.scalar(size)
    for open_session in (reading, writing):
        with open_session(with_small_cache(catalogue)) as session:
            assert session.scalar(size) == -SMALL_CACHE_KIB
    assert usual is not None
    assert usual < -SMALL_CACHE_KIB  # negative: KiB
