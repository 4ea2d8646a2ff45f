"""What stands on the drive in a checked folder, and which of it nobody recorded."""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice

from ingest.card import MAX_DEPTH
from ingest.check.model import FileState
from ingest.durable import Disk
from shared.names import fold

_UNFINISHED = re.compile(r"\.partial$")
_SET_ASIDE = re.compile(r"\.bad-\d{14}$")
_AT_A_TIME = 5000

Ignores = Callable[[str, bool], bool]  # path relative to the folder, whether it is a folder itself


@dataclass(frozen=True, slots=True)
class Seen:
    """Something on the drive that is no folder. `identity`: device and inode."""

    path: str
    size: int
    plain: bool
    identity: tuple[int, int]


class Walk:
    """Every file below an open folder, in the order of the bytes of its paths, through no link; what is in
    ignored folders is left out, ignored files are not: most files are recorded, and need not be asked about.

    Memory is that of one folder's names in each layer. `unlisted`: folders that could not be listed, each
    with the reason; `empty`: folders that hold nothing but what is ignored.
    """

    def __init__(self, disk: Disk, ignores: Ignores) -> None:
        self._disk = disk
        self._ignores = ignores
        self.unlisted: list[tuple[str, str]] = []
        self.empty: list[str] = []

    def below(self, handle: int, path: str = "", depth: int = 0) -> Iterator[Seen]:
        try:
            names = self._names(handle)
        except OSError as error:
            self.unlisted.append((path, error.strerror or "it can't be listed"))
            return
        holds = False
        for name, is_folder in names:
            inner = f"{path}/{name}" if path else name
            if is_folder:
                if not self._ignores(inner, True):
                    holds = True
                    yield from self._subfolder(handle, name, inner, depth)
                continue
            holds = holds or not self._ignores(inner, False)
            yield from self._look_at(handle, name, inner)
        if not holds and path:
            self.empty.append(path)

    def _names(self, handle: int) -> list[tuple[str, bool]]:
        with os.scandir(handle) as entries:
            found = [(entry.name, entry.is_dir(follow_symlinks=False)) for entry in entries]
        # A folder's paths go on with "/": sorted so, whole paths come in the order of their bytes.
        return sorted(found, key=lambda one: os.fsencode(one[0]) + (b"/" if one[1] else b""))

    def _subfolder(self, above: int, name: str, path: str, depth: int) -> Iterator[Seen]:
        if depth >= MAX_DEPTH:
            self.unlisted.append((path, f"more than {MAX_DEPTH} folders deep"))
            return
        try:
            handle = self._disk.open_folder(name, at=above)
        except OSError as error:
            self.unlisted.append((path, error.strerror or "it can't be opened"))
            return
        try:
            yield from self.below(handle, path, depth + 1)
        finally:
            os.close(handle)

    def _look_at(self, folder: int, name: str, path: str) -> Iterator[Seen]:
        try:
            found = self._disk.stat_at(name, at=folder)
        except OSError as error:
            self.unlisted.append((path, error.strerror or "it can't be looked at"))
            return
        yield Seen(path, found.st_size, stat.S_ISREG(found.st_mode), (found.st_dev, found.st_ino))


def state_of_unrecorded(path: str) -> FileState:
    """What a file nobody recorded is, by its name."""
    if _SET_ASIDE.search(path):
        return FileState.SET_ASIDE
    return FileState.UNFINISHED if _UNFINISHED.search(path) else FileState.EXTRA


def unrecorded(
    seen: Iterable[Seen],
    recorded: Callable[[], Iterator[bytes]],
    identity: Callable[[str], tuple[int, int] | None],
) -> Iterator[Seen]:
    """What was seen and not recorded. `recorded` gives all paths in the order of their bytes, each time anew;
    `identity` looks a recorded path up on the drive.

    A drive that keeps names in another Unicode form or case finds a file under its recorded name and lists
    it under another one: such a file is the recorded one, and not given.
    """
    others = _not_among(iter(seen), recorded())
    while some := list(islice(others, _AT_A_TIME)):
        yield from _without_twins(some, recorded(), identity)


def _not_among(seen: Iterator[Seen], recorded: Iterator[bytes]) -> Iterator[Seen]:
    current = next(recorded, None)
    for one in seen:
        raw = os.fsencode(one.path)
        while current is not None and current < raw:
            current = next(recorded, None)
        if current != raw:
            yield one


def _without_twins(
    some: Sequence[Seen], recorded: Iterator[bytes], identity: Callable[[str], tuple[int, int] | None]
) -> Iterator[Seen]:
    folded: dict[str, list[str]] = {fold(os.fsencode(one.path)): [] for one in some}
    for raw in recorded:
        if (twins := folded.get(fold(raw))) is not None:
            twins.append(os.fsdecode(raw))
    for one in some:
        twins = folded[fold(os.fsencode(one.path))]
        if not any(identity(twin) == one.identity for twin in twins):
            yield one
