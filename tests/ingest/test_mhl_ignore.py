"""Ignore patterns: gitignore syntax, held against git itself where it is installed."""

from __future__ import annotations

import random
import re
import shutil
import subprocess
import time
from pathlib import Path

import pytest

from ingest.mhl.ignore import Ignore, is_anchored, pattern_problem

# Rules of the gitignore manual page (git-scm.com/docs/gitignore), one or two rows each.
TABLE = [
    ("*.tmp", "a/b/c.tmp", False, True),
    ("*.tmp", "a/b/c.tmp.mov", False, False),
    ("/x.mov", "x.mov", False, True),
    ("/x.mov", "a/x.mov", False, False),
    ("a/x.mov", "a/x.mov", False, True),
    ("a/x.mov", "b/a/x.mov", False, False),
    ("cache/", "a/cache", True, True),
    ("cache/", "a/cache", False, False),
    ("cache/", "a/cache/deep/file", False, True),
    ("**/foo", "foo", False, True),
    ("**/foo/bar", "x/y/foo/bar", False, True),
    ("abc/**", "abc/x/y", False, True),
    ("abc/**", "abc", True, False),
    ("a/**/b", "a/b", False, True),
    ("a/**/b", "a/x/y/b", False, True),
    ("foo/*", "foo/bar/hello.c", False, True),  # its folder foo/bar is ignored
    ("foo/*.c", "foo/bar/hello.c", False, False),
    ("f?o", "fxo", False, True),
    ("f?o", "f/o", False, False),
    ("[a-c]x", "bx", False, True),
    ("[!a-c]x", "bx", False, False),
    ("[]x]", "]", False, True),
    (r"\#kept", "#kept", False, True),
    ("#kept", "#kept", False, False),
    (r"\!kept", "!kept", False, True),
    ("end   ", "end", False, True),
    ("end\\ ", "end ", False, True),
    ("", "anything", False, False),
    ("[unclosed", "[unclosed", False, False),
    ("ends in\\", "ends in\\", False, False),
]


@pytest.mark.parametrize(("pattern", "path", "folder", "ignored"), TABLE)
def test_rules_of_the_manual_page(pattern: str, path: str, folder: bool, ignored: bool) -> None:
    assert Ignore([pattern]).matches(path, folder=folder) is ignored


def test_always_ignored() -> None:
    ignore = Ignore()
    assert ignore.matches("DCIM/.DS_Store")
    assert ignore.matches("ascmhl", folder=True)
    assert ignore.matches("inner/ascmhl/0001_x.mhl")
    assert not ignore.matches("ascmhl"), "folders of that name, not files (6.4.7)"


def test_last_pattern_decides_but_an_ignored_folder_stays_so() -> None:
    ignore = Ignore(["*.log", "!keep.log", "out/", "!out/keep.log"])
    assert not ignore.matches("a/keep.log")
    assert ignore.matches("a/other.log")
    assert ignore.matches("out/keep.log")


def test_hostile_pattern_takes_no_time() -> None:
    ignore = Ignore(["*a" * 200 + "b", "/" + "**/a/" * 200 + "b"])
    began = time.perf_counter()
    assert not ignore.matches("a" * 5000)
    assert not ignore.matches("a/" * 2000 + "a")
    assert time.perf_counter() - began < 5


def test_anchored_patterns_are_known() -> None:
    assert [is_anchored(one) for one in ("/a", "a/b", "!/a", "a", "a/", "!a/")] == [
        True, True, True, False, False, False,
    ]  # fmt: skip


def test_a_pattern_is_one_line() -> None:
    assert pattern_problem("two\nlines") is not None
    assert pattern_problem("one line") is None


@pytest.mark.skipif(
    shutil.which("git") is None, reason="git, the oracle for its own syntax, is not installed"
)
def test_agrees_with_git(tmp_path: Path) -> None:
    """Random patterns over a real tree; `git check-ignore` is the judge. A file must be tracked by none."""
    generator = random.Random(20310504)
    names = ["a", "b", "ab", "a.b", "b.a", "[a]", "a b", "*a", "!b", "#a", "B"]
    folders = ["", *names, *(f"{one}/{two}" for one in names[:4] for two in names)]
    files = [f"{folder}/f {name}" if folder else f"f {name}" for folder in folders for name in names]
    for path in files:
        (tmp_path / path).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / path).touch()
    subprocess.run(["git", "init", "-q", str(tmp_path)], check=True)
    plain = ["a", "b", "f ", ".", "B", "/", "/"]
    special = ["*", "**", "?", "[ab]", "[!a]", "[a-]", "[[:alpha:]]", "\\*", "\\[", "\\!", "!"]
    pieces = plain + special
    for _ in range(60):
        lines = ["".join(generator.choices(pieces, k=generator.randint(1, 6))) for _ in range(3)]
        # Where "**" is only a part of a name, git doesn't keep to its manual page, which is followed here.
        lines = [line for line in lines if not re.search(r"[^/]\*\*|\*\*[^/]", line)]
        (tmp_path / ".gitignore").write_text("\n".join(lines) + "\n")
        everything = [*files, *(folder for folder in folders if folder)]
        answer = subprocess.run(
            ["git", "-C", str(tmp_path), "check-ignore", "--no-index", "--stdin", "-z"],
            input="\0".join(everything).encode(),
            capture_output=True,
            check=False,
        )
        assert answer.returncode in (0, 1), answer.stderr
        theirs = set(answer.stdout.decode().split("\0")) - {""}
        ignore = Ignore(lines)
        folder_set = set(folders)
        ours = {path for path in everything if ignore.matches(path, folder=path in folder_set)}
        assert ours == theirs, lines
