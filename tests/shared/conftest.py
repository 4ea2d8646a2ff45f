"""Fixtures for the catalogue's tests: which database they run on, and a production to search in.

The modules named in BOTH hold the contract that a database must keep: each of their tests runs on SQLite and
on PostgreSQL. Where that server is not installed the second half is skipped, with the reason.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest
from sqlalchemy import Engine

from shared.db import make_engine, make_sessions
from shared.vocabulary import Vocabulary
from tests.shared.shoot import Shoot, build_shoot

if TYPE_CHECKING:
    from tests.postgres import Cluster

BOTH = {
    "test_beside_edits",
    "test_channels",
    "test_editing",
    "test_log",
    "test_named_rows",
    "test_outlines",
    "test_migrations",
    "test_plan",
    "test_productions",
    "test_reels",
    "test_request_queue",
    "test_search",
    "test_search_pages",
    "test_transcript_rows",
    "test_transcript_search",
    "test_transfer",
}
DATABASES = ("sqlite", "postgresql")
# Of those modules, what says something of one database only, and why.
SQLITE_ALONE = {
    "test_the_index_keeps_up_with_its_table": "asks the full-text table of SQLite to check itself",
    "test_words_of_many_clips_are_written_quickly": "measures time, for which once is enough",
    "test_a_bulk_log_is_quick_and_finds_all": "measures time, for which once is enough",
}


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    both = (
        metafunc.module.__name__.rpartition(".")[2] in BOTH and metafunc.function.__name__ not in SQLITE_ALONE
    )
    if both and "database" in metafunc.fixturenames:
        metafunc.parametrize("database", DATABASES, indirect=True, scope="module")


@pytest.fixture(scope="module")
def database(request: pytest.FixtureRequest) -> str:
    """On which of DATABASES this test runs; the first, where its module is not one of BOTH."""
    name: str = getattr(request, "param", DATABASES[0])
    if name == "postgresql":
        request.getfixturevalue("postgres")  # skips where there is none
    return name


@pytest.fixture
def engine(database: str, request: pytest.FixtureRequest) -> Iterator[Engine]:
    """This test's own catalogue."""
    if database == "sqlite":
        url = request.getfixturevalue("catalogue_url")
    else:
        cluster: Cluster = request.getfixturevalue("postgres")
        url = cluster.copy_database(request.getfixturevalue("postgres_migrated"))
    engine = make_engine(url)
    yield engine
    engine.dispose()


@pytest.fixture
def empty_engine(
    database: str, request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Engine]:
    """A database of this test's own in which there is nothing."""
    yield from _make_empty(database, request, tmp_path_factory)


@pytest.fixture
def empty_engine_again(
    database: str, request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Engine]:
    """Another one."""
    yield from _make_empty(database, request, tmp_path_factory)


def _make_empty(
    database: str, request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Engine]:
    if database == "sqlite":
        url = f"sqlite:///{tmp_path_factory.mktemp('empty') / 'catalogue.db'}"
    else:
        cluster: Cluster = request.getfixturevalue("postgres")
        url = cluster.make_database()
    engine = make_engine(url)
    yield engine
    engine.dispose()


@pytest.fixture(scope="module")
def built(
    database: str,
    request: pytest.FixtureRequest,
    tmp_path_factory: pytest.TempPathFactory,
    vocabulary: Vocabulary,
) -> Iterator[Shoot]:
    if database == "sqlite":
        file = tmp_path_factory.mktemp("search") / "catalogue.sqlite"
        url = f"sqlite:///{shutil.copyfile(request.getfixturevalue('migrated_file'), file)}"
    else:
        cluster: Cluster = request.getfixturevalue("postgres")
        url = cluster.copy_database(request.getfixturevalue("postgres_migrated"))
    engine = make_engine(url)
    with make_sessions(engine)() as session:
        session.connection(execution_options={"writes": True})
        yield build_shoot(session, vocabulary)
    engine.dispose()


@pytest.fixture
def shoot(built: Shoot) -> Iterator[Shoot]:
    """The one production of this module; whatever a test changes is taken back after it."""
    savepoint = built.session.begin_nested()
    yield built
    savepoint.rollback()
