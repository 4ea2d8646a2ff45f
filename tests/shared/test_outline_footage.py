"""What is read of a log for an outline: the clips it names, and as many cutaways as are asked for.

The oracle for clips is the reading of the whole production, by which the plan is judged; that for cutaways is
counting those that were made.
"""

from __future__ import annotations

import pytest
from sqlalchemy.orm import Session

from shared.catalogue.outline_rows import Footage, read_contents, read_outline_state
from shared.catalogue.outline_values import Range
from shared.catalogue.plan_rows import read_takes
from shared.models import Clip, ItemKind, LogEntry, Moment
from shared.outline.judge import JumpCuts
from shared.vocabulary import Vocabulary
from tests.factories import make_clip, make_entry, make_finding, make_production, make_reel, make_tag
from tests.shared.test_outlines import Desk


@pytest.fixture
def desk(session: Session, vocabulary: Vocabulary) -> Desk:
    return Desk(session, vocabulary)


def make_cutaways(desk: Desk, count: int) -> list[Clip]:
    clips = [
        make_clip(desk.session, desk.talk.reel, f"B{number:04}.MP4", frames=100) for number in range(count)
    ]
    for clip in clips:
        make_entry(desk.session, clip, kind="b-roll", rating="good")
    return clips


def test_some_clips_are_read_as_they_are_among_all(desk: Desk) -> None:
    session = desk.session
    tag = make_tag(session, desk.production, "ferry")
    first, second = make_cutaways(desk, 2)
    make_finding(session, second, message="soft")
    moment = Moment(clip_id=second.id, in_frame=10, out_frame=40, name="the chain")
    session.add(moment)
    session.flush()
    session.add(LogEntry(moment_id=moment.id, kind="insert", tags=[tag], people=[desk.ada]))
    make_entry(session, desk.fast, tags=[tag])
    elsewhere = make_clip(session, make_reel(session, make_production(session)), "X.MP4")
    session.flush()
    whole = read_takes(session, desk.production)
    wanted = {desk.talk.id, second.id, desk.fast.id}
    found = read_takes(session, desk.production, [*wanted, elsewhere.id, 999_999])
    assert found == [one for one in whole if one.id in wanted] and len(found) == 3
    assert first.id in {one.id for one in whole}
    assert read_takes(session, desk.production, []) == []


def test_jump_cuts_are_counted_against_as_many_cutaways_as_are_read(desk: Desk) -> None:
    """A clip of cutaways that stands in the outline is none of those left; four seconds are 100 frames."""
    row = desk.make()
    clips = make_cutaways(desk, 5)

    def counted(cutaways: int | None) -> JumpCuts:
        return read_outline_state(desk.session, desk.production, row, cutaways=cutaways).judgement.jump_cuts

    desk.add(row, ItemKind.SCENE, Range(desk.talk, 0, 50))
    desk.add(row, ItemKind.SCENE, Range(clips[0], 0, 50))
    assert counted(3) == JumpCuts((), 0, counted(3).seconds), "nothing to count against"
    desk.add(row, ItemKind.SCENE, Range(desk.talk, 0, 50))
    desk.add(row, ItemKind.SCENE, Range(desk.talk, 100, 150))
    assert (counted(None).cutaways, counted(None).more) == (4, False)
    assert counted(None).seconds == 16
    assert (counted(3).cutaways, counted(3).more) == (2, True), "one of the three is used"
    assert (counted(5).cutaways, counted(5).more) == (4, False)
    assert len(counted(3).joins) == 1


def test_only_clips_that_are_named_are_read_and_each_once(desk: Desk) -> None:
    row = desk.make()
    make_cutaways(desk, 5)
    desk.add(row, ItemKind.SCENE, Range(desk.talk, 0, 50))
    desk.add(row, ItemKind.SCENE, Range(desk.talk, 100, 150))
    footage = Footage(desk.session, desk.production)
    footage.outline(row, read_contents(desk.session, row))
    assert set(footage.takes) == {desk.talk.id}
    take = footage.takes[desk.talk.id]
    desk.add(row, ItemKind.SCENE, Range(desk.fast, 0, 50))
    footage.outline(row, read_contents(desk.session, row))
    assert set(footage.takes) == {desk.talk.id, desk.fast.id} and footage.takes[desk.talk.id] is take
