"""May this card be formatted? Computed now, from the card and the drives, and never stored as an answer.

Yes only when every file on the card, listed this moment, is recorded with its size and time, was read
whole, and has verified copies on at least two physical drives, neither of them the card's own, that are there
now with the size and the time they had when they were proven. (The chain of a hash list that came with the
card may have grown since: see `ingest/own_chain.py`.) Anything else is a no, with the reason.
A copy whose bytes rotted since without touching its time is not seen by this; `rushlight check` re-reads.
"""

from __future__ import annotations

import os
from collections import Counter, defaultdict
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from pathlib import Path

from ingest.card import Listing, read_card
from ingest.durable import Disk, is_plain_file
from ingest.files import Entry
from ingest.folders import open_below
from ingest.orders import Verdict
from ingest.own_chain import goes_on, is_chain
from shared.catalogue.chunks import in_chunks
from shared.catalogue.reels import AT_A_TIME, RecordedFile, recorded_files
from shared.db import Sessions, reading
from shared.models import CopyState, Reel

NEEDED_DRIVES = 2
NAMED = 3  # how many files a reason names before it counts the rest


def judge_card(root: Path, reel: Reel | None, sessions: Sessions, disk: Disk) -> Verdict:
    """List the card again and answer. Raises UsageError when the card can't be listed."""
    listing = read_card(root, disk)
    if reel is None:
        return Verdict(False, ("this card was never offloaded into this catalogue",))
    return judge_listing(listing, reel.id, reel.folder, sessions, disk)


def judge_listing(listing: Listing, reel_id: int, folder: str, sessions: Sessions, disk: Disk) -> Verdict:
    """The answer for a listing made now, by what the catalogue has recorded of a reel in this folder."""
    with reading(sessions) as session:
        return judge(listing, partial(recorded_files, session, reel_id), folder, disk)


def judge(
    listing: Listing,
    recorded: Callable[[Sequence[bytes]], Mapping[bytes, RecordedFile]],
    folder: str,
    disk: Disk,
) -> Verdict:
    """The rule itself. `recorded` is asked what the catalogue has of some of the listed paths at a time."""
    if not listing.files:
        return Verdict(False, ("there is no file on this card: nothing here proves what it held",))
    look = _Look(listing, folder, disk)
    faults = _Faults()
    try:
        for entries in in_chunks(listing.files, AT_A_TIME):
            known = recorded([entry.raw for entry in entries])
            for entry in entries:
                fault = look.fault_of(entry, known.get(entry.raw))
                if fault is not None:
                    faults.add(fault, entry.shown)
    finally:
        look.close()
    for thing in listing.left_out:
        if not thing.junk:
            faults.add(f"not copied: {thing.reason}", thing.shown)
    return Verdict(not faults.reasons(), faults.reasons())


class _Faults:
    """How many files have each fault, and the names of the first."""

    def __init__(self) -> None:
        self._counts: Counter[str] = Counter()
        self._names: dict[str, list[str]] = defaultdict(list)

    def add(self, fault: str, name: str) -> None:
        self._counts[fault] += 1
        if self._counts[fault] <= NAMED:
            self._names[fault].append(name)

    def reasons(self) -> tuple[str, ...]:
        return tuple(self._reason(fault, count) for fault, count in self._counts.items())

    def _reason(self, fault: str, count: int) -> str:
        more = f" and {count - NAMED} more" if count > NAMED else ""
        files = "1 file" if count == 1 else f"{count} files"
        return f"{files} {fault}: {', '.join(self._names[fault])}{more}"


class _Look:
    """Looks at copies on the drives; folders are opened once while their files are asked for in order."""

    def __init__(self, listing: Listing, folder: str, disk: Disk) -> None:
        self._disk = disk
        self._folder = folder
        self._card = listing.root
        self._card_drives = listing.drives
        self._drives: dict[str, frozenset[str]] = {}
        self._open: dict[str, tuple[str, int | None]] = {}

    def fault_of(self, entry: Entry, recorded: RecordedFile | None) -> str | None:
        if recorded is None:
            return "on the card that no offload has copied"
        # To the last digit: a file written anew right after it was copied must not pass for the old one.
        if (entry.size, entry.mtime_ns) != (recorded.size, recorded.mtime_ns):
            return "changed on the card since the offload"
        if recorded.digest is None:
            return "that no offload has read whole"
        if recorded.problem is not None:
            return f"with a problem ({recorded.problem})"
        proven = [copy for copy in recorded.copies if copy.state is CopyState.VERIFIED]
        there = [c.destination for c in proven if self._is_there(c.destination, entry, c.mtime_ns)]
        if self._separate_drives(there):
            return None
        if len(proven) < NEEDED_DRIVES:
            return f"with {_copies(len(proven))}; {NEEDED_DRIVES} are needed"
        if len(there) < NEEDED_DRIVES:
            return (
                f"with {_copies(len(there))} that can be seen now; {NEEDED_DRIVES} are needed "
                "(is a drive unplugged, or was a copy changed?)"
            )
        return f"without verified copies on {NEEDED_DRIVES} different drives, neither of them the card's own"

    def _separate_drives(self, destinations: list[str]) -> bool:
        """Whether two of the destinations share no drive with each other or with the card."""
        sets = [drives for d in destinations if not (drives := self._drives[d]) & self._card_drives]
        return any(not one & other for n, one in enumerate(sets) for other in sets[:n])

    def _is_there(self, destination: str, entry: Entry, mtime_ns: int | None) -> bool:
        """Whether the copy stands there with the size and time of its proof."""
        path, _, name = entry.path.rpartition("/")
        handle = self._handle(destination, path)
        if handle is None:
            return False
        try:
            found = self._disk.stat_at(name, at=handle)
            if not is_plain_file(found):
                return False
            if (found.st_size, found.st_mtime_ns) == (entry.size, mtime_ns):
                return True
            return is_chain(entry.path) and goes_on(self._disk, self._card, path, handle)
        except OSError:
            return False

    def _handle(self, destination: str, path: str) -> int | None:
        if destination in self._open:
            open_path, handle = self._open[destination]
            if open_path == path:
                return handle
            if handle is not None:
                os.close(handle)
        handle = None
        try:
            below = f"{self._folder}/{path}" if path else self._folder
            handle = open_below(self._disk, Path(destination), below, make=False)
            self._drives[destination] = self._disk.drives(handle)
        except OSError:
            self._drives.setdefault(destination, frozenset())
        self._open[destination] = (path, handle)
        return handle

    def close(self) -> None:
        for _, handle in self._open.values():
            if handle is not None:
                os.close(handle)


def _copies(count: int) -> str:
    return {0: "no verified copy", 1: "one verified copy"}.get(count, f"{count} verified copies")
