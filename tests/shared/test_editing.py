"""Edits and their journal: everything is written down, and taken back whole or not at all."""

from __future__ import annotations

import random
from typing import Any

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from shared.catalogue.editing import edit_clips, find_edit, undo
from shared.catalogue.journal import read_values
from shared.catalogue.log import parse_assignments
from shared.catalogue.moments import (
    MomentEdit,
    change_moment,
    list_moments,
    make_moment,
    moment_values,
    remove_moment,
)
from shared.catalogue.search import find_clip_ids
from shared.errors import ConflictError, NotFoundError, UsageError
from shared.models import Change, ChangeSet, Clip, ClipMedia, LogEntry, Moment, Production
from shared.vocabulary import Vocabulary, load_vocabulary
from tests.factories import make_camera, make_clip, make_day, make_lens, make_reel

WORDS = load_vocabulary()
FIELDS = ("kind", "size", "note", "subject", "tag", "person", "camera", "lens", "day")


@pytest.fixture
def clips(session: Session, production: Production) -> list[Clip]:
    day = make_day(session, production, number=1)
    make_day(session, production, number=2)
    for letter in "AB":
        make_camera(session, production, letter=letter)
    for name in ("50 mm", "85 mm"):
        make_lens(session, production, name=name)
    reel = make_reel(session, production, day_id=day.id)
    return [make_clip(session, reel, f"C{n:04d}.MOV", frames=500, day_id=day.id) for n in range(5)]


class Desk:
    """One person at a catalogue."""

    def __init__(self, session: Session, production: Production, by: str = "ada") -> None:
        self.session, self.production, self.by = session, production, by

    def log(self, clips: list[Clip], *assignments: str, words: Vocabulary = WORDS) -> ChangeSet | None:
        changes = parse_assignments(assignments, words)
        ids = [clip.id for clip in clips]
        return edit_clips(self.session, self.production, ids, changes, words, self.by)[1]

    def undo(self, number: int | None = None) -> ChangeSet:
        edit = find_edit(self.session, self.production, self.by, number)
        return undo(self.session, self.production, edit, WORDS, self.by)

    def state(self, clips: list[Clip]) -> dict[int, dict[str, Any]]:
        self.session.flush()
        return read_values(self.session, [clip.id for clip in clips], FIELDS)


@pytest.fixture
def desk(session: Session, production: Production) -> Desk:
    return Desk(session, production)


def test_an_edit_says_who_when_from_what_and_to_what(desk: Desk, clips: list[Clip]) -> None:
    desk.log(clips[:1], "kind=interview")
    edit = desk.log(clips[:3], "kind=b-roll", "tag=ferry,winch")
    assert edit is not None
    assert (edit.author, edit.summary, edit.undoes_id) == ("ada", "kind=b-roll tag=ferry, winch", None)
    assert [(c.subject_id, c.before, c.after) for c in edit.changes] == [
        (clips[0].id, {"kind": "interview", "tag": []}, {"kind": "b-roll", "tag": ["ferry", "winch"]}),
        (clips[1].id, {"kind": None, "tag": []}, {"kind": "b-roll", "tag": ["ferry", "winch"]}),
        (clips[2].id, {"kind": None, "tag": []}, {"kind": "b-roll", "tag": ["ferry", "winch"]}),
    ]


def test_what_changes_nothing_is_not_written_down(desk: Desk, clips: list[Clip]) -> None:
    assert desk.log(clips, "kind=b-roll") is not None
    assert desk.log(clips, "kind=b-roll") is None
    edit = desk.log(clips, "kind=b-roll", "size=cu")
    assert edit is not None and all(change.after == {"size": "cu"} for change in edit.changes)


def test_an_undo_brings_every_field_back(desk: Desk, clips: list[Clip], session: Session) -> None:
    desk.log(clips[:2], "kind=interview", "note=first", "tag=a", "person=Ada Wren", "lens=50 mm", "camera=A")
    desk.log(clips[2:3], "day=2")
    before = desk.state(clips)
    desk.log(clips, "kind=b-roll", "note=", "tag+=b", "person=", "lens=85 mm", "camera=B", "day=2")
    assert desk.state(clips) != before
    versions = dict(session.execute(select(LogEntry.clip_id, LogEntry.version)).all())
    done = desk.undo()
    assert desk.state(clips) == before
    assert done.summary.startswith(f"undo {done.undoes_id}: kind=b-roll")
    later = dict(session.execute(select(LogEntry.clip_id, LogEntry.version)).all())
    assert all(later[key] > version for key, version in versions.items()), "an undo is an edit too"


def test_words_are_found_as_they_stand_after_an_undo(
    desk: Desk, clips: list[Clip], session: Session, production: Production
) -> None:
    desk.log(clips, "note=the winch groans")
    assert len(find_clip_ids(session, production, "groans", WORDS)) == 5
    desk.undo()
    assert find_clip_ids(session, production, "groans", WORDS) == []


def test_undo_after_undo_goes_back_further_and_an_undo_can_be_undone(desk: Desk, clips: list[Clip]) -> None:
    states = [desk.state(clips)]
    for kind in ("interview", "b-roll", "insert"):
        desk.log(clips, f"kind={kind}")
        states.append(desk.state(clips))
    last = desk.undo()
    assert desk.state(clips) == states[2]
    desk.undo()
    assert desk.state(clips) == states[1]
    with pytest.raises(ConflictError, match="was taken back by edit"):
        desk.undo(last.undoes_id)
    desk.log(clips, "kind=")
    desk.undo()
    assert desk.state(clips) == states[1]


def test_what_was_brought_back_can_be_taken_back_again(desk: Desk, clips: list[Clip]) -> None:
    before = desk.state(clips)
    edit = desk.log(clips, "kind=interview")
    assert edit is not None
    after = desk.state(clips)
    for _ in range(2):
        taken = desk.undo()
        assert desk.state(clips) == before
        desk.undo(taken.id)  # brings it back
        assert desk.state(clips) == after
    desk.undo(edit.id)
    assert desk.state(clips) == before
    with pytest.raises(NotFoundError, match="no edit of ada"):
        desk.undo()


def test_nobody_takes_back_what_was_changed_since(
    desk: Desk, clips: list[Clip], session: Session, production: Production
) -> None:
    edit = desk.log(clips, "kind=interview", "size=cu")
    assert edit is not None
    other = Desk(session, production, "ben")
    other.log(clips[1:2], "size=mcu")
    state = desk.state(clips)
    with pytest.raises(ConflictError, match=r"C0001.*\(size\) changed since") as caught:
        desk.undo()
    assert "kind" not in caught.value.message
    session.expire_all()
    assert desk.state(clips) == state, "whole or not at all"
    other.undo()
    desk.undo()
    assert all(values["kind"] is None for values in desk.state(clips).values())


def test_each_takes_back_their_own_last_edit(
    desk: Desk, clips: list[Clip], session: Session, production: Production
) -> None:
    desk.log(clips, "kind=interview")
    Desk(session, production, "ben").log(clips, "size=cu")
    desk.undo()
    assert {(v["kind"], v["size"]) for v in desk.state(clips).values()} == {(None, "cu")}
    with pytest.raises(NotFoundError):
        Desk(session, production, "cleo").undo()


def test_random_edits_are_undone_one_by_one(desk: Desk, clips: list[Clip]) -> None:
    chance = random.Random(5)
    texts = ["kind=interview", "kind=", "size=cu", "note=a b", "note=", "tag=x", "tag+=y", "tag="]
    others = ["person=Ada Wren", "camera=A", "camera=B", "lens=50 mm", "lens=", "day=1", "day=2"]
    states = [desk.state(clips)]
    for _ in range(25):
        picked = chance.sample(clips, chance.randint(1, 5))
        if desk.log(picked, chance.choice(texts + others)) is not None:
            states.append(desk.state(clips))
    assert len(states) > 10
    while len(states) > 1:
        states.pop()
        desk.undo()
        now = desk.state(clips)
        # A day that nobody gave by hand is the day of the clip's time, then as before.
        assert now == states[-1]


# --- moments ----------------------------------------------------------------------------------------------


def mark(desk: Desk, clip: Clip, first: int, end: int, name: str = "", *fields: str) -> Moment:
    changes = parse_assignments(fields, WORDS) if fields else ()
    edit = MomentEdit(first, end, name, changes)
    return make_moment(desk.session, clip, desk.production, edit, WORDS, desk.by)


def test_a_moment_is_made_changed_removed_and_each_taken_back(desk: Desk, clips: list[Clip]) -> None:
    moment = mark(desk, clips[0], 10, 60, "the chain slips", "note=groans", "tag=winch")
    number, made = moment.id, moment_values(desk.session, moment)
    assert made == {
        "clip_id": clips[0].id,
        "in": 10,
        "out": 60,
        "name": "the chain slips",
        "log": {"note": "groans", "tag": ["winch"]},
    }
    change_moment(
        desk.session,
        moment,
        desk.production,
        MomentEdit(out_frame=80, changes=parse_assignments(["tag=", "kind=insert"], WORDS)),
        WORDS,
        desk.by,
    )
    changed = moment_values(desk.session, moment)
    assert (changed["out"], changed["log"]) == (80, {"note": "groans", "kind": "insert"})
    remove_moment(desk.session, moment, desk.production, WORDS, desk.by)
    assert list_moments(desk.session, clips[0]) == []
    assert desk.session.scalar(select(func.count()).select_from(LogEntry)) == 0
    desk.undo()
    ((back, _),) = list_moments(desk.session, clips[0])
    assert back.id == number and moment_values(desk.session, back) == changed
    desk.undo()
    assert moment_values(desk.session, back) == made
    desk.undo()
    assert list_moments(desk.session, clips[0]) == []


def test_a_moments_words_find_its_clip(desk: Desk, clips: list[Clip]) -> None:
    moment = mark(desk, clips[3], 0, 5, "", "note=heron lands")
    assert find_clip_ids(desk.session, desk.production, "heron", WORDS) == [clips[3].id]
    remove_moment(desk.session, moment, desk.production, WORDS, desk.by)
    assert find_clip_ids(desk.session, desk.production, "heron", WORDS) == []
    desk.undo()
    assert find_clip_ids(desk.session, desk.production, "heron", WORDS) == [clips[3].id]


@pytest.mark.parametrize(("first", "end"), [(5, 5), (6, 5), (-1, 5), (0, 501)])
def test_a_range_that_is_none_is_refused(desk: Desk, clips: list[Clip], first: int, end: int) -> None:
    with pytest.raises(UsageError) as caught:
        mark(desk, clips[0], first, end)
    assert caught.value.path == clips[0].name


def test_a_moment_has_no_camera_and_a_photograph_no_moment(desk: Desk, clips: list[Clip]) -> None:
    with pytest.raises(UsageError, match="no camera of its own"):
        mark(desk, clips[0], 0, 5, "", "camera=A")
    clips[1].media = ClipMedia.IMAGE
    with pytest.raises(UsageError, match="photograph"):
        mark(desk, clips[1], 0, 1)


def test_a_moment_changed_since_is_not_taken_back(desk: Desk, clips: list[Clip]) -> None:
    moment = mark(desk, clips[0], 0, 5)
    first = desk.session.scalar(select(func.max(ChangeSet.id)))
    change_moment(desk.session, moment, desk.production, MomentEdit(out_frame=9), WORDS, desk.by)
    with pytest.raises(ConflictError, match="changed since"):
        desk.undo(first)
    assert desk.session.scalar(select(func.count()).select_from(Change)) == 2
