"""Folder hashes against a second, slow implementation of appendix G that reads the real folders."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path

import pytest
import xxhash

from ingest.hashes import make_hasher
from ingest.mhl import read_history
from ingest.mhl.folders import FolderTree
from tests.ingest.mhl_support import append, c4_by_hand, make_tree, records_of

TREE = {
    "DCIM/100/A001.mov": b"ferry",
    "DCIM/100/A002.mov": b"river",
    "DCIM/101/A003.mov": b"winch",
    "DCIM/ä&b 🎬.txt": b"note",
    "sound/S1.wav": b"",
    "same/one": b"twice",
    "same/two": b"twice",
    "top.xml": b"<x/>",
}

Hash = Callable[[bytes], bytes]
# How each format turns bytes into the bytes of its value, from other code than the program's own.
HASHES: dict[str, Hash] = {
    "md5": lambda data: hashlib.md5(data).digest(),
    "sha1": lambda data: hashlib.sha1(data).digest(),
    "c4": lambda data: hashlib.sha512(data).digest(),
    "xxh64": lambda data: xxhash.xxh64_intdigest(data).to_bytes(8, "big"),
    "xxh128": lambda data: xxhash.xxh3_128_intdigest(data).to_bytes(16, "big"),
}


def text(algorithm: str, data: bytes) -> str:
    return c4_by_hand(data) if algorithm == "c4" else HASHES[algorithm](data).hex()


def slow_pair(folder: Path, digest: Hash) -> tuple[bytes, bytes]:
    """Content and structure of a real folder: what is hashed last, not yet hashed."""
    contents, structures = [], []
    for child in folder.iterdir():
        if child.is_dir():
            content, structure = (digest(joined) for joined in slow_pair(child, digest))
        else:
            content = structure = digest(child.read_bytes())
        contents.append(content)
        structures.append(digest(child.name.encode("utf-8") + structure))
    return b"".join(sorted(contents)), b"".join(sorted(structures))


@pytest.mark.parametrize("algorithm", HASHES)
def test_agrees_with_a_second_implementation(tmp_path: Path, algorithm: str) -> None:
    make_tree(tmp_path, TREE)
    (tmp_path / "empty/inside").mkdir(parents=True)
    tree = FolderTree(algorithm)
    for path, data in TREE.items():
        tree.add_file(path, text(algorithm, data))
    tree.add_folder("empty/inside")
    found = {pair.path: pair for pair in tree.finish()}
    folders = {
        path.relative_to(tmp_path).as_posix(): path for path in tmp_path.rglob("*") if path.is_dir()
    } | {"": tmp_path}
    assert found.keys() == folders.keys()
    for path, folder in folders.items():
        content, structure = slow_pair(folder, HASHES[algorithm])
        assert found[path].content == {algorithm: text(algorithm, content)}, path
        assert found[path].structure == {algorithm: text(algorithm, structure)}, path


def test_every_folder_comes_after_those_in_it() -> None:
    tree = FolderTree("md5")
    tree.add_file("a/b/c/d", "0" * 32)
    tree.add_file("a/x", "1" * 32)
    assert [pair.path for pair in tree.finish()] == ["a/b/c", "a/b", "a", ""]


def test_empty_folder_is_the_hash_of_nothing() -> None:
    tree = FolderTree("xxh128")
    tree.add_folder("empty")
    pair = next(tree.finish())
    nothing = make_hasher("xxh128").hexdigest()
    assert pair.content == pair.structure == {"xxh128": nothing}


def test_a_rename_changes_structure_alone() -> None:
    """Appendix G: names play no part in the content hash."""

    def pairs(name: str) -> dict[str, tuple[object, object]]:
        tree = FolderTree("sha1")
        tree.add_file(f"a/{name}", hashlib.sha1(b"x").hexdigest())
        tree.add_file("b", hashlib.sha1(b"y").hexdigest())
        return {pair.path: (pair.content, pair.structure) for pair in tree.finish()}

    before, after = pairs("one"), pairs("two")
    for path in ("a", ""):
        assert before[path][0] == after[path][0]
        assert before[path][1] != after[path][1]


def test_a_deep_tree_needs_no_deep_stack() -> None:
    tree = FolderTree("md5")
    tree.add_file("d/" * 5000 + "file", "0" * 32)
    assert sum(1 for _ in tree.finish()) == 5001


def test_the_manifest_carries_them(tmp_path: Path) -> None:
    make_tree(tmp_path, TREE)
    (tmp_path / "empty").mkdir()
    append(tmp_path, list(records_of(tmp_path)), complete=True, empty_folders=["empty"])
    history = read_history(None, tmp_path)
    assert history is not None
    (generation,) = history.generations
    (tmp_path / "ascmhl").rename(tmp_path.with_name("aside"))
    digest = HASHES["xxh128"]
    assert {one.path for one in generation.folders} == {
        "DCIM", "DCIM/100", "DCIM/101", "sound", "same", "empty",
    }  # fmt: skip
    for one in generation.folders:
        content, structure = slow_pair(tmp_path / one.path, digest)
        assert one.content["xxh128"] == digest(content).hex()
        assert one.structure["xxh128"] == digest(structure).hex()
    assert generation.root is not None
    content, structure = slow_pair(tmp_path, digest)
    assert generation.root.content == {"xxh128": digest(content).hex()}
    assert generation.root.structure == {"xxh128": digest(structure).hex()}
