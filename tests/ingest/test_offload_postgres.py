"""An offload with its catalogue on PostgreSQL records, knows again and judges what it does on SQLite."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import select

from ingest import plan, record, verdict
from ingest.orders import OffloadOrder
from ingest.pipeline import run_offload
from shared.catalogue import reels
from shared.db import Sessions, make_engine, make_sessions, reading
from shared.models import Copy, CopyState, File
from shared.settings import load_settings
from shared.upgrading import upgrade

pytest_plugins = ("tests.postgres",)


@pytest.fixture
def sessions(postgres_url: str) -> Iterator[Sessions]:
    engine = make_engine(postgres_url)
    upgrade(engine)
    yield make_sessions(engine)
    engine.dispose()


def test_on_postgresql(sessions: Sessions, memory_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for module in (plan, reels, verdict):
        monkeypatch.setattr(module, "AT_A_TIME", 3)
    monkeypatch.setattr(record, "FLUSH_FILES", 3)
    card, drives = memory_path / "card", (memory_path / "one", memory_path / "two")
    for folder in (card, *drives):
        folder.mkdir()
    names = [os.fsdecode(b"caf\xe9.BIN"), "Fähre 🎬.BIN", *(f"{number}.BIN" for number in range(9))]
    for name in names:
        (card / name).write_bytes(name.encode("utf-8", "surrogateescape"))
    settings = load_settings(home=memory_path / "home")

    first = run_offload(OffloadOrder(card, drives), settings, sessions)
    (drives[0] / first.summary["destinations"][0]["folder"] / "3.BIN").unlink()
    (card / "MORE.BIN").write_bytes(b"more")
    second = run_offload(OffloadOrder(card, drives), settings, sessions)

    assert (first.reel, second.reel) == ("R001", "R001")
    for report, count in ((first, len(names)), (second, len(names) + 1)):
        assert [place["verified"] for place in report.summary["destinations"]] == [count, count]
        (reason,) = report.verdict.reasons
        assert reason.startswith(f"{count} files without verified copies on 2 different drives")
    with reading(sessions) as session:
        paths = {os.fsdecode(path) for path in session.scalars(select(File.path_bytes))}
        assert paths == {*names, "MORE.BIN"}
        assert [copy.state for copy in session.scalars(select(Copy))] == [CopyState.VERIFIED] * 24
