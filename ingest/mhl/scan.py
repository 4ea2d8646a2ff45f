"""Read the files of a history one by one: the chain first, then each manifest against its C4, in order.

Nothing here trusts what it reads: links are not followed, sizes are bounded, and whatever breaks a rule
becomes a `Problem` that names the file and the rule.
"""

from __future__ import annotations

import errno
import hashlib
import os
import stat
from collections.abc import Generator, Iterator
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

from ingest.durable import Disk, is_plain_file
from ingest.folders import open_below
from ingest.hashes import c4_text
from ingest.mhl.chain import ChainEntry, parse_chain
from ingest.mhl.ignore import ALWAYS
from ingest.mhl.known import Known
from ingest.mhl.model import CHAIN, FOLDER, FileRecord, FolderRecord, Reference
from ingest.mhl.parse import Head, ManifestTarget
from ingest.mhl.rules import Problem, Rule, number_in_name, shown
from ingest.mhl.safexml import parse
from shared.errors import ManifestError

MAX_MANIFEST = 1 << 30  # bytes; some three million records
MAX_CHAIN = 16 << 20
_CHUNK = 256 * 1024


class Reader(Protocol):
    """Takes what a history says, generation by generation, in order."""

    def take_file(self, record: FileRecord, /) -> None: ...
    def take_folder(self, record: FolderRecord, /) -> None: ...
    def end_generation(self, entry: ChainEntry, head: Head, /) -> None: ...


class Ignoring:
    """A reader for callers that want the scan's own results alone."""

    def take_file(self, record: FileRecord, /) -> None:
        pass

    def take_folder(self, record: FolderRecord, /) -> None:
        pass

    def end_generation(self, entry: ChainEntry, head: Head, /) -> None:
        pass


@dataclass(slots=True)
class Scan:
    """A history as the next generation needs it. `unlisted`: manifests that the chain does not know,
    such as one that a kill left between its own publishing and the chain's."""

    entries: list[ChainEntry] = field(default_factory=list)
    unlisted: list[str] = field(default_factory=list)
    ignore: dict[str, None] = field(default_factory=dict)
    references: dict[Reference, str] = field(default_factory=dict)
    known: Known = field(default_factory=Known)
    problems: list[Problem] = field(default_factory=list)

    @property
    def fatal(self) -> list[Problem]:
        return [problem for problem in self.problems if problem.fatal]


def open_history_folder(disk: Disk, root: int) -> int | None:
    """A handle on the `ascmhl` folder of an open folder, or None where there is none.

    Raises ManifestError when something else has the name: a link could lead anywhere.
    """
    try:
        found = disk.stat_at(FOLDER, at=root)
    except FileNotFoundError:
        return None
    if not stat.S_ISDIR(found.st_mode):
        raise ManifestError(
            f"{FOLDER} is not a folder, so there can be no history here",
            path=FOLDER,
            remedy="Look at what has this name, and move it away if it is nothing of yours.",
        )
    return disk.open_folder(FOLDER, at=root)


def scan_history(disk: Disk, folder: int, reader: Reader) -> Scan | None:
    """Read all of an open `ascmhl` folder but what its references point to. None: it holds no history.

    A fatal problem ends the reading. Raises OSError.
    """
    names = os.listdir(folder)
    manifests = sorted(name for name in names if name.endswith(".mhl") and not name.startswith("._"))
    if CHAIN not in names and not manifests:
        return None
    scan = Scan()
    if CHAIN in names:
        _read_chain(disk, folder, scan)
    elif len(manifests) > 1 or number_in_name(manifests[0]) != 1:
        # A single first manifest is what a kill leaves; anything else has lost its chain.
        scan.problems.append(Problem(Rule.CHAIN, f"{FOLDER}/{CHAIN}", "there are manifests but no chain"))
    if scan.fatal:
        return scan
    listed = {entry.name for entry in scan.entries}
    scan.unlisted = [name for name in manifests if name not in listed]
    scan.problems += [
        Problem(Rule.UNLISTED, f"{FOLDER}/{shown(name)}", "the chain does not list it, so it is not read")
        for name in scan.unlisted
    ]
    for entry in scan.entries:
        scan_manifest(disk, folder, entry, scan, reader)
        if scan.fatal:
            break
    return scan


def scan_manifest(disk: Disk, folder: int, entry: ChainEntry, scan: Scan, reader: Reader) -> None:
    """Read one manifest of the chain into the scan. Raises OSError."""
    shown_name = f"{FOLDER}/{shown(entry.name)}"

    def take_file(record: FileRecord) -> None:
        scan.known.add(record)
        reader.take_file(record)

    target = ManifestTarget(
        shown_name,
        known=scan.known,
        ignored=tuple(scan.ignore),
        on_file=take_file,
        on_folder=reader.take_folder,
    )
    try:
        c4 = read_into_target(disk, folder, entry.name, target)
    except FileNotFoundError:
        scan.problems.append(Problem(Rule.MISSING, shown_name, f"manifest {entry.number} is not there"))
        return
    unread = any(problem.rule in (Rule.LIMIT, Rule.UNREADABLE) for problem in target.problems)
    if c4 != entry.c4 and not unread:
        # Whatever else is wrong with it follows from this.
        scan.problems.append(Problem(Rule.C4, shown_name, f"its C4 is {c4}, the chain says {entry.c4}"))
        return
    scan.problems += target.problems
    if target.head is None or scan.fatal:
        return
    contradictions, strays = scan.known.end_generation()
    if contradictions:
        detail = f"{contradictions} of its good hashes differ from the earlier ones, which hold"
        scan.problems.append(Problem(Rule.CONTRADICTION, shown_name, detail))
    if strays:
        detail = f"{strays} of its renames start from a path never recorded"
        scan.problems.append(Problem(Rule.RENAME, shown_name, detail))
    scan.problems += _told(entry, target.head, scan, shown_name)
    scan.ignore |= dict.fromkeys(target.head.ignore)
    scan.references |= dict.fromkeys(target.head.references, shown_name)
    reader.end_generation(entry, target.head)


def read_into_target(disk: Disk, folder: int, name: str, target: ManifestTarget) -> str:
    """Give a manifest's bytes to the target. Returns their C4. Raises OSError."""
    sha512 = hashlib.sha512()

    def hashed() -> Iterator[bytes]:
        for chunk in _chunks(disk, folder, name, MAX_MANIFEST):
            sha512.update(chunk)
            yield chunk

    try:
        parse(hashed(), target)
    except _RefusedError as error:
        target.problems.append(Problem(error.rule, target.file, str(error)))
    if target.head is None and not target.problems:
        target.problems.append(Problem(Rule.XML, target.file, "it ends too soon"))
    return c4_text(sha512.digest())


class _RefusedError(Exception):
    def __init__(self, rule: Rule, detail: str) -> None:
        super().__init__(detail)
        self.rule = rule


def _chunks(disk: Disk, folder: int, name: str, limit: int) -> Generator[bytes, None, None]:
    """The bytes of a plain file. Raises _RefusedError for anything else; OSError."""
    try:
        handle = disk.open_source(name, at=folder)
    except OSError as error:
        if error.errno in (errno.ELOOP, errno.ENXIO):
            raise _RefusedError(Rule.UNREADABLE, "it is a link or no plain file") from error
        raise
    try:
        state = disk.size_and_times(handle)
        if not is_plain_file(state):
            raise _RefusedError(Rule.UNREADABLE, "it is no plain file")
        if state.st_size > limit:
            raise _RefusedError(Rule.LIMIT, f"it has {state.st_size} bytes, more than {limit}")
        memory = bytearray(_CHUNK)
        with memoryview(memory) as view:
            total = 0
            while (count := disk.read_into(handle, view)) > 0:
                total += count
                if total > limit:
                    raise _RefusedError(Rule.LIMIT, f"it has more than {limit} bytes")
                yield bytes(view[:count])
    finally:
        os.close(handle)


def read_chain(disk: Disk, folder: int) -> Scan:
    """The chain of an open `ascmhl` folder, and nothing else of the history. Raises OSError."""
    scan = Scan()
    _read_chain(disk, folder, scan)
    return scan


def _read_chain(disk: Disk, folder: int, scan: Scan) -> None:
    with closing(_chunks(disk, folder, CHAIN, MAX_CHAIN)) as chunks:
        try:
            entries, problems = parse_chain(chunks)
        except _RefusedError as error:
            scan.problems.append(Problem(error.rule, f"{FOLDER}/{CHAIN}", str(error)))
            return
    scan.entries += entries
    scan.problems += problems


def _told(entry: ChainEntry, head: Head, scan: Scan, shown_name: str) -> Iterator[Problem]:
    """What a reader should hear of, though it takes nothing from the history."""
    if number_in_name(entry.name) != entry.number:
        yield Problem(Rule.NAME, shown_name, f"it is manifest {entry.number}")
    if lost := [one for one in scan.ignore if one not in head.ignore and one not in ALWAYS]:
        yield Problem(Rule.SHRUNK, shown_name, f"it lacks {shown(lost[0])}, which goes on to hold")


def check_references(disk: Disk, root: Path, scan: Scan) -> list[Problem]:
    """Hold the inner manifests that were pointed to against the C4 written down. Raises OSError."""
    problems: list[Problem] = []
    for reference, file in scan.references.items():
        above, _, name = reference.path.rpartition("/")
        try:
            folder = open_below(disk, root, above, make=False)
        except OSError as error:
            if error.errno not in (errno.ENOENT, errno.ENOTDIR, errno.ELOOP):
                raise
            problems.append(Problem(Rule.REFERENCE, file, f"{shown(reference.path)} is not there"))
            continue
        try:
            sha512 = hashlib.sha512()
            for chunk in _chunks(disk, folder, name, MAX_MANIFEST):
                sha512.update(chunk)
            if c4_text(sha512.digest()) != reference.c4:
                detail = f"{file} points to another content under this name"
                problems.append(Problem(Rule.C4, shown(reference.path), detail))
        except FileNotFoundError:
            problems.append(Problem(Rule.REFERENCE, file, f"{shown(reference.path)} is not there"))
        except _RefusedError as error:
            problems.append(Problem(error.rule, shown(reference.path), str(error)))
        finally:
            os.close(folder)
    return problems
