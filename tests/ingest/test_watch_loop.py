"""The whole watch: cards and requests in one loop, stops, the real pipeline, real mounts."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from ingest.durable import Disk
from ingest.orders import OffloadOrder, OffloadReport, Watching
from ingest.pipeline import run_offload
from ingest.watch import watch
from ingest.worker import Offload, Worker, offload_handler
from shared.card_folders import card_folder_id
from shared.catalogue.requests import file_request
from shared.db import Sessions, reading, writing
from shared.errors import UsageError
from shared.models import Request, RequestKind, RequestState
from tests.factories import make_production
from tests.ingest.desk import DEADLINE, Desk


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk(tmp_path)


@contextmanager
def watching_with(
    desk: Desk, sessions: Sessions, offload: Offload | None = None
) -> Iterator[threading.Thread]:
    """The whole watch, running until the block ends."""
    offload = offload or desk.copying
    handlers = {RequestKind.OFFLOAD: offload_handler(desk.settings, offload)}
    worker = Worker(sessions, desk.settings, handlers, desk.said.append)
    arguments = (desk.settings, sessions, offload, worker, desk.said.append, desk.stop)
    thread = threading.Thread(target=watch, args=arguments)
    thread.start()
    try:
        yield thread
    finally:
        desk.stop.set()
        thread.join(DEADLINE)
        assert not thread.is_alive()


def wait_for(desk: Desk, true: Callable[[], bool]) -> None:
    end = time.monotonic() + DEADLINE
    while not true():
        assert time.monotonic() < end, "never came. Said: " + "\n".join(desk.said)
        time.sleep(0.01)


def test_the_watch_takes_cards_and_requests_and_ends_on_a_stop(desk: Desk, catalogue: Sessions) -> None:
    desk.fill("C0001.MP4")
    with watching_with(desk, catalogue):
        wait_for(desk, lambda: len(desk.copying.reports) == 1)
        desk.fill("C0001.MP4", at=desk.media / "OTHER")
        order = {"card": card_folder_id(desk.media / "OTHER"), "to": ["one"]}
        with writing(catalogue) as session:
            request = file_request(session, RequestKind.OFFLOAD, order).id
        wait_for(desk, lambda: desk.heard(f"Request {request} (offload): done") == 1)
        desk.fill("C0001.MP4", at=desk.media / "A_SECOND")
        wait_for(desk, lambda: len(desk.copying.reports) == 3)
        stopping = time.monotonic()
    assert time.monotonic() - stopping < DEADLINE / 2
    assert "Watching" in desk.said[0]
    assert "Stopped" in desk.said[-1]
    assert [order.card.name for order in desk.copying.orders] == ["A_CARD", "OTHER", "A_SECOND"]
    with reading(catalogue) as session:
        done = session.get(Request, request)
        assert done is not None
        assert done.state is RequestState.DONE


def test_a_stop_ends_the_offload_under_way(desk: Desk, catalogue: Sessions) -> None:
    desk.fill("C0001.MP4", "C0002.MP4")
    desk.copying.before_file = lambda number: desk.stop.set()
    with watching_with(desk, catalogue) as thread:
        thread.join(DEADLINE)
        assert not thread.is_alive(), "the stop came from the offload itself"
    assert desk.copying.reports == []
    assert desk.copied() == [[], []]


def test_a_card_is_noticed_long_before_the_next_look_is_due(tmp_path: Path, catalogue: Sessions) -> None:
    desk = Desk(tmp_path, poll_seconds=600.0)
    with watching_with(desk, catalogue):
        wait_for(desk, lambda: desk.heard("Watching") == 1)
        time.sleep(0.5)  # it is past its first look and waits for ten minutes, but for the event
        desk.fill("C0001.MP4", at=tmp_path / "A_CARD")
        desk.put_in(tmp_path / "A_CARD")
        wait_for(desk, lambda: len(desk.copying.reports) == 1)


def test_nothing_to_watch_is_refused_with_the_line_to_add(tmp_path: Path, catalogue: Sessions) -> None:
    desk = Desk(tmp_path, watch_folders=[])
    worker = Worker(catalogue, desk.settings, {}, desk.said.append)
    with pytest.raises(UsageError) as caught:
        watch(desk.settings, catalogue, desk.copying, worker, desk.said.append, desk.stop)
    assert "watch_folders = " in (caught.value.remedy or "")


def test_a_rule_with_an_unknown_drive_is_refused_before_the_first_card(
    tmp_path: Path, catalogue: Sessions
) -> None:
    desk = Desk(tmp_path, watch=[{"card": "*", "to": ["one", "attic"]}])
    worker = Worker(catalogue, desk.settings, {}, desk.said.append)
    with pytest.raises(UsageError, match="attic"):
        watch(desk.settings, catalogue, desk.copying, worker, desk.said.append, desk.stop)


class PulledCard(Disk):
    """A card that is pulled when its third file is to be opened, once; a copy of it lies on the desk."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._pulled = False

    def open_source(self, name: str, *, at: int) -> int:
        if name == "C0003.DAT" and not self._pulled:
            self._pulled = True
            shutil.rmtree(self._desk.card)
        return super().open_source(name, at=at)


def test_a_card_pulled_in_the_middle_of_a_real_offload_is_completed_when_it_comes_back(
    desk: Desk, catalogue: Sessions
) -> None:
    names = [f"C000{number}.DAT" for number in range(1, 6)]
    desk.fill(*names)
    shutil.copytree(desk.card, desk.root / "A_CARD")
    with writing(catalogue) as session:
        make_production(session)
    disk = PulledCard(desk)

    def offload(order: OffloadOrder, watching: Watching) -> OffloadReport:
        return run_offload(order, desk.settings, catalogue, watching, disk)

    def copies(drive: Path) -> list[str]:
        return sorted(path.name for path in drive.rglob("*.DAT"))

    with watching_with(desk, catalogue, offload):
        wait_for(desk, lambda: desk.heard("gone before its offload was complete") == 1)
        assert [copies(drive) for drive in desk.drives] == [names[:2], names[:2]]
        desk.put_in(desk.root / "A_CARD")
        wait_for(desk, lambda: desk.heard("A_CARD: reel A001 of The Chain Ferry: 5 files, done.") == 1)
    assert [copies(drive) for drive in desk.drives] == [names, names]
    assert not [path for drive in desk.drives for path in drive.rglob("*.partial")]


CHILD = """
import signal, sys, threading
from pathlib import Path
from ingest.watch import watch
from ingest.worker import Worker
from shared.db import make_engine, make_sessions
from shared.settings import load_settings

signal.signal(signal.SIGINT, signal.default_int_handler)  # ignored by default where tests run as a job
url, home, media = sys.argv[1:]
settings = load_settings(home=home, watch_folders=[Path(media)], poll_seconds=600.0)
sessions = make_sessions(make_engine(url))
say = lambda line: print(line, flush=True)
watch(settings, sessions, None, Worker(sessions, settings, {}, say), say, threading.Event())
"""


def test_ctrl_c_ends_a_waiting_watch(desk: Desk, catalogue_url: str) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", CHILD, catalogue_url, str(desk.settings.home), str(desk.media)],
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
        stdout=subprocess.PIPE,
        text=True,
    ) as child:
        try:
            assert child.stdout is not None
            assert "Watching" in child.stdout.readline()
            time.sleep(0.3)
            child.send_signal(signal.SIGINT)
            rest, _ = child.communicate(timeout=DEADLINE)
        finally:
            child.kill()
    assert child.returncode == 0
    assert "Stopped" in rest


# --- real mounts ----------------------------------------------------------------------------------------

MOUNTS = """
import subprocess, sys, time
from pathlib import Path
from tests.ingest.desk import Desk

desk = Desk(Path(sys.argv[1]))
desk.card.mkdir()  # where the card will be mounted
desk.look_on(0.1)
for number, size in ((1, 100), (2, 200)):
    subprocess.run(["mount", "-t", "tmpfs", "none", desk.card], check=True)
    desk.fill("DCIM/C0001.MP4", content=b"x" * size)
    desk.offloads(number)
    subprocess.run(["umount", desk.card], check=True)
    desk.look_until(lambda: desk.heard("A_CARD: taken out.") == number)

def pull(number):
    if len(desk.copying.orders) == 3 and number == 0:
        subprocess.run(["umount", "--lazy", desk.card], check=True)

desk.copying.before_file = pull
subprocess.run(["mount", "-t", "tmpfs", "none", desk.card], check=True)
desk.fill("DCIM/C0003.MP4", "DCIM/C0004.MP4")
desk.offloads(3)
assert desk.heard("gone in the middle") == 1, desk.said
assert desk.heard("Put it back") == 1, desk.said
subprocess.run(["mount", "-t", "tmpfs", "none", desk.card], check=True)
desk.fill("DCIM/C0003.MP4", "DCIM/C0004.MP4")
desk.offloads(4)
assert desk.copying.reports[3].state == "done"
print("all seen")
"""


def may_mount() -> bool:
    if sys.platform != "linux" or shutil.which("unshare") is None:
        return False
    tried = ["unshare", "--map-root-user", "--mount", "mount", "-t", "tmpfs", "none", "/mnt"]
    return subprocess.run(tried, capture_output=True, check=False).returncode == 0


def test_real_mounts_on_one_folder_are_cards_that_come_and_go(tmp_path: Path) -> None:
    """In a mount namespace of its own, which needs no rights where user namespaces are allowed."""
    if not may_mount():
        pytest.skip("no mount namespace can be made here (unshare --map-root-user --mount)")
    run = subprocess.run(
        ["unshare", "--map-root-user", "--mount", sys.executable, "-c", MOUNTS, str(tmp_path)],
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
        capture_output=True,
        text=True,
        timeout=3 * DEADLINE,
        check=False,
    )
    assert run.stdout == "all seen\n", run.stderr
