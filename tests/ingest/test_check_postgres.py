"""A check with its catalogue on PostgreSQL finds, orders and writes what it does on SQLite."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from shared.db import Sessions, make_engine, make_sessions
from shared.models import CopyState
from shared.upgrading import upgrade
from tests.ingest.check_support import LONG_AGO, TREE, flip_bit, make_shelf, ticking

pytest_plugins = ("tests.postgres",)


@pytest.fixture
def sessions(postgres_url: str) -> Iterator[Sessions]:
    engine = make_engine(postgres_url)
    upgrade(engine)
    yield make_sessions(engine)
    engine.dispose()


def test_on_postgresql(sessions: Sessions, memory_path: Path) -> None:
    shelf = make_shelf(sessions, memory_path)
    flip_bit(shelf.copy("DCIM/100/A.MOV"))
    shelf.copy("DCIM/100/B.MOV").rename(shelf.copy("renamed"))
    shelf.copy("INDEX.XML", 1).unlink()
    shelf.copy("extra").write_bytes(b"x")

    found = shelf.check()

    assert (found.code, found.states(shelf.drives[0])) == (
        4,
        dict.fromkeys(TREE, "verified")
        | {"DCIM/100/A.MOV": "differs", "DCIM/100/B.MOV": "moved", "extra": "extra"},
    )
    row = shelf.row("DCIM/100/A.MOV")
    assert (row.state, row.verified_at) == (CopyState.DIFFERS, LONG_AGO)

    first = shelf.check(shelf.drives[0], budget_seconds=2, clock=ticking())
    assert [one["path"] for one in first.files if one["state"] == "verified"] == [
        "DCIM/100/EMPTY.TXT",
        "DCIM/101/C.WAV",
    ], "what is known to be bad comes last"
    assert shelf.check(repair=True).code == 0
    assert set((shelf.rows(0) | shelf.rows(1)).values()) == {CopyState.VERIFIED}
