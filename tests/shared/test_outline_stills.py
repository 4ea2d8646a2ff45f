"""Photographs in an outline: how long they stand, and what the rules say of them.

Lengths are arithmetic: seconds times the edit rate, to the nearest whole frame, as for a title. How long a
photograph usually stands is common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from typing import Any

import pytest
from sqlalchemy.orm import Session

from shared.catalogue.editing import undo
from shared.catalogue.outline_rows import read_outline_state
from shared.catalogue.outline_values import Range, cover_values, parts_for, range_of
from shared.catalogue.outlines import add_item, change_item, compare_versions, keep_version, trim_item
from shared.catalogue.plan import put_thresholds
from shared.errors import UsageError
from shared.models import Clip, ClipMedia, ItemKind
from shared.outline.judge import Around, judge
from shared.outline.model import Item, Source
from shared.outline.running import Known, Layout, lay_out, picture_cuts
from shared.outline.shape import shape_of
from shared.plan.pieces import Said, piece_of
from shared.plan.thresholds import Thresholds
from shared.timecode import Rate
from shared.vocabulary import Vocabulary
from tests.factories import make_clip
from tests.shared.outline_cases import cover, outline, scene, source
from tests.shared.test_outlines import Desk


def photograph(key: int, **values: Any) -> Source:
    made = source(key, media=ClipMedia.IMAGE, **values)
    return replace(made, take=replace(made.take, per_second=None, frames=None))


@pytest.mark.parametrize(
    ("milliseconds", "rate", "frames"),
    [
        (4000, Rate(25), 100),
        (2500, Rate(25), 63),  # 62.5: the nearest, a half up, as a title has it
        (1, Rate(25), 1),  # never nothing
        (4000, Rate(24000, 1001), 96),  # 95.904
        (4000, Rate(30000, 1001), 120),  # 119.88
    ],
)
def test_a_photograph_stands_for_the_seconds_that_were_said(
    milliseconds: int, rate: Rate, frames: int
) -> None:
    item = scene(1, 1, 0, milliseconds)
    layout = lay_out(outline(item, scene(2, 2, 0, 50), rate=rate, sources=(photograph(1),)))
    one = layout.placed[0]
    assert (one.frames, one.known) == (frames, Known.SET)
    assert layout.placed[1].start == frames
    (segment,) = one.segments
    assert (segment.first, segment.end, segment.source_frame(frames - 1)) == (0, 1, 0), "one frame, held"


def laid(*items: Item, sources: tuple[Source, ...]) -> Layout:
    return lay_out(outline(*items, sources=sources))


def test_a_photograph_as_cover_and_below_cover() -> None:
    """A second of cover over three seconds; the photograph goes on behind it."""
    below = scene(1, 1, 0, 3000, covers=(cover(2, 0, 25, 25),))
    above = scene(2, 3, 0, 75, covers=(cover(1, 0, 1000, 50),))
    layout = laid(below, above, sources=(photograph(1),))
    found = [(cut.start, cut.frames, cut.segment and cut.segment.clip) for cut in picture_cuts(layout)]
    assert found == [(0, 25, 1), (25, 25, 2), (50, 25, 1), (75, 50, 3), (125, 25, 1)]
    shape = shape_of(layout, {}, Thresholds({}))
    assert sum(one.frames for one in shape.cuts) == 150
    late = laid(scene(1, 3, 0, 75, covers=(cover(1, 0, 2000, 50),)), sources=(photograph(1),))
    (notice,) = judge(late, Around()).notices
    assert notice.code == "cover-too-long" and "runs 25 edit frames past" in notice.text


def test_a_photograph_does_not_jump_and_is_named_without_frames() -> None:
    same: dict[str, Any] = {"camera": "A", "said": Said(kind="b-roll", people=("Ada Wren",))}
    sources = (photograph(1, name="A001/P1.JPG", unproven=1, **same), source(2, **same))
    layout = laid(scene(1, 1, 0, 3000), scene(2, 2, 0, 50), scene(3, 1, 0, 2000), sources=sources)
    judgement = judge(layout, Around())
    assert not judgement.jump_cuts.joins
    texts = [one.text for one in judgement.notices]
    assert "A001/P1.JPG is used already in item 1" in texts
    assert "A001/P1.JPG: 1 file has too few verified copies" in texts
    assert not any("frames" in one for one in texts)
    pieces = [piece_of(one.take, None, Thresholds({"unrated-counts": 1})) for one in sources]
    assert judge(layout, Around(cutaways=pieces)).jump_cuts.cutaways == 0, "both are used"


# -- in the catalogue ---------------------------------------------------------------------------------


@pytest.fixture
def desk(session: Session, vocabulary: Vocabulary) -> Desk:
    return Desk(session, vocabulary)


@pytest.fixture
def picture(desk: Desk) -> Clip:
    return make_clip(
        desk.session, desk.talk.reel, "P.JPG", media=ClipMedia.IMAGE, rate_num=None, rate_den=None
    )


def test_a_photograph_is_kept_trimmed_compared_and_undone(desk: Desk, picture: Clip) -> None:
    row = desk.make()
    usual = range_of(desk.session, picture)
    assert (usual.first, usual.end) == (0, 6000), "as the threshold has it"
    edit = desk.edit()
    put_thresholds(edit, {"still-seconds": 4})
    item = add_item(
        edit,
        row,
        ItemKind.SCENE,
        {"parts": parts_for(desk.session, ItemKind.SCENE, [range_of(desk.session, picture)])},
    )
    change_item(edit, item, {"covers": [cover_values(range_of(desk.session, picture, seconds="1.5"), 10)]})
    keep_version(edit, row, "rough")
    edit.close()
    assert read_outline_state(desk.session, desk.production, row).layout.frames == 100
    edit = desk.edit()
    trim_item(edit, item, 1, range_of(desk.session, picture, seconds=Fraction(5, 2)))
    change = edit.close()
    found = compare_versions(desk.session, desk.production, row, "rough", "now")
    assert [(one.what, one.frames) for one in found.changes] == [("trimmed", 63 - 100)]
    assert change is not None
    undo(desk.session, desk.production, change, desk.words, "ada")
    (placed,) = read_outline_state(desk.session, desk.production, row).layout.placed
    assert (placed.frames, [(one.start, one.frames) for one in placed.covers]) == (100, [(10, 38)])


def test_what_a_photograph_can_not_be(desk: Desk, picture: Clip) -> None:
    session = desk.session
    for kind in (ItemKind.QUOTE, ItemKind.MUSIC):
        with pytest.raises(UsageError, match="nothing is heard"):
            parts_for(session, kind, [range_of(session, picture)])
    for wanted in (
        Range(picture),
        Range(picture, 5, 4000),
        Range(picture, 0, 0),
        Range(picture, 0, 86_400_001),
    ):
        with pytest.raises(UsageError, match="no in and out"):
            parts_for(session, ItemKind.SCENE, [wanted])
    with pytest.raises(UsageError, match="no length"):
        range_of(session, picture, seconds="0")
    with pytest.raises(UsageError, match="only a photograph"):
        range_of(session, desk.talk, seconds="4")
