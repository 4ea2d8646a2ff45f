"""Where the bytes of a bad copy may be had: its other copies, each read again before it is believed."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from ingest.check.context import Context
from ingest.check.ledger import COPY_STATES
from ingest.check.model import CheckedFile, FileState, shown
from ingest.check.places import Target, why_out_of_reach
from ingest.check.read_back import ReadBack, why_no_bytes
from ingest.check.rewrite import Content, Rewriter, Spot
from ingest.folders import open_below
from ingest.orders import Problem
from shared.catalogue.checks import CopyOutcome, FileToRepair, holdings, write_outcomes
from shared.models import CopyState
from shared.models.base import now


@dataclass(frozen=True, slots=True)
class Source:
    """Another copy of a file. `path` is below `root`; `key`: its copy's id, None for the bytes of the bad
    copy itself under another name."""

    root: Path
    path: str
    key: int | None

    @property
    def shown(self) -> str:
        return shown(str(self.root / self.path))


@dataclass(frozen=True, slots=True)
class Found:
    """A temporary file with the right bytes, proven; `source`: where they came from, for people."""

    partial: str
    read: ReadBack
    source: str


class Sources:
    """Finds good copies. One that turns out to be bad as well is written down, and told once."""

    def __init__(self, context: Context) -> None:
        self._context = context
        self._out_of_reach: dict[str, str | None] = {}
        report = context.report
        self._told = {one.key for n in report.folders_with_bad() for one in report.take_bad(n)}

    def write_partial(
        self, rewriter: Rewriter, spot: Spot, checked: CheckedFile, target: Target, file: FileToRepair,
        content: Content,
    ) -> Found | str:  # fmt: skip
        """Write a file anew from the first copy that proves good. As text: why there is none.

        Raises DestinationError and ChecksumMismatchError for the drive that is written to.
        """
        faults = []
        if checked.moved_to is not None:
            moved = Source(target.root, target.below(checked.moved_to), None)
            made = self._from(rewriter, spot, moved, content)
            if isinstance(made, Found):
                return made
            faults.append(f"{moved.shown}: {made}")
        for other in file.others:
            if (why := self._reach(other.root)) is not None:
                faults.append(f"{shown(other.root)}: {why}")
                continue
            path = f"{file.folder}/{os.fsdecode(file.path)}"
            source = Source(Path(other.root), path, other.copy_id)
            made = self._from(rewriter, spot, source, content)
            if isinstance(made, Found):
                return made
            faults.append(f"{source.shown}: {made}")
        return "; ".join(faults) or "it has no other copy"

    def _from(self, rewriter: Rewriter, spot: Spot, source: Source, content: Content) -> Found | str:
        above, _, name = source.path.rpartition("/")
        try:
            folder = open_below(self._context.disk, source.root, above, make=False)
        except OSError as error:
            return self._no_good(source, *why_no_bytes(error))
        try:
            fault = self._prove(rewriter, source, name, folder, content)
            if fault is not None:
                return fault
            made = rewriter.write_partial(spot, (name, folder), content)
        except OSError as error:
            return self._no_good(source, *why_no_bytes(error))
        finally:
            os.close(folder)
        if made is None:
            return "it gave other bytes when it was copied, or the run was ended"
        return Found(*made, source=source.shown)

    def _prove(
        self, rewriter: Rewriter, source: Source, name: str, folder: int, content: Content
    ) -> str | None:
        """Read a source from its medium. Why it is no good, or None; what is found is written down."""
        found = rewriter.read(name, folder, content)
        if found is None:
            return "the run was ended"
        if found.changed:
            return "it changed while it was read"
        if not content.is_in(found):
            return self._no_good(source, FileState.DIFFERS, "it differs as well")
        if source.key is not None:
            verified = CopyState.VERIFIED
            self._write(CopyOutcome(source.key, verified, mtime_ns=found.mtime_ns, checked_at=now()))
        return None

    def _no_good(self, source: Source, state: FileState, why: str) -> str:
        if source.key is not None and source.key not in self._told:
            self._told.add(source.key)
            self._write(CopyOutcome(source.key, COPY_STATES.get(state), why))
            remedy = "Check that drive as well."
            self._context.report.add_problem(Problem("copy", source.shown, why, remedy))
        return why

    def _write(self, outcome: CopyOutcome) -> None:
        with self._context.desk.writing() as session:
            write_outcomes(session, [outcome])

    def _reach(self, root: str) -> str | None:
        if root not in self._out_of_reach:
            with self._context.desk.reading() as session:
                folders = [one.folder for one in holdings(session) if one.root == root]
            self._out_of_reach[root] = why_out_of_reach(Path(root), folders)
        return self._out_of_reach[root]
