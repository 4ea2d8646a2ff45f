"""The folders a client may name as a card, and nothing else of the machine."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import pytest

from shared.card_folders import card_folder_id, find_card_folder, list_card_folders
from shared.errors import NotFoundError, UsageError


def test_folders_directly_below_are_listed_and_nothing_else(tmp_path: Path) -> None:
    media = tmp_path / "media"
    (media / "A_CARD" / "DCIM").mkdir(parents=True)
    (media / "B CARD").mkdir()
    (media / ".hidden").mkdir()
    (media / "file.txt").write_text("no card")
    outside = tmp_path / "outside"
    outside.mkdir()
    (media / "link").symlink_to(outside)

    found = list_card_folders([media])

    assert [(folder.name, folder.path) for folder in found] == [
        ("A_CARD", media / "A_CARD"),
        ("B CARD", media / "B CARD"),
    ]
    assert found[0].id == hashlib.sha256(os.fsencode(media / "A_CARD")).hexdigest()[:16]


def test_a_name_that_is_no_text_has_an_id_and_a_readable_name(tmp_path: Path) -> None:
    raw = os.fsencode(tmp_path) + b"/caf\xe9"
    Path(os.fsdecode(raw)).mkdir()

    (found,) = list_card_folders([tmp_path])

    assert found.name == "caf\\xe9"
    assert os.fsencode(found.path) == raw
    assert found.id == hashlib.sha256(raw).hexdigest()[:16]
    assert find_card_folder([tmp_path], found.id) == found


def test_the_id_does_not_depend_on_where_the_process_stands(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "media" / "CARD").mkdir(parents=True)
    monkeypatch.chdir(tmp_path)

    (found,) = list_card_folders([Path("media")])

    assert found.id == card_folder_id(tmp_path / "media" / "CARD")


def test_one_folder_watched_twice_is_listed_once(tmp_path: Path) -> None:
    (tmp_path / "CARD").mkdir()
    assert len(list_card_folders([tmp_path, tmp_path / ".." / tmp_path.name])) == 1


def test_a_watch_folder_that_is_not_there_is_empty(tmp_path: Path) -> None:
    assert list_card_folders([tmp_path / "later"]) == []


def test_a_watch_folder_that_is_a_file_is_named(tmp_path: Path) -> None:
    wrong = tmp_path / "wrong"
    wrong.write_text("")
    with pytest.raises(UsageError) as caught:
        list_card_folders([wrong])
    assert caught.value.path == str(wrong)
    assert "watch_folders" in (caught.value.remedy or "")


def test_an_unknown_id_is_refused_with_what_there_is(tmp_path: Path) -> None:
    (tmp_path / "CARD").mkdir()
    with pytest.raises(NotFoundError) as caught:
        find_card_folder([tmp_path], "../../etc")
    assert f"{card_folder_id(tmp_path / 'CARD')} (CARD)" in (caught.value.remedy or "")


def test_a_card_that_was_taken_out_is_not_found(tmp_path: Path) -> None:
    (tmp_path / "CARD").mkdir()
    (found,) = list_card_folders([tmp_path])
    found.path.rmdir()
    with pytest.raises(NotFoundError, match=found.id):
        find_card_folder([tmp_path], found.id)
