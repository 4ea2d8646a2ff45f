"""Random histories of a card and three drives, for the test of the verdict.

The world is real: files in folders, changed by plain calls. The program is the real one between the card
and the catalogue (recognise, plan, copy, record, judge). Only which drive a folder is on is invented.
`Memory` is a model of what a person would remember of the runs: it keeps no digests, asks no catalogue.
"""

from __future__ import annotations

import errno
import os
import random
import shutil
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

from sqlalchemy.orm import Session

from ingest.card import Listing, read_card
from ingest.copy import Copied, CopyOptions, copy
from ingest.durable import Disk
from ingest.orders import Verdict
from ingest.plan import KnownCopy, KnownFile, Place, make_plan, open_places
from ingest.progress import Counters
from ingest.record import OpenOffload, Recorder, close_offload
from ingest.verdict import judge
from ingest.write import remove_leftovers
from shared.catalogue.reels import (
    FoundFile,
    RecordedFile,
    close_dead_offloads,
    expect_files,
    find_destination,
    next_reel_name,
    recognise,
    recorded_files,
    recorded_paths,
    was_finished,
)
from shared.db import Sessions, reading, writing
from shared.models import CopyState, Offload, OffloadState, Production, Reel
from tests.factories import make_production
from tests.faults import CARD_CALLS, DRIVE_CALLS, FailNth, handle_path, is_below

OPTIONS = CopyOptions("xxh64", buffers=2, buffer_bytes=8192, settle_workers=1)
# Two of the four folders are on one drive.
DRIVES: Mapping[str, str] = {"one": "sda", "two": "sdb", "three": "sdc", "also one": "sda"}
NAMES = ("A", "B", "D/A", "D/C")
Stamp = tuple[int, int]


class Faulty(FailNth):
    """A call fails as told; and every folder of the world is on the drive that the world says."""

    def __init__(
        self, world: World, nth: int = 0, below: Path | None = None, *, lasting: bool = False
    ) -> None:
        calls = CARD_CALLS if below == world.card else DRIVE_CALLS
        super().__init__(nth, errno.EIO, lasting=lasting, calls=calls, below=below)
        self._world = world

    def drives(self, handle: int) -> frozenset[str]:
        path = handle_path(handle)
        if is_below(path, self._world.card):
            return frozenset({"card"})
        return frozenset({next(d for p, d in self._world.on.items() if is_below(path, p))})


@dataclass
class Memory:
    """What is remembered of one reel. `first`: the stamp of each file when it was first read whole;
    `troubled`: files whose last reading failed; `proven`: stamps of copies, by drive's folder and path."""

    folder: str
    first: dict[str, Stamp] = field(default_factory=dict)
    troubled: set[str] = field(default_factory=set)
    proven: dict[tuple[Path, str], Stamp] = field(default_factory=dict)

    def learn(self, copied: Copied) -> None:
        for result in copied.results:
            entry = result.task.entry
            if result.error is not None:
                self.troubled.add(entry.path)
            elif result.digest is not None:
                self.first.setdefault(entry.path, (entry.size, entry.mtime_ns))
                self.troubled.discard(entry.path)
            for number, settled in result.at.items():
                at = copied.plan.places[number].root, entry.path
                if settled.state is CopyState.VERIFIED and settled.mtime_ns is not None:
                    self.proven[at] = entry.size, settled.mtime_ns
                elif settled.state is not None or number in result.task.write:
                    self.proven.pop(at, None)


@dataclass
class World:
    """The card, the drives that are plugged in, and what the model remembers."""

    root: Path
    random: random.Random
    sessions: Sessions
    on: dict[Path, str] = field(default_factory=dict)  # which drive a folder is on
    unplugged: list[Path] = field(default_factory=list)
    clock: int = 1_777_622_400_000_000_000
    story: list[str] = field(default_factory=list)
    memories: dict[int, Memory] = field(default_factory=dict)  # by reel
    _recorded: dict[int, dict[bytes, RecordedFile]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.card.mkdir()
        for name, drive in DRIVES.items():
            (self.root / name).mkdir()
            self.on[self.root / name] = drive
        with writing(self.sessions) as session:
            self.production = make_production(session, name=self.root.name).id

    @property
    def card(self) -> Path:
        return self.root / "card"

    @property
    def plugged(self) -> list[Path]:
        return [path for path in self.on if path not in self.unplugged]

    def card_files(self) -> dict[str, Path]:
        return {str(p.relative_to(self.card)): p for p in sorted(self.card.rglob("*")) if p.is_file()}

    # --- events ------------------------------------------------------------------------------------

    def put(self, path: Path) -> None:
        """Write a file of the card; its time moves by very little or by much, as clocks do."""
        self.clock += self.random.choice([1, 1_000_000, 10**9, 3 * 10**9, 10**12])
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(self.random.randbytes(self.random.choice([0, 1, 700, 700, 9000])))
        os.utime(path, ns=(self.clock, self.clock))

    def add(self) -> None:
        free = [name for name in NAMES if not (self.card / name).exists()]
        if free:
            self.put(self.card / self.random.choice(free))

    def change(self) -> None:
        if files := self.card_files():
            self.put(self.random.choice(list(files.values())))

    def delete(self) -> None:
        if files := self.card_files():
            self.random.choice(list(files.values())).unlink()

    def rename(self) -> None:
        """On the card, or exchange two: names say nothing of what is in them."""
        files = list(self.card_files().values())
        if len(files) > 1 and self.random.random() < 0.5:
            one, two = self.random.sample(files, 2)
            aside = self.card / "aside"
            one.rename(aside)
            two.rename(one)
            aside.rename(two)
        elif files:
            free = [name for name in NAMES if not (self.card / name).exists()]
            if free:
                to = self.card / self.random.choice(free)
                to.parent.mkdir(exist_ok=True)
                self.random.choice(files).rename(to)

    def reformat(self) -> None:
        """The card is emptied and filled again, often under the same names."""
        shutil.rmtree(self.card)
        self.card.mkdir()
        for name in self.random.sample(NAMES, self.random.randint(0, 3)):
            self.put(self.card / name)

    def unplug(self) -> None:
        if self.plugged:
            path = self.random.choice(self.plugged)
            path.rename(self._away(path))
            self.unplugged.append(path)

    def plug(self) -> None:
        if self.unplugged:
            path = self.unplugged.pop(self.random.randrange(len(self.unplugged)))
            self._away(path).rename(path)

    def exchange(self) -> None:
        """Two drives come back under each other's mount points."""
        if len(self.plugged) > 1:
            one, two = self.random.sample(self.plugged, 2)
            one.rename(self._away(one))
            two.rename(one)
            self._away(one).rename(two)
            self.on[one], self.on[two] = self.on[two], self.on[one]

    def wipe(self) -> None:
        """A drive is formatted."""
        if self.plugged:
            path = self.random.choice(self.plugged)
            shutil.rmtree(path)
            path.mkdir()

    def spoil(self) -> None:
        """Somebody damages, shortens, replaces or removes a copy; its time shows it."""
        copies = [p for path in self.plugged for p in sorted(path.rglob("*")) if p.is_file()]
        if copies:
            victim = self.random.choice(copies)
            how = self.random.randrange(4)
            if how == 0:
                victim.unlink()
            elif how == 1:
                victim.write_bytes(victim.read_bytes()[:-1])
            elif how == 2:
                victim.write_bytes(self.random.randbytes(victim.stat().st_size))
            else:
                victim.unlink()
                victim.symlink_to(self.random.choice(copies))

    def offload(self) -> None:
        self._offload(lambda: Faulty(self))

    def offload_badly(self) -> None:
        where = self.random.choice([self.card, *self.plugged])
        nth, lasting = self.random.randint(1, 60), self.random.random() < 0.5
        self._offload(lambda: Faulty(self, nth, where, lasting=lasting))

    def _away(self, path: Path) -> Path:
        return path.with_name(f"{path.name} (away)")

    # --- the program -------------------------------------------------------------------------------

    def _offload(self, make_disk: Callable[[], Disk]) -> None:
        """As the pipeline does it, without manifests and media."""
        if not self.plugged or not self.card_files():
            return
        to = self.random.sample(self.plugged, self.random.randint(1, min(3, len(self.plugged))))
        disk = Faulty(self)
        listing = read_card(self.card, disk)
        with writing(self.sessions) as session:
            reel, again = self._open_reel(session, listing)
            places, _ = open_places(listing, to, reel.folder, disk)
            opened, known = self._open_offload(session, reel, places, listing)
        for place in places:
            remove_leftovers(disk, place, {entry.path for entry in listing.files})
        plan = make_plan(listing, places, lambda _: known, disk, margin_percent=0, prove_again=again)
        recorder = Recorder(self.sessions, opened)
        counters = Counters.for_places(len(places))
        copied = copy(plan, make_disk(), OPTIONS, counters=counters, on_settled=recorder.settled)
        recorder.left_over(copied.results)
        clean = not copied.stopped and all(result.error is None for result in copied.results)
        state = OffloadState.DONE if clean else OffloadState.PARTIAL
        close_offload(self.sessions, opened, state=state, bytes_read=0, bytes_written=0, report={})
        memory = self.memories.pop(reel.id, Memory(reel.folder))
        memory.learn(copied)
        self.memories[reel.id] = memory  # the last one
        self._recorded.pop(reel.id, None)  # only a run writes into the catalogue
        self.story.append(f"  reel {reel.name}, to {[path.name for path in to]}: {state}")

    def _open_reel(self, session: Session, listing: Listing) -> tuple[Reel, bool]:
        production = session.get_one(Production, self.production)
        reel = recognise(session, production, _found(listing))
        again = reel is not None and was_finished(session, reel)
        if reel is None:
            name = next_reel_name(session, production, None)
            reel = Reel(production_id=production.id, name=name, algorithm="xxh64", folder=f"film/{name}")
            session.add(reel)
            session.flush()
        return reel, again

    def _open_offload(
        self, session: Session, reel: Reel, places: Sequence[Place], listing: Listing
    ) -> tuple[OpenOffload, dict[str, KnownFile]]:
        row = Offload(reel_id=reel.id, source="card", state=OffloadState.RUNNING, report={})
        session.add(row)
        ids = {str(place.root): find_destination(session, str(place.root)).id for place in places}
        session.flush()
        close_dead_offloads(session, reel.id, row.id)
        expect_files(session, row, reel.algorithm, _found(listing))
        files = recorded_files(session, reel.id, list(_found(listing)))
        opened = OpenOffload(row.id, reel.id, reel.algorithm, tuple(ids[str(place.root)] for place in places))
        return opened, {os.fsdecode(path): _known(file) for path, file in files.items()}

    def verdicts(self, *, all_reels: bool) -> Iterator[tuple[int, Verdict]]:
        """The program's answer for the reel that was filled last, or for every reel."""
        disk = Faulty(self)
        listing = read_card(self.card, disk)
        for number in list(self.memories) if all_reels else list(self.memories)[-1:]:
            if number not in self._recorded:
                with reading(self.sessions) as session:
                    paths = list(recorded_paths(session, number))
                    self._recorded[number] = recorded_files(session, number, paths)
            known = partial(self._known_of, number)
            yield number, judge(listing, known, self.memories[number].folder, disk)

    def _known_of(self, reel_id: int, _: Sequence[bytes]) -> dict[bytes, RecordedFile]:
        return self._recorded[reel_id]

    # --- the truth, and the rule ---------------------------------------------------------------------

    def is_safe(self, folder: str) -> bool:
        """Whether every file of the card lies, to the byte, on two drives that are plugged in now."""
        return self._each_on_two_drives(
            lambda path, drive: _bytes_of(drive / folder / path) == (self.card / path).read_bytes()
        )

    def must_be_yes(self, memory: Memory) -> bool:
        """Whether nothing has happened to any file since it was read whole, nor to two copies of it."""
        stamps = {path: _stamp_of(file) for path, file in self.card_files().items()}
        unchanged = all(
            memory.first.get(path) == stamp and path not in memory.troubled for path, stamp in stamps.items()
        )
        return unchanged and self._each_on_two_drives(
            lambda path, drive: (
                _stamp_of(drive / memory.folder / path) == memory.proven.get((drive, path), ())
            )
        )

    def _each_on_two_drives(self, holds: Callable[[str, Path], bool]) -> bool:
        files = self.card_files()
        return bool(files) and all(
            len({self.on[drive] for drive in self.plugged if holds(path, drive)}) >= 2 for path in files
        )


def _found(listing: Listing) -> dict[bytes, FoundFile]:
    return {entry.raw: FoundFile(entry.size, entry.mtime_ns) for entry in listing.files}


def _known(file: RecordedFile) -> KnownFile:
    proven = {
        Path(one.destination): KnownCopy(file.size, one.mtime_ns)
        for one in file.copies
        if one.state is CopyState.VERIFIED
    }
    return KnownFile(file.size, file.mtime_ns, file.digest, proven)


def _bytes_of(path: Path) -> bytes | None:
    return path.read_bytes() if path.is_file() and not path.is_symlink() else None


def _stamp_of(path: Path) -> Stamp | None:
    if not path.is_file() or path.is_symlink():
        return None
    found = path.stat()
    return found.st_size, found.st_mtime_ns
