"""The plan's rows: each edit is in the journal, and is taken back whole; on both databases."""

from __future__ import annotations

from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from shared.catalogue.editing import find_edit, undo
from shared.catalogue.moments import MomentEdit, make_moment, remove_moment
from shared.catalogue.plan import (
    answers_of,
    list_lines,
    list_wishes,
    put_answer,
    put_line,
    put_thresholds,
    put_wish,
    read_thresholds,
    remove_line,
    remove_wish,
)
from shared.catalogue.plan_kinds import PLAN_KINDS
from shared.catalogue.plan_values import find_wish, line_values, wish_values
from shared.catalogue.releases import RELEASE, list_releases, put_release, release_values
from shared.catalogue.rows import RowsEdit
from shared.catalogue.search import find_clip_ids
from shared.catalogue.wrap import read_plan_state, read_wrap
from shared.errors import ConflictError, NotFoundError, UsageError
from shared.models import AnswerState, Change, Clip, CopyState, Moment, Production, WantedShot
from shared.vocabulary import Vocabulary
from tests.factories import (
    make_camera,
    make_clip,
    make_copy,
    make_day,
    make_entry,
    make_file,
    make_finding,
    make_person,
    make_production,
    make_reel,
)


class Desk:
    """One person at a catalogue with two clips, a day and a camera."""

    def __init__(self, session: Session, vocabulary: Vocabulary) -> None:
        self.session, self.words, self.by = session, vocabulary, "ada"
        self.production: Production = make_production(session)
        make_day(session, self.production, number=1)
        make_camera(session, self.production, letter="A")
        reel = make_reel(session, self.production)
        self.clips: list[Clip] = [make_clip(session, reel, f"C{n:04}.MP4", frames=500) for n in range(2)]

    def edit(self, summary: str = "an edit") -> RowsEdit:
        return RowsEdit(self.session, self.production, self.by, summary)

    def wish(self, wish: WantedShot | None = None, **given: str) -> WantedShot:
        edit = self.edit()
        made = put_wish(edit, wish, wish_values(self.session, self.production, given, self.words))
        edit.close()
        return made

    def answer(self, wish: WantedShot, state: AnswerState = AnswerState.CONFIRMED, **shot: Any) -> None:
        edit = self.edit()
        put_answer(edit, wish, clip=shot.get("clip"), moment=shot.get("moment"), state=state)
        edit.close()

    def undo(self, number: int | None = None) -> None:
        edit = find_edit(self.session, self.production, self.by, number)
        undo(self.session, self.production, edit, self.words, self.by)

    def state(self) -> dict[str, Any]:
        """Every row of the plan as the journal would have it."""
        self.session.expire_all()
        return {
            kind.name: {
                row.id: kind.read(self.session, row) for row in self.session.scalars(select(kind.model))
            }
            for kind in (*PLAN_KINDS, RELEASE)
        }

    def find(self, query: str) -> list[int]:
        return find_clip_ids(self.session, self.production, query, self.words)


@pytest.fixture
def desk(session: Session, vocabulary: Vocabulary) -> Desk:
    return Desk(session, vocabulary)


def test_every_edit_is_taken_back_and_brought_again(desk: Desk) -> None:
    """A chain of edits of every kind; back one by one to nothing, and forward again to the same."""
    session, states = desk.session, [desk.state()]

    def note() -> None:
        states.append(desk.state())

    edit = desk.edit()
    line = put_line(edit, None, line_values({"text": "At dawn.", "beat": "Opening", "recorded": "2.5"}))
    edit.close()
    note()
    wish = desk.wish(
        what="Hands", need="must", who="Ada Wren, Nell", day="1", camera="A", line=line.code, size="cu"
    )
    note()
    desk.wish(wish, who="Nell", seconds="8", size="", note="wheel")
    note()
    desk.answer(wish, clip=desk.clips[0])
    note()
    desk.answer(wish, AnswerState.REFUSED, clip=desk.clips[0])
    note()
    edit = desk.edit()
    put_thresholds(edit, {"wish-seconds": 9, "copies": 3})
    edit.close()
    note()
    edit = desk.edit()
    put_thresholds(edit, {"wish-seconds": None})
    edit.close()
    note()
    edit = desk.edit()
    given = {
        "who": "Ada Wren",
        "signed": "2026-05-02",
        "clips": "C0001",
        "hide_face": "yes",
        "cut_downs": "no",
    }
    put_release(edit, None, release_values(session, desk.production, given))
    edit.close()
    note()
    edit = desk.edit()
    remove_line(edit, line)
    edit.close()
    note()
    edit = desk.edit()
    remove_wish(edit, wish)
    edit.close()
    note()
    assert len({repr(state) for state in states}) == len(states), "each edit changed something"

    for state in reversed(states[:-1]):
        desk.undo()
        assert desk.state() == state
    with pytest.raises(NotFoundError):
        desk.undo()
    undone = list(session.scalars(select(Change.set_id).distinct().order_by(Change.set_id.desc())))
    for number, state in zip(undone[: len(states) - 1], states[1:], strict=True):
        desk.undo(number)
        assert desk.state() == state


def test_a_moment_that_goes_takes_its_answer_along_and_comes_back_with_it(desk: Desk) -> None:
    moment = make_moment(
        desk.session, desk.clips[0], desk.production, MomentEdit(10, 60, "slip"), desk.words, desk.by
    )
    wish = desk.wish(what="The chain slips")
    desk.answer(wish, moment=moment)
    assert desk.find("wish:W1") == desk.find("has:wish") == [desk.clips[0].id]
    before, number = desk.state(), moment.id
    remove_moment(desk.session, moment, desk.production, desk.words, desk.by)
    assert desk.find("has:wish") == [] and answers_of(desk.session, [wish.id]) == []
    desk.undo()
    assert desk.state() == before and desk.session.get(Moment, number) is not None
    last = desk.session.scalar(select(Change.set_id).order_by(Change.set_id.desc()).limit(1))
    desk.undo(last)
    assert desk.find("has:wish") == []


def test_what_something_points_at_does_not_go(desk: Desk) -> None:
    wish = desk.wish(what="Hands")
    desk.answer(wish, clip=desk.clips[0])
    first = desk.session.scalar(select(Change.set_id).order_by(Change.set_id).limit(1))
    with pytest.raises(ConflictError, match="said to answer it"):
        desk.undo(first)
    desk.session.rollback()


def test_a_later_edit_stands_in_the_way_of_an_undo(desk: Desk) -> None:
    wish = desk.wish(what="Hands", seconds="5")
    desk.wish(wish, seconds="6")
    made = list(desk.session.scalars(select(Change.set_id).order_by(Change.id)))
    desk.wish(wish, seconds="7")
    with pytest.raises(ConflictError, match="wanted shot 1 changed since"):
        undo(
            desk.session,
            desk.production,
            find_edit(desk.session, desk.production, "ada", made[1]),
            desk.words,
            "ada",
        )


def test_what_was_removed_comes_back_beside_what_was_made_since(desk: Desk) -> None:
    """Neither its id nor its number is given to another one."""
    one = desk.wish(what="a")
    edit = desk.edit()
    remove_wish(edit, one)
    done = edit.close()
    assert done is not None and desk.wish(what="b").code == "W2"
    desk.undo(done.id)
    assert [(w.code, w.what) for w in list_wishes(desk.session, desk.production)] == [
        ("W1", "a"),
        ("W2", "b"),
    ]
    edit = desk.edit()
    remove_wish(edit, desk.session.get_one(WantedShot, one.id))
    done = edit.close()
    desk.wish(what="c", code="w1")
    assert done is not None
    with pytest.raises(ConflictError, match="W1 is there already"):
        desk.undo(done.id)


def test_codes_count_on_and_are_one_each(desk: Desk) -> None:
    assert [desk.wish(what="a").code, desk.wish(what="b").code, desk.wish(what="c", code="hands-1").code] == [
        "W1", "W2", "hands-1",
    ]  # fmt: skip
    with pytest.raises(ConflictError, match="w2 is there already"):
        desk.wish(what="d", code="w2")
    assert desk.wish(what="e", code="W41").code == "W41" and desk.wish(what="f").code == "W42"
    assert find_wish(desk.session, desk.production, "HANDS-1").what == "c"
    assert find_wish(desk.session, desk.production, "B").code == "W2"
    with pytest.raises(NotFoundError):
        find_wish(desk.session, desk.production, "W7")
    assert [one.code for one in list_wishes(desk.session, desk.production)][:3] == ["W1", "W2", "hands-1"]
    assert list_lines(desk.session, desk.production) == []


@pytest.mark.parametrize(
    "given",
    [
        {"need": "perhaps"}, {"origin": "dream"}, {"seconds": "0"}, {"seconds": "1.5"}, {"day": "x"},
        {"camera": "Q"}, {"size": "huge"}, {"what": " "}, {"code": "1"}, {"who": '"Ada'}, {"note": "\x00"},
        {"note": "x" * 20_001},
    ],
)  # fmt: skip
def test_what_can_not_be_is_refused_with_a_remedy(desk: Desk, given: dict[str, str]) -> None:
    with pytest.raises(UsageError) as caught:
        wish_values(desk.session, desk.production, given, desk.words)
    assert caught.value.remedy


def test_thresholds_are_the_productions_and_within_bounds(desk: Desk) -> None:
    edit = desk.edit()
    put_thresholds(edit, {"wish-seconds": 9})
    assert read_thresholds(desk.session, desk.production)["wish-seconds"] == 9
    for name, value in (("wish-second", 9), ("wish-seconds", 0), ("pace", 1000)):
        with pytest.raises(UsageError):
            put_thresholds(edit, {name: value})


def test_a_release_is_asked_for_by_query(desk: Desk) -> None:
    """`has:release`: somebody is named, and all of them are cleared today."""
    session, production = desk.session, desk.production
    ada, nell = make_person(session, production, "Ada Wren"), make_person(session, production, "Nell")
    one, other = desk.clips
    make_entry(session, one, people=[ada])
    make_entry(session, other, people=[ada, nell])
    session.flush()
    assert desk.find("has:release") == [] and desk.find("has:person no:release") == [one.id, other.id]
    edit = desk.edit()
    signed = {"signed": "2026-05-02"}
    first = put_release(edit, None, release_values(session, production, {"who": "Ada Wren", **signed}))
    assert desk.find("has:release") == [one.id]
    put_release(
        edit, None, release_values(session, production, {"who": "Nell", **signed, "until": "2026-05-03"})
    )
    assert desk.find("has:release") == [one.id], "the other has come to its end"
    put_release(edit, None, release_values(session, production, {"who": "Nell", **signed}))
    assert desk.find("has:release") == [one.id, other.id]
    mural = {"kind": "work", "who": "Mural", "clips": one.name}
    work = put_release(edit, None, release_values(session, production, mural))
    assert desk.find("has:release") == [other.id]
    put_release(edit, work, release_values(session, production, signed, work))
    put_release(edit, first, release_values(session, production, {"withdrawn": "2026-06-01"}, first))
    assert desk.find("has:release") == []
    assert len(list_releases(session, production)) == 4
    edit.close()


def test_the_wrap_report_is_the_same_on_both(desk: Desk) -> None:
    """Its statements count copies by conditions, which the databases write differently."""
    day = desk.production.days[0]
    for clip in desk.clips:
        clip.day_id = day.id
        clip.reel.day_id = day.id
    one, other = (clip.files[0].file for clip in desk.clips)
    for _ in range(2):
        make_copy(desk.session, one)
    make_copy(desk.session, other, state=CopyState.DIFFERS)
    make_file(desk.session, desk.clips[0].reel, "C0009.MP4", digest=None, problem="input/output error")
    make_finding(desk.session, desk.clips[0], in_frame=0, out_frame=100)
    make_entry(
        desk.session, desk.clips[0], kind="b-roll", people=[make_person(desk.session, desk.production)]
    )
    desk.wish(what="Hands", need="must", day="1")
    desk.session.flush()
    report = read_wrap(desk.session, desk.production, 1)
    assert [(line.code, line.number) for line in report.lines] == [
        ("card-not-read", 1), ("copies", 1), ("copies-differ", 1), ("must-missing", 0),
        ("release-missing", 1), ("unlogged", 1), ("unrated", 1), ("noticed", 1),
    ]  # fmt: skip
    (cell, _) = read_plan_state(desk.session, desk.production).coverage.cells
    assert (cell.kind, int(cell.seconds), int(cell.usable)) == ("", 20, 20)
