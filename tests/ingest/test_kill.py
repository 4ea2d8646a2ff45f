"""The whole offload, killed (SIGKILL) at random points: the promises hold, and a rerun completes it.

`SOAK_KILLS=1000` makes it a long run. Every kill is a process of its own, forked from one that has all
modules loaded already.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import sqlite3
import threading
import time
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from ingest import record
from ingest.durable import Disk
from ingest.orders import OffloadOrder, OffloadReport
from ingest.pipeline import run_offload
from shared.db import make_engine, make_sessions
from shared.errors import ConflictError
from shared.settings import Settings, load_settings
from tests.faults import Dies, Watched
from tests.ingest.copy_support import (
    PARTIAL,
    Snapshot,
    children,
    files_below,
    make_card,
    partials_below,
    snapshot,
)

CONTEXT = children()
KILLS = int(os.environ.get("SOAK_KILLS", "30"))
SHARDS = 2
# No media: what describes clips is told apart from what copies them.
TREE = {
    "DCIM/100/A.BIN": 90_000,
    "DCIM/100/B.BIN": 1,
    "DCIM/100/C.BIN": 0,
    "DCIM/101/D.BIN": 9_000,
    "DCIM/101/E.BIN": 300,
    "INDEX.BIN": 40,
}


@dataclass(frozen=True)
class Site:
    """A card, two drives and a catalogue of their own."""

    root: Path

    @property
    def card(self) -> Path:
        return self.root / "card"

    @property
    def drives(self) -> tuple[Path, Path]:
        return self.root / "one", self.root / "two"

    @property
    def settings(self) -> Settings:
        return load_settings(home=self.root / "home", buffer_mib=1)

    def reels_at(self, drive: Path) -> list[Path]:
        """Where reels lie below a drive: production, day, reel."""
        return sorted(drive.glob("*/*/*"))


@pytest.fixture(scope="module")
def make_site(migrated_file: Path) -> Callable[[Path], Site]:
    """Makes a site with an empty catalogue below a folder."""

    def make(root: Path) -> Site:
        site = Site(root)
        make_card(site.card, TREE)
        for folder in (*site.drives, root / "home"):
            folder.mkdir()
        shutil.copyfile(migrated_file, root / "home/catalogue.db")
        return site

    return make


def offload(root: Path, disk: Disk | None = None) -> OffloadReport:
    site = Site(root)
    engine = make_engine(site.settings.database_url)
    try:
        order = OffloadOrder(site.card, site.drives)
        return run_offload(order, site.settings, make_sessions(engine), disk=disk)
    finally:
        engine.dispose()


def dying_offload(root: Path, nth: int, after: bool, flush_seconds: float) -> None:
    """In the child: killed at the Nth call that touches card or drive."""
    record.FLUSH_SECONDS = flush_seconds
    offload(root, Dies(nth, after=after))


def plain_offload(root: Path) -> None:
    offload(root)


def doomed_offload(root: Path, seconds: float, flush_seconds: float) -> None:
    """In the child: killed after some time, wherever it is then, in the catalogue's writing too."""
    record.FLUSH_SECONDS = flush_seconds
    threading.Thread(target=_kill_after, args=(seconds,), daemon=True).start()
    offload(root)


def _kill_after(seconds: float) -> None:
    time.sleep(seconds)
    os.kill(os.getpid(), signal.SIGKILL)


def run_child(work: Callable[..., None], *arguments: object) -> int:
    """The child's exit code; -9 when it was killed."""
    child = CONTEXT.Process(target=work, args=arguments)
    child.start()
    child.join(120)
    assert child.exitcode is not None, "the child hangs"
    code = child.exitcode
    child.close()
    return code


Row = tuple[str, str, str]


def verified_rows(site: Site) -> set[Row]:
    """What the catalogue calls verified: destination, reel's folder, path. It must open, and be sound."""
    assert query(site, "PRAGMA integrity_check") == [("ok",)]
    return set(
        query(
            site,
            "SELECT destination.path, reel.folder, file.path FROM copy"
            " JOIN file ON file.id = copy.file_id JOIN reel ON reel.id = file.reel_id"
            " JOIN destination ON destination.id = copy.destination_id WHERE copy.state = 'verified'",
        )
    )


def query(site: Site, text: str) -> list[Any]:
    with closing(sqlite3.connect(site.root / "home/catalogue.db")) as connection:
        return connection.execute(text).fetchall()


def check_after_kill(site: Site, before: Snapshot) -> set[Row]:
    """The card is untouched, final names hold the card's bytes, and what the catalogue says is so."""
    assert snapshot(site.card) == before
    for drive in site.drives:
        for reel in site.reels_at(drive):
            for path, found in files_below(reel).items():
                if not PARTIAL.search(path) and not path.startswith("ascmhl/"):
                    assert found == before.bytes[path], f"{path} stands under its final name with other bytes"
    verified = verified_rows(site)
    for drive_path, folder, path in verified:
        copy = Path(drive_path) / folder / path
        assert copy.read_bytes() == before.bytes[path], f"{path} is called verified and is not"
    return verified


def check_rerun(site: Site, before: Snapshot, verified: set[Row]) -> None:
    """The next run completes it, and reads nothing again that was proven at both drives."""
    recorded, reels = query(site, "SELECT (SELECT count(*) FROM file), (SELECT count(*) FROM reel)")[0]
    was_done = query(site, "SELECT state FROM offload ORDER BY id DESC LIMIT 1") == [("done",)]
    report = offload(site.root)
    assert report.state == "done", report.problems
    assert snapshot(site.card) == before
    folder = query(site, f"SELECT folder FROM reel WHERE name = '{report.reel}'")[0][0]
    for drive in site.drives:
        assert not partials_below(drive / folder)
        copies = {p: data for p, data in files_below(drive / folder).items() if not p.startswith("ascmhl/")}
        assert copies == before.bytes
    # A card of which anything was recorded is recognised: it goes on in its own reel.
    assert not recorded or query(site, "SELECT count(*) FROM reel") == [(reels,)]
    assert verified_rows(site) == {(str(d), folder, path) for d in site.drives for path in TREE}
    if not was_done:
        twice = {path for _, _, path in verified if {(str(d), folder, path) for d in site.drives} <= verified}
        assert report.summary["bytes_read"] == sum(TREE[path] for path in TREE if path not in twice)
        assert sum(place["kept"] for place in report.summary["destinations"]) == len(verified)


class Counts(Watched):
    """Counts the calls of the seam."""

    calls = 0

    def before(self, call: str, path: str) -> None:
        self.calls += 1


@pytest.fixture(scope="module")
def whole_run(
    tmp_path_factory: pytest.TempPathFactory, make_site: Callable[[Path], Site]
) -> tuple[int, float]:
    """How many calls of the seam a run has that nobody kills, and how long it takes in a child."""
    disk = Counts()
    assert offload(make_site(tmp_path_factory.mktemp("counted")).root, disk).state == "done"
    run_child(plain_offload, make_site(tmp_path_factory.mktemp("warm")).root)
    timed = make_site(tmp_path_factory.mktemp("timed"))
    started = time.monotonic()
    assert run_child(plain_offload, timed.root) == 0
    return disk.calls, time.monotonic() - started


@pytest.mark.parametrize("shard", range(SHARDS))
def test_a_killed_offload_keeps_every_promise_and_is_completed_by_the_next(
    whole_run: tuple[int, float], make_site: Callable[[Path], Site], memory_path: Path, shard: int
) -> None:
    calls, seconds = whole_run
    killed = proven_before = 0
    for number in range(shard, KILLS, SHARDS):
        chance = random.Random(number)
        site = make_site(memory_path / f"site {number}")
        before = snapshot(site.card)
        for _again in range(chance.choice([1, 1, 2])):  # a rerun may be killed as well
            flush_seconds = chance.choice([0.0, 0.0, record.FLUSH_SECONDS])  # a small run never comes to one
            if chance.random() < 0.7:
                nth, after = chance.randint(1, calls), chance.random() < 0.5
                code = run_child(dying_offload, site.root, nth, after, flush_seconds)
            else:
                after_seconds = chance.uniform(0.01, seconds)
                code = run_child(doomed_offload, site.root, after_seconds, flush_seconds)
            assert code in (0, -signal.SIGKILL)
            killed += code != 0
            verified = check_after_kill(site, before)
        proven_before += len(verified)
        check_rerun(site, before, verified)
        shutil.rmtree(site.root)
    assert killed >= KILLS / SHARDS * 0.6
    assert proven_before >= KILLS / SHARDS  # the reruns had something to keep


def turned_away_offload(root: Path) -> None:
    """In the child: exit code 3 when another run holds the reel's folder."""
    try:
        offload(root)
    except ConflictError:
        os._exit(3)


def test_two_offloads_of_one_card_at_once_spoil_nothing(
    make_site: Callable[[Path], Site], memory_path: Path
) -> None:
    """They meet in one reel: one fills it, the others are turned away or come after; nothing is doubled."""
    site = make_site(memory_path / "site")
    before = snapshot(site.card)
    runs = [CONTEXT.Process(target=turned_away_offload, args=(site.root,)) for _ in range(3)]
    for run in runs:
        run.start()
    for run in runs:
        run.join(120)
    codes = [run.exitcode for run in runs]
    for run in runs:
        run.close()
    assert set(codes) <= {0, 3}
    assert 0 in codes
    verified = check_after_kill(site, before)
    (folder,) = {folder for _, folder, _ in verified}
    assert verified == {(str(drive), folder, path) for drive in site.drives for path in TREE}
    assert offload(site.root).state == "done"
    assert check_after_kill(site, before) == verified
