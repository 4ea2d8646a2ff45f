"""Generations of a history as the ASC MHL specification v1.0 wants them (sections in brackets)."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import pytest
from lxml import etree

from ingest.durable import Disk
from ingest.mhl import (
    Author,
    FileHash,
    FileRecord,
    History,
    append_generation,
    check_history,
    read_manifest,
    utc_from_ns,
)
from shared.errors import ManifestError
from tests.ingest.mhl_support import (
    MTIME,
    NO_SCHEMA,
    SCHEMAS,
    START,
    append,
    assert_fits_schema,
    c4_by_hand,
    history_of,
    make_tree,
    manifest_text,
    record,
    records_of,
    schema,
    write_history,
)

CHAIN = "{urn:ASC:MHL:DIRECTORY:v2.0}"
TREE = {"DCIM/A001.mov": b"ferry", "DCIM/A002.mov": b"river", "note.txt": b"winch"}


@pytest.fixture(autouse=True)
def _whatever_is_written_is_sound(tmp_path: Path) -> Iterator[None]:
    """Every history that a test leaves fits the published schema, and the rules beyond it."""
    yield
    assert_fits_schema(tmp_path)
    for folder in tmp_path.rglob("ascmhl"):
        assert [str(one) for one in check_history(folder.parent) if one.fatal] == []


def actions(history: History, number: int) -> dict[str, list[str | None]]:
    files = history.generations[number - 1].files
    return {one.path: [found.action for found in one.hashes] for one in files}


@pytest.mark.skipif(not SCHEMAS.is_dir(), reason=NO_SCHEMA)
def test_fits_the_published_schema(tmp_path: Path) -> None:
    """All that can stand in a manifest at once; the fixture above does this for every test."""
    make_tree(tmp_path, TREE)
    authors = [Author("R. Ahlgrimm", "r@ferry.example", "+00 1", "operator"), Author("N. N.")]
    path = append(
        tmp_path,
        list(records_of(tmp_path)),
        complete=True,
        authors=authors,
        location="slipway",
        comment="a\nb",
    )
    schema("ASCMHL.xsd").assertValid(etree.parse(str(path)))
    schema("ASCMHLDirectory.xsd").assertValid(etree.parse(str(path.with_name("ascmhl_chain.xml"))))
    read = read_manifest(path).creator
    assert (read.authors, read.location, read.comment) == (tuple(authors), "slipway", "a\nb")


def test_name_and_place_of_the_manifest(tmp_path: Path) -> None:
    root = tmp_path / "A001 reel"
    make_tree(root, TREE)
    path = append(root, [record("note.txt")])
    assert path == root / "ascmhl" / "0001_A001 reel_2031-05-04_060708Z.mhl"  # [5.3, 6.3]
    assert {one.name for one in path.parent.iterdir()} == {path.name, "ascmhl_chain.xml"}


def test_moment_in_the_name_is_utc(tmp_path: Path) -> None:
    local = datetime.fromisoformat("2031-05-04T23:30:00-03:00")
    path = append_generation(
        Disk(), tmp_path, [record("a")], process="in-place", started_at=local, algorithm="md5", complete=False
    )
    assert "_2031-05-05_023000Z.mhl" in path.name


def test_a_moment_without_zone_is_refused(tmp_path: Path) -> None:
    naive = START.replace(tzinfo=None)
    with pytest.raises(ValueError, match="zone"):
        append_generation(
            Disk(), tmp_path, [], process="in-place", started_at=naive, algorithm="md5", complete=False
        )


def test_chain_counts_and_names_each_manifest_by_c4(tmp_path: Path) -> None:
    make_tree(tmp_path, TREE)
    written = [append(tmp_path, list(records_of(tmp_path)), minute=n) for n in range(3)]
    chain = etree.parse(str(tmp_path / "ascmhl/ascmhl_chain.xml")).getroot()
    rows = [
        (one.get("sequencenr"), one.findtext(f"{CHAIN}path"), one.findtext(f"{CHAIN}c4")) for one in chain
    ]
    # [7]: C4 of the manifest's bytes, whatever format the manifest uses.
    assert rows == [(str(n), path.name, c4_by_hand(path.read_bytes())) for n, path in enumerate(written, 1)]


def test_original_then_verified_then_failed_then_verified(tmp_path: Path) -> None:
    for minute, data in enumerate([b"good", b"good", b"BAD!", b"good"]):
        append(tmp_path, [record("a.mov", data)], minute=minute)
    history = history_of(tmp_path)
    said = [actions(history, n)["a.mov"] for n in (1, 2, 3, 4)]
    assert said == [["original"], ["verified"], ["failed"], ["verified"]]
    found = history.latest_good("a.mov")
    assert found == FileHash("xxh128", record("a.mov", b"good").hashes[0].value, "verified", None)


def test_a_failed_hash_is_never_relied_on(tmp_path: Path) -> None:
    append(tmp_path, [record("a.mov", b"good")])
    append(tmp_path, [record("a.mov", b"BAD!")], minute=1)
    append(tmp_path, [record("a.mov", b"BAD!")], minute=2)  # equal to the failed one, and yet failed
    history = history_of(tmp_path)
    assert actions(history, 3) == {"a.mov": ["failed"]}
    found = history.latest_good("a.mov")
    assert found is not None
    assert found.value == record("a.mov", b"good").hashes[0].value


def test_only_failed_is_known_but_has_nothing_good(tmp_path: Path) -> None:
    bad = FileHash("xxh128", "1" * 32, "failed")
    append(tmp_path, [FileRecord("a.mov", 1, None, (bad,))])
    history = history_of(tmp_path)
    assert history.latest_good("a.mov") is None
    assert history.known_paths == {"a.mov"}


def test_no_earlier_manifest_changes(tmp_path: Path) -> None:
    make_tree(tmp_path, TREE)
    before: dict[Path, tuple[bytes, int]] = {}
    for minute in range(4):
        path = append(tmp_path, list(records_of(tmp_path)), minute=minute)
        for earlier, (data, inode) in before.items():
            assert (earlier.read_bytes(), earlier.stat().st_ino) == (data, inode)
        before[path] = (path.read_bytes(), path.stat().st_ino)


def test_new_format_is_verified_beside_a_recorded_one(tmp_path: Path) -> None:
    """[6.5.1] and G 2.3: several formats from one read; the new one leans on the one recorded."""
    md5 = FileHash("md5", hashlib.md5(b"x").hexdigest())
    both = record("a", b"x")
    both = replace(both, hashes=(*both.hashes, md5))
    append(tmp_path, [record("a", b"x")])
    append(tmp_path, [both], minute=1)
    append(tmp_path, [replace(both, hashes=(md5,))], minute=2)
    history = history_of(tmp_path)
    assert actions(history, 2) == {"a": ["verified", "verified"]}
    assert actions(history, 3) == {"a": ["verified"]}
    assert history.latest_good("a") == replace(md5, action="verified")
    assert history.good_hashes("a").keys() == {"md5", "xxh128"}
    text = (tmp_path / "ascmhl" / history.generations[1].name).read_text()
    assert text.index("<md5") < text.index("<xxh128"), "the order that the schema makes compulsory"


def test_a_new_format_fails_along_with_the_recorded_one(tmp_path: Path) -> None:
    append(tmp_path, [record("a", b"x")])
    worse = record("a", b"y")
    worse = replace(worse, hashes=(*worse.hashes, FileHash("md5", hashlib.md5(b"y").hexdigest())))
    append(tmp_path, [worse], minute=1)
    history = history_of(tmp_path)
    assert actions(history, 2) == {"a": ["failed", "failed"]}
    assert history.good_hashes("a").keys() == {"xxh128"}


def test_other_formats_alone_can_not_be_judged(tmp_path: Path) -> None:
    append(tmp_path, [record("a", b"x")])
    unknown = FileRecord("a", 1, None, (FileHash("md5", hashlib.md5(b"y").hexdigest()),))
    with pytest.raises(ManifestError, match="xxh128") as caught:
        append(tmp_path, [unknown], minute=1)
    assert caught.value.path == "a"
    assert len(history_of(tmp_path).generations) == 1


def test_an_action_that_is_given_is_kept(tmp_path: Path) -> None:
    given = FileHash("xxh128", "a" * 32, "failed", MTIME)
    append(tmp_path, [FileRecord("a", None, None, (given,))])
    (one,) = history_of(tmp_path).generations[0].files
    assert one == FileRecord("a", None, None, (given,))


def test_rename_is_followed(tmp_path: Path) -> None:
    append(tmp_path, [record("old.mov", b"x"), record("other", b"y")])
    append(tmp_path, [record("new.mov", b"x", previous="old.mov")], minute=1)
    append(tmp_path, [record("new.mov", b"z")], minute=2)
    history = history_of(tmp_path)
    assert actions(history, 2) == {"new.mov": ["verified"]}
    assert history.generations[1].files[0].previous_path == "old.mov"
    assert actions(history, 3) == {"new.mov": ["failed"]}
    assert history.known_paths == {"new.mov", "other"}
    assert history.latest_good("old.mov") is None


def test_another_file_may_take_the_old_name(tmp_path: Path) -> None:
    append(tmp_path, [record("a", b"first")])
    append(tmp_path, [record("b", b"first", previous="a"), record("a", b"second")], minute=1)
    append(tmp_path, [record("a", b"second"), record("b", b"first")], minute=2)
    history = history_of(tmp_path)
    assert actions(history, 2) == {"b": ["verified"], "a": ["original"]}
    assert actions(history, 3) == {"a": ["verified"], "b": ["verified"]}


def test_folder_hashes_only_when_everything_was_hashed(tmp_path: Path) -> None:
    """G 2.5.3."""
    make_tree(tmp_path, TREE)
    append(tmp_path, list(records_of(tmp_path)), complete=True)
    append(tmp_path, [record("note.txt", b"winch")], minute=1)
    first, second = history_of(tmp_path).generations
    assert first.root is not None
    assert [one.path for one in first.folders] == ["DCIM"]
    assert (second.root, second.folders) == (None, ())


def test_complete_needs_the_algorithm_in_every_record(tmp_path: Path) -> None:
    with pytest.raises(ManifestError, match="sha1"):
        append(tmp_path, [record("a")], complete=True, algorithm="sha1")


def test_ignore_list_only_grows(tmp_path: Path) -> None:
    append(tmp_path, [record("a")], ignore=["*.tmp"])
    append(tmp_path, [record("a")], minute=1, ignore=["/cache/"])
    append(tmp_path, [record("a")], minute=2)
    history = history_of(tmp_path)
    always = (".DS_Store", "ascmhl/")
    assert [one.ignore for one in history.generations] == [
        (*always, "*.tmp"),
        (*always, "*.tmp", "/cache/"),
        (*always, "*.tmp", "/cache/"),
    ]
    assert history.ignore_patterns == (*always, "*.tmp", "/cache/")


def test_no_record_for_an_ignored_path(tmp_path: Path) -> None:
    append(tmp_path, [record("a")], ignore=["*.tmp"])
    told: list[str] = []
    files = [record("b.tmp"), record("b"), record("ascmhl/0001_x.mhl"), record("x/.DS_Store")]
    append(tmp_path, files, minute=1, on_ignored=told.append, complete=True)
    assert told == ["b.tmp", "ascmhl/0001_x.mhl", "x/.DS_Store"]
    newest = history_of(tmp_path).generations[1]
    assert [one.path for one in newest.files] == ["b"]
    assert newest.folders == (), "an ignored file makes no folder"
    with pytest.raises(ManifestError, match="ignore list"):
        append(tmp_path, [record("b.tmp")], minute=2)


def test_a_history_made_elsewhere_is_continued(tmp_path: Path) -> None:
    """The card's own history, by other hands and in another format."""
    md5 = hashlib.md5(b"x").hexdigest()
    theirs = manifest_text(f'<hash><path>a</path><md5 action="original">{md5}</md5></hash>', ignore=["*.bak"])
    write_history(tmp_path, [theirs])
    mine = record("a", b"x")
    append(tmp_path, [replace(mine, hashes=(*mine.hashes, FileHash("md5", md5)))])
    history = history_of(tmp_path)
    assert actions(history, 2) == {"a": ["verified", "verified"]}
    assert "*.bak" in history.generations[1].ignore


def test_same_second_in_the_next_generation(tmp_path: Path) -> None:
    first, second = append(tmp_path, [record("a")]), append(tmp_path, [record("a")])
    assert first.name.replace("0001", "0002") == second.name


def test_time_stamps_of_files() -> None:
    assert utc_from_ns(1_935_000_000_123_456_789) == datetime.fromisoformat(
        "2031-04-26T20:00:00.123456+00:00"
    )
    assert utc_from_ns(-(10**9)) == datetime.fromisoformat("1969-12-31T23:59:59+00:00")
    assert utc_from_ns(10**30) is None


def test_time_and_size_come_back(tmp_path: Path) -> None:
    append(tmp_path, [record("a", b"xyz")])
    (one,) = history_of(tmp_path).generations[0].files
    assert (one.size, one.mtime) == (3, MTIME)
