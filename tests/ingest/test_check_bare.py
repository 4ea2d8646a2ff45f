"""A folder that the catalogue knows nothing of is checked by its hash lists alone, hostile ones included."""

from __future__ import annotations

import datetime as dt
import os
import shutil
import threading
from pathlib import Path

import pytest

from ingest.card import UNLISTED
from ingest.durable import Disk
from ingest.mhl import FileHash, FileRecord, append_generation, check_history, read_history
from shared.db import Sessions
from tests.faults import NoDirectReads
from tests.ingest.check_support import (
    LONG_AGO,
    Result,
    check,
    digest_of,
    flip_bit,
    list_files,
    ticking,
    write_files,
)
from tests.ingest.mhl_support import (
    assert_fits_schema,
    hash_text,
    history_of,
    manifest_text,
    write_history,
    xxh128,
)

FILES = {"a.mov": b"the ferry leaves", "in/b.mov": b"the chain", "in/c.wav": b"a bell", "empty.txt": b""}


@pytest.fixture
def bare(memory_path: Path) -> Path:
    folder = memory_path / "bare"
    write_files(folder, FILES)
    list_files(folder, FILES)
    return folder


def last_actions(folder: Path) -> dict[str, str | None]:
    return {one.path: one.hashes[0].action for one in history_of(folder).generations[-1].files}


def test_a_sound_folder(catalogue: Sessions, bare: Path) -> None:
    result = check(catalogue, bare)
    assert (result.code, result.states()) == (0, dict.fromkeys(FILES, "verified"))
    assert last_actions(bare) == dict.fromkeys(FILES, "verified")
    last = history_of(bare).generations[-1]
    assert (last.process, last.root is not None) == ("in-place", True)
    assert UNLISTED[-1] not in history_of(bare).ignore_patterns, "a foreign list is not grown"
    assert check_history(bare) == []
    assert_fits_schema(bare)


def test_every_kind_of_damage(catalogue: Sessions, bare: Path) -> None:
    flip_bit(bare / "a.mov")
    (bare / "in/b.mov").rename(bare / "renamed.mov")
    (bare / "in/c.wav").unlink()
    (bare / "extra.txt").write_bytes(b"nobody knows")
    result = check(catalogue, bare)
    assert result.code == 4
    assert result.states() == {
        "a.mov": "differs",
        "in/b.mov": "moved",
        "in/c.wav": "missing",
        "extra.txt": "extra",
        "empty.txt": "verified",
    }
    assert result.file("in/b.mov")["moved_to"] == "renamed.mov"
    assert result.file("a.mov")["expected"] == digest_of(FILES["a.mov"])
    assert last_actions(bare) == {"a.mov": "failed", "empty.txt": "verified"}
    # A failed hash is never relied on: what was put right is verified again.
    (bare / "a.mov").write_bytes(FILES["a.mov"])
    (bare / "renamed.mov").rename(bare / "in/b.mov")
    (bare / "in/c.wav").write_bytes(FILES["in/c.wav"])
    (bare / "extra.txt").unlink()
    assert check(catalogue, bare).code == 0


@pytest.mark.parametrize("algorithm", ["xxh128", "xxh64", "xxh3", "md5", "sha1", "c4"])
def test_each_format(catalogue: Sessions, memory_path: Path, algorithm: str) -> None:
    """Specification, appendix D."""
    folder = memory_path / algorithm
    write_files(folder, FILES)
    list_files(folder, FILES, algorithms=(algorithm,))
    assert check(catalogue, folder).code == 0
    flip_bit(folder / "a.mov")
    found = check(catalogue, folder).file("a.mov")
    assert (found["state"], found["algorithm"]) == ("differs", algorithm)


def test_all_recorded_formats_are_held_against_the_file(catalogue: Sessions, memory_path: Path) -> None:
    """A list of which one value was forged: a check by the other one alone would not see it."""
    folder = memory_path / "two"
    write_files(folder, FILES)
    records = [
        FileRecord(
            path,
            len(data),
            LONG_AGO,
            (
                FileHash("md5", digest_of(data, "md5")),
                FileHash("xxh128", digest_of(b"forged" if path == "a.mov" else data)),
            ),
        )
        for path, data in FILES.items()
    ]
    append_generation(
        Disk(),
        folder,
        records,
        process="transfer",
        started_at=LONG_AGO,
        algorithm="md5",
        complete=False,
    )
    result = check(catalogue, folder)
    assert result.not_verified() == {"a.mov": "differs"}
    assert result.file("a.mov")["algorithm"] == "xxh128"


def test_the_good_hashes_of_all_generations_are_used(catalogue: Sessions, bare: Path) -> None:
    write_files(bare, {"later.mov": b"added"})
    list_files(bare, {"later.mov": b"added"}, minute=1)
    (bare / "a.mov").rename(bare / "renamed.mov")
    append_generation(
        Disk(),
        bare,
        [FileRecord("renamed.mov", None, None, (FileHash("xxh128", xxh128(FILES["a.mov"])),), "a.mov")],
        process="in-place",
        started_at=LONG_AGO + dt.timedelta(minutes=2),
        algorithm="xxh128",
        complete=False,
    )
    expected = {"renamed.mov", "later.mov", *FILES} - {"a.mov"}
    result = check(catalogue, bare)
    assert result.states() == dict.fromkeys(expected, "verified")
    assert result.code == 0


def test_nested_histories_are_checked_and_each_is_continued(catalogue: Sessions, memory_path: Path) -> None:
    outer = memory_path / "outer"
    write_files(outer, FILES)
    list_files(outer / "in", {"b.mov": FILES["in/b.mov"], "c.wav": FILES["in/c.wav"]})
    list_files(outer, {path: data for path, data in FILES.items() if not path.startswith("in/")}, minute=1)
    assert check(catalogue, outer).states() == dict.fromkeys(FILES, "verified")
    flip_bit(outer / "in/b.mov")
    assert check(catalogue, outer).not_verified() == {"in/b.mov": "differs"}
    assert last_actions(outer / "in") == {"b.mov": "failed", "c.wav": "verified"}
    assert set(last_actions(outer)) == {"a.mov", "empty.txt"}
    assert_fits_schema(outer)


def test_a_drive_with_several_bare_folders(catalogue: Sessions, memory_path: Path) -> None:
    """The drive of another machine: every outermost history below it is checked."""
    for name in ("day-1/A001", "day-1/A002", "day-2/B001"):
        write_files(memory_path / "drive" / name, FILES)
        list_files(memory_path / "drive" / name, FILES)
    flip_bit(memory_path / "drive/day-1/A002/a.mov")
    result = check(catalogue, memory_path / "drive")
    assert len(result.json["folders"]) == 3
    assert [one["destination"].rpartition("/")[2] for one in result.files if one["state"] == "differs"] == [
        "A002"
    ]


def test_the_oldest_first_and_a_budget(catalogue: Sessions, bare: Path) -> None:
    order = sorted(FILES, key=os.fsencode)

    def run(seconds: float | None) -> Result:
        return check(catalogue, bare, oldest=True, budget_seconds=seconds, clock=ticking())

    first = run(2)
    assert [one["path"] for one in first.files] == order[:2]
    assert first.json["left"]["files"] == 2
    second = run(3)
    assert [one["path"] for one in second.files] == [*order[2:], order[0]]
    assert last_actions(bare) == dict.fromkeys([*order[2:], order[0]], "verified")


def test_folders_for_which_there_was_no_time(catalogue: Sessions, memory_path: Path) -> None:
    for name in ("one", "two"):
        write_files(memory_path / name, FILES)
        list_files(memory_path / name, FILES)
    places = memory_path / "one", memory_path / "two"
    result = check(catalogue, *places, budget_seconds=4, clock=ticking())
    assert {one["destination"] for one in result.files} == {str(memory_path / "one")}
    assert result.json["left"]["folders_not_begun"] == 1
    assert result.json["left"]["why"] == "budget"
    again = check(catalogue, *places, budget_seconds=4, clock=ticking())
    assert {one["destination"] for one in again.files} == {str(memory_path / "two")}, "the other's turn"


def test_stopped_before_it_begins(catalogue: Sessions, bare: Path) -> None:
    stop = threading.Event()
    stop.set()
    result = check(catalogue, bare, stop=stop)
    assert (result.files, result.json["left"]["why"]) == ([], "interrupted")


def test_ignored_paths_are_neither_missing_nor_extra(catalogue: Sessions, bare: Path) -> None:
    append_generation(
        Disk(),
        bare,
        [FileRecord("a.mov", None, None, (FileHash("xxh128", xxh128(FILES["a.mov"])),))],
        process="in-place",
        started_at=LONG_AGO + dt.timedelta(minutes=1),
        algorithm="xxh128",
        complete=False,
        ignore=("*.wav", "notes/"),
    )
    (bare / "in/c.wav").unlink()
    write_files(bare, {"in/new.wav": b"x", "notes/day.txt": b"y"})
    assert check(catalogue, bare).states() == dict.fromkeys(set(FILES) - {"in/c.wav"}, "verified")


def test_a_file_of_which_every_hash_failed_can_not_be_checked(catalogue: Sessions, memory_path: Path) -> None:
    folder = memory_path / "failed"
    write_files(folder, {"a.mov": b"one", "b.mov": b"two"})
    write_history(
        folder,
        [
            manifest_text(
                hash_text("a.mov", xxh128(b"one"), action=' action="failed"')
                + hash_text("b.mov", xxh128(b"two"))
            )
        ],
    )
    result = check(catalogue, folder)
    assert (result.code, result.not_verified()) == (3, {"a.mov": "unchecked"})


def test_a_size_that_the_list_has_wrong_is_told(catalogue: Sessions, memory_path: Path) -> None:
    folder = memory_path / "size"
    write_files(folder, {"a.mov": b"one"})
    record = hash_text("a.mov", xxh128(b"one")).replace("<path>", '<path size="77">')
    write_history(folder, [manifest_text(record)])
    result = check(catalogue, folder)
    assert (result.code, result.not_verified()) == (4, {"a.mov": "differs"})


def test_memory_possible_is_said(catalogue: Sessions, bare: Path) -> None:
    folder = check(catalogue, bare, disk=NoDirectReads(None)).json["folders"][0]
    assert "memory possible" in folder["read_back"]


# --- hostile ---------------------------------------------------------------------------------------------

BOMB = (
    '<?xml version="1.0" encoding="UTF-8"?><!DOCTYPE x [<!ENTITY a "aaaaaaaaaa">'
    '<!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;">]>'
)
HOSTILE = {
    "a path out of the folder": manifest_text(hash_text("../secret.txt")),
    "an absolute path": manifest_text(hash_text("/etc/passwd")),
    "a path twice": manifest_text(hash_text("a.mov") + hash_text("a.mov")),
    "entities": manifest_text(hash_text("a.mov"), prolog=BOMB),
    "a value that is none": manifest_text(hash_text("a.mov", "zz")),
    "cut off": manifest_text(hash_text("a.mov"))[:300],
    "no XML": "not XML at all",
}


@pytest.mark.parametrize("kind", HOSTILE)
def test_a_hostile_manifest_is_named_and_nothing_is_read_by_it(
    catalogue: Sessions, memory_path: Path, kind: str
) -> None:
    folder = memory_path / "hostile"
    write_files(folder, {"a.mov": b"one"})
    (memory_path / "secret.txt").write_bytes(b"not to be read")
    write_history(folder, [HOSTILE[kind]])
    before = sorted(folder.rglob("*"))

    result = check(catalogue, folder)

    assert result.code == 4
    ((kind_of_problem, _),) = result.problems
    assert kind_of_problem == "manifest"
    path = result.report.problems[0].path
    assert path is not None and path.startswith(f"{folder}/ascmhl/")
    assert result.files == []
    assert sorted(folder.rglob("*")) == before, "nothing is added to what can't be relied on"


def test_a_hostile_folder_does_not_keep_others_from_being_checked(
    catalogue: Sessions, memory_path: Path, bare: Path
) -> None:
    folder = memory_path / "hostile"
    write_history(folder, [manifest_text(hash_text("../x"))])
    result = check(catalogue, folder, bare)
    assert result.code == 4
    assert result.states(bare) == dict.fromkeys(FILES, "verified")


def test_a_recorded_path_through_a_link_is_not_followed(catalogue: Sessions, bare: Path) -> None:
    shutil.move(bare / "in", bare.parent / "elsewhere")
    (bare / "in").symlink_to(bare.parent / "elsewhere")
    result = check(catalogue, bare)
    assert result.not_verified() == {"in/b.mov": "missing", "in/c.wav": "missing", "in": "extra"}


def test_a_manifest_changed_after_it_was_chained(catalogue: Sessions, bare: Path) -> None:
    (manifest,) = bare.glob("ascmhl/*.mhl")
    manifest.write_bytes(manifest.read_bytes() + b"\n")
    result = check(catalogue, bare)
    assert result.code == 4
    assert manifest.name in (result.report.problems[0].path or "")


def test_an_unlisted_manifest_is_a_note(catalogue: Sessions, bare: Path) -> None:
    (bare / "ascmhl/0009_bare_2031-05-04_060900Z.mhl").write_text(manifest_text(hash_text("x")))
    result = check(catalogue, bare)
    assert result.code == 0
    assert [kind for kind, _ in result.problems] == ["note"]
    assert read_history(None, bare) is not None
