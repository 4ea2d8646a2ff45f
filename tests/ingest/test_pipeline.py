"""The whole offload, in process: what is recorded, what survives, what a broken run leaves."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from ingest import pipeline, plan, record, verdict
from ingest.durable import Disk
from ingest.orders import Nobody, OffloadOrder
from ingest.pipeline import run_offload
from shared.catalogue import kept_reports, reels
from shared.db import Sessions, reading
from shared.errors import ConflictError
from shared.models import Clip, Copy, CopyState, File, Finding, Offload, OffloadState, Reel
from shared.settings import Settings, load_settings


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    return load_settings(home=tmp_path / "home")


@pytest.fixture
def card(tmp_path: Path) -> Path:
    card = tmp_path / "card"
    (card / "DCIM" / "100FERRY").mkdir(parents=True)
    for number in range(3):
        path = card / "DCIM" / "100FERRY" / f"C{number:04d}.TXT"
        path.write_bytes(os.urandom(1000 + number))
        os.utime(path, (1_778_600_000, 1_778_600_000 + number * 60))
    return card


@pytest.fixture
def places(tmp_path: Path) -> tuple[Path, Path]:
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
    return tmp_path / "one", tmp_path / "two"


class Listener(Nobody):
    def __init__(self) -> None:
        self.said: list[str] = []

    def say(self, text: str) -> None:
        self.said.append(text)


def order(card: Path, places: tuple[Path, Path], **values: Any) -> OffloadOrder:
    return OffloadOrder(card=card, to=places, **values)


def test_every_copy_is_recorded_with_its_digest_and_state(
    card: Path, places: tuple[Path, Path], settings: Settings, catalogue: Sessions
) -> None:
    report = run_offload(order(card, places, camera="a"), settings, catalogue)
    assert (report.state, report.reel, report.exit_code) == ("done", "A001", 0)
    with reading(catalogue) as session:
        files = session.scalars(select(File)).all()
        assert all(file.digest and file.algorithm == "xxh128" for file in files)
        assert {copy.state for copy in session.scalars(select(Copy))} == {CopyState.VERIFIED}
        assert session.scalars(select(Copy)).all()[0].verified_at is not None
        offload = session.scalars(select(Offload)).one()
        assert offload.state is OffloadState.DONE
        assert offload.report["reel"] == "A001"


def test_a_card_filled_anew_is_a_new_reel_and_nothing_is_overwritten(
    card: Path, places: tuple[Path, Path], settings: Settings, catalogue: Sessions
) -> None:
    run_offload(order(card, places, camera="A"), settings, catalogue)
    first = {p: p.read_bytes() for p in places[0].rglob("*.TXT")}
    for path in card.rglob("*.TXT"):
        path.write_bytes(os.urandom(900))
    report = run_offload(order(card, places, camera="A"), settings, catalogue)
    assert report.reel == "A002"
    assert {p: p.read_bytes() for p in first} == first


def test_a_reels_name_is_never_used_again(
    card: Path, places: tuple[Path, Path], settings: Settings, catalogue: Sessions
) -> None:
    run_offload(order(card, places, reel="A001"), settings, catalogue)
    for path in card.rglob("*.TXT"):
        path.write_bytes(os.urandom(900))
    with pytest.raises(ConflictError, match="A001"):
        run_offload(order(card, places, reel="A001"), settings, catalogue)


def test_a_card_that_gives_other_bytes_under_the_same_name_size_and_time_is_named(
    card: Path, places: tuple[Path, Path], settings: Settings, catalogue: Sessions
) -> None:
    run_offload(order(card, places), settings, catalogue)
    victim = card / "DCIM/100FERRY/C0001.TXT"
    stat = victim.stat()
    victim.write_bytes(os.urandom(stat.st_size))
    os.utime(victim, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    report = run_offload(order(card, places), settings, catalogue)
    assert report.exit_code == 3
    assert [p.path for p in report.problems if p.kind == "card"] == ["DCIM/100FERRY/C0001.TXT"]
    assert not report.verdict.may_be_formatted
    assert any("C0001" in reason for reason in report.verdict.reasons)
    # And the doubt is remembered: the verdict asked for later is no better.
    with reading(catalogue) as session:
        assert session.scalars(select(File).where(File.problem.is_not(None))).one().path.endswith("C0001.TXT")


class Unreadable(Disk):
    """One file of the card gives an I/O error."""

    def open_source(self, name: str, *, at: int) -> int:
        if name == "C0001.TXT":
            raise OSError(5, "Input/output error")
        return super().open_source(name, at=at)


def test_an_unreadable_file_is_recorded_and_done_when_it_can_be_read(
    card: Path, places: tuple[Path, Path], settings: Settings, catalogue: Sessions
) -> None:
    report = run_offload(order(card, places), settings, catalogue, disk=Unreadable())
    assert (report.state, report.exit_code) == ("partial", 3)
    with reading(catalogue) as session:
        bad = session.scalars(select(File).where(File.digest.is_(None))).one()
        assert bad.path.endswith("C0001.TXT")
        assert bad.problem
    again = run_offload(order(card, places), settings, catalogue)
    assert (again.state, again.reel) == ("done", report.reel)
    assert again.summary["bytes_read"] == 1001  # the rest was proven and is kept
    with reading(catalogue) as session:
        assert session.scalars(select(File).where(File.digest.is_(None))).all() == []
        assert session.scalars(select(File).where(File.problem.is_not(None))).all() == []


def test_a_killed_offload_is_closed_by_the_next(
    card: Path, places: tuple[Path, Path], settings: Settings, catalogue: Sessions
) -> None:
    run_offload(order(card, places), settings, catalogue)
    with catalogue() as session:
        offload = session.scalars(select(Offload)).one()
        offload.state, offload.ended_at = OffloadState.RUNNING, None
        session.commit()
    run_offload(order(card, places), settings, catalogue)
    with reading(catalogue) as session:
        assert [o.state for o in session.scalars(select(Offload).order_by(Offload.id))] == [
            OffloadState.FAILED,
            OffloadState.DONE,
        ]
        assert session.scalars(select(Reel)).one().name == "R001"


class Pulled(Disk):
    """The card is pulled after its first file: every later call to it fails."""

    def __init__(self, card: Path) -> None:
        self._card = card

    def open_source(self, name: str, *, at: int) -> int:
        if name != "C0000.TXT":
            self._card.rename(self._card.with_name("pulled"))
            raise OSError(19, "No such device")
        return super().open_source(name, at=at)


def test_a_card_pulled_in_the_middle_still_gives_a_report(
    card: Path, places: tuple[Path, Path], settings: Settings, catalogue: Sessions
) -> None:
    report = run_offload(order(card, places), settings, catalogue, disk=Pulled(card))
    assert report.state == "partial"
    assert len(report.files) == 3
    assert not report.verdict.may_be_formatted
    assert "can't be read now" in report.verdict.reasons[0]


def test_a_broken_media_file_is_a_clip_with_a_finding(
    card: Path, places: tuple[Path, Path], settings: Settings, catalogue: Sessions
) -> None:
    (card / "DCIM/100FERRY/C0009.MOV").write_bytes(b"")
    (card / "DCIM/100FERRY/C0010.MP4").write_bytes(os.urandom(5000))
    report = run_offload(order(card, places), settings, catalogue)
    assert report.state == "done"  # copied and proven; what they hold is another question
    assert {p.kind for p in report.problems} == {"media"}
    with reading(catalogue) as session:
        clips = session.scalars(select(Clip).order_by(Clip.name)).all()
        assert [clip.name for clip in clips] == ["DCIM/100FERRY/C0009", "DCIM/100FERRY/C0010"]
        assert all(session.scalars(select(Finding).filter_by(clip_id=clip.id)).all() for clip in clips)
        assert all(clip.day is not None for clip in clips)


def test_the_kept_hash_of_a_known_reel_is_said(
    card: Path, places: tuple[Path, Path], settings: Settings, catalogue: Sessions
) -> None:
    run_offload(order(card, places, algorithm="md5"), settings, catalogue)
    listener = Listener()
    report = run_offload(order(card, places, algorithm="sha1"), settings, catalogue, listener)
    assert report.summary["algorithm"] == "md5"
    assert any("md5" in line for line in listener.said)


@pytest.mark.parametrize("algorithm", ["xxh128", "xxh3", "xxh64", "md5", "sha1", "c4"])
def test_every_hash_can_be_chosen(
    algorithm: str, card: Path, places: tuple[Path, Path], settings: Settings, catalogue: Sessions
) -> None:
    report = run_offload(order(card, places, algorithm=algorithm, read_twice=True), settings, catalogue)
    assert report.state == "done"
    assert {file["hash"]["algorithm"] for file in report.files} == {algorithm}
    manifests = list(places[0].rglob("*.mhl"))
    assert len(manifests) == 1
    assert f'<{algorithm} action="original"' in manifests[0].read_text()


def test_a_proven_copy_named_like_a_leftover_outlives_its_file_on_the_card(
    card: Path, places: tuple[Path, Path], settings: Settings, catalogue: Sessions
) -> None:
    odd = card / "x.0123abcd.partial"
    odd.write_bytes(b"a file of the card with the name of a leftover")
    run_offload(order(card, places), settings, catalogue)
    copies = [path for place in places for path in place.rglob(odd.name)]
    assert len(copies) == 2
    odd.unlink()
    run_offload(order(card, places), settings, catalogue)
    assert all(path.exists() for path in copies)


class Interrupted(Disk):
    """The run ends before a byte is read, as by a kill."""

    def open_source(self, name: str, *, at: int) -> int:
        raise KeyboardInterrupt


def test_a_run_killed_before_its_first_byte_is_continued_in_its_own_reel(
    card: Path, places: tuple[Path, Path], settings: Settings, catalogue: Sessions
) -> None:
    with pytest.raises(KeyboardInterrupt):
        run_offload(order(card, places, camera="A"), settings, catalogue, disk=Interrupted())
    listener = Listener()
    report = run_offload(order(card, places, camera="B"), settings, catalogue, listener)
    assert (report.reel, report.state) == ("A001", "done")
    assert "keeping what is recorded of this reel: camera A" in listener.said
    with reading(catalogue) as session:
        assert session.scalars(select(Reel)).one().name == "A001"


def test_what_a_run_records_before_it_lets_go_of_the_reel_is_known_to_the_next(
    card: Path,
    places: tuple[Path, Path],
    settings: Settings,
    catalogue: Sessions,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Two runs found the same card; the second gets the reel when the first has just ended."""
    hold = pipeline._lock_reel
    first: list[str] = []

    def first_run_before_it_is_held(*arguments: Any) -> None:
        monkeypatch.setattr(pipeline, "_lock_reel", hold)
        first.append(run_offload(order(card, places), settings, catalogue).state)
        hold(*arguments)

    monkeypatch.setattr(pipeline, "_lock_reel", first_run_before_it_is_held)
    report = run_offload(order(card, places), settings, catalogue)
    assert first == ["done"]
    assert report.state == "done"
    assert [place["kept"] for place in report.summary["destinations"]] == [3, 3]
    assert report.summary["bytes_read"] == 0


class Meeting(Disk):
    """In the middle of a run, a second one of the same card is started, to a drive of its own."""

    def __init__(self, second: Callable[[], object]) -> None:
        self.second, self.met = second, False

    def open_source(self, name: str, *, at: int) -> int:
        if not self.met:
            self.met = True
            with pytest.raises(ConflictError, match="another run is at work there"):
                self.second()
        return super().open_source(name, at=at)


def test_a_second_run_of_a_card_is_turned_away_and_leaves_the_first_alone(
    card: Path, places: tuple[Path, Path], settings: Settings, catalogue: Sessions, tmp_path: Path
) -> None:
    (tmp_path / "three").mkdir()
    run_offload(order(card, places), settings, catalogue)
    for path in places[0].rglob("*.TXT"):
        path.unlink()
    disk = Meeting(
        lambda: run_offload(
            OffloadOrder(card=card, to=(tmp_path / "three", tmp_path / "one")), settings, catalogue
        )
    )
    assert run_offload(order(card, places), settings, catalogue, disk=disk).state == "done"
    assert disk.met
    with reading(catalogue) as session:
        states = session.scalars(select(Offload.state).order_by(Offload.id)).all()
        assert states == [OffloadState.DONE, OffloadState.DONE, OffloadState.FAILED]
    # What was turned away is not taken for a broken run: the next one proves everything again.
    again = run_offload(order(card, places), settings, catalogue)
    assert again.summary["bytes_read"] == again.summary["bytes_on_card"]


def test_two_cards_at_once_to_the_same_drives_are_two_reels(
    card: Path, places: tuple[Path, Path], settings: Settings, catalogue: Sessions, tmp_path: Path
) -> None:
    other = tmp_path / "other"
    shutil.copytree(card, other)
    for path in other.rglob("*.TXT"):
        path.write_bytes(os.urandom(1500))
    with ThreadPoolExecutor(2) as pool:
        reports = list(
            pool.map(lambda one: run_offload(order(one, places), settings, catalogue), (card, other))
        )
    assert [report.state for report in reports] == ["done", "done"]
    assert {report.reel for report in reports} == {"R001", "R002"}
    for report, source in zip(reports, (card, other), strict=True):
        for place in report.summary["destinations"]:
            copies = {p.name: p.read_bytes() for p in Path(place["folder"]).rglob("*.TXT")}
            assert copies == {p.name: p.read_bytes() for p in source.rglob("*.TXT")}


def test_a_file_that_only_changed_its_time_stamp_is_no_reason_to_keep_the_card(
    card: Path, places: tuple[Path, Path], settings: Settings, catalogue: Sessions
) -> None:
    run_offload(order(card, places), settings, catalogue)
    moved = next(iter(sorted(card.rglob("*.TXT"))))
    os.utime(moved, (1_778_600_001, 1_778_600_001))
    report = run_offload(order(card, places), settings, catalogue)
    assert (report.reel, report.state) == ("R001", "done")
    assert not any("changed on the card" in reason for reason in report.verdict.reasons)


def test_a_card_is_gone_through_in_pieces(
    card: Path,
    places: tuple[Path, Path],
    settings: Settings,
    catalogue: Sessions,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """As one of very many files is: here two at a time make a piece, and the kept report is packed."""
    for module in (plan, reels, verdict):
        monkeypatch.setattr(module, "AT_A_TIME", 2)
    monkeypatch.setattr(record, "FLUSH_FILES", 2)
    monkeypatch.setattr(kept_reports, "MANY", 2)
    for number in range(7):
        path = card / f"MORE/{number % 3}/{number}.BIN"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(os.urandom(number))
    on_card = {str(path.relative_to(card)) for path in card.rglob("*") if path.is_file()}

    first = run_offload(order(card, places), settings, catalogue, disk=Unreadable())
    assert {file["path"] for file in first.files} == on_card
    assert [place["verified"] for place in first.summary["destinations"]] == [9, 9]
    second = run_offload(order(card, places), settings, catalogue)
    third = run_offload(order(card, places), settings, catalogue)
    assert (first.reel, second.reel, third.reel) == ("R001", "R001", "R001")
    assert [place["kept"] for place in second.summary["destinations"]] == [9, 9]
    assert [place["kept"] for place in third.summary["destinations"]] == [0, 0]
    for report in (second, third):
        assert [place["verified"] for place in report.summary["destinations"]] == [10, 10]
        assert [reason.split(":")[0] for reason in report.verdict.reasons] == [
            "10 files without verified copies on 2 different drives, neither of them the card's own"
        ]
    with reading(catalogue) as session:
        assert {
            file.path for file in session.scalars(select(File).where(File.digest.is_not(None)))
        } == on_card
        assert {copy.state for copy in session.scalars(select(Copy))} == {CopyState.VERIFIED}
        assert len(session.scalars(select(Copy)).all()) == 2 * len(on_card)
        kept = [offload.report for offload in session.scalars(select(Offload).order_by(Offload.id))]
    for report, row in zip((first, second, third), kept, strict=True):
        assert "files" not in row
        assert kept_reports.unpacked(row)["files"] == list(report.files)
