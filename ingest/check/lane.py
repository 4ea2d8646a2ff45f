"""One lane a physical drive: its folders are read one file after the other, so that no disk has to seek."""

from __future__ import annotations

from array import array
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, suppress
from dataclasses import dataclass, field
from itertools import groupby

from ingest.check.context import Context
from ingest.check.folder import CheckedFolder
from ingest.check.generation import common_algorithm, write_down
from ingest.check.hash_list import HashList
from ingest.check.ledger import CatalogueLedger, Ledger, ListedLedger
from ingest.check.model import FileState, Progress
from ingest.check.opened import open_target
from ingest.check.places import Target
from ingest.check.read_back import read_buffer
from ingest.check.sweep import Swept
from ingest.orders import Problem
from shared.errors import AppError, DestinationGoneError, ManifestError

PAGE = 500


@dataclass(slots=True)
class Plan:
    """The work of one lane. `folders` and `keys` run side by side: which folder, and what in it, in order.
    `bare`: folders that are read by their hash lists, after that. Folders are numbers in the report."""

    targets: dict[int, Target] = field(default_factory=dict)
    folders: array[int] = field(default_factory=lambda: array("l"))
    keys: array[int] = field(default_factory=lambda: array("q"))
    bare: list[int] = field(default_factory=list)

    def pages(self) -> Iterator[tuple[int, list[int]]]:
        """The keys of one folder at a time, some hundreds at most."""
        position = 0
        for number, group in groupby(self.folders):
            end = position + sum(1 for _ in group)
            for start in range(position, end, PAGE):
                yield number, list(self.keys[start : min(end, start + PAGE)])
            position = end


class Lane:
    """Checks the folders of one drive in the calling thread."""

    def __init__(self, plan: Plan, progress: Progress, context: Context) -> None:
        self._plan, self._progress, self._context = plan, progress, context
        self._report = context.report
        self._remaining = Counter(plan.folders)
        self._open: dict[int, tuple[CheckedFolder, ExitStack]] = {}
        self._refused: set[int] = set()
        self._gone: set[str] = set()
        self._begun = False

    def run(self) -> None:
        """Check until all is done, the time is up or somebody stops it. Raises what no code foresees."""
        memory = read_buffer()
        with memoryview(memory) as buffer:
            try:
                for number, keys in self._plan.pages():
                    if self._is_over():
                        break
                    self._check(number, keys, buffer)
                for number in self._plan.bare:
                    if self._is_over():
                        self._report.folders[number].not_begun = True
                    else:
                        self._check_bare(number, buffer)
                for number in list(self._open):
                    self._finish(number)
            finally:
                for folder, stack in self._open.values():
                    folder.flush()
                    stack.close()
        with suppress(BufferError):  # a view in a traceback may outlive the reading
            memory.close()

    def _is_over(self) -> bool:
        """At least one file is checked in any case, so that each run gets on."""
        control = self._context.control
        return control.stopped() or (self._begun and control.time_is_up())

    def _check(self, number: int, keys: Sequence[int], buffer: memoryview) -> None:
        folder = self._folder(number, buffer)
        if folder is not None:
            self._prove(number, folder, keys)
        self._remaining[number] -= len(keys)
        # Held while some of its files are due: a folder's files may come in several turns.
        if not self._remaining[number]:
            self._finish(number)

    def _check_bare(self, number: int, buffer: memoryview) -> None:
        folder = self._folder(number, buffer)
        if folder is not None:
            self._prove_listed(number, folder)
            self._finish(number)

    def _prove_listed(self, number: int, folder: CheckedFolder) -> None:
        ledger = folder.opened.ledger
        assert isinstance(ledger, ListedLedger), "a bare folder has nothing but its hash list"
        keys = ledger.keys(oldest=self._context.oldest)
        folder.summary.files, folder.summary.bytes = len(keys), ledger.total_bytes
        for start in range(0, len(keys), PAGE):
            if self._is_over():
                break
            self._prove(number, folder, keys[start : start + PAGE])

    def _prove(self, number: int, folder: CheckedFolder, keys: Sequence[int]) -> None:
        if number in self._refused:
            return
        try:
            for expected in folder.opened.ledger.expected(keys):
                if self._is_over() or not folder.prove(expected, self._progress.done):
                    return
                self._begun = True
        except DestinationGoneError as error:
            self._leave(number, error)

    # --- folders -------------------------------------------------------------------------------------

    def _folder(self, number: int, buffer: memoryview) -> CheckedFolder | None:
        """The folder, opened and held from now on. None: it can't be checked, and the report says why."""
        if number in self._open:
            return self._open[number][0]
        target = self._plan.targets[number]
        if number in self._refused:
            return None
        if str(target.root) in self._gone:
            self._skip(number, "the drive went before it was its turn")
            return None
        with ExitStack() as stack:
            try:
                opened = stack.enter_context(
                    open_target(
                        self._context.disk, target, buffer, self._ledger_of(target), self._tell_bad_list
                    )
                )
            except AppError as error:
                self._refuse(number, error)
                if isinstance(error, DestinationGoneError):
                    self._gone.add(str(target.root))
                return None
            folder = CheckedFolder(opened, number, self._report, self._context.control)
            stack.callback(folder.close)
            for warning in opened.hash_list.warnings if opened.hash_list is not None else ():
                self._report.add_problem(Problem("note", None, warning))
            self._open[number] = folder, stack.pop_all()
        return folder

    def _ledger_of(self, target: Target) -> Callable[[HashList], Ledger]:
        def make(hash_list: HashList) -> Ledger:
            if target.holding is None:
                return ListedLedger(hash_list)
            return CatalogueLedger(self._context.desk, target.holding)

        return make

    def _tell_bad_list(self, error: ManifestError) -> None:
        self._report.add_problem(Problem("manifest", error.path, error.message, error.remedy))

    def _refuse(self, number: int, error: AppError) -> None:
        """Say once why a folder is not checked."""
        kind = "manifest" if isinstance(error, ManifestError) else "destination"
        self._report.add_problem(Problem(kind, error.path, error.message, error.remedy))
        self._skip(number, error.message)

    def _skip(self, number: int, why: str) -> None:
        self._report.folders[number].skipped = why
        self._refused.add(number)

    def _leave(self, number: int, error: DestinationGoneError) -> None:
        """The drive is gone: what is known is kept, the rest of it is left alone and said once."""
        root = str(self._plan.targets[number].root)
        if root not in self._gone:
            self._report.add_problem(Problem("destination", error.path, error.message, error.remedy))
        self._gone.add(root)
        for other, (folder, stack) in list(self._open.items()):
            if str(folder.opened.target.root) == root:
                folder.finish(look_for_extra=False)
                self._skip(other, error.message)
                stack.close()
                del self._open[other]

    def _finish(self, number: int) -> None:
        """Sweep a folder, add what was found to its hash list, and let go of it."""
        if number not in self._open:
            return
        folder, stack = self._open[number]
        try:
            swept = folder.finish(look_for_extra=not self._context.control.stopped())
        except DestinationGoneError as error:
            self._leave(number, error)
            return
        with stack:
            del self._open[number]
            if folder.opened.hash_list is not None and len(folder.records):
                folder.opened.forget_list()
                self._write_down(number, folder, swept)

    def _write_down(self, number: int, folder: CheckedFolder, swept: Swept) -> None:
        holding = folder.opened.target.holding
        verified = folder.summary.counts[FileState.VERIFIED]
        there = write_down(
            self._context,
            number,
            folder.opened.target,
            folder.records,
            process="in-place",
            algorithm=common_algorithm(folder.records) if holding is None else holding.algorithm,
            complete=swept.clean and verified == folder.summary.files,
            empty_folders=swept.empty_folders,
        )
        if not there:
            self._gone.add(str(folder.opened.target.root))
