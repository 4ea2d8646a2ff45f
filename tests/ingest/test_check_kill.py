"""Every call of a repair fails once, and every call is a kill: no good copy is lost, and a rerun finishes."""

from __future__ import annotations

import errno
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from ingest.durable import Disk
from ingest.mhl import check_history
from shared.db import Sessions, make_engine, make_sessions
from shared.models import CopyState
from tests.faults import SEAM, where
from tests.ingest.check_support import FOLDER, Shelf, flip_bit, make_shelf
from tests.ingest.copy_support import files_below

NAME = "A.MOV"
TREE = {NAME: 5_000}


class FromRepair(Disk):
    """Real calls, of which those from the repair's first write on are counted, but for those on hash lists,
    which `test_mhl_kill` holds to the same; `act` comes before the Nth."""

    def __init__(self, nth: int, act: Callable[[], None]) -> None:
        self._nth, self._act = nth, act
        self._begun = False
        self.count = 0

    def __getattribute__(self, name: str) -> Any:
        found = super().__getattribute__(name)
        if name not in SEAM:
            return found

        def counted(*arguments: Any, **named: Any) -> Any:
            self._begun = self._begun or (name == "create" and str(arguments[0]).startswith(NAME))
            counts = self._begun and "ascmhl" not in where(arguments, named)
            self.count += counts
            if counts and self.count == self._nth:
                self._act()
            return found(*arguments, **named)

        return counted


@pytest.fixture
def damaged(catalogue: Sessions, memory_path: Path) -> Shelf:
    """One drive with a flipped bit, one that is sound. Kept as it is; tests work on copies."""
    shelf = make_shelf(catalogue, memory_path / "first", TREE)
    flip_bit(shelf.copy(NAME))
    return shelf


@pytest.fixture
def catalogue_file(catalogue_url: str) -> Path:
    return Path(catalogue_url.removeprefix("sqlite:///"))


class Scene:
    """The damaged shelf as it was at first, in one place, laid out anew for each fault."""

    def __init__(self, damaged: Shelf, catalogue_file: Path, folder: Path) -> None:
        self.good = damaged.files[NAME]
        self.bad = damaged.copy(NAME).read_bytes()
        self._folder = damaged.drives[0].parent
        self._kept = folder / "kept"
        self._home = folder / "home"
        self._kept.mkdir()
        for drive in damaged.drives:
            shutil.copytree(drive, self._kept / drive.name)
        with damaged.sessions() as session:
            bind = session.get_bind()
            bind.engine.dispose()
        self._catalogue = self._kept / "catalogue.sqlite"
        assert not catalogue_file.with_name(catalogue_file.name + "-wal").exists()
        shutil.copyfile(catalogue_file, self._catalogue)
        self._drives = damaged.drives
        self._engine: Any = None

    def anew(self) -> str:
        """Lay it out again; the address of its catalogue."""
        self.close()
        shutil.rmtree(self._home, ignore_errors=True)
        self._home.mkdir()
        for drive in self._drives:
            shutil.rmtree(drive)
            shutil.copytree(self._kept / drive.name, drive)
        return f"sqlite:///{shutil.copyfile(self._catalogue, self._home / 'catalogue.sqlite')}"

    def shelf(self, url: str) -> Shelf:
        self._engine = make_engine(url)
        return Shelf(make_sessions(self._engine), self._drives, {NAME: self.good})

    def close(self) -> None:
        if self._engine is not None:
            self._engine.dispose()
            self._engine = None

    def stage(self) -> str:
        """How far the repair came, by what stands on the drive. Fails when a byte of either copy is lost."""
        top = self._drives[0] / FOLDER
        found = {path: data for path, data in files_below(top).items() if not path.startswith("ascmhl/")}
        partials = {path: data for path, data in found.items() if path.endswith(".partial")}
        aside = [path for path in found if ".bad-" in path]
        assert len(aside) <= 1
        assert set(found) == {*partials, *aside, *([NAME] if NAME in found else [])}
        assert (self._drives[1] / FOLDER / NAME).read_bytes() == self.good
        if aside:
            assert found[aside[0]] == self.bad
            if NAME in found:
                assert found[NAME] == self.good
                return "repaired"
            assert list(partials.values()) == [self.good], "the good bytes wait beside the bad ones"
            return "between"
        assert found[NAME] == self.bad
        return "not yet"


@pytest.fixture
def scene(damaged: Shelf, catalogue_file: Path, memory_path: Path) -> Iterator[Scene]:
    scene = Scene(damaged, catalogue_file, memory_path)
    yield scene
    scene.close()


def assert_finished(scene: Scene, shelf: Shelf) -> None:
    """A rerun repairs what is left, and leaves nothing of the broken run but the bad copy, aside."""
    assert shelf.check(repair=True).code == 0
    assert scene.stage() == "repaired"
    assert not list(shelf.top().rglob("*.partial"))
    assert [shelf.row(NAME, number).state for number in (0, 1)] == [CopyState.VERIFIED] * 2
    assert check_history(shelf.top()) == []


def fails(code: int) -> Callable[[], None]:
    def fail() -> None:
        raise OSError(code, os.strerror(code))

    return fail


@pytest.mark.slow
def test_every_call_of_a_repair_fails_once(scene: Scene) -> None:
    stages: set[str] = set()
    codes = (errno.EIO, errno.ENOSPC, errno.EACCES, errno.EROFS)
    nth = 0
    while True:
        nth += 1
        shelf = scene.shelf(scene.anew())
        disk = FromRepair(nth, fails(codes[nth % len(codes)]))
        result = shelf.check(repair=True, disk=disk)
        stage = scene.stage()
        if disk.count < nth:
            break
        stages.add(stage)
        repair = result.file(NAME, shelf.drives[0])["repair"]
        if repair["done"]:
            assert stage == "repaired"
        if stage == "between":
            assert ".partial: run again" in repair["problem"] and repair["set_aside"]
            assert shelf.row(NAME).state is CopyState.MISSING
        if not repair["done"]:
            assert result.code == 4
            assert shelf.row(NAME).state is not CopyState.VERIFIED
        assert_finished(scene, shelf)
    assert result.code == 0
    assert nth > 15, "the calls were counted"
    assert stages == {"not yet", "between", "repaired"}


def killed(url: str, scene: Scene, disk: Disk) -> bool:
    """Repair in a child process. Whether it was killed; any other failure is the test's."""
    child = os.fork()
    if child == 0:
        try:
            scene.shelf(url).check(repair=True, disk=disk)
            os._exit(0)
        finally:
            os._exit(1)  # the child must never return into the test run
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status):
        return True
    assert os.WEXITSTATUS(status) == 0
    return False


def die() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


@pytest.mark.slow
def test_killed_between_any_two_calls_of_a_repair(scene: Scene) -> None:
    stages: set[str] = set()
    nth, was_killed = 0, True
    while was_killed:
        nth += 1
        url = scene.anew()
        was_killed = killed(url, scene, FromRepair(nth, die))
        stages.add(scene.stage())
        shelf = scene.shelf(url)
        if shelf.row(NAME).state is CopyState.VERIFIED:
            assert scene.stage() == "repaired", "nothing is called verified before it is in its place"
        assert_finished(scene, shelf)
    assert nth > 15, "the calls were counted"
    assert stages == {"not yet", "between", "repaired"}


@pytest.mark.slow
def test_killed_at_random_in_a_process_of_its_own(scene: Scene) -> None:
    """The command itself, killed from outside at a moment of nobody's choosing."""
    for number in range(2):
        url = scene.anew()
        process = subprocess.Popen(
            [sys.executable, "-m", "api.cli", "check", "--repair"],
            env={**os.environ, "RUSHLIGHT_DATABASE": url, "RUSHLIGHT_HOME": str(Path(url[10:]).parent)},
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
        )
        with process:
            assert process.stderr is not None
            assert b"repairing in" in process.stderr.readline()
            time.sleep(number * 0.004)
            process.kill()
        scene.stage()
        assert_finished(scene, scene.shelf(url))
