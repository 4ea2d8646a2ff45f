"""`check`: re-read copies from the drives, compare them with what was recorded, repair what is bad."""

from __future__ import annotations

import re
import signal
import sys
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Annotated

import typer
from rich.progress import (
    BarColumn,
    DownloadColumn,
    Progress,
    TaskID,
    TextColumn,
    TimeRemainingColumn,
    TransferSpeedColumn,
)

from api.cli.app import Root, print_table, root_of
from api.cli.options import AsJson, Production
from api.cli.problems import print_problems
from ingest.check.model import CheckedFile, CheckOrder, FileState, shown
from ingest.check.model import Progress as DriveProgress
from ingest.check.report import CheckReport, FolderReport
from ingest.check.run import run_check
from shared.errors import EXIT_INTEGRITY, UsageError

EXIT_INTERRUPTED = 130  # 128 + SIGINT, as shells have it
_BUDGET = re.compile(r"(?=.)(?:(\d+)h)?(?:(\d+)m)?(?:(\d+)s)?")
_HEADINGS = (
    *("destination", "reel", "files", "verified", "differ", "missing", "moved", "extra", "unchecked"),
    *("repaired", "read back from"),
)


def register(app: typer.Typer) -> None:
    app.command("check")(check)


def check(
    context: typer.Context,
    places: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[PLACE]…",
            help="A reel, a destination (folder or name), or any folder with a hash list; without one, "
            "all of the production.",
        ),
    ] = None,
    oldest: Annotated[
        bool, typer.Option("--oldest", help="Begin with the copies that were least recently proven.")
    ] = False,
    budget: Annotated[
        str | None,
        typer.Option(help="Begin no file after so long (30m, 2h, 90s); goes by --oldest."),
    ] = None,
    repair: Annotated[
        bool, typer.Option("--repair", help="Write bad copies anew from good ones; bad ones are kept aside.")
    ] = False,
    production: Production = None,
    as_json: AsJson = False,
) -> None:
    """Re-read copies from the drives and compare them with what was recorded."""
    root = root_of(context)
    order = CheckOrder(
        places=tuple(places or ()),
        production=production,
        oldest=oldest,
        budget_seconds=None if budget is None else seconds_of(budget),
        repair=repair,
    )
    with stopping() as stop, Terminal(root) as terminal:
        report = run_check(order, root.settings.destinations, root.sessions, terminal, stop=stop)
    try:
        if as_json:
            report.write_json(sys.stdout)
        else:
            print_report(root, report, repair=repair)
        code = report.exit_code
        if report.stopped == "interrupted" and code != EXIT_INTEGRITY:
            code = EXIT_INTERRUPTED
    finally:
        report.close()
    if code:
        raise typer.Exit(code)


def seconds_of(budget: str) -> float:
    """`1h30m` in seconds. Raises UsageError."""
    match = _BUDGET.fullmatch(budget.strip())
    hours, minutes, seconds = (int(part or 0) for part in match.groups()) if match else (0, 0, 0)
    total = hours * 3600 + minutes * 60 + seconds
    if not total:
        raise UsageError(f"{budget!r} is no time", remedy="Write it as 30m, 2h, 1h30m or 90s.")
    return float(total)


@contextmanager
def stopping() -> Iterator[threading.Event]:
    """An event that Ctrl-C and a polite kill set: what is known is written down, then the run ends."""
    stop = threading.Event()
    if threading.current_thread() is not threading.main_thread():
        yield stop  # only the main thread may listen for signals
        return
    before = {one: signal.signal(one, lambda *_: stop.set()) for one in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


class Terminal:
    """Follows a check on standard error, a bar for each drive."""

    def __init__(self, root: Root) -> None:
        self._console = root.err
        self._progress = Progress(
            TextColumn("{task.description}", markup=False),
            BarColumn(),
            DownloadColumn(),
            TransferSpeedColumn(),
            TimeRemainingColumn(),
            console=self._console,
            disable=not self._console.is_terminal,
        )
        self._drives: list[tuple[TaskID, DriveProgress]] = []

    def __enter__(self) -> Terminal:
        self._progress.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.tick()
        self._progress.stop()

    def say(self, text: str) -> None:
        self._console.print(text, markup=False)

    def planned(self, drives: Sequence[DriveProgress]) -> None:
        for drive in drives:
            task = self._progress.add_task(f"{drive.label}, re-read", total=drive.total or None)
            self._drives.append((task, drive))

    def tick(self) -> None:
        for task, drive in self._drives:
            self._progress.update(task, completed=drive.done[0])


def print_report(root: Root, report: CheckReport, *, repair: bool) -> None:
    """The outcome for people: a row for each reel and drive, everything that is not verified, the answer."""
    if report.folders:
        print_table(root, _HEADINGS, [_row(one) for one in report.folders], right=0b01111111100)
    others = report.count(*(state for state in FileState if state is not FileState.VERIFIED))
    for checked in report.named:
        _print_file(root, report.folders[checked.folder], checked)
    if others > len(report.named):
        root.out.print(f"… and {others - len(report.named)} more; --json lists them all", markup=False)
    print_problems(root, report.problems)
    seconds, verified = report.seconds, report.count(FileState.VERIFIED)
    root.out.print(
        f"{verified:,} files verified, {report.bytes_read:,} bytes read, {seconds:.1f} s", markup=False
    )
    if report.stopped is not None:
        _print_left(root, report)
    for line in _answer(report, repair):
        root.out.print(line, style="bold", markup=False)


def _copies(count: int) -> str:
    return "1 copy is" if count == 1 else f"{count} copies are"


def _row(folder: FolderReport) -> tuple[str, ...]:
    name = folder.destination + (f" (not checked: {folder.skipped})" if folder.skipped else "")
    counts = folder.counts
    numbers = (
        folder.files,
        counts[FileState.VERIFIED],
        counts[FileState.DIFFERS],
        counts[FileState.MISSING],
        counts[FileState.MOVED],
        counts[FileState.EXTRA],
        counts[FileState.UNREADABLE] + counts[FileState.UNCHECKED],
        folder.repaired.total(),
    )
    read_back = folder.read_back if folder.checked else "-"
    return (name, folder.reel or "-", *(str(number) for number in numbers), read_back)


def _print_file(root: Root, folder: FolderReport, checked: CheckedFile) -> None:
    top = f"{folder.destination}/{folder.folder}" if folder.folder else folder.destination
    said = f": {checked.problem}" if checked.problem else ""
    root.out.print(f"{checked.state}: {top}/{shown(checked.path)}{said}", markup=False)
    done = checked.repair
    if done is None:
        return
    if done.done:
        aside = f"; the bad copy is kept as {done.set_aside}" if done.set_aside else ""
        root.out.print(f"    repaired from {done.source}{aside}", markup=False)
    else:
        aside = f" (the bad copy is kept as {done.set_aside})" if done.set_aside else ""
        root.out.print(f"    NOT repaired: {done.problem}{aside}", markup=False)


def _print_left(root: Root, report: CheckReport) -> None:
    why = "time is up" if report.stopped == "budget" else "stopped"
    folders = sum(folder.not_begun for folder in report.folders)
    more = f", and {folders} folders not begun" if folders else ""
    root.out.print(
        f"{why}: {report.left_files:,} files are left ({report.left_bytes:,} bytes{more}); "
        "--oldest goes on with them",
        markup=False,
    )


def _answer(report: CheckReport, repair: bool) -> list[str]:
    """Last, and in words: is everything that was checked as it was recorded?"""
    lines = []
    if report.repaired:
        bad = "1 bad copy was" if report.repaired == 1 else f"{report.repaired} bad copies were"
        lines.append(f"{bad} repaired. Suspect the drive.")
    if report.bad:
        hint = "" if repair else " `rushlight check --repair` writes them anew from good ones."
        lines.append(f"{_copies(report.bad)} NOT what was recorded.{hint}")
    elif report.exit_code == EXIT_INTEGRITY:
        lines.append("Something is NOT as it was recorded; it is named above.")
    elif report.exit_code:
        lines.append("Not everything could be checked; the rest is as it was recorded.")
    elif report.stopped is not None:
        lines.append("What was checked is as it was recorded.")
    else:
        lines.append("Everything is as it was recorded.")
    return lines
