"""Folders in which a card may be mounted: those directly below the watch folders of the settings.

A client of the service names such a folder by a short id, never by a path.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from shared.errors import NotFoundError, UsageError
from shared.names import display


@dataclass(frozen=True, slots=True)
class CardFolder:
    """A folder that may be a card. `id`: 16 hexadecimal digits, the same as long as the path is the same;
    `name`: the last part of the path as it is shown to people; `path`: absolute."""

    id: str
    name: str
    path: Path


def card_folder_id(path: Path) -> str:
    """The first 16 hexadecimal digits of the SHA-256 of the path's bytes."""
    return hashlib.sha256(os.fsencode(path)).hexdigest()[:16]


def list_card_folders(watch_folders: Iterable[Path]) -> list[CardFolder]:
    """The folders directly below the watch folders, in the order of their paths.

    Links are not followed, and a hidden folder is no card (as the shell's `*` sees it). A watch folder
    that does not exist is empty: some systems make it with the first card. Raises UsageError for one
    that exists and can't be listed.
    """
    found = {path: CardFolder(card_folder_id(path), _shown(path), path) for path in _folders(watch_folders)}
    return [found[path] for path in sorted(found, key=os.fsencode)]


def find_card_folder(watch_folders: Iterable[Path], folder_id: str) -> CardFolder:
    """The folder with this id, if it is there now. Raises NotFoundError, listing what is there."""
    there = list_card_folders(watch_folders)
    for folder in there:
        if folder.id == folder_id:
            return folder
    listed = ", ".join(f"{folder.id} ({folder.name})" for folder in there)
    raise NotFoundError(
        f"there is no card folder {display(os.fsencode(folder_id))} now",
        remedy=f"Put the card in and look again; now there are: {listed}."
        if there
        else "Put the card in; it must appear below a folder that the setting watch_folders names.",
    )


def _folders(watch_folders: Iterable[Path]) -> Iterable[Path]:
    for watched in watch_folders:
        # Made absolute without following links, so that the id does not depend on where we stand.
        top = Path(os.path.abspath(watched.expanduser()))  # noqa: PTH100
        try:
            with os.scandir(top) as entries:
                yield from (top / entry.name for entry in entries if _may_be_card(entry))
        except FileNotFoundError:
            continue
        except OSError as error:
            raise UsageError(
                f"this watch folder can't be listed ({error.strerror})",
                path=_whole(top),
                remedy="Change its permissions, or `watch_folders` in config.toml.",
            ) from error


def _may_be_card(entry: os.DirEntry[str]) -> bool:
    if entry.name.startswith("."):
        return False
    try:
        return entry.is_dir(follow_symlinks=False)
    except OSError:  # a mount whose device has just gone
        return False


def _shown(path: Path) -> str:
    return display(os.fsencode(path.name))


def _whole(path: Path) -> str:
    return display(os.fsencode(path))
