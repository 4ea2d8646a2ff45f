"""Check one folder, file by file: read from the medium, compare, have it written down."""

from __future__ import annotations

import os
import time
from collections.abc import Collection, Iterator

from ingest.check.context import Control
from ingest.check.hash_list import Records
from ingest.check.ledger import Outcome
from ingest.check.model import CheckedFile, Expected, FileState
from ingest.check.opened import OpenFolder
from ingest.check.read_back import ReadBack, read_back, why_no_bytes
from ingest.check.report import CheckReport, FolderReport
from ingest.check.sweep import Missing, Swept, missing_file, moved_file, sweep
from ingest.folders import open_below
from ingest.orders import Problem
from shared.errors import DestinationGoneError
from shared.models.base import now

FLUSH_FILES = 500
FLUSH_SECONDS = 1.0
# A file that has grown by more is not read to its end to say that it differs: it may claim any size.
GROWN_BYTES = 1 << 30
# So many files in a row without a byte mean that the drive is failing, and reading on would wear it out.
UNREADABLE_IN_A_ROW = 20


class CheckedFolder:
    """The check of one open folder. Files come one by one to `prove`, in any order; then `finish`."""

    def __init__(self, opened: OpenFolder, number: int, report: CheckReport, control: Control) -> None:
        self.opened = opened
        self.summary: FolderReport = report.folders[number]
        self.records = Records()
        self._number, self._report, self._control = number, report, control
        self._missing = Missing()
        self._waiting: list[Outcome] = []
        self._flushed = time.monotonic()
        self._unreadable_in_a_row = 0
        self._disagreeing: tuple[str, int] = ("", 0)
        self._inner: tuple[str, int] | None = None

    def close(self) -> None:
        self._close_inner()
        self.records.close()

    # --- one file ------------------------------------------------------------------------------------

    def prove(self, expected: Expected, progress: list[int]) -> bool:
        """Read a file and compare. `progress[0]` rises by its bytes. False: it was given up as the run ends.

        Raises DestinationGoneError when the drive is not there any more, or gives nothing.
        """
        before = progress[0]
        if self.opened.is_own_chain(expected.path):
            self._report.add(CheckedFile(self._number, expected.path, FileState.VERIFIED, key=expected.key))
        elif not self._read_and_compare(expected, progress):
            return False
        progress[0] = before + (expected.size or 0)
        self.summary.checked += 1
        self.summary.checked_bytes += expected.size or 0
        if len(self._waiting) >= FLUSH_FILES or time.monotonic() - self._flushed >= FLUSH_SECONDS:
            self.flush()
        if self._unreadable_in_a_row >= UNREADABLE_IN_A_ROW:
            raise DestinationGoneError(
                f"{UNREADABLE_IN_A_ROW} files in a row can't be read: the rest was left alone",
                path=self.opened.target.shown(),
                remedy="Try another cable or port. If it stays so the drive is failing: "
                "make new copies from another one first.",
            )
        return True

    def _read_and_compare(self, expected: Expected, progress: list[int]) -> bool:
        try:
            found = self._read(expected, progress)
        except OSError as error:
            self.opened.still_there()
            self._no_bytes(expected, error)
            return True
        if found is not None:
            self._compare(expected, found)
        return found is not None

    def flush(self) -> None:
        """Write down what is known: a run that is killed after this goes on from here."""
        if self._waiting:
            self.opened.ledger.write(self._waiting)
            self._waiting = []
        self._flushed = time.monotonic()

    def _read(self, expected: Expected, progress: list[int]) -> ReadBack | None:
        above, _, name = expected.path.rpartition("/")

        def count(length: int) -> None:
            progress[0] += length

        return read_back(
            self.opened.disk,
            name,
            self._folder(above),
            self.opened.algorithms_for(expected),
            self.opened.buffer,
            most=_most(expected),
            count=count,
            stopped=self._control.stopped,
        )

    def _folder(self, path: str) -> int:
        """A handle on a folder of the target, kept while its files come one after the other."""
        if self._inner is None or self._inner[0] != path:
            self._close_inner()
            target = self.opened.target
            self._inner = path, open_below(self.opened.disk, target.root, target.below(path), make=False)
        return self._inner[1]

    def _close_inner(self) -> None:
        if self._inner is not None:
            os.close(self._inner[1])
            self._inner = None

    def _compare(self, expected: Expected, found: ReadBack) -> None:
        self._unreadable_in_a_row = 0
        self.summary.bytes_read += found.size if found.hashes else 0
        self.summary.from_medium &= found.from_medium
        if found.changed:
            self._settle(expected, FileState.UNCHECKED, "it changed while it was read", found)
            return
        if not expected.hashes:
            self._settle(expected, FileState.UNCHECKED, "no good hash of it was ever recorded", found)
            return
        wrong = next((one for one, value in expected.hashes.items() if found.hashes.get(one) != value), None)
        if wrong is not None:
            self._settle(expected, FileState.DIFFERS, _difference(expected, found, wrong), found, wrong)
        elif expected.size not in (None, found.size):
            self._settle(expected, FileState.DIFFERS, _sizes(expected, found), found)
        else:
            self._settle(expected, FileState.VERIFIED, None, found)
        if found.hashes:
            failed = wrong is not None
            self.records.add(expected.path, found.size, found.mtime_ns, found.hashes, failed=failed)
        if wrong is None and self.opened.contradicts(expected.path, found.hashes):
            self._disagreeing = self._disagreeing[0] or expected.path, self._disagreeing[1] + 1

    def _no_bytes(self, expected: Expected, error: OSError) -> None:
        state, problem = why_no_bytes(error)
        if state is FileState.MISSING:
            # Told in `finish`, when it is known whether it was only moved.
            self._missing.add(expected)
            self._note(expected.key, state, problem)
            return
        self._settle(expected, state, problem)
        if state is FileState.UNREADABLE:
            self._unreadable_in_a_row += 1

    def _settle(
        self,
        expected: Expected,
        state: FileState,
        problem: str | None,
        found: ReadBack | None = None,
        wrong: str | None = None,
    ) -> None:
        """Say what was found, and have it written down."""
        algorithm = wrong or next(iter(expected.hashes), None)
        self._report.add(
            CheckedFile(
                self._number,
                expected.path,
                state,
                key=expected.key,
                size=expected.size,
                found_size=None if found is None else found.size,
                algorithm=algorithm,
                expected=None if algorithm is None else expected.hashes[algorithm],
                found=None if algorithm is None or found is None else found.hashes.get(algorithm),
                problem=problem,
            )
        )
        self._note(expected.key, state, problem, None if found is None else found.mtime_ns)

    def _note(self, key: int, state: FileState, problem: str | None, mtime_ns: int | None = None) -> None:
        self._waiting.append(Outcome(key, state, problem, mtime_ns, now()))

    # --- the folder ----------------------------------------------------------------------------------

    def finish(self, *, look_for_extra: bool) -> Swept:
        """Name what is missing; before that, look for what nobody recorded. Raises DestinationGoneError."""
        self.flush()
        swept = Swept()
        if look_for_extra and self.opened.handle is not None:
            swept = self._sweep()
        for key, path in swept.moved:
            for expected in self._pages([key]):
                moved = moved_file(self._number, expected, path)
                self._report.add(moved)
                self._note(key, FileState.MOVED, moved.problem)
        for expected in self._pages(self._missing.keys):
            self._report.add(missing_file(self._number, expected))
        self.flush()
        path, count = self._disagreeing
        if count:
            # They were written together: one of them was changed since.
            self._report.add_problem(
                Problem(
                    "manifest",
                    self.opened.target.shown(path),
                    f"the copy is as the catalogue has it, but its hash list says otherwise ({count} files)",
                    "Hold the hash list against that of another copy: one of them was changed.",
                )
            )
        return swept

    def _sweep(self) -> Swept:
        return sweep(
            self.opened,
            self._number,
            self._missing,
            self._folder,
            self._control,
            self._report.add,
            self._report.add_problem,
        )

    def _pages(self, keys: Collection[int]) -> Iterator[Expected]:
        ordered = sorted(keys)
        for start in range(0, len(ordered), FLUSH_FILES):
            yield from self.opened.ledger.expected(ordered[start : start + FLUSH_FILES])


def _most(expected: Expected) -> int | None:
    """The size beyond which a file is not read: without a hash there is nothing to compare it with."""
    if not expected.hashes:
        return -1
    return None if expected.size is None else expected.size + GROWN_BYTES


def _difference(expected: Expected, found: ReadBack, algorithm: str) -> str:
    if algorithm not in found.hashes:
        return f"{_sizes(expected, found)}: it was not read"
    said = f"{algorithm} differs: expected {expected.hashes[algorithm]}, found {found.hashes[algorithm]}"
    return said if expected.size in (None, found.size) else f"{said}; {_sizes(expected, found)}"


def _sizes(expected: Expected, found: ReadBack) -> str:
    return f"{expected.size:,} bytes were recorded, it has {found.size:,}"
