"""Reels: a card that was offloaded before is recognised, a new fill gets a name of its own."""

from __future__ import annotations

import dataclasses

import pytest
from sqlalchemy.orm import Session

from shared.catalogue.reels import (
    TURNED_AWAY,
    FoundFile,
    check_reel_name,
    close_dead_offloads,
    find_destination,
    next_reel_name,
    recognise,
    recorded_files,
    reel_folder,
    same_file,
    was_finished,
)
from shared.errors import ConflictError, UsageError
from shared.models import CopyState, OffloadState, Production, Reel
from tests.factories import (
    FIRST_DAY,
    make_camera,
    make_copy,
    make_destination,
    make_file,
    make_offload,
    make_production,
    make_reel,
)

SECOND_NS = 1_000_000_000
NOON_NS = 1_777_636_800 * SECOND_NS
CARD = {
    b"DCIM/100CLIPS/C0001.MP4": FoundFile(1000, NOON_NS),
    b"DCIM/100CLIPS/C0002.MP4": FoundFile(2000, NOON_NS + 60 * SECOND_NS),
    b"MISC/\xff.DAT": FoundFile(10, NOON_NS + 61 * SECOND_NS),
}
FIRST = b"DCIM/100CLIPS/C0001.MP4"


def offload(
    session: Session, production: Production, card: dict[bytes, FoundFile], name: str | None = None
) -> Reel:
    """A reel with what is on the card, as an offload would record it."""
    reel = make_reel(session, production, name=name)
    for path, found in card.items():
        shown = path.decode("utf-8", "backslashreplace")
        make_file(session, reel, shown, path_bytes=path, size=found.size, mtime_ns=found.mtime_ns)
    return reel


# -- recognising a card -----------------------------------------------------------------------------


def test_an_unknown_card_is_no_reel(session: Session, production: Production) -> None:
    assert recognise(session, production, CARD) is None
    offload(session, production, {b"other/C0001.MP4": CARD[FIRST]})
    assert recognise(session, production, CARD) is None


def test_the_same_card_is_its_reel(session: Session, production: Production) -> None:
    reel = offload(session, production, CARD)
    assert recognise(session, production, CARD) is reel


def test_more_on_the_card_is_the_same_fill(session: Session, production: Production) -> None:
    reel = offload(session, production, CARD)
    more = {f"DCIM/100CLIPS/C{n:04}.MP4".encode(): FoundFile(n, NOON_NS) for n in range(3, 500)}
    assert recognise(session, production, CARD | more) is reel


def test_files_deleted_in_the_camera_leave_the_same_fill(session: Session, production: Production) -> None:
    many = CARD | {f"DCIM/100CLIPS/C{n:04}.MP4".encode(): FoundFile(n, NOON_NS) for n in range(3, 500)}
    reel = offload(session, production, many)
    for left in (FIRST, b"MISC/\xff.DAT", b"DCIM/100CLIPS/C0499.MP4"):
        assert recognise(session, production, {left: many[left]}) is reel


def test_deleted_and_shot_again_is_the_same_fill(session: Session, production: Production) -> None:
    """The camera goes on counting: what was there is gone or unchanged, what is new has new names."""
    reel = offload(session, production, CARD)
    card = {FIRST: CARD[FIRST]} | {
        f"DCIM/100CLIPS/C{n:04}.MP4".encode(): FoundFile(n, NOON_NS) for n in range(3, 300)
    }
    assert recognise(session, production, card) is reel


@pytest.mark.parametrize(
    "change",
    [
        {"size": 1001},
        {"mtime_ns": NOON_NS + 86_400 * SECOND_NS},
        {"size": 7, "mtime_ns": NOON_NS - SECOND_NS},
    ],
)
def test_refilled_with_the_same_names_is_a_new_reel(
    session: Session, production: Production, change: dict[str, int]
) -> None:
    """One file that differs is enough, though all others agree: nothing may be taken for proven."""
    offload(session, production, CARD)
    assert recognise(session, production, CARD | {FIRST: dataclasses.replace(CARD[FIRST], **change)}) is None


def test_an_empty_card_is_no_reel(session: Session, production: Production) -> None:
    """A formatted card has nothing in common with what was on it."""
    offload(session, production, CARD)
    assert recognise(session, production, {}) is None


def test_each_fill_of_a_card_is_found_again(session: Session, production: Production) -> None:
    later = {path: FoundFile(f.size, f.mtime_ns + 86_400 * SECOND_NS) for path, f in CARD.items()}
    first, second = offload(session, production, CARD), offload(session, production, later)
    assert recognise(session, production, CARD) is first
    assert recognise(session, production, later) is second


def test_of_two_fills_that_fit_the_newest_is_meant(session: Session, production: Production) -> None:
    """A file that a camera writes at each format, always alike, is on both."""
    settings = {b"MISC/SETTINGS.DAT": FoundFile(512, NOON_NS)}
    offload(session, production, settings | {FIRST: CARD[FIRST]})
    newest = offload(session, production, settings)
    assert recognise(session, production, settings) is newest


def test_another_production_s_reel_is_not_meant(session: Session, production: Production) -> None:
    other = make_production(session)
    reel = offload(session, other, CARD)
    assert recognise(session, production, CARD) is None
    assert recognise(session, other, CARD) is reel


@pytest.mark.parametrize(
    ("apart_ns", "same"),
    [(0, True), (1, True), (2 * SECOND_NS, True), (-2 * SECOND_NS, True), (2 * SECOND_NS + 1, False)],
)
def test_times_may_differ_by_what_fat_rounds_away(
    session: Session, production: Production, apart_ns: int, same: bool
) -> None:
    """FAT keeps the time of a change in units of two seconds (ECMA-107, a directory entry's time field)."""
    reel = offload(session, production, CARD)
    rounded = {path: FoundFile(f.size, f.mtime_ns + apart_ns) for path, f in CARD.items()}
    assert recognise(session, production, rounded) is (reel if same else None)
    assert same_file(rounded[FIRST], CARD[FIRST].size, CARD[FIRST].mtime_ns) is same


# -- names ------------------------------------------------------------------------------------------


def test_names_count_on_for_each_camera(session: Session, production: Production) -> None:
    a, b = make_camera(session, production, letter="A"), make_camera(session, production, letter="B")
    assert next_reel_name(session, production, a) == "A001"
    for name in ("A001", "A002", "B007", "spare"):
        make_reel(session, production, name=name)
    assert next_reel_name(session, production, a) == "A003"
    assert next_reel_name(session, production, b) == "B008"
    assert next_reel_name(session, production, None) == "R001"


@pytest.mark.parametrize(
    ("there", "following"),
    [
        ("A999", "A1000"),
        ("A7", "A008"),
        ("A001x", "A001"),
        ("AB004", "A001"),
        ("a004", "A005"),
        ("A000", "A001"),
    ],
)
def test_the_next_name_is_past_every_number_there_is(
    session: Session, production: Production, there: str, following: str
) -> None:
    camera = make_camera(session, production, letter="A")
    make_reel(session, production, name=there)
    following_name = next_reel_name(session, production, camera)
    assert following_name == following
    assert check_reel_name(session, production, following_name) == following_name  # and it is free


def test_another_production_counts_from_one(session: Session, production: Production) -> None:
    make_reel(session, production, name="A004")
    other = make_production(session)
    assert next_reel_name(session, other, make_camera(session, other, letter="A")) == "A001"
    assert check_reel_name(session, other, "A004") == "A004"


@pytest.mark.parametrize("name", ["A001", "a", "0", "Interview-Day_2", "x" * 32])
def test_a_folder_name_may_name_a_reel(session: Session, production: Production, name: str) -> None:
    assert check_reel_name(session, production, name) == name


@pytest.mark.parametrize(
    "name", ["", "-a", "_a", "a b", "a/b", "..", "a.b", "x" * 33, "Fähre", "a\n", "nul", "COM1"]
)
def test_what_no_drive_should_be_asked_to_keep_may_not(
    session: Session, production: Production, name: str
) -> None:
    with pytest.raises(UsageError, match="can't name a reel"):
        check_reel_name(session, production, name)


@pytest.mark.parametrize("name", ["A001", "a001"])
def test_a_name_is_never_used_again(session: Session, production: Production, name: str) -> None:
    """Also not in another case: to some drives it would be the same folder."""
    make_reel(session, production, name="A001")
    with pytest.raises(ConflictError, match="reel A001 was filled already") as caught:
        check_reel_name(session, production, name)
    assert "without --reel" in (caught.value.remedy or "")


def test_a_reel_lies_in_its_production_s_folder_by_date(production: Production) -> None:
    assert reel_folder(production, FIRST_DAY, "A001") == f"{production.slug}/2026-05-01/A001"


# -- what is recorded -------------------------------------------------------------------------------


def test_what_is_recorded_of_a_reel_comes_with_its_copies(session: Session, production: Production) -> None:
    reel = offload(session, production, CARD)
    north, south = make_destination(session, "/drives/north"), make_destination(session, "/drives/south")
    for file in session.query(type(make_file(session, make_reel(session, production)))).filter_by(
        reel_id=reel.id
    ):
        make_copy(session, file, north, mtime_ns=file.mtime_ns)
        if file.path_bytes == FIRST:
            make_copy(session, file, south, state=CopyState.DIFFERS)
    found = recorded_files(session, reel.id, list(CARD))
    assert {path: (one.size, one.mtime_ns) for path, one in found.items()} == {
        path: (one.size, one.mtime_ns) for path, one in CARD.items()
    }
    states = {(one.destination, one.state) for one in found[FIRST].copies}
    assert states == {("/drives/north", CopyState.VERIFIED), ("/drives/south", CopyState.DIFFERS)}
    (only,) = found[b"MISC/\xff.DAT"].copies
    assert (only.state, only.mtime_ns) == (CopyState.VERIFIED, CARD[b"MISC/\xff.DAT"].mtime_ns)


def test_a_destination_is_made_once_and_may_get_a_name(session: Session) -> None:
    made = find_destination(session, "/drives/north")
    assert find_destination(session, "/drives/north", "north") is made
    assert made.name == "north"
    assert find_destination(session, "/drives/north").name == "north"  # no name given is no change


def test_a_reel_was_finished_when_its_last_offload_was(session: Session, production: Production) -> None:
    reel = make_reel(session, production)
    assert not was_finished(session, reel)
    for state in (OffloadState.FAILED, OffloadState.DONE, OffloadState.PARTIAL, OffloadState.RUNNING):
        make_offload(session, reel, state=state)
        assert was_finished(session, reel) is (state is OffloadState.DONE)
    make_offload(session, reel, state=OffloadState.DONE)
    make_offload(session, reel, state=OffloadState.FAILED, report={TURNED_AWAY: "another run is at work"})
    assert was_finished(session, reel)  # the last one did nothing


def test_an_offload_that_was_killed_is_closed_and_the_others_are_not(
    session: Session, production: Production
) -> None:
    reel, other = make_reel(session, production), make_reel(session, production)
    dead, done = make_offload(session, reel, state=OffloadState.RUNNING), make_offload(session, reel)
    alive = make_offload(session, other, state=OffloadState.RUNNING)
    own = make_offload(session, reel, state=OffloadState.RUNNING)
    close_dead_offloads(session, reel.id, own.id)
    session.expire_all()
    assert own.state is OffloadState.RUNNING
    assert (dead.state, done.state, alive.state) == (
        OffloadState.FAILED,
        OffloadState.DONE,
        OffloadState.RUNNING,
    )
    assert dead.ended_at is not None and alive.ended_at is None
