"""What is left of a drive when the power goes: a record of every change, and the states it may be found in.

A change is safe once it was synced: a file's bytes by `sync`, a folder's names by `sync_folder`, all of it by
`sync_all`. Until then anything may be left of it, or nothing: this model is stricter than most file systems.
"""

from __future__ import annotations

import os
import random
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ingest.durable import Disk
from tests.faults import handle_path, is_below

LOST, KEPT, NAMES_ONLY, TORN = "lost", "kept", "names without bytes", "torn"
MODES = (LOST, KEPT, NAMES_ONLY, TORN)


@dataclass(frozen=True)
class Event:
    """A change, by inode numbers: `name` and `other` are in the folder `node`."""

    what: str
    node: int = 0
    name: str = ""
    other: str = ""
    child: int = 0
    data: bytes = b""


class RecordingDisk(Disk):
    """Plain calls on one drive, each change written down in the order in which it was done."""

    def __init__(self, drive: Path) -> None:
        self._drive = drive
        self.root = drive.stat().st_ino
        self.events: list[Event] = []
        self._lock = threading.Lock()

    def note(self, what: str, **values: Any) -> None:
        with self._lock:
            self.events.append(Event(what, **values))

    def _on_drive(self, handle: int) -> int | None:
        if not is_below(handle_path(handle), self._drive):
            return None
        return os.fstat(handle).st_ino

    def make_folder(self, name: str, *, at: int) -> None:
        before = set(os.listdir(at))
        super().make_folder(name, at=at)
        node = self._on_drive(at)
        if node is not None and name not in before:
            self.note("mkdir", node=node, name=name, child=os.stat(name, dir_fd=at).st_ino)

    def create(self, name: str, *, at: int) -> int:
        handle = super().create(name, at=at)
        if (node := self._on_drive(at)) is not None:
            self.note("create", node=node, name=name, child=os.fstat(handle).st_ino)
        return handle

    def write(self, handle: int, view: memoryview) -> int:
        count = super().write(handle, view)
        if (node := self._on_drive(handle)) is not None:
            self.note("write", node=node, data=bytes(view[:count]))
        return count

    def publish(self, partial: str, final: str, *, at: int) -> None:
        super().publish(partial, final, at=at)
        if (node := self._on_drive(at)) is not None:
            self.note("rename", node=node, name=partial, other=final)

    def remove(self, name: str, *, at: int) -> None:
        super().remove(name, at=at)
        if (node := self._on_drive(at)) is not None:
            self.note("unlink", node=node, name=name)

    def sync(self, handle: int) -> None:
        super().sync(handle)
        if (node := self._on_drive(handle)) is not None:
            self.note("sync", node=node)

    def sync_folder(self, folder: int) -> None:
        super().sync_folder(folder)
        if (node := self._on_drive(folder)) is not None:
            self.note("sync_folder", node=node)

    def sync_all(self, folder: int) -> None:
        super().sync_all(folder)
        if self._on_drive(folder) is not None:
            self.note("sync_all")


@dataclass
class _File:
    now: bytearray = field(default_factory=bytearray)
    safe: bytes = b""


@dataclass
class _Folder:
    now: dict[str, int] = field(default_factory=dict)
    safe: dict[str, int] = field(default_factory=dict)


@dataclass
class Drive:
    """The drive after some events, with what is safe and what is merely so at this moment."""

    root: int
    files: dict[int, _File] = field(default_factory=dict)
    folders: dict[int, _Folder] = field(default_factory=dict)
    verified: set[str] = field(default_factory=set)

    def take(self, event: Event) -> None:
        folder = self.folders.setdefault(event.node, _Folder())
        if event.what == "mkdir":
            folder.now[event.name] = event.child
            self.folders[event.child] = _Folder()
        elif event.what == "create":
            folder.now[event.name] = event.child
            self.files[event.child] = _File()
        elif event.what == "write":
            self.files[event.node].now += event.data
        elif event.what == "rename":
            folder.now[event.other] = folder.now.pop(event.name)
        elif event.what == "unlink":
            del folder.now[event.name]
        elif event.what == "sync":
            self.files[event.node].safe = bytes(self.files[event.node].now)
        elif event.what == "sync_folder":
            folder.safe = dict(folder.now)
        elif event.what == "sync_all":
            for file in self.files.values():
                file.safe = bytes(file.now)
            for each in self.folders.values():
                each.safe = dict(each.now)
        elif event.what == "verified":
            self.verified.add(event.name)

    def after_the_cut(self, mode: str, chance: random.Random) -> dict[str, bytes]:
        """Every file that would be found, by path from the drive's root."""
        return self._files_below(self.root, "", mode, chance)

    def _files_below(self, node: int, path: str, mode: str, chance: random.Random) -> dict[str, bytes]:
        found: dict[str, bytes] = {}
        folder = self.folders.get(node, _Folder())
        names = folder.safe if mode == LOST or (mode == TORN and chance.random() < 0.5) else folder.now
        for name, child in names.items():
            if child in self.files:
                found[path + name] = _bytes_left(self.files[child], mode, chance)
            else:
                found |= self._files_below(child, f"{path}{name}/", mode, chance)
        return found


def _bytes_left(file: _File, mode: str, chance: random.Random) -> bytes:
    if mode == KEPT:
        return bytes(file.now)
    if mode != TORN or len(file.safe) == len(file.now):
        return file.safe
    # Some of the bytes came through, and holes or old blocks where others should be.
    length = chance.randint(len(file.safe), len(file.now))
    torn = bytearray(file.now[:length])
    for place in range(len(file.safe), length, 512):
        if chance.random() < 0.3:
            torn[place : place + 512] = bytes(len(torn[place : place + 512]))
    return bytes(torn)


def replay(root: int, events: Sequence[Event]) -> Drive:
    drive = Drive(root, folders={root: _Folder()})
    for event in events:
        drive.take(event)
    return drive


class Acknowledged(list[int]):
    """The counter of verified bytes of one place, writing down which file each rise stands for, at the
    moment at which the engine decides that the copy is verified. All sizes must differ."""

    def __init__(self, disk: RecordingDisk, paths_by_size: Mapping[int, str]) -> None:
        super().__init__([0])
        self._disk, self._paths = disk, paths_by_size

    def __setitem__(self, number: Any, value: Any) -> None:
        self._disk.note("verified", name=self._paths[value - self[number]])
        super().__setitem__(number, value)
