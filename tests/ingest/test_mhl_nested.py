"""Histories inside histories (ASC MHL specification, 5.3.2)."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from ingest.mhl import Rule, check_history, read_history
from shared.errors import ManifestError
from tests.ingest.mhl_support import (
    append,
    assert_fits_schema,
    c4_by_hand,
    history_of,
    make_tree,
    record,
    records_of,
)

TREE = {
    "note.txt": b"day one",
    "A001/DCIM/1.mov": b"ferry",
    "A001/DCIM/2.mov": b"river",
    "A001/proxy/low/1.mp4": b"small",
    "sound/S1.wav": b"winch",
    "A001-b/x": b"a name that only begins like another",
}


def paths(root: Path, number: int) -> list[str]:
    return sorted(one.path for one in history_of(root).generations[number - 1].files)


@pytest.fixture
def day(tmp_path: Path) -> Path:
    """A folder with two histories in it, one in the other, and none of its own yet."""
    root = tmp_path / "day"
    make_tree(root, TREE)
    append(root / "A001/proxy", list(records_of(root / "A001/proxy")), complete=True)
    append(root / "A001", list(records_of(root / "A001")), minute=1, complete=True)
    return root


def test_each_file_is_recorded_in_the_nearest_history_alone(day: Path) -> None:
    append(day, list(records_of(day)), minute=2, complete=True)
    assert paths(day, 1) == ["A001-b/x", "note.txt", "sound/S1.wav"]
    assert paths(day / "A001", 2) == ["DCIM/1.mov", "DCIM/2.mov"]
    assert paths(day / "A001/proxy", 3) == ["low/1.mp4"]
    for root in (day, day / "A001", day / "A001/proxy"):
        assert check_history(root) == []
    assert_fits_schema(day)


def test_all_manifests_of_an_operation_share_its_moment(day: Path) -> None:
    """[6.3]"""
    append(day, list(records_of(day)), minute=2)
    newest = [history_of(root).generations[-1].name for root in (day, day / "A001", day / "A001/proxy")]
    assert newest == [
        "0001_day_2031-05-04_060908Z.mhl",
        "0002_A001_2031-05-04_060908Z.mhl",
        "0003_proxy_2031-05-04_060908Z.mhl",
    ]


def test_each_points_to_the_histories_next_below(day: Path) -> None:
    append(day, list(records_of(day)), minute=2)
    outer, middle = history_of(day).generations[0], history_of(day / "A001").generations[1]
    for root, generation, path in (
        (day, outer, "A001/ascmhl/0002_A001_2031-05-04_060908Z.mhl"),
        (day / "A001", middle, "proxy/ascmhl/0003_proxy_2031-05-04_060908Z.mhl"),
    ):
        (reference,) = generation.references
        assert reference.path == path
        assert reference.c4 == c4_by_hand((root / path).read_bytes())


def test_an_inner_operation_leaves_the_outer_history_alone(day: Path) -> None:
    append(day, list(records_of(day)), minute=2)
    before = sorted((day / "ascmhl").iterdir())
    append(day / "A001", list(records_of(day / "A001")), minute=3)
    assert sorted((day / "ascmhl").iterdir()) == before
    assert check_history(day) == []
    assert [one.hashes[0].action for one in history_of(day / "A001").generations[2].files] == ["verified"] * 2


def test_actions_come_from_the_file_s_own_history(day: Path) -> None:
    append(day, list(records_of(day)), minute=2)
    assert {one.hashes[0].action for one in history_of(day).generations[0].files} == {"original"}
    assert {one.hashes[0].action for one in history_of(day / "A001").generations[1].files} == {"verified"}


def test_folder_hashes_go_through_inner_histories(day: Path) -> None:
    """The outer root's hash covers everything; what is below an inner root is recorded there alone."""
    append(day, list(records_of(day)), minute=2, complete=True)
    outer, middle = history_of(day).generations[0], history_of(day / "A001").generations[1]
    inner = history_of(day / "A001/proxy").generations[2]
    folders = {one.path: one for one in outer.folders}
    assert folders.keys() == {"A001", "A001-b", "sound"}
    assert middle.root is not None and inner.root is not None
    assert folders["A001"].content == middle.root.content
    assert folders["A001"].structure == middle.root.structure
    assert {one.path for one in middle.folders} == {"DCIM", "proxy"}
    assert {one.path for one in inner.folders} == {"low"}
    # The same tree without any inner history has the same root.
    plain = day.with_name("plain")
    make_tree(plain, TREE)
    append(plain, list(records_of(plain)), complete=True)
    flat = history_of(plain).generations[0]
    assert outer.root == flat.root


def test_an_inner_history_without_a_record_gets_no_generation(day: Path) -> None:
    """The schema wants a record in each manifest; the newest one there is gets pointed to."""
    append(day, [record("note.txt", b"day one")], minute=2)
    assert len(history_of(day / "A001").generations) == 1
    (reference,) = history_of(day).generations[0].references
    assert reference.path == "A001/ascmhl/0001_A001_2031-05-04_060808Z.mhl"


def test_records_of_an_inner_history_alone_leave_the_outer_alone(day: Path) -> None:
    path = append(day, [record("A001/DCIM/1.mov", b"ferry")], minute=2)
    assert path == day / "A001/ascmhl/0002_A001_2031-05-04_060908Z.mhl"
    assert not (day / "ascmhl").exists()


def test_unanchored_patterns_hold_in_inner_histories(day: Path) -> None:
    append(day, list(records_of(day)), minute=2, ignore=["*.tmp", "/A001/cache/"])
    assert history_of(day).ignore_patterns[2:] == ("*.tmp", "/A001/cache/")
    assert history_of(day / "A001").ignore_patterns[2:] == ("*.tmp",)


def test_a_rename_within_an_inner_history(day: Path) -> None:
    moved = [
        record("A001/DCIM/3.mov", b"ferry", previous="A001/DCIM/1.mov"),
        record("A001/from outside", b"day one", previous="note.txt"),
    ]
    append(day, moved, minute=2)
    files = {one.path: one for one in history_of(day / "A001").generations[1].files}
    assert files["DCIM/3.mov"].previous_path == "DCIM/1.mov"
    assert files["DCIM/3.mov"].hashes[0].action == "verified"
    # No path of this history leads out of it: here it is a file seen for the first time.
    assert files["from outside"].previous_path is None
    assert files["from outside"].hashes[0].action == "original"


def test_links_to_histories_are_not_followed(tmp_path: Path) -> None:
    elsewhere, root = tmp_path / "elsewhere", tmp_path / "root"
    make_tree(elsewhere, {"a": b"x"})
    append(elsewhere, [record("a")])
    make_tree(root, {"b": b"y"})
    (root / "link").symlink_to(elsewhere)
    (root / "sub").mkdir()
    (root / "sub/ascmhl").symlink_to(elsewhere / "ascmhl")
    append(root, [record("b"), record("sub/c"), record("link/d")])
    assert paths(root, 1) == ["b", "link/d", "sub/c"]
    assert history_of(root).generations[0].references == ()
    assert len(history_of(elsewhere).generations) == 1


def test_an_unsound_inner_history_stops_the_operation(day: Path) -> None:
    (chain,) = (day / "A001/proxy/ascmhl").glob("*.xml")
    chain.write_text(chain.read_text().replace('sequencenr="1"', 'sequencenr="4"'))
    with pytest.raises(ManifestError) as caught:
        append(day, list(records_of(day)), minute=9)
    assert "A001/proxy" in str(caught.value)
    assert not (day / "ascmhl").exists()


def test_an_inner_manifest_changed_after_it_was_pointed_to(day: Path) -> None:
    append(day, list(records_of(day)), minute=2)
    inner = day / history_of(day).generations[0].references[0].path
    inner.write_bytes(inner.read_bytes() + b"\n")
    assert [one.rule for one in check_history(day)] == [Rule.C4]
    with pytest.raises(ManifestError, match="C4"):
        read_history(None, day)


def test_an_inner_folder_that_is_gone_is_told(day: Path) -> None:
    append(day, list(records_of(day)), minute=2)
    shutil.rmtree(day / "A001")
    assert [one.rule for one in history_of(day).warnings] == [Rule.REFERENCE]


def test_a_second_pass_verifies_everything(day: Path) -> None:
    append(day, list(records_of(day)), minute=2, complete=True)
    append(day, list(records_of(day)), minute=3, complete=True)
    for root in (day, day / "A001", day / "A001/proxy"):
        newest = history_of(root).generations[-1]
        assert {one.hashes[0].action for one in newest.files} == {"verified"}
        assert check_history(root) == []
    assert_fits_schema(day)
