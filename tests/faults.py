"""Faults for everything that touches a card or a drive: small wrappers over real calls on real files.

Each class changes one thing of `Disk` and leaves the rest real. Where a call acts is read from the
system (`/proc`), so a fault can be meant for one card or one drive.
"""

from __future__ import annotations

import errno
import fcntl
import os
import signal
import threading
import time
from collections.abc import Callable, Collection
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from ingest.durable import Disk
from shared.names import fold

SEAM = tuple(name for name, value in vars(Disk).items() if callable(value) and not name.startswith("_"))
# What may go wrong on a drive for real: the other calls are hints, or can't fail.
DRIVE_CALLS = frozenset(SEAM) - {"begin_writeback", "resident", "read_through_cache", "drives", "open_source"}
CARD_CALLS = frozenset({"open_folder", "open_source", "read_into", "size_and_times"})


def handle_path(handle: int) -> str:
    """What an open file or folder is, as the system names it now."""
    return str(Path(f"/proc/self/fd/{handle}").readlink())


def where(arguments: tuple[Any, ...], named: dict[str, Any]) -> str:
    """The path on which a call of the seam acts."""
    first, at = arguments[0], named.get("at")
    if isinstance(first, int):
        return handle_path(first)
    name = os.fspath(first)
    return name if at is None else f"{handle_path(at)}/{name}"


def is_below(path: str, folder: Path | None) -> bool:
    return folder is None or path == str(folder) or path.startswith(f"{folder}/")


class Watched(Disk):
    """Real calls, each announced first and reported after."""

    def before(self, call: str, path: str) -> None:
        pass

    def after(self, call: str, path: str) -> None:
        pass


def _watched(name: str) -> Callable[..., Any]:
    real = getattr(Disk, name)

    def call(self: Watched, *arguments: Any, **named: Any) -> Any:
        path = where(arguments, named)
        self.before(name, path)
        result = real(self, *arguments, **named)
        self.after(name, path)
        return result

    return call


for _name in SEAM:
    setattr(Watched, _name, _watched(_name))


class Logged(Watched):
    """Keeps what was called, and where, in order."""

    def __init__(self) -> None:
        self.log: list[tuple[str, str]] = []

    def after(self, call: str, path: str) -> None:
        self.log.append((call, path))

    def names(self, call: str) -> list[str]:
        """The last parts of the paths that a call was made with."""
        return [path.rpartition("/")[2] for name, path in self.log if name == call]


class FailNth(Watched):
    """The Nth of the given calls below a folder fails with an errno; with `lasting`, all after it as well."""

    def __init__(
        self,
        nth: int,
        code: int,
        *,
        lasting: bool = False,
        calls: Collection[str] = SEAM,
        below: Path | None = None,
        named: str = "",
    ) -> None:
        self._nth, self._code, self._lasting = nth, code, lasting
        self._calls, self._below, self._named = calls, below, named
        self._count = 0
        self._lock = threading.Lock()
        self.fired = 0

    def before(self, call: str, path: str) -> None:
        if call not in self._calls or not is_below(path, self._below) or self._named not in path:
            return
        with self._lock:
            self._count += 1
            fails = self._count == self._nth or (self._lasting and self._count > self._nth)
            self.fired += fails
        if fails:
            raise OSError(self._code, os.strerror(self._code), path)


class Dies(Watched):
    """The process is killed (SIGKILL) before the Nth call or right after it."""

    def __init__(self, nth: int, *, after: bool) -> None:
        self._nth, self._after = nth, after
        self._count = 0
        self._lock = threading.Lock()

    def before(self, call: str, path: str) -> None:
        with self._lock:
            self._count += 1
            if not self._after and self._count == self._nth:
                os.kill(os.getpid(), signal.SIGKILL)

    def after(self, call: str, path: str) -> None:
        if self._after and self._count >= self._nth:
            os.kill(os.getpid(), signal.SIGKILL)


class ShortReads(Disk):
    """Never more than a few bytes a read; a block where the file is read past the cache."""

    def __init__(self, most: int = 997) -> None:
        self._most = most

    def read_into(self, handle: int, view: memoryview) -> int:
        direct = fcntl.fcntl(handle, fcntl.F_GETFL) & getattr(os, "O_DIRECT", 0)
        return super().read_into(handle, view[: 4096 if direct else self._most])


class ShortWrites(Disk):
    def __init__(self, most: int = 997) -> None:
        self._most = most

    def write(self, handle: int, view: memoryview) -> int:
        return super().write(handle, view[: self._most])


class TakesNothing(Disk):
    """A drive that takes no byte and names no reason."""

    def __init__(self, below: Path) -> None:
        self._below = below

    def write(self, handle: int, view: memoryview) -> int:
        return 0 if is_below(handle_path(handle), self._below) else super().write(handle, view)


class FlipOnWrite(Disk):
    """One bit of one file is not written as it was given."""

    def __init__(self, named: str, below: Path | None = None) -> None:
        self._named, self._below = named, below
        self.flipped = 0

    def write(self, handle: int, view: memoryview) -> int:
        path = handle_path(handle)
        if self._named in path and is_below(path, self._below) and not self.flipped and len(view):
            self.flipped += 1
            wrong = bytearray(view)
            wrong[len(wrong) // 2] ^= 4
            return super().write(handle, memoryview(wrong))
        return super().write(handle, view)


class FlipOnRead(Disk):
    """One bit of one file is read wrong: by its first reads only, the drive's or the card's."""

    def __init__(self, named: str, below: Path, times: int = 1) -> None:
        self._named, self._below, self._times = named, below, times
        self.flipped = 0

    def read_into(self, handle: int, view: memoryview) -> int:
        count = super().read_into(handle, view)
        path = handle_path(handle)
        if self._named in path and is_below(path, self._below) and count and self.flipped < self._times:
            self.flipped += 1
            view[count // 2] ^= 4
        return count


class WhenReading(Disk):
    """Something happens to the card right before one file's Nth read."""

    def __init__(self, named: str, act: Callable[[], object], nth: int = 2) -> None:
        self._named, self._act, self._nth = named, act, nth
        self._count = 0

    def read_into(self, handle: int, view: memoryview) -> int:
        if handle_path(handle).endswith(self._named):
            self._count += 1
            if self._count == self._nth:
                self._act()
        return super().read_into(handle, view)


class BeforePublishing(Disk):
    """Something happens right before one file gets its final name."""

    def __init__(self, named: str, act: Callable[[Path], object]) -> None:
        self._named, self._act = named, act

    def publish(self, partial: str, final: str, *, at: int) -> None:
        if final == self._named:
            self._act(Path(handle_path(at)) / final)
        super().publish(partial, final, at=at)


class FullAfter(Disk):
    """A drive with so many bytes of space: the write that crosses the end is short, the next one fails."""

    def __init__(self, free: int, below: Path) -> None:
        self._free, self._below = free, below

    def write(self, handle: int, view: memoryview) -> int:
        if not is_below(handle_path(handle), self._below):
            return super().write(handle, view)
        if self._free == 0 and len(view):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        count = super().write(handle, view[: self._free])
        self._free -= count
        return count


class Slow(Disk):
    """A drive that takes so many bytes a second; `watch` is called at each of its writes."""

    def __init__(self, below: Path, rate: float, watch: Callable[[], None] = lambda: None) -> None:
        self._below, self._rate, self._watch = below, rate, watch

    def write(self, handle: int, view: memoryview) -> int:
        if is_below(handle_path(handle), self._below):
            self._watch()
            time.sleep(len(view) / self._rate)
        return super().write(handle, view)


class NoDirectReads(Disk):
    """A file system without direct reads; its pages stay in memory or do not (None: it can't be told)."""

    def __init__(self, resident: bool | None) -> None:
        self._resident = resident

    def open_copy(self, name: str, *, at: int) -> tuple[int, bool]:
        handle, direct = super().open_copy(name, at=at)
        if direct:
            self.read_through_cache(handle)
        return handle, False

    def resident(self, handle: int, size: int) -> bool | None:
        return self._resident


class RefusesDirectReads(Disk):
    """A file system that opens files for direct reads and then answers each with EINVAL."""

    def read_into(self, handle: int, view: memoryview) -> int:
        if fcntl.fcntl(handle, fcntl.F_GETFL) & os.O_DIRECT:
            raise OSError(errno.EINVAL, os.strerror(errno.EINVAL))
        return super().read_into(handle, view)


class CaseBlind(Disk):
    """A drive on which names that differ in case or Unicode form only are one name."""

    def _there(self, name: str, at: int) -> str:
        """The name under which an entry stands already, else the name given."""
        wanted = fold(os.fsencode(name))
        return next((found for found in os.listdir(at) if fold(os.fsencode(found)) == wanted), name)

    def open_folder(self, path: str | Path, *, at: int | None = None) -> int:
        return super().open_folder(path if at is None else self._there(str(path), at), at=at)

    def make_folder(self, name: str, *, at: int) -> None:
        super().make_folder(self._there(name, at), at=at)

    def open_copy(self, name: str, *, at: int) -> tuple[int, bool]:
        return super().open_copy(self._there(name, at), at=at)

    def stat_at(self, name: str, *, at: int) -> os.stat_result:
        return super().stat_at(self._there(name, at), at=at)

    def create(self, name: str, *, at: int) -> int:
        return super().create(self._there(name, at), at=at)

    def publish(self, partial: str, final: str, *, at: int) -> None:
        super().publish(self._there(partial, at), self._there(final, at), at=at)

    def remove(self, name: str, *, at: int) -> None:
        super().remove(self._there(name, at), at=at)


class Breaks(Disk):
    """A bug: a call of the seam raises what no code foresees."""

    def __init__(self, call: str, below: Path) -> None:
        self._call, self._below = call, below
        for name in SEAM:
            if name == call:
                setattr(self, name, self._break)

    def _break(self, *arguments: Any, **named: Any) -> Any:
        if is_below(where(arguments, named), self._below):
            raise RuntimeError(f"planted in {self._call}")
        return getattr(Disk, self._call)(self, *arguments, **named)


@contextmanager
def within(seconds: float) -> Any:
    """Fail instead of hanging: a main thread that waits for ever is woken by an alarm."""

    def expire(_signal: int, _frame: object) -> None:
        raise AssertionError(f"still waiting after {seconds} s")

    before = signal.signal(signal.SIGALRM, expire)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)
