"""From card to log: the whole offload on one screen.

    read_card → its own history → open_reel → make_plan → copy (which verifies) → write_manifests →
    describe → log → measure → verdict

Each stage takes the frozen result of the one before, so nothing unverified can be logged.
"""

from __future__ import annotations

import datetime as dt
import os
from contextlib import ExitStack, closing
from dataclasses import replace
from functools import partial
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING

from ingest.card import Listing, read_card
from ingest.card_history import SAYS_OTHERWISE, CardHistory
from ingest.copy import CopyOptions, FileResult, copy
from ingest.describe import Describing
from ingest.described import DescribedFiles
from ingest.durable import Disk, lock_folder, on_destination
from ingest.folders import open_below
from ingest.manifest import write_manifests
from ingest.media.kinds import kind_of
from ingest.media.pool import MediaPool
from ingest.open_reel import OpenReel, known_files, open_reel, recall
from ingest.orders import Nobody, OffloadOrder, OffloadReport, Verdict, Watching
from ingest.own_chain import accept_grown_chain
from ingest.plan import Place, Plan, make_plan
from ingest.progress import Counters
from ingest.record import Recorder, close_offload
from ingest.record_clips import log_clips
from ingest.report import make_report, problems_of
from ingest.settle import Settled
from ingest.table import Numbers
from ingest.verdict import judge_listing
from ingest.write import is_temporary, remove_leftovers
from shared.catalogue.chunks import in_chunks
from shared.catalogue.reels import (
    AT_A_TIME,
    TURNED_AWAY,
    close_dead_offloads,
    file_ids,
    recorded_paths,
)
from shared.db import Sessions, reading, with_small_cache, writing
from shared.errors import AppError, ConflictError, UsageError
from shared.models import OffloadState
from shared.settings import Settings

if TYPE_CHECKING:
    from ingest.measuring import Measuring


def run_offload(
    order: OffloadOrder,
    settings: Settings,
    sessions: Sessions,
    watching: Watching | None = None,
    disk: Disk | None = None,
) -> OffloadReport:
    """Offload one card. Raises AppError when it can't start; everything later is in the report."""
    watching = watching or Nobody()
    disk = disk or Disk()
    sessions = with_small_cache(sessions)
    started = dt.datetime.now(dt.UTC)

    listing = read_card(order.card, disk)
    history = CardHistory.read(listing, disk)
    if order.algorithm is None and (algorithm := history.algorithm(settings.algorithm)) is not None:
        watching.say(f"the card brings a hash list of its own: comparing with it, by {algorithm}")
        order = replace(order, algorithm=algorithm)
    reel = open_reel(order, listing, settings, sessions, disk, watching)
    try:
        with ExitStack() as locks:
            _lock_reel(locks, reel, settings)
            for place in reel.places:
                _lock(locks, place, disk)
            with writing(sessions) as session:
                close_dead_offloads(session, reel.id, reel.offload.id)
                reel = recall(session, reel)
            return _run(order, listing, history, reel, settings, sessions, watching, disk, started)
    except BaseException as error:
        # Killed runs are found by their open row; a run that ends by an error says so itself.
        report = {TURNED_AWAY: error.message} if isinstance(error, ConflictError) else {}
        close_offload(
            sessions, reel.offload, state=OffloadState.FAILED, bytes_read=0, bytes_written=0, report=report
        )
        raise


def _run(
    order: OffloadOrder,
    listing: Listing,
    history: CardHistory,
    reel: OpenReel,
    settings: Settings,
    sessions: Sessions,
    watching: Watching,
    disk: Disk,
    started: dt.datetime,
) -> OffloadReport:
    # A recorded copy is nobody's leftover, even when the card no longer holds the file.
    names = _temporary_names(listing, reel, sessions)
    for place in reel.places:
        for leftover in remove_leftovers(disk, place, names):
            watching.say(f"removed what a broken run left: {place.shown}: {leftover}")
    plan = make_plan(
        listing,
        reel.places,
        partial(known_files, sessions, reel),
        disk,
        margin_percent=settings.margin_percent,
        prove_again=reel.finished_before,
    )
    for warning in plan.warnings:
        watching.say(f"warning: {warning}")

    counters = Counters.for_places(len(reel.places))
    recorder = Recorder(sessions, reel.offload)
    with ExitStack() as readers:
        measuring = _measuring(readers, settings, reel, listing, sessions)
        said = readers.enter_context(closing(DescribedFiles()))
        pool = readers.enter_context(MediaPool(settings))
        describing = Describing(
            pool,
            settings.stills_folder / str(reel.id),
            plan,
            said,
            reel.described,
            measuring.described if measuring is not None else None,
        )

        def accept(result: FileResult, settled: Settled) -> Settled:
            return accept_grown_chain(result, settled, listing.root, reel.places[settled.place], disk)

        def on_settled(result: FileResult, settled: Settled) -> None:
            recorder.settled(result, settled)
            describing.settled(settled)

        watching.planned(plan, counters)
        copied = copy(
            plan,
            disk,
            _options(order, reel, settings),
            counters=counters,
            accept=accept,
            on_settled=on_settled,
            on_tick=watching.tick,
        )
        recorder.left_over(copied.results)
        manifests = write_manifests(copied, disk, started)
        doubts = history.doubts(copied.results, copied.algorithm, manifests.others)
        recorder.doubt([doubt.result for doubt in doubts], SAYS_OTHERWISE)
        _describe_kept(plan, describing)
        watching.say("reading take facts and drawing stills")
        media_problems = log_clips(sessions, reel.id, describing.results(watching.tick))
        if measuring is not None:
            done, total = measuring.progress
            watching.say(f"copied and logged; measuring picture and sound, {done} of {total} done meanwhile")
            from ingest.measuring import finish_reel

            media_problems += finish_reel(measuring, sessions, reel.id, settings, watching.tick)

    verdict = _judge_now(order.card, reel, sessions, disk)
    problems = (
        *problems_of(copied),
        *(doubt.as_problem() for doubt in doubts),
        *history.problems,
        *manifests.problems,
        *media_problems,
    )
    report = make_report(reel, copied, problems, verdict, started)
    close_offload(
        sessions,
        reel.offload,
        state=OffloadState(report.state),
        bytes_read=copied.bytes_read,
        bytes_written=copied.bytes_written,
        report=report.as_kept(),
    )
    return report


def _temporary_names(listing: Listing, reel: OpenReel, sessions: Sessions) -> set[str]:
    """The files of the reel, on the card or recorded, that are called as our temporary ones are."""
    with reading(sessions) as session:
        recorded = (os.fsdecode(path) for path in recorded_paths(session, reel.id))
        paths = chain((entry.path for entry in listing.files), recorded)
        return {path for path in paths if is_temporary(path)}


def _measuring(
    readers: ExitStack, settings: Settings, reel: OpenReel, listing: Listing, sessions: Sessions
) -> Measuring | None:
    """What measures, in children of its own: none of them keeps a file from being described. None: nothing
    is to be measured."""
    sizes = Numbers(
        (entry.raw, entry.size) for entry in listing.files if kind_of(entry.raw) in ("video", "audio")
    )
    if not settings.measure or not sizes:
        return None
    from ingest.measuring import Measuring  # heavy: arrays and the rules that judge them

    ids = Numbers()
    with reading(sessions) as session:
        for some in in_chunks(sizes, AT_A_TIME):
            for path, file_id in file_ids(session, reel.id, some).items():
                ids.add(path, file_id)
    pool = MediaPool(settings, measuring=True)
    measuring = readers.enter_context(closing(Measuring(pool, ids, sizes)))
    readers.enter_context(pool)
    return measuring


def _judge_now(card: Path, reel: OpenReel, sessions: Sessions, disk: Disk) -> Verdict:
    """The verdict, from the card as it is now; for a card that was pulled it is a no."""
    try:
        return judge_listing(read_card(card, disk), reel.id, reel.folder, sessions, disk)
    except UsageError as error:
        return Verdict(False, (f"the card can't be read now: {error.message}",))


def _options(order: OffloadOrder, reel: OpenReel, settings: Settings) -> CopyOptions:
    return CopyOptions(
        algorithm=reel.offload.algorithm,
        buffers=settings.buffers,
        buffer_bytes=settings.buffer_mib * 1024 * 1024,
        settle_workers=settings.settle_workers,
        read_twice=order.read_twice,
    )


def _lock_reel(locks: ExitStack, reel: OpenReel, settings: Settings) -> None:
    """Hold the reel itself: two runs to different drives would answer for each other's files."""
    folder = settings.home / "locks" / f"reel-{reel.id}"
    folder.mkdir(parents=True, exist_ok=True)
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    locks.callback(os.close, handle)
    locks.enter_context(lock_folder(handle, f"reel {reel.name}"))


def _lock(locks: ExitStack, place: Place, disk: Disk) -> None:
    """Hold the reel's folder at a place, made if need be. A place that refuses fails in the copy, by name."""
    try:
        with on_destination(place.shown):
            handle = open_below(disk, place.root, place.folder, make=True)
    except AppError:
        return
    locks.callback(os.close, handle)
    locks.enter_context(lock_folder(handle, f"{place.shown}/{place.folder}"))


def _describe_kept(plan: Plan, describing: Describing) -> None:
    """Files that an earlier, broken run proved but did not come to describe."""
    for number, task in enumerate(plan.tasks):
        if task.kept and not task.needs_reading:
            describing.kept(number, task.kept[0])
