"""Repair: put the bytes of a copy that was just proven good in the place of each bad one."""

from __future__ import annotations

import dataclasses
import os
import secrets
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager, suppress

from ingest.check.context import Context
from ingest.check.generation import write_down
from ingest.check.hash_list import Records
from ingest.check.ledger import CatalogueLedger
from ingest.check.model import CheckedFile, Expected, FileState, Following, Repair
from ingest.check.opened import OpenFolder, open_target
from ingest.check.places import Target
from ingest.check.read_back import read_buffer
from ingest.check.rewrite import Content, Placed, Rewriter, Spot, partials_in
from ingest.check.sources import Found, Sources
from ingest.durable import on_destination
from ingest.folders import open_below
from ingest.orders import Problem
from ingest.own_chain import is_chain
from shared.catalogue.checks import (
    CopyOutcome,
    FileToRepair,
    file_to_repair,
    is_recorded,
    write_outcomes,
)
from shared.errors import (
    AppError,
    ConflictError,
    DestinationError,
    DestinationFullError,
    ManifestError,
    RefusedFileError,
    VerifyError,
)
from shared.models import CopyState
from shared.models.base import now

NO_CATALOGUE = "no other copy of it is known: a repair needs the catalogue"
OWN_CHAIN = "each copy's chain names its own generations, so no other copy can stand in for it"
NO_HASH = "its hash was never known"
STOPPED = "the run was ended before it was repaired"


def repair_all(targets: Mapping[int, Target], context: Context, following: Following) -> None:
    """Repair what the check found bad, folder by folder. Every file is given back to the report."""
    report = context.report
    sources = Sources(context)
    with _memory() as buffer:
        for number in report.folders_with_bad():
            following.say(f"repairing in {targets[number].shown()}")
            with _Mending(number, targets[number], context, sources, buffer) as mending:
                for checked in report.take_bad(number):
                    following.tick()
                    report.add_mended(dataclasses.replace(checked, repair=mending.repair(checked)))
                mending.write_down()


@contextmanager
def _memory() -> Iterator[memoryview]:
    memory = read_buffer()
    try:
        with memoryview(memory) as buffer:
            yield buffer
    finally:
        with suppress(BufferError):  # a view in a traceback may outlive the reading
            memory.close()


class _Mending(ExitStack):
    """The repair of one folder, which is opened and held once its first file is to be written."""

    def __init__(
        self, number: int, target: Target, context: Context, sources: Sources, buffer: memoryview
    ) -> None:
        super().__init__()
        self._number, self._target, self._context, self._sources = number, target, context, sources
        self._buffer = buffer
        self._rewriter = Rewriter(context.disk, buffer, secrets.token_hex(4), context.control.stopped)
        self._records = Records()
        self.callback(self._records.close)
        self._opened: OpenFolder | None = None
        self._inner: tuple[str, int, frozenset[str]] | None = None
        self.callback(self._close_inner)
        self._over: str | None = None  # why nothing more is repaired in this folder

    def repair(self, checked: CheckedFile) -> Repair:
        """Repair one file. Never raises an AppError: what goes wrong is in the answer."""
        if self._target.holding is None:
            return Repair(False, problem=NO_CATALOGUE)
        if is_chain(checked.path):
            return Repair(False, problem=OWN_CHAIN)
        if self._context.control.stopped():
            self._over = self._over or STOPPED
        if self._over is not None:
            return Repair(False, problem=self._over)
        with self._context.desk.reading() as session:
            file = file_to_repair(session, checked.key)
        if file is None:
            return Repair(False, problem=NO_HASH)
        try:
            return self._repair(checked, file)
        except VerifyError as error:
            return Repair(False, problem=f"what was written did not prove right: {error.message}")
        except (DestinationError, ConflictError) as error:
            if not isinstance(error, RefusedFileError | DestinationFullError):
                # What stops the drive stops it for the files after this one as well.
                self._over = error.message
            self._tell(error)
            return Repair(False, problem=error.message)

    def write_down(self) -> None:
        """Add what was repaired to the hash list: bytes that were copied here anew, and proven."""
        if len(self._records) and self._opened is not None and self._opened.hash_list is not None:
            write_down(self._context, self._number, self._target, self._records, process="transfer")

    # --- one file ------------------------------------------------------------------------------------

    def _repair(self, checked: CheckedFile, file: FileToRepair) -> Repair:
        opened = self._hold()
        above, _, name = checked.path.rpartition("/")
        with on_destination(self._target.shown(checked.path)):
            folder, partials = self._folder(above)
        spot = Spot(self._target.root, folder, name, self._target.shown(checked.path))
        hashes = {file.algorithm: file.digest}
        algorithms = opened.algorithms_for(Expected(checked.key, checked.path, file.size, hashes))
        content = Content(file.size, file.mtime_ns, file.algorithm, file.digest, tuple(algorithms))
        found = self._finished(spot, above, partials, content)
        if found is None:
            made = self._sources.write_partial(self._rewriter, spot, checked, self._target, file, content)
            if isinstance(made, str):
                return Repair(False, problem=f"no good copy of it was found ({made})")
            found = made
        stands = checked.state in (FileState.DIFFERS, FileState.UNREADABLE)
        placed = self._rewriter.put_in_place(spot, found.partial, bad_stands_there=stands)
        return self._settle(checked, above, found, placed)

    def _finished(self, spot: Spot, above: str, partials: frozenset[str], content: Content) -> Found | None:
        """The good bytes that a repair before this one had ready when it was broken off."""

        def may_remove(name: str) -> bool:
            holding = self._target.holding
            assert holding is not None, "only a reel of the catalogue is repaired"
            path = os.fsencode(f"{above}/{name}" if above else name)
            with self._context.desk.reading() as session:
                return not is_recorded(session, holding.reel_id, path)

        made = self._rewriter.finished_partial(spot, partials, content, may_remove)
        return None if made is None else Found(*made, source=self._beside(above, made[0]))

    def _settle(self, checked: CheckedFile, above: str, found: Found, placed: Placed) -> Repair:
        """Write down how it ended."""
        aside = None if placed.set_aside is None else self._beside(above, placed.set_aside)
        if placed.problem is not None:
            self._tell(placed.problem)
            problem = placed.problem.message
            if aside is not None:
                problem += f"; the good copy waits as {self._beside(above, found.partial)}: run again"
                self._write(CopyOutcome(checked.key, CopyState.MISSING, problem))
            return Repair(False, found.source, aside, problem)
        read = found.read
        self._write(CopyOutcome(checked.key, CopyState.VERIFIED, mtime_ns=read.mtime_ns, checked_at=now()))
        self._records.add(checked.path, read.size, read.mtime_ns, read.hashes, failed=False)
        self._context.report.folders[self._number].from_medium &= read.from_medium
        return Repair(True, found.source, aside)

    def _beside(self, above: str, name: str) -> str:
        return self._target.shown(f"{above}/{name}" if above else name)

    def _write(self, outcome: CopyOutcome) -> None:
        with self._context.desk.writing() as session:
            write_outcomes(session, [outcome])

    def _tell(self, error: AppError) -> None:
        problem = Problem("destination", error.path, f"not repaired: {error.message}", error.remedy)
        self._context.report.add_problem(problem)

    # --- the folder ----------------------------------------------------------------------------------

    def _hold(self) -> OpenFolder:
        """Open the folder, made if it is missing, and keep other runs out. Raises AppError."""
        if self._opened is None:
            target, holding, disk = self._target, self._target.holding, self._context.disk
            assert holding is not None, "only a reel of the catalogue is repaired"
            with on_destination(target.shown()):
                os.close(open_below(disk, target.root, target.folder, make=True))
            ledger = CatalogueLedger(self._context.desk, holding)
            self._opened = self.enter_context(
                open_target(disk, target, self._buffer, lambda _: ledger, self._tell_bad_list)
            )
        return self._opened

    def _tell_bad_list(self, error: ManifestError) -> None:
        """The check told it already."""

    def _folder(self, path: str) -> tuple[int, frozenset[str]]:
        """A folder of the target, made if it is missing, and the temporary names in it. Raises OSError."""
        if self._inner is None or self._inner[0] != path:
            self._close_inner()
            target = self._target
            handle = open_below(self._context.disk, target.root, target.below(path), make=True)
            self._inner = path, handle, frozenset()
            self._inner = path, handle, partials_in(handle)
        return self._inner[1], self._inner[2]

    def _close_inner(self) -> None:
        if self._inner is not None:
            os.close(self._inner[1])
            self._inner = None
