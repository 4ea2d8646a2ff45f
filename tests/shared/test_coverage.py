"""Usable seconds, scenes, interviews, camera heights and likeness, on plain values.

What a scene and an interview need is common practice, no source: that the rules are applied is checked here,
not that they are right.
"""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared.catalogue.wrap import stems_of
from shared.models import ClipMedia, Severity
from shared.plan.coverage import judge_coverage
from shared.plan.likeness import Wish, suggest, traits_of
from shared.plan.pieces import Flag, Said, Span, Take, make_pieces
from shared.plan.thresholds import RULES, Thresholds
from shared.plan.wishes import LineInfo, WishStatus, judge_days, judge_lines, judge_wishes

USUAL = Thresholds({})
STEMS = stems_of("en")


def take(
    number: int = 1,
    seconds: int = 10,
    *,
    flags: tuple[Flag, ...] = (),
    media: ClipMedia = ClipMedia.VIDEO,
    moments: tuple[Span, ...] = (),
    unreadable: str = "",
    voices: tuple[str, ...] = (),
    channels: int | None = None,
    paired: bool = False,
    **said: object,
) -> Take:
    return Take(
        id=number,
        name=f"A001/C{number:04}",
        day=1,
        camera="A",
        media=media,
        per_second=Fraction(25),
        frames=seconds * 25,
        logged=bool(said),
        said=Said(**said),  # type: ignore[arg-type]
        flags=flags,
        moments=moments,
        unreadable=unreadable,
        voices=voices,
        channels=channels,
        paired=paired,
    )


def flag(code: str, span: tuple[int, int] | None = None, severity: Severity = Severity.WARNING) -> Flag:
    return Flag(code, severity, code, span=span)


def usable(*takes: Take, thresholds: Thresholds = USUAL) -> list[Fraction]:
    return [piece.usable for piece in make_pieces(takes, thresholds)]


# -- usable seconds ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("one", "seconds"),
    [
        (take(), 10),
        (take(rating="good"), 10),
        (take(rating="ng"), 0),
        (take(kind="test"), 0),
        (take(unreadable="it broke off"), 0),
        (take(flags=(flag("focus-hunting", (0, 100)),)), 6),
        (take(flags=(flag("focus-hunting", (0, 100)), flag("mains-flicker", (50, 125)))), 5),
        (take(flags=(flag("rate-variable", (0, 250), Severity.NOTE),)), 10),
        (take(flags=(flag("rate-deviates", None, Severity.FAULT),)), 10),
        (take(kind="b-roll", flags=(flag("sound-wind", (0, 250)),)), 10),
        (take(kind="interview", flags=(flag("sound-wind", (0, 200)),)), 2),
        (take(kind="interview", paired=True, flags=(flag("sound-wind", (0, 200)),)), 10),
        (take(kind="interview", channels=2, flags=(flag("sound-no-signal"),)), 10),
        (take(kind="interview", channels=1, flags=(flag("sound-no-signal"),)), 0),
        (take(media=ClipMedia.AUDIO, kind="room-tone", flags=(flag("sound-hum", (0, 25)),)), 9),
        (take(media=ClipMedia.AUDIO, kind="room-tone", flags=(flag("lens-covered", (0, 25)),)), 10),
        (take(media=ClipMedia.IMAGE, seconds=0), RULES["still-seconds"].value),
    ],
)
def test_usable_seconds_of_a_clip(one: Take, seconds: int) -> None:
    assert usable(one) == [seconds]


def test_what_nobody_rated_counts_or_not() -> None:
    strict = Thresholds({"unrated-counts": 0})
    assert usable(take(), take(rating="alt"), thresholds=strict) == [0, 10]


SPANS = st.lists(
    st.tuples(st.integers(0, 60), st.integers(0, 60)).map(lambda p: (min(p), max(p) + 1)), max_size=6
)


@given(SPANS, SPANS)
def test_each_frame_is_counted_once_and_flagged_ones_never(
    flagged: list[tuple[int, int]], marked: list[tuple[int, int]]
) -> None:
    """The yardstick counts frame by frame; moments that overlap are each a shot of its own."""
    flags = tuple(flag("focus-hunting", span) for span in flagged)
    moments = tuple(Span(n, *span, "", Said(kind="insert")) for n, span in enumerate(marked))
    one = Take(1, "A001/C0001", 1, "A", ClipMedia.VIDEO, Fraction(1), 61, True, Said(), flags, "", moments)
    bad = {frame for first, end in flagged for frame in range(first, min(end, 61))}
    inside = {frame for first, end in marked for frame in range(first, end)}
    rest, *pieces = usable(one)
    assert rest == len(set(range(61)) - bad - inside)
    assert pieces == [len(set(range(first, end)) - bad) for first, end in marked]


def test_a_moment_is_a_shot_of_its_own_with_the_clips_words_where_it_has_none() -> None:
    moment = Span(7, 50, 100, "the slip", Said(size="cu", rating="good"))
    quiet = Span(8, 100, 150, "only a mark", Said(note="here"))
    clip, own = make_pieces([take(kind="b-roll", rating="ng", place="Quay", moments=(moment, quiet))], USUAL)
    assert clip.usable == 0 and clip.seconds == 8, "what is only marked is still the clip's"
    assert own.usable == 2 and (own.said.kind, own.said.size, own.said.place) == ("b-roll", "cu", "Quay")
    assert own.name == "A001/C0001 [the slip]" and own.key == (1, 7)


# -- scenes, interviews, heights --------------------------------------------------------------------


def test_the_matrix_adds_up_and_knows_beats_whatever_their_case() -> None:
    takes = [
        take(1, 10, kind="b-roll", size="ls", beat="Opening"),
        take(2, 5, kind="b-roll", size="ls", beat="opening", rating="ng"),
        take(3, 4, kind="b-roll", size="cu", angle="high", beat="Opening"),
        take(4, 3),
    ]
    found = judge_coverage(make_pieces(takes, USUAL), USUAL, ())
    assert [
        (c.beat, c.kind, c.size, c.angle, c.clips, int(c.seconds), int(c.usable)) for c in found.cells
    ] == [
        ("Opening", "b-roll", "cu", "high", 1, 4, 4),
        ("Opening", "b-roll", "ls", "", 2, 15, 10),
        ("", "", "", "", 1, 3, 3),
    ]


def test_a_scene_lacks_what_nobody_shot() -> None:
    takes = [
        take(1, size="ls", kind="establishing", beat="S"),
        take(2, size="ms", kind="observed", beat="S"),
        take(3, size="cu", kind="observed", beat="S", rating="ng"),
        take(4, size="insert", kind="insert", beat="S", direction="towards"),
        take(5, 40, media=ClipMedia.AUDIO, kind="room-tone", beat="S"),
        take(6, size="ls", beat="only two clips"),
        take(7, size="ls", beat="only two clips"),
    ]
    (scene,) = judge_coverage(make_pieces(takes, USUAL), USUAL, ()).scenes
    assert (scene.beat, scene.clips, scene.missing) == ("S", 3, ("close of a face", "point of view"))
    assert dict(scene.there)["room tone"] == 40


def test_an_interview_lacks_until_it_does_not() -> None:
    def judge(takes: list[Take], released: tuple[str, ...] = ()) -> tuple[str, ...]:
        (one,) = judge_coverage(make_pieces(takes, USUAL), USUAL, released).interviews
        return one.missing

    first = take(1, 60, kind="interview", size="mcu", place="Wheelhouse", people=("Nell",))
    assert len(judge([first])) == 5
    rest = [
        take(2, 60, kind="interview", size="cu", place="Wheelhouse", people=("Nell",), tags=("Name",)),
        take(3, 30, kind="room-tone", place="wheelhouse", media=ClipMedia.AUDIO),
        take(4, 10, kind="insert", size="insert", people=("Nell",)),
    ]
    assert judge([first, *rest], ("Nell",)) == ()
    assert judge(
        [first, *rest[1:], take(9, 30, kind="interview", place="Quay", people=("Nell",))], ("Nell",)
    ) == (
        "1 of 2 sizes or angles",
        "name and title spoken (tag a take or call a moment “name”)",
    )


@pytest.mark.parametrize(
    ("angles", "one_sided"),
    [
        ({"low": 20}, "low"), ({"ground": 10, "low": 8, "eye": 2}, "low"), ({"overhead": 12}, "high"),
        ({"low": 12, "eye": 12}, None), ({"eye": 50}, None), ({"low": 9}, None),
    ],
)  # fmt: skip
def test_a_person_seen_from_one_height_alone(angles: dict[str, int], one_sided: str | None) -> None:
    takes = [take(n, s, angle=a, people=("Nell",)) for n, (a, s) in enumerate(angles.items(), 1)]
    (found,) = judge_coverage(make_pieces(takes, USUAL), USUAL, ()).heights
    assert found.one_sided == one_sided
    assert sum(seconds for _, seconds in found.seconds) == sum(angles.values())


# -- wishes -----------------------------------------------------------------------------------------


def wish(**given: object) -> Wish:
    usual = {
        "id": 1, "code": "W1", "what": "hands on the winch wheel", "need": "must", "beat": "", "day": 1,
        "kind": None, "size": None, "angle": None, "camera": None, "place": "", "people": (), "seconds": 6,
    }  # fmt: skip
    return Wish(**(usual | given))  # type: ignore[arg-type]


def likeness(wanted: Wish, **said: object) -> int:
    pieces = make_pieces([take(**said)], USUAL)  # type: ignore[arg-type]
    found = suggest(wanted, traits_of(pieces, STEMS), Thresholds({"suggest-percent": 1}), STEMS)
    return found[0].percent if found else 0


def test_terms_that_contradict_rule_out_and_unsaid_ones_say_nothing() -> None:
    subject = {"subject": "her hand on the wheel of the winch"}
    assert likeness(wish(), **subject) == 100
    assert likeness(wish(size="cu"), **subject, size="cu") == 100
    assert 0 < likeness(wish(size="cu"), **subject) < 100
    assert 0 < likeness(wish(size="cu"), **subject, size="mcu") < 100
    assert likeness(wish(size="cu"), **subject, size="ls") == 0
    assert likeness(wish(kind="interview"), **subject, kind="b-roll") == 0
    assert likeness(wish(camera="D"), **subject) == 0
    assert likeness(wish(place="West slipway"), **subject, place="Wheelhouse") == 0
    assert likeness(wish(people=("Nell",)), **subject, people=("Ada",)) == 0
    assert likeness(wish(size="cu"), subject="a gull", size="cu") == 0, "a size alone is no likeness"


def test_how_a_wish_stands() -> None:
    good = take(1, 10, subject="hands on the winch wheel")
    short = take(2, 2, subject="the winch, a hand")
    bad = take(3, 10, subject="hands, winch wheel", rating="ng")

    def status(
        *takes: Take, yes: tuple[int, ...] = (), no: tuple[int, ...] = (), **given: object
    ) -> WishStatus:
        (state,) = judge_wishes(
            [wish(**given)], takes, {1: [(k, None) for k in yes]}, {1: [(k, None) for k in no]}, USUAL, STEMS
        )
        return state.status

    assert status() is WishStatus.MISSING
    assert status(take(4, subject="a gull")) is WishStatus.MISSING
    assert status(good) is WishStatus.POSSIBLE
    assert status(good, no=(1,)) is WishStatus.MISSING
    assert status(good, yes=(1,)) is WishStatus.COVERED
    assert status(short, yes=(2,)) is WishStatus.THIN
    assert status(short, good, yes=(1, 2)) is WishStatus.COVERED
    assert status(bad, yes=(3,)) is status(bad) is WishStatus.DAMAGED
    assert status(good, dropped="no time") is WishStatus.DROPPED


def test_a_moment_of_a_confirmed_clip_is_not_counted_twice() -> None:
    one = take(1, 4, subject="hands", moments=(Span(5, 0, 50, "", Said()),))
    (state,) = judge_wishes([wish()], [one], {1: [(1, None), (1, 5)]}, {}, USUAL, STEMS)
    assert state.usable == 4 and state.status is WishStatus.THIN
    (state,) = judge_wishes([wish()], [one], {1: [(1, 5)]}, {}, USUAL, STEMS)
    assert state.usable == 2


def test_planned_and_got_by_day() -> None:
    wishes = [
        wish(id=1, day=1, seconds=4), wish(id=2, day=1, need="nice", seconds=6),
        wish(id=3, day=None, seconds=5),
        wish(id=4, day=1, seconds=9, dropped="rain"),
    ]  # fmt: skip
    takes = [take(1, 10, subject="x"), take(2, 2, subject="y")]
    states = judge_wishes(wishes, takes, {1: [(1, None)], 2: [(2, None)]}, {}, USUAL, STEMS)
    first, none = judge_days(states)
    assert (first.day, first.wishes, first.covered, first.must_open, first.wanted) == (1, 2, 1, 0, 10)
    assert first.usable == 4 + 2, "ten seconds of one wish do not make up for another"
    assert (none.day, none.covered, none.must_open) == (None, 0, 1)


def test_a_line_wants_shots_and_footage() -> None:
    """12 s of narration: three shots of 4 s, and 30 s of footage (common practice, no source)."""
    line = LineInfo(1, "N1", "", "…", "", 30, 12_000, False)
    states = judge_wishes([wish()], [take(1, 10, subject="x")], {1: [(1, None)]}, {}, USUAL, STEMS)
    (found,) = judge_lines([line], states, {1: 1}, USUAL)
    assert found.wanted == 30 and found.usable == 10
    assert (found.shots, found.wishes) == (3, ("W1",))
