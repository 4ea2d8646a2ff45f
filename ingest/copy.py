"""Copy a card: read once, hash on the way, write to all destinations at once, prove, then publish.

    card ── reader ── ring of buffers ─┬─ hasher
                                       ├─ writer of destination 1 ── settle (sync, drop, re-read, compare,
                                       └─ writer of destination 2 ── settle           publish)

The order that makes a copy trustworthy stands in `ingest/settle.py`. A fault of the card is one file's; a
fault of a destination stops that destination; everything else goes on, and every file is accounted for.
"""

from __future__ import annotations

import queue
import secrets
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from ingest.durable import Disk
from ingest.hashes import Hasher, make_hasher
from ingest.in_flight import InFlight
from ingest.plan import Plan
from ingest.progress import Counters
from ingest.read import Reader
from ingest.results import FileResult, Results
from ingest.ring import Chunk, Ring, Segment
from ingest.settle import Settled, Settler
from ingest.write import Writer, make_folders
from shared.errors import AppError, CardError, SourceChangedError, UnreadableError

__all__ = ["Copied", "CopyOptions", "FileResult", "copy"]

TICK_SECONDS = 0.2
UNTAKEN = 1024  # answers of the places that may wait for the calling thread


@dataclass(frozen=True, slots=True)
class CopyOptions:
    """How to copy. `buffer_bytes` must be a multiple of 4096."""

    algorithm: str = "xxh128"
    buffers: int = 6
    buffer_bytes: int = 4 * 1024 * 1024
    settle_workers: int = 3
    read_twice: bool = False


@dataclass(frozen=True, slots=True)
class Copied:
    """The whole run. `stopped`: the error that ended a place before it had all it should."""

    plan: Plan
    algorithm: str
    results: Sequence[FileResult]
    stopped: dict[int, AppError]
    bytes_read: int
    bytes_written: int
    from_medium: dict[int, bool]  # whether every re-read at a place is known to have passed the cache by


def copy(
    plan: Plan,
    disk: Disk,
    options: CopyOptions,
    *,
    counters: Counters,
    accept: Callable[[FileResult, Settled], Settled] = lambda _result, settled: settled,
    on_settled: Callable[[FileResult, Settled], None] = lambda _result, _settled: None,
    on_tick: Callable[[], None] = lambda: None,
) -> Copied:
    """Carry out a plan. `on_settled` is called in this thread each time a place has answered for a file,
    `on_tick` about five times a second; `accept` is asked first and may change the answer. Raises UsageError
    for an algorithm there is not."""
    make_hasher(options.algorithm)
    run = _Run(plan, disk, options, counters)
    try:
        run.start()
        run.collect(accept, on_settled, on_tick)
    finally:
        run.stop()
    return run.outcome()


class _Run:
    """The threads of one copy, and the table of results: the hasher notes what the card gave, the calling
    thread what the places answered."""

    def __init__(self, plan: Plan, disk: Disk, options: CopyOptions, counters: Counters) -> None:
        self._plan = plan
        self._disk = disk
        self._options = options
        self._counters = counters
        self._halt = threading.Event()
        self._events: queue.SimpleQueue[Settled | _ThreadEnd] = queue.SimpleQueue()
        self._room = threading.Semaphore(UNTAKEN)
        self._results = Results(plan.tasks, len(plan.places), options.algorithm)
        token = secrets.token_hex(4)
        places = range(len(plan.places))
        self._ring: Ring[InFlight] = Ring(options.buffers, options.buffer_bytes, 1 + len(places))
        self._settlers = [
            Settler(disk, plan.places[n], n, options, token, self._answer, counters) for n in places
        ]
        self._writers = [Writer(disk, settler, counters) for settler in self._settlers]
        self._threads = [
            threading.Thread(target=self._guard, args=(work,), name=name, daemon=True)
            for name, work in (
                ("reader", self._read_all),
                ("hasher", self._hash_all),
                *((f"writer {n}", self._writer(n)) for n in places),
            )
        ]

    def start(self) -> None:
        for settler in self._settlers:
            settler.start()
        for thread in self._threads:
            thread.start()

    def collect(
        self,
        accept: Callable[[FileResult, Settled], Settled],
        on_settled: Callable[[FileResult, Settled], None],
        on_tick: Callable[[], None],
    ) -> None:
        """Take results until every thread has ended and every batch is settled."""
        running = len(self._threads)
        ticked = time.monotonic()
        while running:
            if time.monotonic() - ticked >= TICK_SECONDS:
                ticked = time.monotonic()
                on_tick()
            try:
                event = self._events.get(timeout=TICK_SECONDS)
            except queue.Empty:
                continue
            if isinstance(event, _ThreadEnd):
                running -= 1
                if event.error is not None:
                    raise event.error
            else:
                self._room.release()
                self._results.settled(event)
                result = self._results[event.number]
                settled = accept(result, event)
                if settled is not event:
                    self._results.settled(settled)
                    result = self._results[event.number]
                on_settled(result, settled)

    def stop(self) -> None:
        """End all threads, also after an interruption: nothing is published after this returns."""
        self._halt.set()
        alive = [thread for thread in self._threads if thread.is_alive()]
        for thread in alive:
            thread.join()
        for settler in self._settlers:
            settler.stop()
        if not any(thread.is_alive() for thread in self._threads):
            self._ring.close()

    def outcome(self) -> Copied:
        return Copied(
            self._plan,
            self._options.algorithm,
            self._results,
            {s.number: s.stopped for s in self._settlers if s.stopped is not None},
            self._counters.read,
            sum(self._counters.written),
            {s.number: s.from_medium for s in self._settlers},
        )

    def _guard(self, work: Callable[[], None]) -> None:
        """Hand a thread's own failure to the calling thread: a bug must end the run, loudly."""
        try:
            work()
        except BaseException as error:  # noqa: BLE001 - raised again in the thread that waits
            self._halt.set()
            self._events.put(_ThreadEnd(error))
        else:
            self._events.put(_ThreadEnd(None))

    def _answer(self, settled: Settled) -> None:
        """Tell the calling thread. Where it can't keep up the drives wait for it, as long as it listens."""
        while not self._room.acquire(timeout=TICK_SECONDS):
            if self._halt.is_set():
                break
        self._events.put(settled)

    # --- reader ------------------------------------------------------------------------------------

    def _read_all(self) -> None:
        reader = Reader(self._disk, self._plan, self._options, self._ring, self._counters, self._halt)
        try:
            for number, task in enumerate(self._plan.tasks):
                if self._halt.is_set():
                    break
                if task.needs_reading:
                    reader.read(InFlight(number, task))
        finally:
            reader.finish()
            self._ring.end()

    # --- hasher ------------------------------------------------------------------------------------

    def _hash_all(self) -> None:
        """Hash every file. Should that itself break, whoever waits for a digest still gets an answer."""
        hasher: Hasher | None = None
        failure: BaseException | None = None

        def hash_segment(segment: Segment[InFlight], view: memoryview) -> None:
            nonlocal hasher
            hasher = hasher or make_hasher(self._options.algorithm)
            hasher.update(view[segment.start : segment.stop])
            if segment.last:
                self._end_source(segment, hasher.hexdigest())
                hasher = None

        def hash_chunk(chunk: Chunk[InFlight]) -> None:
            nonlocal failure
            for segment in chunk.segments:
                if failure is None:
                    try:
                        hash_segment(segment, chunk.view)
                    except BaseException as error:  # noqa: BLE001 - raised again below
                        failure = error
                        self._halt.set()
                if failure is not None and segment.last:
                    segment.item.source_ended(None, AppError("the run broke off"))

        self._ring.consume(0, hash_chunk)
        if failure is not None:
            raise failure

    def _end_source(self, segment: Segment[InFlight], digest: str) -> None:
        """Say what the card gave for one file: its digest, or why there is none."""
        item = segment.item
        error = segment.error
        if error is None:
            error = _disagreement(item, digest)
        known: AppError | None = error if isinstance(error, AppError) else None
        proven = digest if known is None else None
        # In this order: nobody may hear of a settled copy before the digest it was compared with.
        self._results.source_ended(item.number, proven, known)
        item.source_ended(proven, known)

    def _writer(self, number: int) -> Callable[[], None]:
        """Write and settle everything for one place."""

        def work() -> None:
            writer, settler = self._writers[number], self._settlers[number]
            try:
                self._ring.consume(1 + number, writer.take)
            finally:
                writer.close()
                settler.finish(abandon=self._halt.is_set())
            if not self._halt.is_set() and not self._plan.refuses(number):
                make_folders(self._disk, settler, self._plan.listing.empty_folders)

        return work


def _disagreement(item: InFlight, digest: str) -> CardError | None:
    """Two readings of the same file that are not equal."""
    if item.second_digest is not None and item.second_digest != digest:
        return UnreadableError(
            "two readings of it differ",
            path=item.task.entry.shown,
            remedy="Trust neither: try another reader, and keep the card.",
        )
    expected = item.task.expected
    if expected is not None and expected != digest:
        return SourceChangedError(
            "the card now gives other bytes than when it was first offloaded, under the same name",
            path=item.task.entry.shown,
            remedy="Keep the card. Offload it as a new reel (--reel) and compare the two by eye.",
        )
    return None


@dataclass(frozen=True, slots=True)
class _ThreadEnd:
    error: BaseException | None
