"""The whole check on one screen: find what is to be checked, one lane a drive, then repair what is bad.

find_targets → plan_lanes → Lane.run in parallel → repair
"""

from __future__ import annotations

import datetime as dt
import os
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import FIRST_EXCEPTION, Future, ThreadPoolExecutor, wait
from pathlib import Path

from ingest.check.context import Context, Control
from ingest.check.lane import Lane, Plan
from ingest.check.ledger import CatalogueDesk
from ingest.check.model import CheckOrder, Following, Progress, Unfollowed, shown
from ingest.check.places import Target, find_targets, why_out_of_reach
from ingest.check.repair import repair_all
from ingest.check.report import CheckReport, FolderReport
from ingest.durable import Disk
from ingest.mhl.model import CHAIN, FOLDER
from ingest.orders import Problem
from shared.catalogue.checks import Holding, copies_due, files_by_reel, holdings
from shared.db import Sessions

TICK = 0.2  # seconds


def run_check(
    order: CheckOrder,
    destinations: Mapping[str, Path],
    sessions: Sessions,
    following: Following | None = None,
    *,
    disk: Disk | None = None,
    stop: threading.Event | None = None,
    clock: Callable[[], float] = time.monotonic,
) -> CheckReport:
    """Check copies, and repair them when asked to. The report holds temporary files: close it.

    `destinations`: names that the settings give to folders. `stop`: set it to end the run in order. Raises
    AppError when it can't start; everything later is in the report.
    """
    following, disk = following or Unfollowed(), disk or Disk()
    began = time.monotonic()
    started = dt.datetime.now(dt.UTC)
    desk = CatalogueDesk(sessions)
    control = Control.within(order.budget_seconds, stop or threading.Event(), clock)
    with desk.reading() as session:
        targets = find_targets(session, order, destinations, disk)
        known = holdings(session)
        whole = files_by_reel(session)
    report = CheckReport(started, hold_bad=order.repair)
    try:
        numbered = _within_reach(targets, known, report)
        _note_uncopied(numbered, whole, report)
        plans = _plan_lanes(order, numbered, report, desk, disk)
        context = Context(disk, desk, report, control, started, order.oldest_first)
        _run_lanes(plans, context, following)
        if order.repair:
            repair_all(numbered, context, following)
        report.stopped = _why_stopped(report, control)
        report.seconds = time.monotonic() - began
    except BaseException:
        report.close()
        raise
    return report


def _why_stopped(report: CheckReport, control: Control) -> str | None:
    if control.stopped():
        return "interrupted"
    left = report.left_files or any(folder.not_begun for folder in report.folders)
    return "budget" if left else None


def _within_reach(
    targets: Sequence[Target], known: Sequence[Holding], report: CheckReport
) -> dict[int, Target]:
    """The targets on drives that are there, by their number in the report. One that is not is said once."""
    out_of_reach: dict[Path, str | None] = {}
    reachable = {}
    for target in targets:
        holding = target.holding
        if target.root not in out_of_reach:
            folders = [one.folder for one in known if Path(one.root) == target.root]
            why = None if holding is None else why_out_of_reach(target.root, folders)
            out_of_reach[target.root] = why
            if why is not None:
                remedy = "Plug the drive in and run again; nothing was concluded about its copies."
                report.add_problem(Problem("destination", shown(str(target.root)), why, remedy))
        number = report.add_folder(
            FolderReport(
                shown(str(target.root)),
                target.reel,
                shown(target.folder),
                files=0 if holding is None else holding.files,
                bytes=0 if holding is None else holding.bytes,
                skipped=out_of_reach[target.root],
            )
        )
        if out_of_reach[target.root] is None:
            reachable[number] = target
    return reachable


def _note_uncopied(targets: Mapping[int, Target], whole: Mapping[int, int], report: CheckReport) -> None:
    """Files that an offload never brought to a destination are not missing there, but should be known."""
    for target in targets.values():
        holding = target.holding
        if holding is not None and (lacking := whole.get(holding.reel_id, 0) - holding.files) > 0:
            message = f"{lacking} files of reel {holding.reel} were never copied here"
            remedy = "Offload the card again, if it still holds them."
            report.add_problem(Problem("note", target.shown(), message, remedy))


def _plan_lanes(
    order: CheckOrder,
    targets: Mapping[int, Target],
    report: CheckReport,
    desk: CatalogueDesk,
    disk: Disk,
) -> list[Plan]:
    """Share the targets out among lanes: those with a physical drive in common go into one."""
    plans = []
    for numbers in _by_drive(targets, report, disk):
        plan = Plan({number: targets[number] for number in numbers})
        _list_copies(plan, order, desk)
        bare = [number for number in numbers if targets[number].holding is None]
        plan.bare = sorted(bare, key=lambda n: _chain_time(targets[n].top)) if order.oldest_first else bare
        plans.append(plan)
    return plans


def _by_drive(targets: Mapping[int, Target], report: CheckReport, disk: Disk) -> list[list[int]]:
    groups: list[tuple[frozenset[str], list[int]]] = []
    drives: dict[Path, frozenset[str]] = {}
    for number, target in targets.items():
        if target.root not in drives:
            drives[target.root] = _drives_under(target.root, disk)
        mine, numbers = drives[target.root], [number]
        apart = []
        for others, other_numbers in groups:
            if others & mine:
                mine, numbers = mine | others, other_numbers + numbers
            else:
                apart.append((others, other_numbers))
        groups = [*apart, (mine, numbers)]
    return [sorted(numbers) for _, numbers in groups]


def _drives_under(root: Path, disk: Disk) -> frozenset[str]:
    """The drives of a root; one that went meanwhile is a lane of its own, which will say so."""
    try:
        handle = disk.open_folder(root)
    except OSError:
        return frozenset({f"gone: {root}"})
    try:
        return disk.drives(handle)
    finally:
        os.close(handle)


def _list_copies(plan: Plan, order: CheckOrder, desk: CatalogueDesk) -> None:
    numbers = {
        target.holding.key: number for number, target in plan.targets.items() if target.holding is not None
    }
    if not numbers:
        return
    reels, places = ({key[part] for key in numbers} for part in (0, 1))
    with desk.reading() as session:
        due = copies_due(session, reels, places, oldest=order.oldest_first, bad_first=order.repair)
        for copy in due:
            number = numbers.get((copy.reel_id, copy.destination_id))
            if number is not None:
                plan.folders.append(number)
                plan.keys.append(copy.copy_id)


def _chain_time(folder: Path) -> float:
    """When the last generation was added to a folder's history; 0 where there is no telling."""
    try:
        return (folder / FOLDER / CHAIN).stat().st_mtime
    except OSError:
        return 0.0


def _run_lanes(plans: Sequence[Plan], context: Context, following: Following) -> None:
    lanes = []
    progress = []
    for plan in plans:
        folders = [context.report.folders[number] for number in plan.targets]
        label = ", ".join(dict.fromkeys(folder.destination for folder in folders))
        progress.append(Progress(label, sum(folder.bytes for folder in folders)))
        lanes.append(Lane(plan, progress[-1], context))
    following.planned(progress)
    if not lanes:
        return
    with ThreadPoolExecutor(len(lanes), thread_name_prefix="check") as pool:
        running = [pool.submit(lane.run) for lane in lanes]
        try:
            while not _ended(running):
                following.tick()
        finally:
            # After an interrupt, or a failure in one of them, the others end in order before it goes on.
            if not all(one.done() for one in running):
                context.control.stop.set()
    following.tick()
    for one in running:
        one.result()


def _ended(running: Sequence[Future[None]]) -> bool:
    """Wait a moment. Whether all lanes are done, or one of them failed."""
    state = wait(running, timeout=TICK, return_when=FIRST_EXCEPTION)
    return not state.not_done or any(one.exception() is not None for one in state.done)
