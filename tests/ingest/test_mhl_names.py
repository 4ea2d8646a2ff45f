"""File and folder names as cards have them, through a manifest and back."""

from __future__ import annotations

import os
import unicodedata
from pathlib import Path

import pytest

from ingest.mhl import check_history, read_history, why_unrecordable
from ingest.mhl.write import manifest_name
from tests.ingest.mhl_support import START, append, assert_fits_schema, make_tree, record, records_of

NAMES = [
    "plain.mov",
    " leading and trailing ",
    "two  spaces.mov",
    "Fähre über den Fluß.mov",
    unicodedata.normalize("NFD", "Fähre.mov"),
    unicodedata.normalize("NFC", "Fähre.mov"),
    "🎬 ferry 👩‍🔧.mov",
    "渡し船.wav",
    """&<>"'&amp;]]>.mov""",
    "<!DOCTYPE x>.mov",
    "%41%2e%2e.mov",
    "back\\slash.mov",
    "...",
    ".hidden that matters",
    "x" * 200,
    "ä" * 100,
    "\u00a0no break.mov",
    "CON",
    "a:b*c?.mov",
]


def test_every_name_comes_back_as_it_is_on_the_drive(tmp_path: Path) -> None:
    make_tree(tmp_path, {f"Karten & Töne/{name}/{name}": name.encode() for name in NAMES})
    files = list(records_of(tmp_path))
    append(tmp_path, files, complete=True)
    append(tmp_path, files, minute=1)
    history = read_history(None, tmp_path)
    assert history is not None
    on_drive = {one.relative_to(tmp_path).as_posix() for one in tmp_path.glob("Karten*/*/*")}
    assert len(on_drive) == len(NAMES)
    assert history.known_paths == on_drive
    assert {one.hashes[0].action for one in history.generations[1].files} == {"verified"}
    assert check_history(tmp_path) == []
    assert_fits_schema(tmp_path)


def test_pattern_and_comment_keep_their_characters(tmp_path: Path) -> None:
    append(tmp_path, [record("a")], ignore=["  *.t&<p "], comment="<&> \u2028 ü")
    history = read_history(None, tmp_path)
    assert history is not None
    assert history.ignore_patterns[-1] == "  *.t&<p "
    assert history.generations[0].creator.comment == "<&> \u2028 ü"


@pytest.mark.parametrize(
    "raw", [b"bad \xff.mov", b"line\nbreak", b"bell\x07", b"tab\t", b"\xef\xbf\xbe", b"\x7f"]
)
def test_what_xml_can_not_carry_is_named_beforehand(raw: bytes) -> None:
    legal = raw == b"\x7f"  # XML 1.0, section 2.2, allows DEL
    assert (why_unrecordable(os.fsdecode(raw)) is None) is legal


@pytest.mark.parametrize("name", NAMES)
def test_all_these_names_can_be_recorded(name: str) -> None:
    assert why_unrecordable(f"folder/{name}") is None


@pytest.mark.parametrize(
    ("folder", "name"),
    [
        ("A001", "0007_A001_2031-05-04_060708Z.mhl"),
        ("Fähre 🎬", "0007_Fähre 🎬_2031-05-04_060708Z.mhl"),
        ("", "0007_root_2031-05-04_060708Z.mhl"),
        ("a/b\\c:d", "0007_a_b_c_d_2031-05-04_060708Z.mhl"),
        ("bad\udcff\x07\n", "0007_bad____2031-05-04_060708Z.mhl"),
    ],
)
def test_manifest_names(folder: str, name: str) -> None:
    assert manifest_name(7, folder, START) == name


def test_number_grows_beyond_four_digits() -> None:
    assert manifest_name(12345, "x", START).startswith("12345_x_")


@pytest.mark.parametrize("folder", ["x" * 255, "ä" * 127, "🎬" * 63])
def test_longest_folder_names_leave_room_for_the_temporary_name(tmp_path: Path, folder: str) -> None:
    root = tmp_path / folder
    make_tree(root, {"a": b"x"})
    path = append(root, list(records_of(root)), complete=True)
    assert len(path.name.encode()) <= 255 - len(".partial")
    assert check_history(root) == []


def test_folder_whose_name_is_not_utf8(tmp_path: Path) -> None:
    root = Path(f"{tmp_path}/reel \udcff")
    root.mkdir()
    path = append(root, [record("a")])
    assert path.name == "0001_reel __2031-05-04_060708Z.mhl"
    assert check_history(root) == []
