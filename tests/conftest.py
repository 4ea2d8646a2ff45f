"""Fixtures for every test: a catalogue on the migrated schema, and the vocabulary.

The schema is migrated once a run into one SQLite file; each test gets its own copy of that file.
"""

from __future__ import annotations

import gc
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from shared.db import Sessions, make_engine, make_sessions, open_catalogue
from shared.models import Production
from shared.vocabulary import Vocabulary, load_vocabulary
from tests.factories import make_production

pytest_plugins = ("tests.postgres",)

# A busy machine is slow, which says nothing of the code: no test fails by the clock alone.
settings.register_profile("calm", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("calm")


def pytest_collection_finish() -> None:
    """What was imported and collected stays to the end: a search for garbage need not go through it."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(20_000, 20, 20)


@pytest.fixture(scope="session")
def migrated_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An empty catalogue, migrated. To be copied, never opened: every test would see the changes."""
    path = tmp_path_factory.mktemp("migrated") / "catalogue.sqlite"
    open_catalogue(f"sqlite:///{path}").dispose()
    assert not path.with_name(path.name + "-wal").exists(), "the file alone is not the whole catalogue"
    return path


@pytest.fixture
def catalogue_url(migrated_file: Path, tmp_path: Path) -> str:
    """The address of this test's own catalogue."""
    home = tmp_path / "home"
    home.mkdir()
    return f"sqlite:///{shutil.copyfile(migrated_file, home / 'catalogue.sqlite')}"


@pytest.fixture
def engine(catalogue_url: str) -> Iterator[Engine]:
    engine = make_engine(catalogue_url)
    yield engine
    engine.dispose()


@pytest.fixture
def catalogue(engine: Engine) -> Sessions:
    """Where the code under test gets its sessions from, as the program does."""
    return make_sessions(engine)


@pytest.fixture
def session(catalogue: Sessions) -> Iterator[Session]:
    """One writing session for the whole test, never committed unless the test does."""
    with catalogue() as session:
        session.connection(execution_options={"writes": True})
        yield session


@pytest.fixture
def production(session: Session) -> Production:
    return make_production(session)


@pytest.fixture(scope="session")
def vocabulary() -> Vocabulary:
    return load_vocabulary()
