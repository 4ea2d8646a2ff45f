"""What the hash lists that came on a card say of its files, held against what the card gives.

A camera, a recorder or somebody before us wrote them. A file that is not as they have it was changed or
damaged before it came here; faithful copies of it are no reason to let go of the card.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from ingest.card import Listing
from ingest.check.hash_list import HashList, read_hash_list
from ingest.copy import FileResult
from ingest.durable import Disk
from ingest.hashes import ALGORITHMS
from ingest.mhl.model import FOLDER
from ingest.orders import Problem
from shared.errors import ManifestError
from shared.names import display

SAYS_OTHERWISE = "the card's own hash list says otherwise"
NAMED = 20  # how many missing files are told of by name

Digests = Mapping[str, Mapping[str, str]]  # by path, by algorithm


@dataclass(frozen=True, slots=True)
class Doubt:
    """A file that is not what the card's own hash list says; `detail` has both hashes."""

    result: FileResult
    detail: str

    def as_problem(self) -> Problem:
        return Problem(
            "card",
            self.result.task.entry.shown,
            f"{SAYS_OTHERWISE}: {self.detail}",
            "It changed before it was copied. The copies are what the card gives now: keep the card, and "
            "look for an older copy.",
        )


class CardHistory:
    """The histories on a card; empty where it has none. `problems`: what is wrong with them, or with the
    card by what they say."""

    def __init__(self) -> None:
        self._list = HashList()
        self._common: frozenset[str] = frozenset()  # the hashes that every listed file has
        self.problems: tuple[Problem, ...] = ()

    @classmethod
    def read(cls, listing: Listing, disk: Disk) -> CardHistory:
        """Read all hash lists on a card. One that can't be relied on is a problem, and is not gone by."""
        history = cls()
        if not any(folder.rpartition("/")[2] == FOLDER for folder in listing.folders):
            return history
        try:
            history._list = read_hash_list(disk, listing.root, with_paths=True)
        except ManifestError as error:
            message = f"the card's own hash list can't be relied on: {error.message}"
            history.problems = (Problem("manifest", error.path, message, error.remedy),)
        else:
            history.problems = tuple(history._missing(listing))
            history._common = history._common_hashes()
            history._list.listed.clear()  # its paths have served
        return history

    def algorithm(self, wanted: str) -> str | None:
        """The hash by which every listed file can be compared: the one wanted if it is there, else the first
        of ours. None: there is no list, or no such hash."""
        if wanted in self._common:
            return wanted
        return next((one for one in ALGORITHMS if one in self._common), None)

    def doubts(self, results: Sequence[FileResult], algorithm: str, others: Digests) -> list[Doubt]:
        """The files that are not as the card's list has them. `others`: hashes beside the run's own."""
        found: list[Doubt] = []
        if not self._list:
            return found
        for result in results:
            path = result.task.entry.path
            good = self._list.good(path)
            known = dict(others.get(path, {}))
            digest = result.digest or (result.task.expected if result.error is None else None)
            if digest is not None:
                known[algorithm] = digest
            wrong = next((one for one in good if known.get(one, good[one]) != good[one]), None)
            if wrong is not None:
                detail = f"{wrong} {good[wrong]}, and the card gives {known[wrong]}"
                found.append(Doubt(result, detail))
        return found

    def _common_hashes(self) -> frozenset[str]:
        common: frozenset[str] | None = None
        for path in self._list.listed:
            if good := self._list.good(path):
                common = frozenset(good) if common is None else common & good.keys()
        return common or frozenset()

    def _missing(self, listing: Listing) -> Iterator[Problem]:
        left = set(self._list.listed)
        for entry in listing.files:
            left.discard(entry.path)
        missing = sorted(path for path in left if not self._list.ignores(path, folder=False))
        said = "the card's own hash list names it, and it is not on the card"
        for path in missing[:NAMED]:
            yield Problem("manifest", display(os.fsencode(path)), said)
        if (more := len(missing) - NAMED) > 0:
            yield Problem("manifest", None, f"{more} more files: {said}")
