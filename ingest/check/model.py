"""What a check is asked to do, what it says of each file, and who may follow it."""

from __future__ import annotations

import enum
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from shared.names import display


@dataclass(frozen=True, slots=True)
class CheckOrder:
    """`places`: reel names, destinations or folders; none means everything of the production.
    `budget_seconds`: begin no file after so long; it makes the order `oldest`."""

    places: tuple[str, ...] = ()
    production: str | None = None
    oldest: bool = False
    budget_seconds: float | None = None
    repair: bool = False

    @property
    def oldest_first(self) -> bool:
        """With a budget any other order would check the same first files night after night."""
        return self.oldest or self.budget_seconds is not None


class FileState(enum.StrEnum):
    VERIFIED = "verified"  # re-read, and equal to what was recorded
    DIFFERS = "differs"  # re-read, and not equal
    MISSING = "missing"  # recorded, and not there
    MOVED = "moved"  # missing under its name, and there under another one in the same folder
    UNREADABLE = "unreadable"  # the medium does not give its bytes
    UNCHECKED = "unchecked"  # it could not be checked, for a reason that says nothing of its bytes
    EXTRA = "extra"  # there, not recorded, not ignored
    SET_ASIDE = "set aside"  # a bad copy that a repair kept
    UNFINISHED = "unfinished"  # a temporary file of a run that was broken off


# What a repair writes anew. In each of these cases the bytes recorded are not under the recorded name.
REPAIRABLE = frozenset({FileState.DIFFERS, FileState.MISSING, FileState.MOVED, FileState.UNREADABLE})


@dataclass(frozen=True, slots=True)
class Expected:
    """A file that should stand in a folder. `key` names it in its ledger; `path` is relative to the folder
    and as `os.fsdecode` gives it; `hashes` by algorithm, empty when none was ever good; `size` in bytes."""

    key: int
    path: str
    size: int | None
    hashes: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Repair:
    """What a repair did. `source`: where the bytes came from; `set_aside`: the bad copy's name now."""

    done: bool
    source: str | None = None
    set_aside: str | None = None
    problem: str | None = None

    def as_json(self) -> dict[str, Any]:
        return {
            "done": self.done,
            "from": self.source,
            "set_aside": self.set_aside,
            "problem": self.problem,
        }


@dataclass(frozen=True, slots=True)
class CheckedFile:
    """The outcome for one file. `folder`: the number of the checked folder it belongs to; `expected` and
    `found`: hashes by the same `algorithm`."""

    folder: int
    path: str
    state: FileState
    key: int = 0
    size: int | None = None
    found_size: int | None = None
    algorithm: str | None = None
    expected: str | None = None
    found: str | None = None
    moved_to: str | None = None
    problem: str | None = None
    repair: Repair | None = None

    def as_json(self) -> dict[str, Any]:
        """What `--json` lists. Names are shown as everywhere: bytes that are no text are escaped."""
        moved = None if self.moved_to is None else shown(self.moved_to)
        return {
            "path": shown(self.path),
            "state": self.state.value,
            "size": self.size,
            "found_size": self.found_size,
            "algorithm": self.algorithm,
            "expected": self.expected,
            "found": self.found,
            "moved_to": moved,
            "problem": self.problem,
            "repair": None if self.repair is None else self.repair.as_json(),
        }


@dataclass(frozen=True, slots=True)
class Progress:
    """One physical drive's share of a check. `done` is raised by its lane alone; bytes."""

    label: str
    total: int
    done: list[int] = field(default_factory=lambda: [0])


class Following(Protocol):
    """Somebody who follows a check: a terminal, or nobody."""

    def say(self, text: str) -> None:
        """A step or a note, one line."""

    def planned(self, drives: Sequence[Progress]) -> None:
        """Reading starts; the counts rise from now on."""

    def tick(self) -> None:
        """Called about five times a second while files are read."""


class Unfollowed:
    """Follows a check without a word."""

    def say(self, text: str) -> None:
        pass

    def planned(self, drives: Sequence[Progress]) -> None:
        pass

    def tick(self) -> None:
        pass


def shown(path: str) -> str:
    return display(os.fsencode(path))
