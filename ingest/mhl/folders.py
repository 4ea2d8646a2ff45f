"""Hashes of folders (specification 6.5.2, appendix G).

- Hash of hashes: sort the values, turn each into its bytes, feed all to a fresh hasher.
- Content: over the hashes of the files and the content hashes of the folders in it. Names play no part.
- Structure: for each child, the hash of its name and its value (a file's hash, a folder's structure hash);
  then the hash of hashes over those.

What the text leaves open is done in the natural way: names as UTF-8, a value after the name as its bytes
(64 for C4), an empty folder as the hash of nothing. Sorting bytes and sorting their text agree for hex and
for C4 texts of one length.
"""

from __future__ import annotations

from collections.abc import Iterator

from ingest.hashes import make_hasher
from ingest.mhl.formats import FORMATS, octets_of
from ingest.mhl.model import FolderRecord


class _Folder:
    """The values of one folder's children, end to end: a hundred thousand files are a few MB."""

    __slots__ = ("content", "folders", "structure")

    def __init__(self) -> None:
        self.content = bytearray()
        self.structure = bytearray()
        self.folders: dict[str, _Folder] = {}


class FolderTree:
    """Takes files in any order, one format for all, and gives the hashes of every folder at the end."""

    def __init__(self, algorithm: str) -> None:
        """Raises UsageError when this program can't compute the format."""
        make_hasher(algorithm)
        self.algorithm = algorithm
        self._root = _Folder()
        self._last = ("", self._root)

    def add_file(self, path: str, value: str) -> None:
        above, _, name = path.rpartition("/")
        folder = self._folder(above)
        octets = octets_of(self.algorithm, value)
        folder.content += octets
        folder.structure += self._named(name, octets)

    def add_folder(self, path: str) -> None:
        """A folder that may be empty. One that holds a file is known by that."""
        self._folder(path)

    def finish(self) -> Iterator[FolderRecord]:
        """Every folder after those in it; the root (path "") is last."""
        waiting: list[tuple[str, _Folder, Iterator[str]]] = [("", self._root, iter(list(self._root.folders)))]
        while waiting:
            path, folder, below = waiting[-1]
            name = next(below, None)
            if name is not None:
                child = folder.folders[name]
                waiting.append((f"{path}/{name}" if path else name, child, iter(list(child.folders))))
                continue
            waiting.pop()
            content, structure = self._hash_of_hashes(folder.content), self._hash_of_hashes(folder.structure)
            if waiting:
                above, own_name = waiting[-1][1], path.rpartition("/")[2]
                above.content += octets_of(self.algorithm, content)
                above.structure += self._named(own_name, octets_of(self.algorithm, structure))
                del above.folders[own_name]
            yield FolderRecord(path, {self.algorithm: content}, {self.algorithm: structure})

    def _folder(self, path: str) -> _Folder:
        if path == self._last[0]:
            return self._last[1]
        folder = self._root
        for part in path.split("/") if path else ():
            folder = folder.folders.setdefault(part, _Folder())
        self._last = (path, folder)
        return folder

    def _named(self, name: str, octets: bytes) -> bytes:
        hasher = make_hasher(self.algorithm)
        hasher.update(name.encode() + octets)
        return octets_of(self.algorithm, hasher.hexdigest())

    def _hash_of_hashes(self, values: bytearray) -> str:
        size = FORMATS[self.algorithm].octets
        hasher = make_hasher(self.algorithm)
        hasher.update(b"".join(sorted(bytes(values[at : at + size]) for at in range(0, len(values), size))))
        return hasher.hexdigest()
