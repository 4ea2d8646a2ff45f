"""Cards that bring hash lists of their own: read, held against the card, continued at each destination."""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Sequence
from pathlib import Path

import pytest
from sqlalchemy import select

from ingest.card import read_card
from ingest.card_history import NAMED, CardHistory
from ingest.durable import Disk
from ingest.hashes import make_hasher
from ingest.mhl import FileHash, FileRecord, append_generation, check_history, utc_from_ns
from ingest.orders import OffloadOrder, OffloadReport, Verdict
from ingest.pipeline import run_offload
from ingest.verdict import judge_card
from shared.db import Sessions, reading
from shared.models import File, Reel
from shared.settings import Settings, load_settings
from tests.faults import handle_path
from tests.ingest.check_support import check, flip_bit
from tests.ingest.copy_support import content

CHAIN = "ascmhl/ascmhl_chain.xml"
TREE = {"A.TXT": 900, "CLIPS/B.TXT": 70_000, "CLIPS/IN/C.TXT": 10}


class Apart(Disk):
    """The card and each destination are on drives of their own."""

    def drives(self, handle: int) -> frozenset[str]:
        path = handle_path(handle)
        return frozenset(name for name in ("card", "one", "two") if f"/{name}/" in f"{path}/")


class Scene:
    def __init__(self, root: Path, sessions: Sessions) -> None:
        self.card, self.places = root / "card", (root / "one", root / "two")
        for place in self.places:
            place.mkdir()
        self.sessions = sessions
        self.settings: Settings = load_settings(home=root / "home")
        for path, size in TREE.items():
            self.write(path, content(path, size))

    def write(self, path: str, data: bytes) -> None:
        file = self.card / path
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(data)
        os.utime(file, (1_778_600_000, 1_778_600_000))

    def list_card(self, algorithms: Sequence[str] = ("xxh128",), below: str = "") -> None:
        """Another program lists what is on the card."""
        root = self.card / below
        records = []
        for file in sorted(path for path in root.rglob("*") if path.is_file() and "ascmhl" not in path.parts):
            hashes = tuple(FileHash(one, _digest(one, file.read_bytes())) for one in algorithms)
            found = file.stat()
            path = str(file.relative_to(root))
            records.append(FileRecord(path, found.st_size, utc_from_ns(found.st_mtime_ns), hashes))
        moment = dt.datetime(2026, 5, 12, 9, tzinfo=dt.UTC)
        append_generation(
            Disk(),
            root,
            records,
            process="in-place",
            started_at=moment,
            algorithm=algorithms[0],
            complete=False,
        )

    def offload(self, algorithm: str | None = None) -> OffloadReport:
        order = OffloadOrder(self.card, self.places, algorithm=algorithm)
        return run_offload(order, self.settings, self.sessions, disk=Apart())

    def verdict(self) -> Verdict:
        with reading(self.sessions) as session:
            reel = session.scalars(select(Reel)).one()
        return judge_card(self.card, reel, self.sessions, Apart())

    def copies(self, path: str) -> list[Path]:
        return [next(place.glob(f"*/*/*/{path}")) for place in self.places]


def _digest(algorithm: str, data: bytes) -> str:
    hasher = make_hasher(algorithm)
    hasher.update(data)
    return hasher.hexdigest()


@pytest.fixture
def scene(memory_path: Path, catalogue: Sessions) -> Scene:
    return Scene(memory_path, catalogue)


# --- the chain grows at the destination, and that is no difference -----------------------------------------


@pytest.mark.parametrize("below", ["", "CLIPS"], ids=["its own", "of a folder in it"])
def test_a_chain_that_grew_at_the_destination_is_no_difference(scene: Scene, below: str) -> None:
    scene.list_card(below=below)
    chain = f"{below}/{CHAIN}".lstrip("/")
    first = (scene.card / chain).read_bytes()
    for run in range(2):
        report = scene.offload()
        assert (report.state, report.problems, report.exit_code) == ("done", (), 0), f"run {run}"
        assert report.verdict == scene.verdict() == Verdict(True, ())
        assert check(scene.sessions, disk=Apart()).code == 0
        assert scene.verdict().may_be_formatted, "after a check, which adds a generation of its own"
    assert (scene.card / chain).read_bytes() == first
    for copy in scene.copies(chain):
        assert copy.read_bytes().count(b"<hashlist ") == 1 + 2 * 2
        assert check_history(copy.parents[1]) == []


def test_a_card_with_more_files_beside_its_old_history_is_continued(scene: Scene) -> None:
    scene.list_card()
    scene.offload()
    scene.write("D.TXT", b"one more")
    report = scene.offload()
    assert (report.state, report.reel) == ("done", "R001")
    assert report.verdict.may_be_formatted
    assert all(copy.read_bytes() == b"one more" for copy in scene.copies("D.TXT"))


def test_a_chain_that_does_not_go_on_from_the_cards_is_a_difference(scene: Scene) -> None:
    scene.list_card()
    scene.offload()
    copy, other = scene.copies(CHAIN)
    kept = copy.read_bytes()
    for spoilt in (kept.replace(b">c4", b">c5", 1), b"", kept[: len(kept) // 2]):
        copy.write_bytes(spoilt)
        assert not scene.verdict().may_be_formatted
    # A sound chain that begins otherwise.
    spoilt = kept.replace(b"0001_", b"0009_")
    copy.write_bytes(spoilt)
    assert not scene.verdict().may_be_formatted
    report = scene.offload()
    assert report.exit_code == 4
    assert [problem.path for problem in report.problems if problem.kind == "copy"] == [str(copy)]
    assert copy.read_bytes() == spoilt, "what differs is never written over"
    copy.unlink()
    copy.symlink_to(other)
    assert not scene.verdict().may_be_formatted


def test_no_repair_puts_another_chain_in_the_place_of_one(scene: Scene) -> None:
    scene.list_card()
    scene.offload()
    copy, other = scene.copies(CHAIN)
    spoilt = copy.read_bytes().replace(b">c4", b">c5", 1)
    copy.write_bytes(spoilt)
    before = other.read_bytes()
    checked = check(scene.sessions, disk=Apart(), repair=True)
    assert checked.code == 4
    assert copy.read_bytes() == spoilt
    assert other.read_bytes().startswith(before[: before.index(b"</ascmhldirectory>")])
    assert "no other copy can stand in for it" in checked.file(CHAIN, scene.places[0])["repair"]["problem"]
    assert checked.file(CHAIN, scene.places[1])["state"] == "verified"


# --- what the card's list says is held against the card ----------------------------------------------------


@pytest.mark.parametrize("wanted", [None, "xxh128"], ids=["chosen by the card", "asked for otherwise"])
def test_a_file_that_is_not_as_the_cards_list_has_it_is_named(scene: Scene, wanted: str | None) -> None:
    scene.list_card(["md5"])
    flip_bit(scene.card / "CLIPS/B.TXT")
    report = scene.offload(wanted)
    assert report.summary["algorithm"] == (wanted or "md5")
    assert (report.state, report.exit_code) == ("partial", 3)
    (problem,) = report.problems
    assert (problem.kind, problem.path) == ("card", "CLIPS/B.TXT")
    assert "the card's own hash list says otherwise: md5" in problem.message
    assert problem.remedy
    assert report.verdict == scene.verdict()
    assert report.verdict.reasons == (
        "1 file with a problem (the card's own hash list says otherwise): CLIPS/B.TXT",
    )
    for copy in scene.copies("CLIPS/B.TXT"):
        assert copy.read_bytes() == (scene.card / "CLIPS/B.TXT").read_bytes()
        second = next(copy.parents[1].glob("ascmhl/0002*.mhl")).read_text()
        assert second.count('<md5 action="verified">') == 2
        assert second.count('<md5 action="failed">') == 1
    with reading(scene.sessions) as session:
        assert all(file.digest for file in session.scalars(select(File)))


def test_a_file_put_right_again_is_trusted_again(scene: Scene) -> None:
    scene.list_card()
    data = (scene.card / "A.TXT").read_bytes()
    scene.write("A.TXT", data[:-1] + b"?")
    assert not scene.offload().verdict.may_be_formatted
    scene.write("A.TXT", data)
    os.utime(
        scene.card / "A.TXT", (1_778_600_300, 1_778_600_300)
    )  # another time: it is known to have changed
    report = scene.offload()
    assert report.reel == "R002"
    assert report.verdict.may_be_formatted


def test_files_that_the_list_names_and_the_card_lacks_are_told(scene: Scene) -> None:
    scene.list_card()
    (scene.card / "A.TXT").unlink()
    report = scene.offload()
    assert report.state == "done"  # all that is there was copied
    assert [(p.kind, p.path) for p in report.problems] == [("manifest", "A.TXT")]
    assert "not on the card" in report.problems[0].message


def test_very_many_missing_files_are_counted(scene: Scene) -> None:
    for number in range(NAMED + 5):
        scene.write(f"GONE{number:03}", b"x")
    scene.list_card()
    for file in scene.card.glob("GONE*"):
        file.unlink()
    history = CardHistory.read(read_card(scene.card, Disk()), Disk())
    assert len(history.problems) == NAMED + 1
    assert history.problems[-1].message.startswith("5 more files:")


@pytest.mark.parametrize(
    ("listed", "wanted", "chosen"),
    [
        (["md5"], "xxh128", "md5"),
        (["xxh64", "sha1"], "sha1", "sha1"),
        (["c4", "xxh3"], "xxh128", "xxh3"),
    ],
)
def test_the_hash_is_one_that_can_be_compared(
    scene: Scene, listed: list[str], wanted: str, chosen: str
) -> None:
    scene.list_card(listed)
    assert CardHistory.read(read_card(scene.card, Disk()), Disk()).algorithm(wanted) == chosen


def test_a_card_without_a_list_has_nothing_to_compare_with(scene: Scene) -> None:
    (scene.card / "ascmhl").mkdir()
    history = CardHistory.read(read_card(scene.card, Disk()), Disk())
    assert history.algorithm("xxh128") is None
    assert history.problems == ()


def test_a_hostile_list_on_the_card_is_named_and_the_card_is_copied(scene: Scene) -> None:
    scene.list_card()
    next(scene.card.glob("ascmhl/*.mhl")).write_text('<!DOCTYPE x [<!ENTITY a "b">]><x>&a;</x>')
    report = scene.offload()
    assert all(place["verified"] == len(report.files) for place in report.summary["destinations"])
    named = [
        problem
        for problem in report.problems
        if "the card's own hash list can't be relied on" in problem.message
    ]
    assert len(named) == 1
