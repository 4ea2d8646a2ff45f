"""What a check found: counts in memory, the files themselves in a temporary file."""

from __future__ import annotations

import dataclasses
import datetime as dt
import json
import threading
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, TextIO

from ingest.check.model import REPAIRABLE, CheckedFile, FileState
from ingest.orders import Problem
from ingest.spool import Spool
from shared.errors import EXIT_DONE, EXIT_INTEGRITY, EXIT_PARTIAL

NAMED = 40  # files that are not verified which are kept for people; --json lists all

# A problem's kind and what it makes of the exit code. A note is for people alone.
KINDS = {"copy": EXIT_INTEGRITY, "manifest": EXIT_INTEGRITY, "destination": EXIT_PARTIAL, "note": EXIT_DONE}


@dataclass(slots=True)
class FolderReport:
    """A reel at one destination, or a bare folder. `files` and `bytes` were to be checked; `checked` of them
    were reached; `skipped`: why none was; `read_back` as in an offload's report."""

    destination: str
    reel: str | None
    folder: str
    files: int = 0
    bytes: int = 0
    checked: int = 0
    checked_bytes: int = 0
    bytes_read: int = 0
    counts: Counter[FileState] = field(default_factory=Counter)
    repaired: Counter[FileState] = field(default_factory=Counter)
    from_medium: bool = True
    manifests: list[str] = field(default_factory=list)
    skipped: str | None = None
    not_begun: bool = False

    @property
    def read_back(self) -> str:
        return "medium" if self.from_medium else "medium or memory (memory possible)"

    def standing(self, *states: FileState) -> int:
        """Files in one of these states that no repair has mended."""
        return sum(self.counts[state] - self.repaired[state] for state in states)

    def as_json(self) -> dict[str, Any]:
        return {
            "destination": self.destination,
            "reel": self.reel,
            "folder": self.folder,
            "files": self.files,
            "bytes": self.bytes,
            "checked": self.checked,
            "bytes_read": self.bytes_read,
            "counts": {state.value: self.counts[state] for state in FileState},
            "repaired": self.repaired.total(),
            "read_back": self.read_back,
            "manifests": list(self.manifests),
            "skipped": self.skipped,
        }


class CheckReport:
    """Takes results from any thread; to be closed, as it holds temporary files.

    `stopped`: why files are left: "budget", "interrupted", or None.
    """

    def __init__(self, started: dt.datetime, *, hold_bad: bool = False) -> None:
        """`hold_bad`: keep what a repair could mend for `take_bad`, and don't count it as final yet."""
        self.started = started
        self.seconds = 0.0
        self.stopped: str | None = None
        self.folders: list[FolderReport] = []
        self.problems: list[Problem] = []
        self.named: list[CheckedFile] = []
        self._hold_bad = hold_bad
        self._files = Spool()
        self._bad = Spool()
        self._lock = threading.Lock()

    # --- while it runs -------------------------------------------------------------------------------

    def add_folder(self, folder: FolderReport) -> int:
        self.folders.append(folder)
        return len(self.folders) - 1

    def add(self, checked: CheckedFile) -> None:
        with self._lock:
            self.folders[checked.folder].counts[checked.state] += 1
        if self._hold_bad and checked.state in REPAIRABLE:
            self._bad.add(dataclasses.asdict(checked))
        else:
            self._list(checked)

    def folders_with_bad(self) -> list[int]:
        """Numbers of the folders in which a repair could mend something."""
        return [n for n, folder in enumerate(self.folders) if folder.standing(*REPAIRABLE)]

    def take_bad(self, folder: int) -> Iterator[CheckedFile]:
        """What a repair could mend in a folder, in the order found. Each is to be given to `add_mended`."""
        for values in self._bad:
            if values["folder"] == folder:
                yield CheckedFile(**{**values, "state": FileState(values["state"])})

    def add_mended(self, checked: CheckedFile) -> None:
        """Take back a file that a repair has dealt with, mended or not."""
        if checked.repair is not None and checked.repair.done:
            self.folders[checked.folder].repaired[checked.state] += 1
        self._list(checked)

    def add_problem(self, problem: Problem) -> None:
        with self._lock:
            self.problems.append(problem)

    def _list(self, checked: CheckedFile) -> None:
        folder = self.folders[checked.folder]
        self._files.add({"destination": folder.destination, "reel": folder.reel, **checked.as_json()})
        if checked.state is not FileState.VERIFIED and len(self.named) < NAMED:
            with self._lock:
                self.named.append(checked)

    # --- when it is over -----------------------------------------------------------------------------

    def count(self, *states: FileState) -> int:
        return sum(folder.counts[state] for folder in self.folders for state in states)

    def standing(self, *states: FileState) -> int:
        return sum(folder.standing(*states) for folder in self.folders)

    @property
    def repaired(self) -> int:
        return sum(folder.repaired.total() for folder in self.folders)

    @property
    def bad(self) -> int:
        """Files whose recorded bytes are not under their recorded name, those that were repaired left out."""
        return self.standing(FileState.DIFFERS, FileState.MISSING, FileState.MOVED)

    @property
    def bytes_read(self) -> int:
        return sum(folder.bytes_read for folder in self.folders)

    @property
    def left_files(self) -> int:
        return sum(folder.files - folder.checked for folder in self.folders if folder.skipped is None)

    @property
    def left_bytes(self) -> int:
        left = sum(one.bytes - one.checked_bytes for one in self.folders if one.skipped is None)
        return max(0, left)

    @property
    def exit_code(self) -> int:
        """4 when a copy or a hash list is not what it should be, 3 when something could not be checked, else
        0: files that nobody recorded, and files left for the next run, harm no copy."""
        codes = [KINDS[problem.kind] for problem in self.problems]
        if self.bad:
            codes.append(EXIT_INTEGRITY)
        unchecked = self.standing(FileState.UNREADABLE, FileState.UNCHECKED)
        if unchecked or any(folder.skipped is not None for folder in self.folders):
            codes.append(EXIT_PARTIAL)
        return max(codes, default=EXIT_DONE)

    def summary(self) -> dict[str, Any]:
        """Everything but the files."""
        return {
            "started_at": self.started.isoformat(),
            "seconds": round(self.seconds, 3),
            "counts": {state.value: self.count(state) for state in FileState},
            "repaired": self.repaired,
            "bytes_read": self.bytes_read,
            "left": {
                "files": self.left_files,
                "bytes": self.left_bytes,
                "folders_not_begun": sum(folder.not_begun for folder in self.folders),
                "why": self.stopped,
            },
            "exit_code": self.exit_code,
            "folders": [folder.as_json() for folder in self.folders],
            "problems": [
                {"kind": p.kind, "path": p.path, "message": p.message, "remedy": p.remedy}
                for p in self.problems
            ],
        }

    def files(self) -> Iterator[dict[str, Any]]:
        """Every file as `--json` lists it, in the order in which they were dealt with."""
        return iter(self._files)

    def write_json(self, out: TextIO) -> None:
        """One JSON object, with the files last and one on a line: it is never whole in memory."""
        head = json.dumps(self.summary(), ensure_ascii=False, indent=2)
        out.write(head.removesuffix("\n}") + ',\n  "files": [')
        for number, file in enumerate(self.files()):
            out.write(("," if number else "") + "\n    " + json.dumps(file, ensure_ascii=False))
        out.write("\n  ]\n}\n")

    def close(self) -> None:
        self._files.close()
        self._bad.close()
