"""Outlines in the catalogue: every edit is in the journal and taken back whole; on both databases."""

from __future__ import annotations

from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from shared.catalogue.editing import find_edit, undo
from shared.catalogue.outline_kinds import OUTLINE_KINDS
from shared.catalogue.outline_rows import OutlineState, read_curves, read_outline_state
from shared.catalogue.outline_values import Range, cover_values, cue_ranges, parts_for, plain_values
from shared.catalogue.outlines import (
    add_item,
    change_item,
    change_outline,
    check_quote,
    compare_versions,
    find_outline,
    find_version,
    item_at,
    items_of,
    keep_version,
    list_outlines,
    make_outline,
    move_item,
    remove_item,
    remove_outline,
    return_to,
)
from shared.catalogue.plan import put_line, remove_line
from shared.catalogue.plan_values import line_values
from shared.catalogue.rows import RowsEdit
from shared.errors import ConflictError, NotFoundError, UsageError
from shared.models import (
    Change,
    ChangeSet,
    Clip,
    ClipCue,
    ClipMedia,
    ClipTranscript,
    ItemKind,
    MeasureKind,
    Measurement,
    NarrationLine,
    Outline,
    OutlineItem,
    TranscriptOrigin,
)
from shared.models.measures import READ_VERSIONS
from shared.outline.shape import Curve
from shared.vocabulary import Vocabulary
from tests.factories import (
    make_clip,
    make_copy,
    make_entry,
    make_facts,
    make_person,
    make_production,
    make_reel,
)

SAID = (("The river decides,", 0, 50), ("not the timetable.", 50, 90), ("We wait.", 120, 160))


class Desk:
    """A production at 25 frames a second with an interview in words, a clip at 50, and a narration line."""

    def __init__(self, session: Session, vocabulary: Vocabulary) -> None:
        self.session, self.words, self.by = session, vocabulary, "ada"
        self.production = make_production(session)
        reel = make_reel(session, self.production)
        self.talk = make_clip(session, reel, "C0001.MP4", frames=500, start_frame=90_000)
        self.fast = make_clip(session, reel, "C0002.MP4", frames=1000, rate_num=50)
        self.ada = make_person(session, self.production, "Ada Wren")
        make_entry(session, self.talk, people=[self.ada], kind="interview")
        transcript = ClipTranscript(clip_id=self.talk.id, origin=TranscriptOrigin.IMPORTED)
        session.add(transcript)
        session.flush()
        self.cues = [
            ClipCue(
                transcript_id=transcript.id, clip_id=self.talk.id, start_frame=first, end_frame=end,
                start_us=first * 40_000, end_us=end * 40_000, text=text, person_id=self.ada.id,
            )
            for text, first, end in SAID
        ]  # fmt: skip
        session.add_all(self.cues)
        session.flush()
        edit = self.edit()
        self.line: NarrationLine = put_line(edit, None, line_values({"text": "At dawn the ferry goes."}))
        edit.close()

    def edit(self, summary: str = "an edit") -> RowsEdit:
        return RowsEdit(self.session, self.production, self.by, summary)

    def make(self, name: str = "The film", target: int | None = None) -> Outline:
        edit = self.edit()
        made = make_outline(edit, name, target)
        edit.close()
        return made

    def add(
        self, outline: Outline, kind: ItemKind, *ranges: Range, place: int | None = None, **values: Any
    ) -> OutlineItem:
        edit = self.edit()
        given = dict(values)
        if ranges:
            given["parts"] = parts_for(self.session, kind, ranges)
        made = add_item(edit, outline, kind, given, place)
        edit.close()
        return made

    def quote(self, outline: Outline, *cues: int) -> OutlineItem:
        ranges = cue_ranges(self.session, self.production, [self.cues[n].id for n in cues])
        return self.add(outline, ItemKind.QUOTE, *ranges)

    def undo(self) -> None:
        edit = find_edit(self.session, self.production, self.by, None)
        undo(self.session, self.production, edit, self.words, self.by)

    def read(self, outline: Outline) -> OutlineState:
        self.session.flush()
        self.session.expire_all()
        return read_outline_state(self.session, self.production, outline)

    def state(self) -> dict[str, Any]:
        """Every row of every outline as the journal would have it."""
        self.session.expire_all()
        return {
            kind.name: {
                row.id: kind.read(self.session, row) for row in self.session.scalars(select(kind.model))
            }
            for kind in OUTLINE_KINDS
        }


@pytest.fixture
def desk(session: Session, vocabulary: Vocabulary) -> Desk:
    return Desk(session, vocabulary)


def test_every_edit_is_taken_back_and_brought_again(desk: Desk) -> None:
    """A chain of edits of every kind; back one by one to nothing, and forward again to the same."""
    session, states = desk.session, [desk.state()]

    def note() -> None:
        states.append(desk.state())

    outline = desk.make(target=60)
    note()
    quote = desk.quote(outline, 0, 2)
    note()
    desk.add(outline, ItemKind.NARRATION, line=desk.line.code)
    note()
    title = desk.add(outline, ItemKind.TITLE, place=1, **plain_values(name="1932", seconds="2.5"))
    note()
    for change in (
        lambda edit: move_item(edit, title, 3),
        lambda edit: change_item(edit, quote, {"covers": [cover_values(Range(desk.fast, 0, 60), 10)]}),
        lambda edit: check_quote(edit, quote),
        lambda edit: keep_version(edit, outline, "first"),
        lambda edit: change_outline(edit, outline, {"name": "The short film", "target_seconds": None}),
        lambda edit: remove_item(edit, title),
        lambda edit: return_to(edit, outline, find_version(session, outline, "First")),
        lambda edit: remove_outline(edit, outline),
    ):
        edit = desk.edit()
        change(edit)
        assert edit.close() is not None
        note()
    assert states[-1] == states[0]
    for before in reversed(states[:-1]):
        desk.undo()
        assert desk.state() == before
    # And forward: an undo is an edit too, by somebody else here so that it is not the last of this author.
    back = list(
        session.scalars(select(ChangeSet).where(ChangeSet.undoes_id.is_not(None)).order_by(ChangeSet.id))
    )
    for undone, after in zip(reversed(back), states[1:], strict=True):
        undo(session, desk.production, undone, desk.words, "nell")
        assert desk.state() == after


def test_moving_an_item_writes_one_row(desk: Desk) -> None:
    outline = desk.make()
    items = [desk.add(outline, ItemKind.TITLE, **plain_values(name=f"t{n}", seconds=1)) for n in range(6)]
    for item, place, order in (
        (5, 1, [5, 0, 1, 2, 3, 4]),
        (0, 4, [5, 1, 2, 0, 3, 4]),
        (4, 99, [5, 1, 2, 0, 3, 4]),
        (3, 2, [5, 3, 1, 2, 0, 4]),
    ):
        edit = desk.edit()
        move_item(edit, items[item], place)
        made = edit.close()
        assert [one.id for one in items_of(desk.session, outline)] == [items[n].id for n in order]
        written = desk.session.scalars(select(Change).where(Change.set_id == made.id)).all() if made else []
        assert [(one.subject_id, list(one.after or {})) for one in written] == (
            [(items[item].id, ["rank"])] if made else []
        )


def test_a_quote_keeps_its_words_and_shows_a_correction(desk: Desk) -> None:
    outline = desk.make()
    item = desk.quote(outline, 0, 1)
    (part,) = item.parts
    assert (part.in_frame, part.out_frame, part.speaker) == (0, 90, "Ada Wren")
    assert part.words == "The river decides, not the timetable."
    codes = {one.code for one in desk.read(outline).judgement.notices}
    assert codes == {"uncleared", "unsafe"}, "no copy, no release, and the words as they were"
    desk.cues[1].text = "not the table."
    (notice,) = [one for one in desk.read(outline).judgement.notices if one.code == "words-changed"]
    assert "now “The river decides, not the table.”" in notice.text
    desk.cues[1].text = "not   the timetable."
    assert "words-changed" not in {one.code for one in desk.read(outline).judgement.notices}, "only blanks"


def test_cues_apart_are_stitched_and_a_change_is_checked_anew(desk: Desk) -> None:
    outline = desk.make()
    item = desk.quote(outline, 2, 0)
    assert [(part.in_frame, part.out_frame) for part in item.parts] == [(0, 50), (120, 160)]
    edit = desk.edit()
    check_quote(edit, item)
    edit.close()
    assert (item.checked_by, item.checked_at is not None) == ("ada", True)
    assert "stitched" not in {one.code for one in desk.read(outline).judgement.notices}
    edit = desk.edit()
    change_item(edit, item, {"note": "softly"})
    assert item.checked_by == "ada", "what it says is the same"
    ranges = [Range(desk.talk, 0, 40), Range(desk.talk, 120, 160)]
    change_item(edit, item, {"parts": parts_for(desk.session, ItemKind.QUOTE, ranges)})
    edit.close()
    assert (item.checked_by, item.checked_at) == ("", None)


def test_what_can_be_an_item_is_checked(desk: Desk) -> None:
    outline, edit = desk.make(), desk.edit()
    for kind, values in (
        (ItemKind.QUOTE, {}),
        (ItemKind.NARRATION, {}),
        (ItemKind.MUSIC, {"name": "Strings"}),
        (ItemKind.TITLE, {"length_ms": 1000}),
    ):
        with pytest.raises(UsageError):
            add_item(edit, outline, kind, values)
    photograph = make_clip(desk.session, desk.talk.reel, "P.JPG", media=ClipMedia.IMAGE, rate_num=None)
    for one in (Range(photograph), Range(desk.talk, 0, 501), Range(desk.talk, 9, 9), Range(desk.talk, -1, 5)):
        with pytest.raises(UsageError):
            parts_for(desk.session, ItemKind.SCENE, [one])
    with pytest.raises(NotFoundError):
        item_at(desk.session, outline, 1)
    with pytest.raises(ConflictError, match="already"):
        desk.make("the FILM")


def test_a_narration_line_stays_while_it_stands_in_an_outline(desk: Desk) -> None:
    outline = desk.make()
    desk.add(outline, ItemKind.NARRATION, line=desk.line.code)
    with pytest.raises(ConflictError, match="stands in the outline The film"):
        remove_line(desk.edit(), desk.line)


def test_versions_are_compared_with_what_stands(desk: Desk) -> None:
    outline = desk.make()
    first, second = desk.quote(outline, 0), desk.add(outline, ItemKind.SCENE, Range(desk.fast, 0, 100))
    edit = desk.edit()
    keep_version(edit, outline, "rough")
    move_item(edit, second, 1)
    change_item(edit, first, {"parts": parts_for(desk.session, ItemKind.QUOTE, [Range(desk.talk, 0, 40)])})
    edit.close()
    found = compare_versions(desk.session, desk.production, outline, "rough", "now")
    assert [(one.what, one.item) for one in found.changes] == [("moved", second.id), ("trimmed", first.id)]
    assert found.frames == -10
    same = compare_versions(desk.session, desk.production, outline, "rough", "ROUGH")
    assert (same.changes, same.frames) == ((), 0)
    with pytest.raises(NotFoundError, match="no version"):
        compare_versions(desk.session, desk.production, outline, "gone", "now")


def test_an_outline_is_found_by_name_number_or_as_the_latest(desk: Desk) -> None:
    with pytest.raises(NotFoundError, match="no outline yet"):
        find_outline(desk.session, desk.production, None)
    film, short = desk.make("The film"), desk.make("A cut-down")
    assert find_outline(desk.session, desk.production, None) is short
    assert find_outline(desk.session, desk.production, "the FILM") is film
    assert find_outline(desk.session, desk.production, str(film.id)) is film
    assert list_outlines(desk.session, desk.production) == [film, short]


def test_footage_is_judged_by_its_copies_and_heard_by_its_measures(desk: Desk) -> None:
    file = desk.talk.files[0].file
    for _ in range(2):
        make_copy(desk.session, file)
    make_facts(desk.session, file, frames=500)
    channels = [{"curve_seconds": 1.0, "rms_curve": levels} for levels in ([-30] * 20, [-50, -9])]
    desk.session.add(
        Measurement(
            file_id=file.id,
            kind=MeasureKind.SOUND,
            version=READ_VERSIONS[MeasureKind.SOUND],
            numbers={"channels": channels},
        )
    )
    outline = desk.make()
    desk.quote(outline, 0)
    state = desk.read(outline)
    assert "unsafe" not in {one.code for one in state.judgement.notices}
    curve = read_curves(desk.session, state.layout.outline.sources.values())[desk.talk.id]
    assert curve == Curve(1.0, [-30, -9, *[-30] * 18])
    assert [one.db for one in state.shape.levels] == [-30, -9]
    assert isinstance(desk.talk, Clip)
