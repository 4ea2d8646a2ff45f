"""The demo asked for from a page: what its removal takes away, and what it leaves."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import select

from api.cli.app import Root
from api.cli.demo_requests import demo_handler
from shared.catalogue.demo import demo_folder, mark_demo, open_demo_folder
from shared.db import reading, writing
from shared.errors import ConflictError, UsageError
from shared.models import Clip, Destination, Production, Still
from shared.settings import load_settings
from tests import factories as make
from tests.api.catalogue import seed


@pytest.fixture
def root(tmp_path: Path) -> Iterator[Root]:
    root = Root(load_settings(home=tmp_path))
    yield root
    root.engine.dispose()


def test_the_demo_goes_with_its_rows_its_stills_and_its_folder(root: Root) -> None:
    seeded = seed(root.sessions, root.settings.stills_folder)
    folder = open_demo_folder(root.settings.home)
    (folder / "cards").mkdir()
    (folder / "cards" / "C0001.MOV").write_bytes(b"drawn")
    with writing(root.sessions) as session:
        mark_demo(root.settings.home, session.get_one(Production, seeded.production))
        for destination in session.scalars(select(Destination)):
            destination.path = str(folder / destination.name)
        own = make.make_production(session, name="My own film")
        clip = make.make_clip(session, make.make_reel(session, own))
        still = make.make_still(session, clip, path="own/0.jpg")
        kept = root.settings.stills_folder / still.path
        kept.parent.mkdir()
        kept.write_bytes(b"kept")
        drawn = [root.settings.stills_folder / path for path in session.scalars(select(Still.path))]
    drawn.remove(kept)
    assert drawn and all(path.is_file() for path in drawn)
    assert demo_handler(root)({"action": "remove"}, lambda _: None) == {}
    assert not any(path.exists() for path in drawn) and kept.read_bytes() == b"kept"
    assert not folder.exists()
    with reading(root.sessions) as session:
        assert list(session.scalars(select(Production.name))) == ["My own film"]
        assert list(session.scalars(select(Clip.id))) == [clip.id]


def test_a_demo_that_holds_somebodys_footage_stays(root: Root) -> None:
    """An offload goes into the latest production, and that may have been the demo."""
    seeded = seed(root.sessions, root.settings.stills_folder)
    folder = open_demo_folder(root.settings.home)
    with writing(root.sessions) as session:
        mark_demo(root.settings.home, session.get_one(Production, seeded.production))
        session.scalars(select(Destination).filter_by(name="North")).one().path = str(folder / "drive-1")
    for action in ("remove", "load"):
        with pytest.raises(ConflictError, match=r"not the demo's own: A001, A002 "):
            demo_handler(root)({"action": action}, lambda _: None)
    assert folder.is_dir()
    with reading(root.sessions) as session:
        assert len(list(session.scalars(select(Clip.id)))) == 10


def test_nothing_is_removed_that_is_not_marked_as_the_demos(root: Root) -> None:
    seed(root.sessions, root.settings.stills_folder)
    folder = demo_folder(root.settings.home)
    folder.mkdir()
    (folder / "wedding.mov").write_bytes(b"mine")
    with pytest.raises(ConflictError, match="not the demo's"):
        demo_handler(root)({"action": "remove"}, lambda _: None)
    assert (folder / "wedding.mov").read_bytes() == b"mine"
    with reading(root.sessions) as session:
        assert session.scalars(select(Production)).one().name == "The Chain Ferry"


def test_another_order_is_refused(root: Root) -> None:
    with pytest.raises(UsageError, match="can't be"):
        demo_handler(root)({"action": "polish"}, lambda _: None)
