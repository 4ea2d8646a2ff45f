"""Fixtures for the service: a seeded catalogue and a client."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from shared.db import Sessions, make_engine, make_sessions
from shared.settings import Settings
from tests.api.catalogue import Seeded, client_of, make_settings, seed


@pytest.fixture
def settings(tmp_path: Path, catalogue_url: str) -> Settings:
    assert str(tmp_path / "home") in catalogue_url, "stills stand beside the catalogue"
    cards = tmp_path / "media"
    cards.mkdir()
    return make_settings(
        tmp_path,
        watch_folders=[cards],
        destinations={"North": tmp_path / "north", "South": tmp_path / "south"},
    )


@pytest.fixture(scope="session")
def seeded_home(migrated_file: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Seeded]:
    """A seeded catalogue with its stills. To be copied, never opened: every test would see the changes."""
    home = tmp_path_factory.mktemp("seeded")
    engine = make_engine(f"sqlite:///{shutil.copyfile(migrated_file, home / 'catalogue.sqlite')}")
    seeded = seed(make_sessions(engine), home / "stills")
    engine.dispose()
    assert not (home / "catalogue.sqlite-wal").exists(), "the file alone is not the whole catalogue"
    return home, seeded


@pytest.fixture
def seeded(seeded_home: tuple[Path, Seeded], settings: Settings, catalogue: Sessions) -> Seeded:
    """This test's own copy, put in place before anything is read from its catalogue."""
    home, seeded = seeded_home
    shutil.copyfile(home / "catalogue.sqlite", settings.home / "catalogue.sqlite")
    shutil.copytree(home / "stills", settings.stills_folder)
    return seeded


@pytest.fixture
def client(settings: Settings, catalogue: Sessions) -> Iterator[TestClient]:
    with client_of(settings, catalogue) as client:
        yield client
