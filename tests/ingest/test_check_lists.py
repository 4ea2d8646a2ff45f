"""What a check finds that nobody recorded, and what it makes of the hash lists beside the copies."""

from __future__ import annotations

import errno
import os
import shutil
import socket
from pathlib import Path

import pytest
from sqlalchemy import delete, update

from shared.db import Sessions, writing
from shared.models import Copy, CopyState, File
from tests.faults import CaseBlind, FailNth
from tests.ingest.check_support import (
    LONG_AGO,
    Shelf,
    digest_of,
    flip_bit,
    list_files,
    make_shelf,
    write_files,
)

A, B, C = "DCIM/100/A.MOV", "DCIM/100/B.MOV", "DCIM/101/C.WAV"


@pytest.fixture
def shelf(catalogue: Sessions, memory_path: Path) -> Shelf:
    return make_shelf(catalogue, memory_path)


# --- what is extra ---------------------------------------------------------------------------------------


def test_what_computers_and_runs_leave_is_not_extra(shelf: Shelf) -> None:
    top = shelf.top()
    write_files(top, {".DS_Store": b"d", "DCIM/Thumbs.db": b"t", "System Volume Information/x": b"s"})
    write_files(top, {f"{B}.0123abcd.partial": b"half", f"{B}.bad-20260501080000": b"bad"})
    result = shelf.check()
    assert result.code == 0
    assert result.not_verified() == {
        f"{B}.0123abcd.partial": "unfinished",
        f"{B}.bad-20260501080000": "set aside",
    }
    assert shelf.history().generations[-1].root is not None, "ignored files don't make it incomplete"


def test_pipes_links_and_sockets_are_extra_and_left_alone(shelf: Shelf) -> None:
    os.mkfifo(shelf.top() / "pipe")
    (shelf.top() / "link").symlink_to(shelf.drives[1])
    with socket.socket(socket.AF_UNIX) as one:
        one.bind(f"/proc/self/fd/{os.open(shelf.top(), os.O_RDONLY)}/socket")
    result = shelf.check()
    assert result.not_verified() == {"pipe": "extra", "link": "extra", "socket": "extra"}
    assert result.file("link")["problem"] == "it is a link or no plain file"


def test_a_recorded_file_wins_over_an_ignore_pattern(catalogue: Sessions, memory_path: Path) -> None:
    """A card may hold names that this program gives a meaning."""
    tree = {"take.bad-20260501080000": 5, "x.0123abcd.partial": 6, "Thumbs.db": 7, "a.wav": 8}
    shelf = make_shelf(catalogue, memory_path, tree, drives=1)
    assert shelf.check().states() == dict.fromkeys(tree, "verified")
    flip_bit(shelf.copy("Thumbs.db"))
    result = shelf.check()
    assert result.not_verified() == {"Thumbs.db": "differs"}
    assert any("no hash list can hold its name" in message for _, message in result.problems)


def test_an_empty_folder_is_in_the_folders_hashes(shelf: Shelf) -> None:
    (shelf.top() / "PRIVATE/EMPTY").mkdir(parents=True)
    shelf.check()
    folders = {one.path for one in shelf.history().generations[-1].folders}
    assert folders == {"DCIM", "DCIM/100", "DCIM/101", "PRIVATE", "PRIVATE/EMPTY"}


def test_names_that_are_no_text(catalogue: Sessions, memory_path: Path) -> None:
    odd = os.fsdecode(b"clip\xff\n.mov")
    shelf = make_shelf(catalogue, memory_path, {odd: 9, "plain.mov": 9}, drives=1, listed=False)
    result = shelf.check()
    assert result.states() == {"clip\\xff\\u000a.mov": "verified", "plain.mov": "verified"}
    assert [message for _, message in result.problems] == [
        "checked, but no hash list can hold its name (1 such files)"
    ]
    shelf.copy(odd).rename(shelf.copy("other"))
    assert shelf.check().file("clip\\xff\\u000a.mov")["moved_to"] == "other"


def test_a_drive_that_lists_a_name_in_another_form_has_no_extra(
    catalogue: Sessions, memory_path: Path
) -> None:
    shelf = make_shelf(catalogue, memory_path, {"Fähre.WAV": 5, "b.wav": 6}, drives=1)
    shelf.copy("Fähre.WAV").rename(shelf.copy("fa\u0308hre.wav"))  # decomposed, and in lower case
    assert shelf.check(disk=CaseBlind()).not_verified() == {}
    assert shelf.check().not_verified() == {"Fähre.WAV": "moved"}, "on a drive that tells them apart"


def test_files_that_were_never_copied_here_are_noted(shelf: Shelf) -> None:
    with writing(shelf.sessions) as session:
        session.execute(delete(Copy).where(Copy.id.in_([shelf.row(A).id, shelf.row(B).id])))
    shelf.copy(A).unlink()
    result = shelf.check()
    assert (result.code, result.not_verified()) == (0, {})
    assert result.problems == [("note", "2 files of reel A001 were never copied here")]


def test_a_missing_file_whose_hash_was_never_known_is_no_moved_one(shelf: Shelf) -> None:
    with writing(shelf.sessions) as session:
        session.execute(update(File).where(File.path == B).values(digest=None))
    shelf.copy(B).rename(shelf.copy("renamed"))
    assert shelf.check(shelf.drives[0]).not_verified() == {B: "missing", "renamed": "extra"}


# --- hash lists ------------------------------------------------------------------------------------------


def test_a_history_is_begun_where_there_is_none(catalogue: Sessions, memory_path: Path) -> None:
    shelf = make_shelf(catalogue, memory_path, drives=1, listed=False)
    assert shelf.check().code == 0
    assert set(shelf.last_actions().values()) == {"original"}


def test_what_differs_is_never_the_first_good_hash(catalogue: Sessions, memory_path: Path) -> None:
    shelf = make_shelf(catalogue, memory_path, drives=1, listed=False)
    flip_bit(shelf.copy(A))
    shelf.check()
    assert shelf.last_actions()[A] == "failed"


def test_a_history_in_another_format_is_continued(catalogue: Sessions, memory_path: Path) -> None:
    shelf = make_shelf(catalogue, memory_path, drives=1, listed=False)
    list_files(shelf.top(), shelf.files, algorithms=("md5",))
    assert shelf.check().problems == []
    last = shelf.history().generations[-1].files[0]
    assert {one.algorithm: one.action for one in last.hashes} == {"md5": "verified", "xxh128": "verified"}


def test_a_forged_manifest_is_named_and_the_catalogue_stands_alone(shelf: Shelf) -> None:
    (manifest,) = shelf.top().glob("ascmhl/*.mhl")
    manifest.write_text(manifest.read_text().replace(digest_of(shelf.files[A]), "0" * 32))
    flip_bit(shelf.copy(B))
    result = shelf.check()
    assert result.code == 4
    assert [(kind, "C4" in message) for kind, message in result.problems] == [("manifest", True)]
    assert result.report.problems[0].path is not None and manifest.name in result.report.problems[0].path
    assert result.states(shelf.drives[0])[B] == "differs"
    assert len(list(shelf.top().glob("ascmhl/*.mhl"))) == 1, "nothing is added to it"


def test_a_hash_list_that_says_otherwise_than_the_catalogue_is_named(shelf: Shelf) -> None:
    shutil.rmtree(shelf.top() / "ascmhl")
    list_files(shelf.top(), {**shelf.files, A: b"forged"})
    result = shelf.check()
    assert result.states(shelf.drives[0])[A] == "verified", "by the catalogue"
    assert result.code == 4
    assert [kind for kind, message in result.problems if "its hash list says otherwise" in message] == [
        "manifest"
    ]


def test_a_chain_that_came_with_the_card_may_grow(catalogue: Sessions, memory_path: Path) -> None:
    """A card with a history: its chain is a recorded file, and every generation changes it."""
    shelf = make_shelf(catalogue, memory_path, drives=1)
    with writing(catalogue) as session:
        reel = session.query(File).first()
        assert reel is not None
        for path in sorted(shelf.top().glob("ascmhl/*")):
            data = path.read_bytes()
            name = path.relative_to(shelf.top()).as_posix()
            session.add(
                row := File(
                    reel_id=reel.reel_id,
                    offload_id=reel.offload_id,
                    path=name,
                    path_bytes=name.encode(),
                    size=len(data),
                    mtime_ns=0,
                    algorithm="xxh128",
                    digest=digest_of(data),
                )
            )
            session.flush()
            session.add(Copy(file_id=row.id, destination_id=1, state=CopyState.VERIFIED))
    for _ in range(3):
        result = shelf.check()
        assert (result.code, result.problems) == (0, [])
    assert len(shelf.history().generations) == 4


def test_a_read_only_drive_is_checked_and_the_missing_generation_noted(shelf: Shelf) -> None:
    disk = FailNth(1, errno.EROFS, lasting=True, calls={"create"}, below=shelf.drives[0])
    result = shelf.check(disk=disk)
    assert result.code == 0
    assert [kind for kind, _ in result.problems] == ["note"]
    assert shelf.row(A).verified_at != LONG_AGO


def test_a_full_drive_is_named(shelf: Shelf) -> None:
    disk = FailNth(1, errno.ENOSPC, lasting=True, calls={"create", "write"}, below=shelf.drives[0])
    result = shelf.check(disk=disk)
    assert result.code == 3
    assert [kind for kind, _ in result.problems] == ["destination"]
