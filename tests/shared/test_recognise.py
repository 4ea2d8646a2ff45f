"""Which reel a card holds, told from names, sizes and times."""

from __future__ import annotations

import pytest
from sqlalchemy.orm import Session

from shared.catalogue.reels import FoundFile, recognise
from shared.models import Production, Reel
from tests.factories import make_file, make_reel

T = 1_777_622_400_000_000_000
SECOND = 1_000_000_000


@pytest.fixture
def reel(session: Session, production: Production) -> Reel:
    reel = make_reel(session, production)
    make_file(session, reel, "A.MOV", size=100, mtime_ns=T)
    make_file(session, reel, "B.MOV", size=200, mtime_ns=T)
    make_file(session, reel, "GROWING.MOV", size=300, mtime_ns=T, digest=None, problem="it changed")
    return reel


A, B = FoundFile(100, T), FoundFile(200, T)


@pytest.mark.parametrize(
    ("card", "known"),
    [
        ({b"A.MOV": A, b"B.MOV": B}, True),
        ({b"A.MOV": A}, True),  # some were deleted
        ({b"A.MOV": A, b"C.MOV": FoundFile(1, T)}, True),  # more was shot
        ({b"A.MOV": FoundFile(100, T + 2 * SECOND)}, True),  # FAT's steps
        ({b"A.MOV": A, b"B.MOV": FoundFile(200, T + 3 * SECOND)}, False),  # filled anew
        ({b"A.MOV": A, b"B.MOV": FoundFile(201, T)}, False),
        ({b"C.MOV": FoundFile(1, T)}, False),
        ({}, False),
        # What was never read whole may have been growing: it speaks neither for nor against.
        ({b"A.MOV": A, b"GROWING.MOV": FoundFile(999, T + 60 * SECOND)}, True),
        ({b"GROWING.MOV": FoundFile(999, T + 60 * SECOND)}, False),
        ({b"GROWING.MOV": FoundFile(300, T)}, True),
    ],
)
def test_a_card_is_the_fill_it_was_if_nothing_speaks_against_it(
    session: Session, production: Production, reel: Reel, card: dict[bytes, FoundFile], known: bool
) -> None:
    assert recognise(session, production, card) == (reel if known else None)


def test_the_newest_of_two_equal_reels_is_taken(session: Session, production: Production, reel: Reel) -> None:
    again = make_reel(session, production)
    make_file(session, again, "A.MOV", size=100, mtime_ns=T)
    assert recognise(session, production, {b"A.MOV": A}) == again
    assert recognise(session, production, {b"A.MOV": A, b"B.MOV": B}) == again
