"""How the pages put states, sizes and places in queries into words."""

from __future__ import annotations

import pytest

from api.pages.pointer import point_at
from api.pages.words import say_bytes, say_count, say_standing
from api.reads.copies import CopiesAt, ReelCopies


@pytest.mark.parametrize(
    ("copies", "sound", "said"),
    [
        (ReelCopies(1, 1, 0, ()), False, "No complete copy: keep the card."),
        (
            ReelCopies(3, 1, 0, (CopiesAt("N", 1, 0, 0, 0), CopiesAt("S", 1, 0, 0, 0)), unread=2),
            False,
            "The other 1 file verified at N and S. 2 files found on the card, and not read yet.",
        ),
        (ReelCopies(0, 0, 0, ()), False, "No file is recorded. No complete copy: keep the card."),
        (
            ReelCopies(2, 1, 1, (CopiesAt("N", 1, 0, 0, 0), CopiesAt("S", 1, 0, 0, 0))),
            False,
            "The other 1 file verified at N and S. 1 file could not be read from the card.",
        ),
        (
            ReelCopies(3, 1, 0, (CopiesAt("N", 0, 3, 0, 0), CopiesAt("S", 1, 0, 0, 2))),
            False,
            "At N: 3 written but not verified, of 3 files. At S: 1 verified and 2 missing, of 3 files. "
            "No complete copy: keep the card.",
        ),
        (
            ReelCopies(1, 1, 0, tuple(CopiesAt(name, 1, 0, 0, 0) for name in "NSE")),
            True,
            "The one file verified at N, S and E.",
        ),
    ],
)
def test_how_copies_stand_is_said_in_words(copies: ReelCopies, sound: bool, said: str) -> None:
    standing = say_standing(copies)
    assert (standing.sound, " ".join(standing.lines)) == (sound, said)


def test_a_yes_is_never_repeated_and_a_no_always() -> None:
    whole = ReelCopies(1, 1, 0, (CopiesAt("N", 1, 0, 0, 0), CopiesAt("S", 1, 0, 0, 0)))
    kept = say_standing(whole, ["1 file without a second drive: C0001.MOV"])
    assert not kept.sound
    assert kept.lines[-1] == "Keep the card, its last offload said: 1 file without a second drive."
    assert "format" not in " ".join(say_standing(whole).lines)


def test_sizes_and_counts() -> None:
    assert [say_bytes(size) for size in (999, 1000, 1_500_000, 2_345_000_000_000)] == [
        "999 bytes",
        "1.0 kB",
        "1.5 MB",
        "2.35 TB",
    ]
    assert [say_count(count, "clip") for count in (0, 1, 1234)] == ["0 clips", "1 clip", "1\u202f234 clips"]


@pytest.mark.parametrize(
    ("query", "column", "marked"),
    [("a kind:x b", 7, "x"), ("a ", 2, ""), ("", 0, ""), ("a  b", 1, "b"), ("x" * 5, 99, "")],
)
def test_the_place_in_a_query(query: str, column: int, marked: str) -> None:
    pointer = point_at(query, column)
    assert pointer.at == marked
    assert pointer.before + pointer.at + pointer.after == query
