"""Kills and faults at every call while a generation is added: the history stays old or becomes new."""

from __future__ import annotations

import errno
import os
import resource
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest

from ingest.durable import Disk
from ingest.mhl import History, Rule, check_history, read_history, read_manifest
from shared.errors import AppError, ChecksumMismatchError, DestinationError, DestinationFullError
from tests.faults import RefusesDirectReads
from tests.ingest.mhl_support import (
    CountedDisk,
    append,
    assert_fits_schema,
    make_tree,
    name_of,
    record,
    records_of,
)

TREE = {"a.mov": b"ferry", "in/b.mov": b"river", "in/deep/c.mov": b"winch"}
ROOTS = ("", "in")


def states(root: Path) -> dict[str, History | None]:
    return {path: read_history(None, root / path) for path in ROOTS}


def numbers(root: Path) -> dict[str, int]:
    return {path: 0 if found is None else len(found.generations) for path, found in states(root).items()}


def run(root: Path, disk: Disk, minute: int) -> None:
    append(root, list(records_of(root)), disk=disk, minute=minute, complete=True)


def fail(code: int) -> None:
    raise OSError(code, os.strerror(code))


def kill() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def killed(work: Callable[[], None]) -> bool:
    """Do the work in a child process. Returns whether it was killed; any other failure is the test's."""
    child = os.fork()
    if child == 0:
        try:
            work()
            os._exit(0)
        finally:
            os._exit(1)  # the child must never return into the test run
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status):
        return True
    assert os.WEXITSTATUS(status) == 0
    return False


def assert_old_or_new(root: Path, before: dict[str, History | None]) -> None:
    """Every history reads as before or with one generation more, and final names hold whole manifests."""
    for path, found in states(root).items():
        old = before[path]
        earlier = () if old is None else old.generations
        now = () if found is None else found.generations
        assert now[: len(earlier)] == earlier
        assert len(now) - len(earlier) in (0, 1)
        for manifest in (root / path / "ascmhl").glob("*.mhl"):
            read_manifest(manifest)


def make_day(root: Path, generations: int) -> None:
    make_tree(root, TREE)
    append(root / "in", list(records_of(root / "in")))
    for minute in range(1, generations):
        run(root, Disk(), minute)


@pytest.mark.slow
@pytest.mark.parametrize("generations", [1, 2])
def test_killed_at_every_call(tmp_path: Path, generations: int) -> None:
    """`generations` 1: the outer history is made anew; 2: both are continued."""
    make_day(tmp_path / "day", generations)
    before = states(tmp_path / "day")
    at, adopted, was_killed = 0, 0, True
    while was_killed:
        at += 1
        root = tmp_path / str(at)
        shutil.copytree(tmp_path / "day", root)
        was_killed = killed(partial(run, root, CountedDisk(kill, at), 10))
        assert_old_or_new(root, before)
        reached = numbers(root)
        unlisted = sum(one.rule is Rule.UNLISTED for path in ROOTS for one in check_history(root / path))
        run(root, Disk(), 20)
        # The next run completes what was begun, adds its own, and leaves nothing of the kill behind.
        assert sum(numbers(root).values()) == sum(reached.values()) + 2 + unlisted
        adopted += unlisted
        for path in ROOTS:
            assert check_history(root / path) == []
            assert not list((root / path / "ascmhl").glob("*.partial"))
    assert_fits_schema(tmp_path)
    assert at > 40, "the calls were counted"
    assert adopted >= 2, "the moment between manifest and chain was met in both histories"


@pytest.mark.slow
def test_every_call_fails_once(tmp_path: Path) -> None:
    codes = [errno.EIO, errno.ENOSPC, errno.EACCES, errno.EROFS]
    make_day(tmp_path / "day", 2)
    before = states(tmp_path / "day")
    at, failed = 0, True
    while failed:
        code = codes[at % len(codes)]
        at += 1
        root = tmp_path / str(at)
        shutil.copytree(tmp_path / "day", root)
        disk = CountedDisk(partial(fail, code), at)
        try:
            run(root, disk, 10)
        except DestinationError as error:
            assert error.path is not None
            assert isinstance(error, DestinationFullError) == (code == errno.ENOSPC)
        failed = len(disk.calls) >= at
        assert_old_or_new(root, before)
        run(root, Disk(), 20)
        assert [one for path in ROOTS for one in check_history(root / path)] == []
    assert at > 40


def test_the_order_that_makes_it_safe(tmp_path: Path) -> None:
    """Sync and re-read come before the name, the manifest before the chain, the folder's sync after each."""
    make_tree(tmp_path, {"a": b"x"})
    disk = CountedDisk(lambda: None, 0)
    append(tmp_path, [record("a")], disk=disk)
    steps = [
        name
        for name in disk.calls
        if name in ("create", "sync", "drop_cache", "open_copy", "publish", "sync_folder")
    ]
    proven = ["create", "sync", "drop_cache", "open_copy"]
    assert steps == ["sync_folder", *proven, "publish", "sync_folder", *proven, "sync_folder"]


class FlippingDisk(Disk):
    """Changes one bit of what is written into, or read back from, files of one kind."""

    def __init__(self, *, on_write: bool, times: int) -> None:
        self.on_write = on_write
        self.times = times

    def write(self, handle: int, view: memoryview) -> int:
        if self.on_write and self.times and len(view) > 100:
            self.times -= 1
            changed = bytearray(view)
            changed[len(changed) // 2] ^= 4
            return super().write(handle, memoryview(changed))
        return super().write(handle, view)

    def read_into(self, handle: int, view: memoryview) -> int:
        count = super().read_into(handle, view)
        if not self.on_write and self.times and count:
            self.times -= 1
            view[count // 2] ^= 4
        return count


@pytest.mark.parametrize("complete", [False, True])
@pytest.mark.parametrize("on_write", [True, False])
def test_a_flipped_bit_is_never_published(tmp_path: Path, on_write: bool, complete: bool) -> None:
    make_tree(tmp_path, {"a": b"x"})
    with pytest.raises(ChecksumMismatchError):
        append(tmp_path, [record("a")], disk=FlippingDisk(on_write=on_write, times=1), complete=complete)
    assert list((tmp_path / "ascmhl").iterdir()) == []


def test_short_writes_are_completed(tmp_path: Path) -> None:
    class ShortDisk(Disk):
        def write(self, handle: int, view: memoryview) -> int:
            return super().write(handle, view[: min(7, len(view))])

    make_tree(tmp_path, TREE)
    run(tmp_path, ShortDisk(), 0)
    assert check_history(tmp_path) == []
    assert numbers(tmp_path)[""] == 1


def test_a_drive_that_opens_for_direct_reads_and_then_refuses_them(tmp_path: Path) -> None:
    make_tree(tmp_path, TREE)
    run(tmp_path, RefusesDirectReads(), 0)
    run(tmp_path, RefusesDirectReads(), 1)
    assert check_history(tmp_path) == []
    assert numbers(tmp_path)[""] == 2


def test_a_drive_that_takes_no_more_bytes(tmp_path: Path) -> None:
    class StuckDisk(Disk):
        def write(self, handle: int, view: memoryview) -> int:
            return 0

    with pytest.raises(DestinationError):
        append(tmp_path, [record("a")], disk=StuckDisk())
    assert list((tmp_path / "ascmhl").iterdir()) == []


FULL = """
import sys, resource
from pathlib import Path
from tests.ingest.mhl_support import append, record
from shared.errors import DestinationError
resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, resource.RLIM_INFINITY))
try:
    append(Path(sys.argv[1]), [record(f"{n:06d}.mov") for n in range(3000)], minute=1)
except DestinationError as error:
    print("too large:", error.path)
"""


def test_a_real_limit_on_file_size(tmp_path: Path) -> None:
    """RLIMIT_FSIZE in a child process: the kernel itself cuts the writing off (EFBIG)."""
    append(tmp_path, [record("a")])
    done = subprocess.run(
        [sys.executable, "-c", FULL, str(tmp_path)],
        cwd=Path(__file__).parents[2],
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.startswith(f"too large: {tmp_path}/ascmhl/0002_")
    assert len(list((tmp_path / "ascmhl").iterdir())) == 2
    assert check_history(tmp_path) == []


def leave_unlisted(root: Path) -> Path:
    """The state after a kill between manifest and chain, with two generations before it."""
    make_tree(root, {"a": b"x"})
    append(root, [record("a")])
    path = append(root, [record("a"), record("b")], minute=1)
    chain = root / "ascmhl/ascmhl_chain.xml"
    text = chain.read_text()
    start = text.index('  <hashlist sequencenr="2">')
    chain.write_text(text[:start] + text[text.index("</hashlist>", start) + len("</hashlist>\n") :])
    return path


def test_a_manifest_left_unlisted_is_adopted_unchanged(tmp_path: Path) -> None:
    path = leave_unlisted(tmp_path)
    data = path.read_bytes()
    assert [one.rule for one in check_history(tmp_path)] == [Rule.UNLISTED]
    history = read_history(None, tmp_path)
    assert history is not None and len(history.generations) == 1
    append(tmp_path, [record("b")], minute=2)
    history = read_history(None, tmp_path)
    assert history is not None
    assert [one.number for one in history.generations] == [1, 2, 3]
    assert history.generations[1].name == path.name
    assert path.read_bytes() == data
    assert history.generations[2].files[0].hashes[0].action == "verified", "what it says of b counts"


@pytest.mark.parametrize(
    "spoil",
    [
        lambda path: path.write_bytes(path.read_bytes()[:-30]),
        lambda path: path.write_bytes(path.read_bytes().replace(b">b<", b">../b<")),
        lambda path: path.with_name(name_of(2)).write_bytes(path.read_bytes()),
        lambda path: path.rename(path.with_name(name_of(4))),
    ],
    ids=["cut off", "against the rules", "two of them", "another number"],
)
def test_nothing_else_is_adopted(tmp_path: Path, spoil: Callable[[Path], object]) -> None:
    spoil(leave_unlisted(tmp_path))
    append(tmp_path, [record("b")], minute=2)
    history = read_history(None, tmp_path)
    assert history is not None
    assert [one.number for one in history.generations] == [1, 2]
    assert history.generations[1].files[0].hashes[0].action == "original"
    assert {one.rule for one in history.warnings} == {Rule.UNLISTED}


def test_an_error_of_the_caller_leaves_nothing(tmp_path: Path) -> None:
    def failing() -> object:
        yield record("a")
        raise AppError("the card is gone")

    with pytest.raises(AppError, match="the card is gone"):
        append(tmp_path, failing())  # type: ignore[arg-type]
    assert list((tmp_path / "ascmhl").iterdir()) == []
    append(tmp_path, [record("a")])
    assert check_history(tmp_path) == []


def test_no_handle_is_left_open(tmp_path: Path) -> None:
    make_day(tmp_path, 2)
    before = sorted(Path("/proc/self/fd").iterdir()) if Path("/proc/self/fd").is_dir() else None
    run(tmp_path, Disk(), 5)
    states(tmp_path)
    with pytest.raises(DestinationError):
        run(tmp_path, CountedDisk(partial(fail, errno.ENOSPC), 40), 6)
    if before is None:
        pytest.skip("open handles can't be listed here")
    assert sorted(Path("/proc/self/fd").iterdir()) == before
    assert resource.getrlimit(resource.RLIMIT_NOFILE)[0] > 0
