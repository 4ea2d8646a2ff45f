"""Look the other way once the files of a folder are read: what is extra there, and what was only moved."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from ingest.check.context import Control
from ingest.check.ledger import FindTwin
from ingest.check.model import CheckedFile, Expected, FileState, shown
from ingest.check.opened import OpenFolder
from ingest.check.read_back import read_back
from ingest.check.walk import Seen, Walk, state_of_unrecorded, unrecorded
from ingest.orders import Problem

OpenInner = Callable[[str], int]  # path relative to the folder → a handle that others may close; OSError
Tell = Callable[[CheckedFile], None]


@dataclass(slots=True)
class Missing:
    """What a check missed. `sizes` and `algorithms` are those of the files, so that only what could be one
    of them is read."""

    keys: set[int] = field(default_factory=set)
    sizes: set[int | None] = field(default_factory=set)
    algorithms: set[str] = field(default_factory=set)

    def add(self, expected: Expected) -> None:
        self.keys.add(expected.key)
        if expected.hashes:  # else nothing can be told to be it
            self.sizes.add(expected.size)
            self.algorithms |= expected.hashes.keys()

    def may_be(self, seen: Seen) -> bool:
        return bool(self.keys) and seen.plain and (seen.size in self.sizes or None in self.sizes)


@dataclass(frozen=True, slots=True)
class Swept:
    """`clean`: nothing stands there but what was recorded; `empty_folders` as the hash list wants them;
    `moved`: the new path of missing files, by key."""

    clean: bool = False
    empty_folders: tuple[str, ...] = ()
    moved: tuple[tuple[int, str], ...] = ()


def sweep(
    opened: OpenFolder,
    number: int,
    missing: Missing,
    open_inner: OpenInner,
    control: Control,
    tell: Tell,
    on_problem: Callable[[Problem], None],
) -> Swept:
    """Name everything below an open folder that is not recorded. A missing file whose content stands under
    such a name is moved, and taken out of `missing`.

    Raises DestinationGoneError; OSError when the folder itself can't be read any more.
    """
    assert opened.handle is not None, "only a folder that is there can be swept"
    walk = Walk(opened.disk, opened.ignores)
    find_twin = opened.ledger.twins_among(missing.keys)
    clean, moved = True, []

    def identity(path: str) -> tuple[int, int] | None:
        above, _, name = path.rpartition("/")
        try:
            found = opened.disk.stat_at(name, at=open_inner(above))
        except OSError:
            return None
        return found.st_dev, found.st_ino

    for one in unrecorded(walk.below(opened.handle), opened.ledger.recorded, identity):
        state = state_of_unrecorded(one.path)
        if state is FileState.EXTRA and opened.ignores(one.path, False):
            continue
        key = None
        if state is FileState.EXTRA:
            clean = False
            if missing.may_be(one):
                key = _twin(opened, one, missing, open_inner, control, find_twin)
        if key is None:
            problem = None if one.plain else "it is a link or no plain file"
            tell(CheckedFile(number, one.path, state, found_size=one.size, problem=problem))
        else:
            missing.keys.discard(key)
            moved.append((key, one.path))
    for path, reason in walk.unlisted:
        opened.still_there()
        on_problem(
            Problem("destination", opened.target.shown(path), f"it could not be looked into: {reason}")
        )
    return Swept(clean and not walk.unlisted, tuple(walk.empty), tuple(moved))


def _twin(
    opened: OpenFolder,
    one: Seen,
    missing: Missing,
    open_inner: OpenInner,
    control: Control,
    find_twin: FindTwin,
) -> int | None:
    """Which missing file this is, by its content; None when it is none, or can't be told any more."""
    if control.time_is_up() or control.stopped():
        return None
    above, _, name = one.path.rpartition("/")
    try:
        found = read_back(
            opened.disk,
            name,
            open_inner(above),
            sorted(missing.algorithms),
            opened.buffer,
            stopped=control.stopped,
        )
    except OSError:
        return None
    if found is None or found.changed:
        return None
    return find_twin(found.size, found.hashes)


def moved_file(number: int, expected: Expected, path: str) -> CheckedFile:
    """The outcome for a missing file that was found under another name."""
    algorithm = next(iter(expected.hashes))
    return CheckedFile(
        number,
        expected.path,
        FileState.MOVED,
        key=expected.key,
        size=expected.size,
        found_size=expected.size,
        algorithm=algorithm,
        expected=expected.hashes[algorithm],
        found=expected.hashes[algorithm],
        moved_to=path,
        problem=f"it stands under another name: {shown(path)}",
    )


def missing_file(number: int, expected: Expected) -> CheckedFile:
    algorithm = next(iter(expected.hashes), None)
    return CheckedFile(
        number,
        expected.path,
        FileState.MISSING,
        key=expected.key,
        size=expected.size,
        algorithm=algorithm,
        expected=None if algorithm is None else expected.hashes[algorithm],
        problem="it is not there",
    )
