"""What a history knows of each file, small enough for any number of files: for the writer's decisions.

`History.latest_good` in `model.py` holds the same rule for histories read whole.
"""

from __future__ import annotations

from collections.abc import Mapping
from hashlib import blake2b

from ingest.mhl.formats import pack, unpack
from ingest.mhl.model import FileRecord

_MARK = 3  # bytes in front of each entry: the generation that last had a record for the path


class Known:
    """The good values of each file. The first one of a format stands; failed ones never enter.

    Also tells a second record for one path, in the generation being read or written.
    """

    def __init__(self) -> None:
        self._table: dict[bytes, bytes] = {}
        self._generation = 0
        self._mark = b""
        self._renamed: list[FileRecord] = []
        self._contradicted: dict[bytes, bytes] = {}
        self.begin_generation()

    def begin_generation(self) -> None:
        """No path has a record yet."""
        self._generation += 1
        self._mark = self._generation.to_bytes(_MARK, "big")

    def claim(self, path: str) -> bool:
        """Note that a path has a record now. False: it has one already in this generation."""
        key = _key_of(path)
        entry = self._table.get(key, b"")
        if entry.startswith(self._mark):
            return False
        self._table[key] = self._mark + entry[_MARK:]
        return True

    def values(self, path: str) -> Mapping[str, str]:
        """The good values of a file by format; empty when the history has none."""
        return unpack(self._table.get(_key_of(path), b"")[_MARK:])

    # --- reading a generation -------------------------------------------------------------------------

    def add(self, record: FileRecord) -> None:
        """Take a record of the generation being read, whose path has been claimed."""
        if record.previous_path is not None:
            self._renamed.append(record)  # what it was is known only once the generation is read
            return
        key = _key_of(record.path)
        before = self._table[key][_MARK:]
        self._table[key] = self._mark + _merged(before, record)
        if _contradicts(before, record):
            self._contradicted[key] = _merged(b"", record)

    def end_generation(self) -> tuple[int, int]:
        """Settle the renames.

        Returns how many records claim to be good with another value than the one that stands, and how
        many renames start from a path that the history does not know.
        """
        moved = [(record, _key_of(record.previous_path or "")) for record in self._renamed]
        strays = sum(old not in self._table for _, old in moved)
        before = [self._table.get(old, b"")[_MARK:] for _, old in moved]
        for _, old in moved:
            # Another file may have the old name now: it begins with what this generation says of it.
            if not self._table.get(old, b"").startswith(self._mark):
                self._table.pop(old, None)
            elif old in self._contradicted:
                self._table[old] = self._mark + self._contradicted.pop(old)
        contradictions = len(self._contradicted)
        for (record, _), values in zip(moved, before, strict=True):
            contradictions += _contradicts(values, record)
            self._table[_key_of(record.path)] = self._mark + _merged(values, record)
        self._renamed = []
        self._contradicted = {}
        self.begin_generation()
        return contradictions, strays

    # --- writing a generation -------------------------------------------------------------------------

    def forget(self, path: str) -> None:
        """A rename took this path away: whatever has the name now is another file."""
        key = _key_of(path)
        if key in self._table:
            self._table[key] = self._table[key][:_MARK]


def _key_of(path: str) -> bytes:
    """A path in 16 bytes. 128 bits: no two paths of a history meet in one, not even on purpose."""
    return blake2b(path.encode(), digest_size=16).digest()


def _merged(before: bytes, record: FileRecord) -> bytes:
    values = {found.algorithm: found.value for found in record.hashes if found.good}
    if not before:
        return pack(values)
    # The first value stands.
    return pack(values | unpack(before)) if values else before


def _contradicts(before: bytes, record: FileRecord) -> bool:
    standing = unpack(before) if before else {}
    return any(
        found.good and standing.get(found.algorithm, found.value) != found.value for found in record.hashes
    )
