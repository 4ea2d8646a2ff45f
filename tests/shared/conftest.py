"""Fixtures for searches: one production, built once for each file of tests."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from shared.db import make_engine, make_sessions
from shared.vocabulary import Vocabulary
from tests.shared.shoot import Shoot, build_shoot


@pytest.fixture(scope="module")
def built(
    migrated_file: Path, tmp_path_factory: pytest.TempPathFactory, vocabulary: Vocabulary
) -> Iterator[Shoot]:
    path = shutil.copyfile(migrated_file, tmp_path_factory.mktemp("search") / "catalogue.sqlite")
    engine = make_engine(f"sqlite:///{path}")
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
