"""The seam itself: what each call promises, which error becomes what, and the paths of other systems."""

from __future__ import annotations

import ctypes
import errno
import fcntl
import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from ingest import durable
from ingest.durable import Disk, card_error, destination_error, on_card, on_destination
from ingest.folders import open_below
from shared.errors import (
    AppError,
    CardError,
    ConflictError,
    DestinationError,
    DestinationFullError,
    DestinationGoneError,
    ReadOnlyError,
    RefusedFileError,
    SourceChangedError,
    UnreadableError,
    VanishedError,
)
from tests.faults import within


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[int]:
    handle = Disk().open_folder(tmp_path)
    yield handle
    os.close(handle)


# --- which error becomes what ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("code", "kind"),
    [
        (errno.ENOENT, VanishedError),
        (errno.ENODEV, VanishedError),
        (errno.ENOMEDIUM, VanishedError),
        (errno.ESTALE, VanishedError),
        (errno.ELOOP, SourceChangedError),
        (errno.EIO, UnreadableError),
        (errno.EACCES, UnreadableError),
        (errno.EUCLEAN, UnreadableError),
    ],
)
def test_errors_of_a_card_are_one_files(code: int, kind: type[CardError]) -> None:
    with pytest.raises(kind) as caught, on_card("DCIM/A.MOV"):
        raise OSError(code, os.strerror(code))
    check_words(caught.value, "DCIM/A.MOV", code)
    assert type(card_error(OSError(code, "x"), "y")) is kind


@pytest.mark.parametrize(
    ("code", "kind"),
    [
        (errno.ENOSPC, DestinationFullError),
        (errno.EDQUOT, DestinationFullError),
        (errno.EFBIG, RefusedFileError),
        (errno.ENAMETOOLONG, RefusedFileError),
        (errno.EILSEQ, RefusedFileError),
        (errno.ENOTDIR, RefusedFileError),
        (errno.EISDIR, RefusedFileError),
        (errno.ELOOP, RefusedFileError),
        (errno.EROFS, ReadOnlyError),
        (errno.EACCES, ReadOnlyError),
        (errno.EPERM, ReadOnlyError),
        (errno.ENODEV, DestinationGoneError),
        (errno.ENXIO, DestinationGoneError),
        (errno.ENOENT, DestinationGoneError),
        (errno.EIO, DestinationError),
        (errno.EUCLEAN, DestinationError),
    ],
)
def test_errors_of_a_destination(code: int, kind: type[DestinationError]) -> None:
    with pytest.raises(kind) as caught, on_destination("/drive/A.MOV"):
        raise OSError(code, os.strerror(code))
    check_words(caught.value, "/drive/A.MOV", code)
    assert type(destination_error(OSError(code, "x"), "y")) is kind


def check_words(error: AppError, path: str, code: int) -> None:
    """What happened, to what, what to do about it; and the system's own error is not lost."""
    assert error.path == path
    assert error.message
    assert error.remedy
    assert isinstance(error.__cause__, OSError)
    assert error.__cause__.errno == code


def test_a_name_that_is_taken_is_a_conflict() -> None:
    with pytest.raises(ConflictError, match="not touched"), on_destination("/drive/A.MOV"):
        raise FileExistsError(errno.EEXIST, "x")


# --- names -------------------------------------------------------------------------------------------------


def make(folder: int, name: str, data: bytes) -> None:
    handle = Disk().create(name, at=folder)
    os.write(handle, data)
    os.close(handle)


def no_links(*_arguments: Any, **_named: Any) -> None:
    raise OSError(errno.EPERM, os.strerror(errno.EPERM))


class NoRename:
    """A C library whose renameat2 can't refuse: old kernels, some file systems, other systems."""

    def renameat2(self, *_arguments: Any) -> int:
        ctypes.set_errno(errno.EINVAL)
        return -1


@pytest.mark.parametrize("way", ["renameat2", "link", "look and rename"])
def test_publishing_never_overwrites_whichever_way_it_goes(
    folder: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, way: str
) -> None:
    if way != "renameat2":
        monkeypatch.setattr(durable, "_LIBC", NoRename())
    if way == "look and rename":
        monkeypatch.setattr(os, "link", no_links)
    disk = Disk()
    make(folder, "A.partial", b"new")
    disk.publish("A.partial", "A", at=folder)
    assert (tmp_path / "A").read_bytes() == b"new"
    assert not (tmp_path / "A.partial").exists()
    make(folder, "A.partial", b"newer")
    with pytest.raises(FileExistsError):
        disk.publish("A.partial", "A", at=folder)
    assert (tmp_path / "A").read_bytes() == b"new"
    assert (tmp_path / "A.partial").read_bytes() == b"newer"
    (tmp_path / "B").symlink_to("nowhere")
    with pytest.raises(FileExistsError):
        disk.publish("A.partial", "B", at=folder)
    with pytest.raises(FileNotFoundError):
        disk.publish("gone.partial", "C", at=folder)


def test_a_new_file_is_never_an_existing_one_nor_behind_a_link(folder: int, tmp_path: Path) -> None:
    (tmp_path / "there").write_bytes(b"old")
    (tmp_path / "link").symlink_to("elsewhere")
    for name in ("there", "link"):
        with pytest.raises(FileExistsError):
            Disk().create(name, at=folder)
    assert (tmp_path / "there").read_bytes() == b"old"
    assert not (tmp_path / "elsewhere").exists()


def test_no_pipe_is_waited_for(folder: int, tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    with within(10):
        os.close(Disk().open_source("pipe", at=folder))
        handle, _ = Disk().open_copy("pipe", at=folder)
        os.close(handle)


def test_no_link_is_followed(folder: int, tmp_path: Path) -> None:
    (tmp_path / "real").mkdir()
    (tmp_path / "file").write_bytes(b"x")
    (tmp_path / "to folder").symlink_to("real")
    (tmp_path / "to file").symlink_to("file")
    disk = Disk()
    for attempt in (disk.open_source, disk.open_copy):
        with pytest.raises(OSError, match="symbolic links"):
            attempt("to file", at=folder)
    with pytest.raises(NotADirectoryError):
        disk.open_folder("to folder", at=folder)
    assert disk.stat_at("to file", at=folder).st_size == len("file")


@pytest.mark.parametrize("path", ["..", "a/../b", "a//b", "./a", "/etc", "a/"])
def test_only_plain_relative_paths_are_opened_below_a_root(tmp_path: Path, path: str) -> None:
    (tmp_path / "a").mkdir()
    with pytest.raises(OSError, match="plain relative path"):
        open_below(Disk(), tmp_path, path, make=True)
    assert [entry.name for entry in tmp_path.iterdir()] == ["a"]


def test_no_handle_is_lost_when_a_folder_can_t_be_opened(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "a/file").write_bytes(b"")
    before = len(list(Path("/proc/self/fd").iterdir()))
    for path in ("a/file", "a/missing/b", "a/../b"):
        with pytest.raises(OSError):
            open_below(Disk(), tmp_path, path, make=False)
    assert len(list(Path("/proc/self/fd").iterdir())) == before


@pytest.mark.parametrize("call", ["open", "mkdir"])
def test_a_name_that_a_drive_does_not_permit_is_told_apart_from_a_failing_drive(
    folder: int, monkeypatch: pytest.MonkeyPatch, call: str
) -> None:
    """EINVAL where something is made: "the final component of pathname is invalid" (open(2), mkdir(2))."""

    def refuse(*_: object, **__: object) -> None:
        raise OSError(errno.EINVAL, os.strerror(errno.EINVAL))

    monkeypatch.setattr(os, call, refuse)
    make = Disk().create if call == "open" else Disk().make_folder
    with pytest.raises(OSError) as caught:
        make("what?", at=folder)
    assert isinstance(destination_error(caught.value, "what?"), RefusedFileError)


# --- syncing -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("code", "raised"), [(errno.EINVAL, False), (errno.ENOTSUP, False), (errno.EIO, True)]
)
def test_a_folder_that_can_t_be_synced_is_tolerated_and_a_failed_sync_is_not(
    folder: int, monkeypatch: pytest.MonkeyPatch, code: int, raised: bool
) -> None:
    def fail(_handle: int) -> None:
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr(os, "fsync", fail)
    if raised:
        with pytest.raises(OSError):
            Disk().sync_folder(folder)
    else:
        Disk().sync_folder(folder)


def test_a_sync_asks_the_system_for_that_very_file_or_folder(
    folder: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On many file systems nothing but a power cut would show its absence: the call itself is looked at."""
    asked: list[int] = []
    monkeypatch.setattr(os, "fsync", asked.append)
    handle = Disk().create("A", at=folder)
    try:
        Disk().sync(handle)
        Disk().sync_folder(folder)
        assert asked == [handle, folder]
    finally:
        os.close(handle)


def test_syncing_everything_tells_a_failure() -> None:
    read_end, write_end = os.pipe()
    os.close(read_end)
    os.close(write_end)
    with pytest.raises(OSError, match="Bad file descriptor"):
        Disk().sync_all(write_end)


# --- macOS, as far as another system can show ---------------------------------------------------------------


def test_on_macos_the_cache_is_passed_by_and_the_drives_own_cache_is_flushed(
    folder: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """F_NOCACHE (48) and F_FULLFSYNC (51) of that system's <sys/fcntl.h>: fsync alone leaves the drive's
    cache unwritten there, by its own manual page."""
    calls: list[tuple[int, int]] = []

    def control(_handle: int, command: int, value: int = 0) -> int:
        calls.append((command, value))
        return 0

    (tmp_path / "A").write_bytes(b"x")
    monkeypatch.setattr(sys, "platform", "darwin")
    monkeypatch.setattr(durable, "_O_DIRECT", 0)
    monkeypatch.setattr(fcntl, "fcntl", control)
    monkeypatch.setattr(fcntl, "F_FULLFSYNC", 51, raising=False)
    handle, direct = Disk().open_copy("A", at=folder)
    try:
        assert direct
        Disk().sync(handle)
        assert calls == [(48, 1), (51, 0)]
        assert Disk().resident(handle, 1) is None
    finally:
        os.close(handle)
