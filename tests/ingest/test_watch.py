"""The watcher on real folders: cards that appear, grow, change, are pulled, and come back.

Most tests drive `Cards.look` themselves, so that what happens between two looks is certain. Those of the
loop run it in a thread and wait for what it says.
"""

from __future__ import annotations

import os
import shutil
import time
from contextlib import suppress
from pathlib import Path

import pytest

from ingest.follow import MOST_PROBLEMS, lines_about, sized
from ingest.orders import OffloadOrder, OffloadReport, Problem, Verdict, Watching
from ingest.watch import Cards
from shared.errors import DestinationGoneError
from tests.ingest.desk import QUIET, Desk


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk(tmp_path)


# --- a card comes ---------------------------------------------------------------------------------------


def test_a_card_is_offloaded_by_its_rule_and_the_outcome_is_said(desk: Desk) -> None:
    desk.fill("DCIM/C0001.MP4", "DCIM/C0002.MP4")
    desk.offloads(1)

    (order,) = desk.copying.orders
    assert order == OffloadOrder(card=desk.card, to=tuple(desk.drives), camera="A")
    assert desk.copied() == [["DCIM/C0001.MP4", "DCIM/C0002.MP4"]] * 2
    heard = "\n".join(desk.said)
    assert "A_CARD: found" in heard
    assert "2 files, 1.2 kB" in heard
    assert "A_CARD: reel A001 of The Chain Ferry: 2 files, done." in heard
    assert "A_CARD: may be formatted: yes" in heard


def test_a_card_is_left_alone_while_it_changes(desk: Desk) -> None:
    """Each look finds another listing: never two equal ones, however long it takes."""
    desk.fill("C0000.MP4")
    began = time.monotonic()
    number = 0
    while time.monotonic() - began < 3 * QUIET:
        number += 1
        desk.fill("C0000.MP4", content=b"x" * number)
        written = time.monotonic()
        assert not desk.cards.look()
        time.sleep(0.05)
    assert desk.heard("found") == 1, "it is not said again and again"
    desk.offloads(1)
    assert time.monotonic() - written >= QUIET


def test_equal_size_and_count_but_another_time_is_a_change(desk: Desk) -> None:
    desk.fill("C0001.MP4")
    began = time.monotonic()
    while time.monotonic() - began < 2 * QUIET:
        os.utime(desk.card / "C0001.MP4", ns=(0, time.time_ns()))
        assert not desk.cards.look()
        time.sleep(0.05)


def test_an_empty_folder_is_waited_for_in_silence(desk: Desk) -> None:
    desk.card.mkdir()
    (desk.media / "OTHER").mkdir()
    desk.look_on()
    assert desk.said == []
    desk.fill("C0001.MP4")
    desk.offloads(1)


def test_an_unchanged_card_is_offloaded_once(desk: Desk) -> None:
    desk.fill("C0001.MP4")
    desk.offloads(1)
    desk.look_on()
    assert len(desk.copying.orders) == 1


def test_a_card_that_comes_back_unchanged_is_not_offloaded_again(desk: Desk) -> None:
    desk.fill("C0001.MP4")
    desk.offloads(1)
    desk.card.rename(desk.root / "A_CARD")
    desk.look_until(lambda: desk.heard("taken out") == 1)
    desk.put_in(desk.root / "A_CARD")
    desk.look_until(lambda: desk.heard("unchanged since it was offloaded as reel A001") == 1)
    desk.look_on()
    assert len(desk.copying.orders) == 1


def test_a_card_that_has_changed_is_offered_again(desk: Desk) -> None:
    desk.fill("C0001.MP4")
    desk.offloads(1)
    desk.fill("C0002.MP4")
    desk.offloads(2)
    assert desk.copied() == [["C0001.MP4", "C0002.MP4"]] * 2
    assert desk.heard("changed since its offload") == 1


def test_a_file_that_comes_during_the_offload_is_not_forgotten(desk: Desk) -> None:
    desk.fill("C0001.MP4")
    desk.copying.before_file = lambda number: (
        desk.fill("C0002.MP4") if len(desk.copying.orders) == 1 else None
    )
    desk.offloads(2)
    assert desk.copied() == [["C0001.MP4", "C0002.MP4"]] * 2


def test_another_card_of_the_same_label_and_size_is_another_card(desk: Desk) -> None:
    """Swapped between two looks; count, bytes and newest time agree, only one older time differs."""
    for place, older in ((desk.card, 1_000), (desk.root / "second" / "A_CARD", 2_000)):
        desk.fill("C0001.MP4", "C0002.MP4", at=place)
        os.utime(place / "C0001.MP4", (older, older))
        os.utime(place / "C0002.MP4", (9_000, 9_000))
    desk.offloads(1)
    desk.card.rename(desk.root / "first")
    desk.put_in(desk.root / "second" / "A_CARD")
    desk.offloads(2)
    assert desk.heard("taken out") == 1


def test_two_cards_are_taken_one_after_the_other(desk: Desk) -> None:
    desk.fill("C0001.MP4")
    desk.fill("C0001.MP4", at=desk.media / "a_second")
    desk.offloads(2)
    assert sorted(order.card.name for order in desk.copying.orders) == ["A_CARD", "a_second"]


# --- what is no card ------------------------------------------------------------------------------------


def test_a_card_without_a_rule_is_named_with_the_lines_to_add(desk: Desk) -> None:
    desk.fill("C0001.MP4", at=desk.media / "DRONE")
    desk.look_on()
    assert desk.copying.orders == []
    assert desk.heard("DRONE: found at") == 1, "once is enough"
    assert str(desk.settings.home / "config.toml") in "\n".join(desk.said)
    assert desk.said[1:] == [
        "  [[watch]]",
        '  card = "DRONE"',
        '  camera = "A"',
        '  to = ["/absolute/folder/on/drive/1", "/absolute/folder/on/drive/2"]',
    ]


def test_a_drive_that_receives_copies_is_not_taken_for_a_card(tmp_path: Path) -> None:
    backup = tmp_path / "media" / "BACKUP"
    desk = Desk(tmp_path, watch=[{"card": "*", "to": [str(backup / "film"), str(tmp_path / "drive2")]}])
    desk.fill("film/old.mp4", at=backup)
    desk.look_on()
    assert desk.copying.orders == []
    assert desk.said == [f"BACKUP: no card, it holds the destination {backup / 'film'}."]


def test_links_and_hidden_folders_are_no_cards(tmp_path: Path) -> None:
    desk = Desk(tmp_path, watch=[{"card": "*", "to": ["one", str(tmp_path / "drive2")]}])
    desk.fill("secret.txt", at=tmp_path / "elsewhere")
    desk.fill("secret.txt", at=desk.media / ".A_HIDDEN")
    (desk.media / "A_LINK").symlink_to(tmp_path / "elsewhere")
    desk.look_on()
    assert desk.copying.orders == []
    assert desk.said == []


# --- trouble --------------------------------------------------------------------------------------------


def test_a_card_pulled_while_it_waits_is_said(desk: Desk) -> None:
    desk.fill("C0001.MP4")
    desk.look_until(lambda: desk.heard("found") == 1)
    shutil.rmtree(desk.card)
    desk.look_until(lambda: desk.heard("gone before it was offloaded; nothing was copied") == 1)
    desk.fill("C0001.MP4")
    desk.offloads(1)


@pytest.mark.parametrize("back", ["later", "at once"])
def test_a_card_pulled_in_the_middle_is_taken_up_when_it_comes_back(desk: Desk, back: str) -> None:
    """At once: the same folder again, as device and inode of a card often are the same after a remount."""
    names = [f"C{number:04}.MP4" for number in range(5)]
    desk.fill(*names)

    def pull(number: int) -> None:
        if number == 2 and len(desk.copying.orders) == 1:
            desk.card.rename(desk.root / "A_CARD")
        if number == 4 and len(desk.copying.orders) == 1 and back == "at once":
            desk.put_in(desk.root / "A_CARD")

    desk.copying.before_file = pull
    desk.offloads(1)
    assert len(desk.copied()[0]) < 5
    heard = "\n".join(desk.said)
    assert "A_CARD: the card is gone in the middle of its offload." in heard
    assert "C0002.MP4: it vanished" in heard
    assert "may be formatted: NO" in heard
    assert desk.heard("Put it back") == 1

    if back == "later":
        desk.look_on()
        desk.put_in(desk.root / "A_CARD")
    desk.offloads(2)
    assert desk.copied() == [names, names]
    assert desk.copying.reports[1].state == "done"
    desk.look_on()
    assert len(desk.copying.orders) == 2


def test_a_card_that_leaves_its_empty_folder_behind_is_another_one_when_it_is_filled(desk: Desk) -> None:
    """As where the system keeps the folder at which it mounts, and device and inode stay the same."""
    desk.fill("C0001.MP4")
    desk.look_until(lambda: desk.heard("found") == 1)
    (desk.card / "C0001.MP4").unlink()
    desk.look_until(lambda: desk.heard("gone before it was offloaded") == 1)
    desk.fill("C0001.MP4")
    desk.offloads(1)
    assert desk.heard("found") == 2


def test_a_card_taken_out_just_when_all_was_done_is_done(desk: Desk) -> None:
    desk.fill("C0001.MP4")
    copying = desk.copying

    def offload(order: OffloadOrder, watching: Watching) -> OffloadReport:
        report = copying(order, watching)
        desk.card.rename(desk.root / "A_CARD")
        return report

    desk.cards = Cards(desk.settings, offload, desk.said.append, desk.stop)
    desk.offloads(1)
    assert desk.said[-1] == "A_CARD: taken out."
    desk.put_in(desk.root / "A_CARD")
    desk.look_until(lambda: desk.heard("unchanged since it was offloaded") == 1)


def test_a_card_pulled_in_the_middle_so_that_only_its_empty_folder_stays(desk: Desk) -> None:
    """As where the system keeps the folder at which it mounts."""
    desk.fill("C0001.MP4", "C0002.MP4")

    def pull(number: int) -> None:
        if len(desk.copying.orders) == 1:
            for file in desk.card.iterdir():
                file.unlink()

    desk.copying.before_file = pull
    desk.offloads(1)
    assert desk.heard("gone before its offload was complete") == 1
    desk.look_on()
    assert len(desk.copying.orders) == 1
    desk.fill("C0001.MP4", "C0002.MP4")
    desk.offloads(2)


def test_a_file_that_can_not_be_read_is_not_tried_for_ever(desk: Desk) -> None:
    desk.fill("C0001.MP4", "C0002.MP4")
    hidden = desk.root / "C0002.MP4"

    def hide(number: int) -> None:
        if number == 1:
            (desk.card / "C0002.MP4").rename(hidden)

    desk.copying.before_file = hide
    desk.offloads(1)
    hidden.rename(desk.card / "C0002.MP4")
    desk.look_on()
    assert len(desk.copying.orders) == 1
    assert desk.heard("not complete") == 1
    # Taking the card out and putting it in again is how a person asks for another try.
    desk.copying.before_file = lambda number: None
    desk.card.rename(desk.root / "A_CARD")
    desk.look_until(lambda: desk.heard("gone before its offload was complete") == 1)
    desk.put_in(desk.root / "A_CARD")
    desk.offloads(2)


def test_an_offload_that_a_missing_drive_stopped_is_tried_again_when_the_drive_is_there(
    tmp_path: Path,
) -> None:
    desk = Desk(tmp_path)
    late = desk.drives[1]
    late.rmdir()
    copying = desk.copying

    def offload(order: OffloadOrder, watching: Watching) -> OffloadReport:
        if not late.exists():
            copying.orders.append(order)
            raise DestinationGoneError("the drive is gone", path=str(late), remedy="Plug it in again.")
        return copying(order, watching)

    desk.cards = Cards(desk.settings, offload, desk.said.append, desk.stop)
    desk.fill("C0001.MP4")
    desk.look_until(lambda: len(copying.orders) == 1)
    desk.look_on()
    assert len(copying.orders) == 1, "not again and again"
    assert f"A_CARD: the offload stopped: {late}: the drive is gone — Plug it in again." in desk.said

    late.mkdir()
    desk.offloads(1)
    assert desk.copied() == [["C0001.MP4"]] * 2
    assert desk.heard("the drives have changed") == 1


def test_a_bug_in_one_offload_does_not_end_the_watch(desk: Desk, caplog: pytest.LogCaptureFixture) -> None:
    desk.fill("C0001.MP4")
    bug = True

    def before(number: int) -> None:
        if bug:
            raise ZeroDivisionError("a bug")

    desk.copying.before_file = before
    desk.look_until(lambda: desk.heard("an error nobody foresaw (ZeroDivisionError)") == 1)
    assert "a bug" in caplog.text
    bug = False
    desk.fill("C0002.MP4")
    desk.offloads(1)


def test_a_watch_folder_that_can_not_be_listed_does_not_hide_the_others(tmp_path: Path) -> None:
    wrong, later = tmp_path / "wrong", tmp_path / "later"
    wrong.write_text("a file")
    desk = Desk(tmp_path, watch_folders=[wrong, later, tmp_path / "media"])
    desk.fill("C0001.MP4")
    desk.offloads(1)
    assert desk.heard(f"{wrong}: this watch folder can't be listed") == 1
    assert desk.heard(f"{later}: this watch folder is not there (yet)") == 1
    desk.fill("C0001.MP4", at=later / "A_LATE")
    desk.offloads(2)


def test_a_folder_that_can_not_be_opened_is_said(desk: Desk) -> None:
    desk.fill("C0001.MP4")
    desk.card.chmod(0)
    try:
        with suppress(PermissionError):
            os.scandir(desk.card).close()
            pytest.skip("this user may open every folder")
        desk.look_on()
    finally:
        desk.card.chmod(0o700)
    assert desk.heard("no card can be read there") == 1
    desk.offloads(1)


# --- words ----------------------------------------------------------------------------------------------


def test_a_long_list_of_problems_is_cut_and_counted() -> None:
    problems = tuple(
        Problem("card", f"C{number:04}.MP4", "it can't be read", "Try another reader.")
        for number in range(25)
    )
    report = OffloadReport("A001", "Ferry", "partial", [], problems, Verdict(False, ("one", "two")))
    lines = lines_about(report)
    assert lines[1] == "  card: C0000.MP4: it can't be read. Try another reader."
    assert len(lines) == 1 + MOST_PROBLEMS + 2
    assert "5 more problems" in lines[-2]
    assert lines[-1] == "may be formatted: NO. one; two."


@pytest.mark.parametrize(
    ("number", "text"), [(0, "0 bytes"), (999, "999 bytes"), (1000, "1.0 kB"), (4_294_967_295, "4.3 GB")]
)
def test_sizes_are_decimal(number: int, text: str) -> None:
    assert sized(number) == text
