"""Offloads filed through the service: what an order may name, and the copy it ends in."""

from __future__ import annotations

import threading
import time
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from ingest.durable import Disk
from ingest.orders import OffloadOrder, OffloadReport, Watching
from ingest.pipeline import run_offload
from ingest.worker import offload_handler, offload_order
from shared.card_folders import card_folder_id
from shared.db import Sessions, reading
from shared.errors import NotFoundError, UsageError
from shared.models import Reel, RequestState
from shared.settings import Settings
from tests.ingest.filed import ask, look_up, settings_of, worker_of


@pytest.fixture
def media(tmp_path: Path) -> Settings:
    """A watch folder with one card, two named drives, and a secret beside them."""
    clips = tmp_path / "media" / "A_CARD" / "DCIM"
    clips.mkdir(parents=True)
    (clips / "C0001.MP4").write_bytes(b"frames" * 1000)
    (clips / "NOTES.TXT").write_bytes(b"slate 1")
    for name in ("drive1", "drive2", "secret"):
        (tmp_path / name).mkdir()
    (tmp_path / "media" / "LINK").symlink_to(tmp_path / "secret")
    return settings_of(
        tmp_path,
        watch_folders=[tmp_path / "media"],
        destinations={"one": tmp_path / "drive1", "two": tmp_path / "drive2"},
    )


def test_an_order_names_a_card_by_id_and_drives_by_name(media: Settings, tmp_path: Path) -> None:
    card = tmp_path / "media" / "A_CARD"
    asked = {"card": card_folder_id(card), "to": ["one", "two"], "camera": "A", "day": 2, "reel": None}
    expected = OffloadOrder(card=card, to=(tmp_path / "drive1", tmp_path / "drive2"), camera="A", day=2)
    assert offload_order(media, asked) == expected
    assert offload_order(media, {**asked, "card": str(card)}) == expected, "its path serves as well"


def test_an_order_reaches_only_into_card_folders(media: Settings, tmp_path: Path) -> None:
    beyond = [tmp_path / "secret", tmp_path / "media" / "LINK", tmp_path / "media" / "A_CARD" / "DCIM"]
    beyond += [tmp_path / "media" / "A_CARD" / ".." / ".." / "secret", tmp_path / "media"]
    for path in beyond:
        for card in (str(path), card_folder_id(path)):
            with pytest.raises(NotFoundError, match="no card folder"):
                offload_order(media, {"card": card, "to": ["one"]})


def test_an_unknown_drive_is_refused_with_those_there_are(media: Settings, tmp_path: Path) -> None:
    card = card_folder_id(tmp_path / "media" / "A_CARD")
    with pytest.raises(NotFoundError) as caught:
        offload_order(media, {"card": card, "to": ["one", str(tmp_path / "secret")]})
    assert "There is: one, two" in (caught.value.remedy or "")


@pytest.mark.parametrize(
    ("broken", "field"),
    [
        ({"to": ["one"]}, "card"),
        ({"card": "x", "to": []}, "to"),
        ({"card": "x", "to": "one"}, "to"),
        ({"card": "x", "to": ["one"], "day": "2"}, "day"),
        ({"card": "x", "to": ["one"], "erase": True}, "erase"),
    ],
)
def test_an_order_that_can_not_be_read_names_the_field(
    media: Settings, broken: dict[str, Any], field: str
) -> None:
    with pytest.raises(UsageError, match=field):
        offload_order(media, broken)


def test_a_filed_offload_copies_the_card_and_keeps_the_report(
    media: Settings, catalogue: Sessions, tmp_path: Path
) -> None:
    """Through the real pipeline, from the request row to the verified copies."""

    def offload(order: OffloadOrder, watching: Watching) -> OffloadReport:
        return run_offload(order, media, catalogue, watching)

    card = tmp_path / "media" / "A_CARD"
    request = ask(catalogue, {"card": card_folder_id(card), "to": ["one", "two"], "camera": "A"})
    assert worker_of(catalogue, media, offload_handler(media, offload)).run_once()

    done = look_up(catalogue, request)
    assert done.state is RequestState.DONE, done.error
    assert [file["path"] for file in done.result["files"]] == ["DCIM/C0001.MP4", "DCIM/NOTES.TXT"]
    assert {copy["state"] for file in done.result["files"] for copy in file["copies"]} == {"verified"}
    assert done.progress["bytes_to_read"] == 6007
    assert [place["bytes"] for place in done.progress["destinations"]] == [6007, 6007]
    with reading(catalogue) as session:
        reel = session.scalars(select(Reel)).one()
    for drive in ("drive1", "drive2"):
        copied = tmp_path / drive / reel.folder / "DCIM" / "C0001.MP4"
        assert copied.read_bytes() == b"frames" * 1000


class StopsWhileReading(Disk):
    """A slow card: the worker is told to stop while its first block is being read."""

    def __init__(self, stop: threading.Event) -> None:
        self._stop = stop

    def read_into(self, handle: int, view: memoryview) -> int:
        self._stop.set()
        time.sleep(0.5)
        return super().read_into(handle, view)


def test_a_stop_in_the_middle_of_a_copy_publishes_nothing_and_the_next_run_completes_it(
    media: Settings, catalogue: Sessions, tmp_path: Path
) -> None:
    stop = threading.Event()
    disks = [StopsWhileReading(stop), Disk()]

    def offload(order: OffloadOrder, watching: Watching) -> OffloadReport:
        return run_offload(order, media, catalogue, watching, disks.pop(0))

    def copies() -> list[Path]:
        return [path for path in tmp_path.glob("drive?/**/DCIM/*") if path.suffix != ".partial"]

    card = card_folder_id(tmp_path / "media" / "A_CARD")
    request = ask(catalogue, {"card": card, "to": ["one", "two"], "camera": "A"})
    worker = worker_of(catalogue, media, offload_handler(media, offload))
    worker.run(stop)
    assert look_up(catalogue, request).state is RequestState.QUEUED
    assert not copies()

    assert worker.run_once()
    assert look_up(catalogue, request).state is RequestState.DONE
    assert len(copies()) == 4
    assert not list(tmp_path.glob("drive?/**/*.partial"))
