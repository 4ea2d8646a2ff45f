"""What no generation may hold, and histories that none may be added to: refused, with nothing left behind."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from ingest.durable import Disk, lock_folder
from ingest.mhl import (
    Author,
    FileHash,
    FileRecord,
    check_history,
    read_history,
)
from ingest.mhl.write import manifest_name
from shared.errors import ConflictError, ManifestError, UsageError
from tests.ingest.mhl_support import (
    START,
    append,
    assert_fits_schema,
    history_of,
    record,
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


@pytest.mark.parametrize(
    ("bad", "said"),
    [
        (record("/a"), "absolute"),
        (record("x/../a"), r"'\.\.'"),
        (record("x//a"), "direct"),
        (record("./a"), "direct"),
        (record("a/"), "direct"),
        (record(""), "empty"),
        (record("a\nb"), "XML"),
        (record("a\x07b"), "XML"),
        (record(b"a\xff".decode("utf-8", "surrogateescape")), "XML"),
        (record("ok", previous="../a"), r"'\.\.'"),
        (FileRecord("a", 1, None, ()), "no hash"),
        (FileRecord("a", 1, None, (FileHash("md5", "xyz"),)), "32 characters"),
        (FileRecord("a", 1, None, (FileHash("sha256", "0" * 64),)), "sha256"),
        (FileRecord("a", 1, None, (FileHash("md5", "0" * 32), FileHash("md5", "0" * 32))), "two hashes"),
    ],
)
def test_records_that_no_manifest_may_hold(tmp_path: Path, bad: FileRecord, said: str) -> None:
    with pytest.raises(ManifestError, match=said):
        append(tmp_path, [record("good"), bad])
    assert read_history(None, tmp_path) is None
    assert list((tmp_path / "ascmhl").iterdir()) == [], "nothing half-written stays"


def test_one_record_for_a_path(tmp_path: Path) -> None:
    """[6.4.9], a file and a folder of one name included."""
    with pytest.raises(ManifestError, match="two records"):
        append(tmp_path, [record("a"), record("a")])
    with pytest.raises(ManifestError, match="two records"):
        append(tmp_path, [record("a"), record("a/b")], complete=True)


def test_nothing_to_record(tmp_path: Path) -> None:
    for complete in (False, True):
        with pytest.raises(UsageError, match="nothing to record"):
            append(tmp_path, [], complete=complete)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "options",
    [
        {"comment": "bell \x07"},
        {"comment": "form\x0cfeed"},
        {"comment": "return\r"},
        {"location": "a\x00"},
        {"authors": [Author("N", email="nowhere")]},
        {"ignore": ["two\nlines"]},
    ],
)
def test_texts_that_can_not_be_written(tmp_path: Path, options: dict[str, Any]) -> None:
    with pytest.raises(UsageError):
        append(tmp_path, [record("a")], **options)
    assert read_history(None, tmp_path) is None


def test_an_unsound_history_is_not_continued(tmp_path: Path) -> None:
    append(tmp_path, [record("a")])
    (manifest,) = (tmp_path / "ascmhl").glob("*.mhl")
    sound = manifest.read_bytes()
    manifest.write_bytes(sound.replace(b"transfer", b"in-place"))
    with pytest.raises(ManifestError, match="C4") as caught:
        append(tmp_path, [record("a")], minute=1)
    assert manifest.name in str(caught.value)
    assert len(list((tmp_path / "ascmhl").iterdir())) == 2
    manifest.write_bytes(sound)


def test_a_final_name_is_never_given_over_an_existing_file(tmp_path: Path) -> None:
    append(tmp_path, [record("a")])
    there = tmp_path / "ascmhl" / manifest_name(2, tmp_path.name, START)
    there.write_text("not ours")
    with pytest.raises(ConflictError):
        append(tmp_path, [record("a")])
    assert there.read_text() == "not ours"
    assert len(history_of(tmp_path).generations) == 1
    there.unlink()


def test_a_history_in_use_is_left_alone(tmp_path: Path) -> None:
    append(tmp_path, [record("a")])
    folder = Disk().open_folder(tmp_path / "ascmhl")
    with lock_folder(folder, "x"), pytest.raises(ConflictError):
        append(tmp_path, [record("a")], minute=1)
    append(tmp_path, [record("a")], minute=2)


def test_a_link_in_place_of_the_folder_is_refused(tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "reel").mkdir()
    (tmp_path / "reel/ascmhl").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(ManifestError, match="not a folder"):
        append(tmp_path / "reel", [record("a")])
    assert list((tmp_path / "elsewhere").iterdir()) == []
    (tmp_path / "reel/ascmhl").unlink()
