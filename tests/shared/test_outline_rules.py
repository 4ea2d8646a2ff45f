"""The outline's arithmetic and its rules, over frozen rows.

Oracles: counts worked out by hand with fractions, as each test shows; the properties are stated in words in
`shared/outline/running.py` and `order.py`. Rules of the cut are common practice, no source.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shared.models import ClipMedia, Severity
from shared.outline.compare import compare
from shared.outline.judge import Around, Judgement, judge
from shared.outline.model import Item, Part, Source
from shared.outline.order import key_between
from shared.outline.running import Known, edit_frames, lay_out, picture_cuts
from shared.outline.shape import Curve, Shape, shape_of
from shared.plan.pieces import Flag, Said, Span, piece_of
from shared.plan.thresholds import Thresholds
from shared.timecode import Rate
from tests.shared.outline_cases import cover, music, narration, outline, quote, scene, source, title

NTSC = Rate(30000, 1001)
FILM = Rate(24000, 1001)
RATES = (Rate(24), FILM, Rate(25), NTSC, Rate(50), Rate(60000, 1001))


# -- the order ----------------------------------------------------------------------------------------


@given(st.lists(st.integers(0, 60), min_size=1, max_size=60))
@settings(max_examples=50)
def test_there_is_always_a_key_between_two(places: list[int]) -> None:
    keys: list[str] = []
    for place in places:
        at = min(place, len(keys))
        before, after = keys[at - 1] if at else None, keys[at] if at < len(keys) else None
        keys.insert(at, key_between(before, after))
        assert keys == sorted(set(keys))


def test_keys_stay_short_at_the_end_and_are_refused_out_of_order() -> None:
    last = None
    for _ in range(2000):
        last = key_between(last, None)
    assert last is not None and len(last) <= 6
    with pytest.raises(ValueError, match="not below"):
        key_between("b", "a")


# -- running time -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("count", "per_second", "rate", "frames"),
    [
        (100, Fraction(25), Rate(25), 100),
        (101, Fraction(50), Rate(25), 50),  # 50.5 edit frames: the half one shows nothing that was chosen
        (1, Fraction(50), Rate(25), 1),  # never nothing
        (24, Fraction(24000, 1001), Rate(25), 25),  # 1.001 s are 25.025 frames
        (2400, Fraction(24), FILM, 2397),  # 100 s at 24000/1001 a second are 2397.6
        (30, Fraction(30000, 1001), Rate(24), 24),  # 24.024
        (48_000, Fraction(48_000), NTSC, 29),  # a second of sound is 29.97 frames
        (48_048, Fraction(48_000), FILM, 24),  # 1.001 s are 24 frames exactly
    ],
)
def test_a_range_takes_the_whole_edit_frames_that_fit(
    count: int, per_second: Fraction, rate: Rate, frames: int
) -> None:
    assert edit_frames(source(1, per_second), 7, 7 + count, rate) == frames


@given(st.integers(1, 100_000), st.sampled_from(RATES), st.sampled_from(RATES), st.integers(0, 10_000))
@settings(max_examples=50)
def test_no_frame_is_shown_that_was_not_chosen(count: int, clip: Rate, edit: Rate, first: int) -> None:
    item = scene(1, 1, first, first + count)
    layout = lay_out(outline(item, rate=edit, sources=(source(1, clip.fraction, 200_000),)))
    (segment,) = layout.placed[0].segments
    shown = {segment.source_frame(at) for at in range(min(segment.frames, 50))}
    shown.add(segment.source_frame(segment.frames - 1))
    assert min(shown) == first and max(shown) < first + count
    lost = clip.frames_to_seconds(count) - edit.frames_to_seconds(segment.frames)
    assert lost < edit.frames_to_seconds(1), "less than one edit frame is lost"
    if clip == edit:
        assert segment.frames == count and lost == 0


def test_running_time_is_told_by_how_it_is_known() -> None:
    layout = lay_out(
        outline(
            title(1, 2000),
            narration(2, 4000),
            narration(3, 6000, recorded=True),
            scene(4, 1, 0, 50),
            music(5, 500),
            target=14,
        )
    )
    assert [(one.start, one.frames) for one in layout.placed] == [
        (0, 50), (50, 100), (150, 150), (300, 50), (350, 13),
    ]  # fmt: skip
    assert {known: layout.known(known) for known in Known} == {
        Known.RECORDED: 200, Known.ESTIMATED: 100, Known.SET: 63,
    }  # fmt: skip
    assert (layout.frames, layout.target, layout.seconds(layout.frames)) == (363, 350, Fraction(363, 25))
    assert [one.code for one in judge(layout, Around()).notices] == ["too-long"]


def test_cover_is_cut_in_and_ends_with_its_item() -> None:
    item = quote(1, (1, 100, 160), (1, 300, 340))
    item = Item(**{**_fields(item), "covers": (cover(2, 0, 30, 50), cover(3, 0, 60, 70))})
    cuts = picture_cuts(lay_out(outline(title(9, 1000), item)))
    assert [(one.start, one.frames, one.segment and (one.segment.clip, one.segment.first, one.segment.end))
            for one in cuts] == [
        (0, 25, None),
        (25, 50, (1, 100, 150)),
        (75, 20, (2, 0, 20)),  # where the next cover begins it ends
        (95, 30, (3, 0, 30)),  # and here the item ends
    ]  # fmt: skip
    assert [one.is_cover for one in cuts] == [False, False, True, True]


def _fields(item: Item) -> dict[str, Any]:
    return {name: getattr(item, name) for name in Item.__slots__}


@given(
    st.lists(
        st.tuples(st.integers(0, 500), st.integers(1, 80), st.integers(0, 120), st.integers(1, 90)),
        min_size=1,
        max_size=6,
    ),
    st.sampled_from(RATES),
    st.sampled_from(RATES),
)
@settings(max_examples=50)
def test_pictures_fill_the_running_time_without_gap_or_overlap(
    shots: list[tuple[int, int, int, int]], clip: Rate, edit: Rate
) -> None:
    items = [
        scene(n, 1, first, first + count, covers=(cover(2, 5, 5 + covered, at), cover(2, 0, 9, at // 2)))
        for n, (first, count, at, covered) in enumerate(shots)
    ]
    clips = (source(1, clip.fraction), source(2, Fraction(25)))
    layout = lay_out(outline(*items, rate=edit, sources=clips))
    at = 0
    for cut in picture_cuts(layout):
        assert cut.start == at and cut.frames > 0
        assert cut.segment is not None and cut.segment.first < cut.segment.end
        at += cut.frames
    assert at == layout.frames


# -- what needs a look --------------------------------------------------------------------------------


def codes(judgement: Judgement) -> list[tuple[int, str]]:
    return [(one.number, one.code) for one in judgement.notices]


def judged(*items: Item, sources: tuple[Source, ...] = (), around: Around | None = None) -> Judgement:
    return judge(lay_out(outline(*items, sources=sources)), around or Around())


def test_words_that_were_corrected_since_are_shown() -> None:
    part = Part(1, 0, 50, "Ada", "the river", "h1", "the ferry", "h2")
    same = Part(1, 60, 90, "Ada", "the quay", "h3", "the quay", "h3")
    gone = Part(2, 0, 50, "Ada", "the chain", "h4")
    items = [Item(n, quote(n).kind, parts=(one,)) for n, one in enumerate((part, same, gone))]
    found = [one for one in judged(*items).notices if one.code == "words-changed"]
    assert [(one.number, "the ferry" in one.text) for one in found] == [(1, True), (3, False)]
    assert "no transcript" in found[1].text


def test_a_stitched_quote_waits_for_a_person() -> None:
    ranges = ((1, 0, 50), (2, 100, 150))
    assert (1, "stitched") in codes(judged(quote(1, *ranges)))
    assert (1, "stitched") not in codes(judged(quote(1, *ranges, checked_by="ada")))


def test_the_same_frames_twice_are_named() -> None:
    found = judged(scene(1, 1, 0, 100), scene(2, 1, 100, 200), scene(3, 1, 90, 120, covers=(cover(1, 0, 9),)))
    texts = [one.text for one in found.notices if one.code == "used-twice"]
    assert texts == [
        "A001/C0001 frames 90–100 are used already in item 1",
        "A001/C0001 frames 100–120 are used already in item 2",
        "A001/C0001 frames 0–9 are used already in item 1",
    ]


def test_jump_cuts_are_counted_against_cutaways() -> None:
    ada = source(1, said=Said(people=("Ada",)))
    wide = source(2, said=Said(people=("Ada",)))
    other = source(3, camera="B", said=Said(people=("Ada",)))
    nobody = source(4)
    items = (
        scene(1, 1, 0, 50),
        scene(2, 1, 50, 90),  # goes on: no cut at all
        scene(3, 1, 100, 150),  # jumps
        scene(4, 2, 0, 50),  # the same camera on the same person: jumps
        scene(5, 3, 0, 50),  # another camera
        scene(6, 4, 0, 50),
        scene(7, 2, 60, 90),
    )
    cutaway = source(8, frames=100, said=Said(kind="cutaway", rating="good"))
    ng = source(9, said=Said(kind="cutaway", rating="ng"))
    pieces = [piece_of(one.take, None, Thresholds({})) for one in (cutaway, ng)]
    clips = (ada, wide, other, nobody)
    found = judged(*items, sources=clips, around=Around(cutaways=pieces))
    assert found.jump_cuts.joins == (90, 140)
    assert (found.jump_cuts.cutaways, found.jump_cuts.seconds) == (1, Fraction(4))
    assert [number for number, code in codes(found) if code == "jump-cut"] == [3, 4]
    covered = scene(3, 1, 100, 150, covers=(cover(8, 0, 30),))
    found = judged(*items[:2], covered, *items[3:], sources=(*clips, cutaway), around=Around(cutaways=pieces))
    assert found.jump_cuts.joins == (140,), "cover that begins at the join hides it"
    assert found.jump_cuts.cutaways == 0, "the cutaway is used now"


def test_cover_that_does_not_fit_is_named() -> None:
    item = scene(1, 1, 0, 50, covers=(cover(2, 0, 30), cover(3, 0, 40, 20)))
    texts = {one.code: one.text for one in judged(item).notices}
    assert "runs 10 edit frames past" in texts["cover-too-long"]
    assert "begins 10 edit frames inside" in texts["cover-overlaps"]


def test_footage_that_speaks_against_itself() -> None:
    soft = Flag("soft", Severity.WARNING, "soft focus", span=(40, 60))
    note = Flag("n", Severity.NOTE, "a note", span=(0, 10))
    moment = Span(7, 300, 400, "stumble", Said(rating="ng"))
    clip = source(1, flags=(soft, note), moments=(moment,), unproven=1)
    safe = source(2, said=Said(kind="test"))
    found = judged(scene(1, 1, 0, 41), scene(2, 1, 60, 90), scene(3, 1, 390, 500), scene(4, 2, 0, 9),
                   sources=(clip, safe))  # fmt: skip
    assert [(n, code) for n, code in codes(found) if code != "jump-cut"] == [
        (1, "unsafe"), (1, "finding"), (2, "unsafe"), (3, "unsafe"), (3, "ng"), (4, "ng"),
    ]  # fmt: skip
    assert "soft focus at frames 40–60" in next(one.text for one in found.notices if one.code == "finding")


def test_people_without_a_release_that_holds() -> None:
    clip = source(1, said=Said(people=("Ada", "Nell", "Tom")))
    around = Around(frozenset({"Ada"}), {"Nell": "expired"})
    texts = [one.text for one in judged(scene(1, 1, 0, 9), sources=(clip,), around=around).notices]
    assert texts == ["Nell: the release is expired.", "Tom: there is no release."]


# -- shape --------------------------------------------------------------------------------------------


def shaped(*items: Item, curves: dict[int, Curve] | None = None, own: dict[str, int] | None = None) -> Shape:
    return shape_of(lay_out(outline(*items)), curves or {}, Thresholds(own or {}))


def test_each_lane_covers_the_running_time() -> None:
    parts = (Part(1, 0, 100, "Ada"), Part(1, 200, 250, "Nell"))
    item = Item(1, quote(1).kind, parts=parts, covers=(cover(2, 0, 50, 75),))
    shape = shaped(narration(3, 2000), item, music(4, 4000))
    assert [(one.frames, one.value) for one in shape.kinds] == [
        (50, "narration"),
        (150, "quote"),
        (100, "music"),
    ]
    assert [(one.frames, one.value) for one in shape.speakers] == [
        (50, "narrator"), (100, "Ada"), (50, "Nell"), (100, ""),
    ]  # fmt: skip
    assert [(one.frames, one.value) for one in shape.music] == [(200, ""), (100, "music")]
    assert [(one.frames, one.value) for one in shape.cuts] == [
        (50, "narration"), (75, "quote"), (50, "cover"), (25, "quote"), (100, "music"),
    ]  # fmt: skip
    for lane in (shape.kinds, shape.speakers, shape.music, shape.cuts):
        assert sum(one.frames for one in lane) == shape.frames == 300


def test_the_level_is_that_of_what_is_heard() -> None:
    curve = Curve(1.0, [-40, -30, -20, -10, -50])
    shape = shaped(title(1, 1000), scene(2, 1, 50, 100), curves={1: curve})
    assert [one.db for one in shape.levels] == [None, -20, -10]


def test_long_sameness_is_pointed_out_with_its_place() -> None:
    talk = Item(1, quote(1).kind, parts=(Part(1, 0, 25 * 100, "Ada"),))
    shape = shaped(talk, curves={1: Curve(1.0, [-20.0] * 100)})
    assert [one.what for one in shape.sameness] == ["speaker", "cut", "level"]
    assert shape.sameness[0].text == "0:00 to 1:40: Ada alone speaks for 100 s; more than 90 s."
    assert shaped(talk, own={"same-speaker-seconds": 200, "long-cut-seconds": 200}).sameness == ()
    pace = [scene(n, n, 0, 50 + n % 3) for n in range(8)]
    assert [one.what for one in shaped(*pace).sameness] == ["pace"]
    assert shaped(*pace[:7]).sameness == ()
    assert shaped(*(scene(n, n, 0, 25 * (1 + n % 4)) for n in range(20))).sameness == ()


# -- versions -----------------------------------------------------------------------------------------


def test_two_states_are_compared_by_their_items() -> None:
    a, b, c, d = (scene(n, n, 0, 50) for n in range(1, 5))
    trimmed = scene(4, 4, 0, 30)
    e = title(5, 1000)
    found = compare(lay_out(outline(a, b, c, d)), lay_out(outline(c, a, trimmed, e)))
    assert [(one.what, one.item, one.before, one.after, one.frames) for one in found.changes] == [
        ("removed", 2, 2, None, -50),
        ("moved", 3, 3, 1, 0),
        ("trimmed", 4, 4, 3, -20),
        ("added", 5, None, 4, 25),
    ]
    assert (found.frames, found.seconds) == (-45, Fraction(-45, 25))
    same = lay_out(outline(a, b))
    assert compare(same, same).changes == ()


@given(st.permutations(list(range(8))))
@settings(max_examples=50)
def test_the_fewest_items_are_said_to_have_moved(order: list[int]) -> None:
    """The least number of moves is all but a longest rising run (Fredman 1975); here by trying all runs."""
    items = [scene(n, n, 0, 10) for n in range(8)]
    found = compare(lay_out(outline(*items)), lay_out(outline(*(items[n] for n in order))))
    best = 0
    for mask in range(1 << 8):
        run = [n for at, n in enumerate(order) if mask >> at & 1]
        if run == sorted(run):
            best = max(best, len(run))
    assert len(found.of("moved")) == 8 - best


def test_a_sound_has_no_picture_and_no_jump() -> None:
    sound = source(1, 48_000, 480_000, media=ClipMedia.AUDIO)
    layout = lay_out(outline(scene(1, 1, 0, 48_000), scene(2, 1, 96_000, 144_000), sources=(sound,)))
    assert [cut.segment for cut in picture_cuts(layout)] == [None, None]
    assert judge(layout, Around()).jump_cuts.joins == ()
