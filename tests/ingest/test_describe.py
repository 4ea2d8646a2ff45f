"""Describing beside the copy: each file once, few at a time, and nothing lost where there is no room."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from concurrent.futures import Future
from contextlib import closing
from pathlib import Path

import pytest

from ingest import describe
from ingest.card import read_card
from ingest.describe import Describing
from ingest.described import DescribedFiles
from ingest.durable import Disk
from ingest.media.facts import FAULT, NOTE, Described, Facts, Noticed, StillTaken
from ingest.orders import Nobody
from ingest.plan import Plan, make_plan, open_places
from ingest.settle import Settled
from shared.errors import CatalogueError, MediaError
from shared.models import CopyState

NAMES = [f"D/C{number:04}.MOV" for number in range(6)]


class Slow:
    """A pool that answers when it is told to."""

    def __init__(self) -> None:
        self.asked: list[tuple[str, Future[Described]]] = []
        self.most = 0

    def describe(self, path: Path, into: Path, stem: str) -> Future[Described]:
        future: Future[Described] = Future()
        self.asked.append((path.name, future))
        self.most = max(self.most, sum(not one.done() for _, one in self.asked))
        return future

    def answer_all(self) -> None:
        for name, future in self.asked:  # grows meanwhile
            future.set_result(Described(Facts(container=name)))


@pytest.fixture
def plan(tmp_path: Path) -> Plan:
    card, to = tmp_path / "card", tmp_path / "to"
    to.mkdir()
    for name in (*NAMES, "D/notes.pdf", "D/C0000.XML"):
        path = card / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(name.encode())
    listing = read_card(card, Disk())
    places, _ = open_places(listing, (to,), "reel", Disk())
    return make_plan(listing, places, lambda entries: {}, Disk(), margin_percent=0, prove_again=False)


@pytest.fixture
def said() -> Iterator[DescribedFiles]:
    with closing(DescribedFiles()) as said:
        yield said


def settle_all(plan: Plan, describing: Describing) -> None:
    for number in range(len(plan.tasks)):
        describing.settled(Settled(number, 0, CopyState.WRITTEN, None))
        describing.settled(Settled(number, 0, CopyState.VERIFIED, None, 1))
        describing.kept(number, 0)


def test_each_media_file_is_described_once_and_few_at_a_time(
    plan: Plan, said: DescribedFiles, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(describe, "AT_ONCE", 2)
    told: list[bytes] = []
    pool = Slow()
    describing = Describing(
        pool, tmp_path, plan, said, {b"D/C0003.MOV"}, lambda path, copy, what: told.append(path)
    )
    settle_all(plan, describing)
    assert len(pool.asked) == 2
    pool.answer_all()
    found = describing.results(Nobody().tick)
    expected = sorted(name.encode() for name in (*NAMES, "D/C0000.XML") if "C0003" not in name)
    assert list(found) == sorted(told) == expected
    assert pool.most == 2
    assert found[b"D/C0002.MOV"] == Described(Facts(container="C0002.MOV"))


def test_what_was_said_comes_back_as_it_was(said: DescribedFiles) -> None:
    facts = Facts(container="x", frames=2**62, drop_frame=False, more={"a": [1.5, None, {"ü": "\udcff"}]})
    noticed = (Noticed("a", NOTE, "ä", 1.25, "s", "r"), Noticed("b", FAULT, "", None))
    full = Described(facts, (StillTaken(0, "frame", 7, "a/b.jpg", 1, 2),), noticed)
    said.add(b"z\xff", full)
    said.add(b"a", Described(None))
    assert dict(said) == {b"a": Described(None), b"z\xff": full}
    assert b"z" not in said and said.get(b"z") is None


def test_a_pool_without_children_is_a_finding_of_each_file(
    plan: Plan, said: DescribedFiles, tmp_path: Path
) -> None:
    pool = Slow()
    describing = Describing(pool, tmp_path, plan, said)
    describing.kept(0, 0)
    pool.asked[0][1].set_exception(MediaError("no child"))
    (found,) = describing.results(Nobody().tick).values()
    assert found.facts is None and [one.code for one in found.noticed] == ["unreadable"]


def test_a_full_disk_ends_the_run_with_a_remedy(
    plan: Plan, said: DescribedFiles, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(self: DescribedFiles, path: bytes, described: Described) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(DescribedFiles, "add", full)
    pool = Slow()
    describing = Describing(pool, tmp_path, plan, said)
    settle_all(plan, describing)
    pool.answer_all()
    with pytest.raises(CatalogueError, match="No space left on device") as raised:
        describing.results(Nobody().tick)
    assert raised.value.remedy is not None and "TMPDIR" in raised.value.remedy
