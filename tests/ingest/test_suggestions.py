"""What the numbers suggest, and what they leave alone; scores on made clips are `make calibrate`'s."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from ingest.measure.picture_numbers import (
    VERSION,
    Look,
    PictureNumbers,
    Shake,
    Stretch,
    Stripes,
    Travel,
)
from ingest.measure.sound_numbers import SoundMeasured, Span, Spans, Speech, Tone
from ingest.suggesting import suggest_clips
from ingest.suggestions import Seen, find_setups, suggest
from shared.catalogue.editing import undo
from shared.catalogue.suggestions import accept_suggestions, open_suggestions
from shared.models import (
    CameraKind,
    Clip,
    LogEntry,
    MeasureKind,
    Measurement,
    Production,
    Suggestion,
)
from shared.vocabulary import Vocabulary
from tests.api.measured import picture_numbers, sound_numbers
from tests.factories import make_camera, make_clip, make_day, make_entry, make_finding, make_reel


def moving(right: float = 0, down: float = 0, scale: float = 0, shake: float = 0.0002) -> PictureNumbers:
    numbers = picture_numbers()
    (stretch,) = numbers.stretches
    travel = Travel(right, down, scale, 0.95, 0.95, 1.0)
    values = {name: getattr(stretch, name) for name in Stretch.__slots__}
    values |= {"travel": travel, "shake": Shake(shake, 0.0, 1.0, 4.0)}
    return replace(numbers, stretches=(Stretch(**values),))


NO_STRIPES = Stripes(0, 1.0)


def looking(*faces: float, stripes: Stripes = NO_STRIPES, sought: bool = True) -> PictureNumbers:
    """A still picture, looked at once for each face's height; 0: without one."""
    looks = tuple(
        Look(2.0 * number, (one,) if one else (), stripes) for number, one in enumerate(faces or (0.0,))
    )
    return replace(moving(), looks=looks, sought_faces=sought)


def hearing(speech: float = 0.0, tone: Tone | None = None, claps: int = 0) -> SoundMeasured:
    sound = sound_numbers()
    channel = replace(
        sound.channels[0],
        speech=Speech(speech, ()),
        tone=tone or Tone(0.0, -120.0, 0.0),
        claps=Spans(claps, 0.0, tuple(Span(one, one, -6.0) for one in range(claps))),
    )
    return replace(sound, channels=(channel,))


def said(seen: Seen) -> dict[str, str]:
    return {one.field: one.value for one in suggest(seen)}


@pytest.mark.parametrize(
    ("numbers", "expected"),
    [
        (moving(), {"movement": "static"}),
        (moving(right=-0.1, down=0.01), {"movement": "pan"}),
        (moving(right=0.01, down=0.1), {"movement": "tilt"}),
        (moving(scale=0.05), {"movement": "push-in"}),
        (moving(scale=-0.05), {"movement": "pull-out"}),
        (moving(right=0.1, down=0.09), {}),  # neither: nothing is said
        (moving(shake=0.004), {"support": "handheld"}),
        (moving(right=0.012), {}),  # a drift
    ],
)
def test_movement_and_support(numbers: PictureNumbers, expected: dict[str, str]) -> None:
    assert said(Seen(numbers, None, 10.0)) == expected


def test_mistakes_are_suggested_as_ng() -> None:
    assert said(Seen(moving(), None, 2.0))["kind"] == "ng"
    assert said(Seen(None, None, 60.0, covered=True)) == {"kind": "ng"}
    assert said(Seen(moving(right=0.3), None, 60.0, carried=True))["kind"] == "ng"
    assert said(Seen(None, None, 60.0, is_drone=True)) == {"support": "drone"}


def test_faint_steady_sound_without_speech_is_the_tone_of_a_room() -> None:
    faint = sound_numbers(0.002)
    assert said(Seen(None, faint, 30.0)) == {"kind": "room-tone"}
    assert said(Seen(None, faint, 10.0)) == {}, "too short"
    assert said(Seen(None, sound_numbers(), 30.0)) == {}, "too loud"
    assert said(Seen(moving(right=0.1), faint, 30.0)) == {"movement": "pan"}


@pytest.mark.parametrize(
    ("part", "size"),
    # What of a standing person the frame holds, by the definitions of the vocabulary. The face is a tenth of
    # the person (Vitruvius, De architectura III, 1; from memory), of which the detector's boxes hold 0.87.
    [(1.6, "ls"), (1.1, "fs"), (0.8, "mls"), (0.47, "ms"), (0.3, "mcu"), (0.19, "cu"), (0.1, "bcu")],
)
def test_the_largest_face_says_the_shot_size(part: float, size: str) -> None:
    face = 0.087 / part
    assert said(Seen(looking(face, 0.9 * face, 1.1 * face), None, 10.0))["size"] == size


def test_a_face_counts_only_where_several_pictures_show_it() -> None:
    assert "size" not in said(Seen(looking(), None, 10.0))
    assert "size" not in said(Seen(looking(0.2, 0, 0, 0), None, 10.0))
    assert "size" in said(Seen(looking(0.2, 0, 0.2, 0), None, 10.0))
    assert "size" in said(Seen(looking(0.2), None, 2.0)), "of one picture, one"


def test_an_interview_has_a_face_and_the_tone_of_a_room_has_none() -> None:
    talk, faint = hearing(speech=0.6), sound_numbers(0.002)
    (sure,) = [one for one in suggest(Seen(looking(0.3, 0.3), talk, 60.0)) if one.field == "kind"]
    (unsure,) = [one for one in suggest(Seen(looking(sought=False), talk, 60.0)) if one.field == "kind"]
    assert sure.value == unsure.value == "interview" and sure.confidence > unsure.confidence
    assert "no face was looked for" in unsure.reason
    assert "kind" not in said(Seen(looking(), talk, 60.0)), "nobody is seen"
    assert said(Seen(looking(), faint, 30.0))["kind"] == "room-tone"
    assert "kind" not in said(Seen(looking(0.3, 0.3), faint, 30.0)), "somebody is seen"


@pytest.mark.parametrize(
    ("seen", "is_test"),
    [
        (Seen(looking(stripes=Stripes(8, 0.004)), None, 10.0), True),
        (Seen(looking(stripes=Stripes(8, 0.2)), None, 10.0), True),
        (Seen(looking(stripes=Stripes(4, 1.0)), None, 10.0), False),
        (Seen(None, hearing(tone=Tone(1000.0, -18.0, 9.0)), 12.0), True),
        (Seen(None, hearing(tone=Tone(1000.0, -18.0, 9.0)), 60.0), False),
        (Seen(None, hearing(tone=Tone(440.0, -18.0, 12.0)), 12.0), False),
        (Seen(moving(), hearing(claps=1), 8.0), True),
        (Seen(moving(right=0.1), hearing(claps=1), 8.0), False),
        (Seen(moving(), hearing(claps=9), 8.0), False),
        (Seen(moving(), hearing(claps=1), 60.0), False),
        (Seen(moving(), hearing(), 6.0, opens_reel=True), True),
        (Seen(moving(), hearing(speech=0.5), 6.0, opens_reel=True), False),
        (Seen(moving(), hearing(), 6.0), False),
    ],
)
def test_what_is_for_the_crew_is_suggested_as_a_test(seen: Seen, is_test: bool) -> None:
    assert (said(seen).get("kind") == "test") is is_test


def test_every_suggestion_has_a_reason_and_a_sensible_confidence(vocabulary: Vocabulary) -> None:
    bars = looking(0.3, stripes=Stripes(8, 0.0))
    for numbers in (moving(), moving(right=0.1), moving(shake=0.004), moving(scale=0.1), looking(0.3), bars):
        for one in suggest(Seen(numbers, None, 2.0, is_drone=True)):
            assert one.reason.endswith(".") and 0 < one.confidence < 1
            assert vocabulary.resolve(one.field, one.value).code == one.value


def test_setups_are_framings_that_come_again() -> None:
    one, other = [1.0, -1.0] * 8, [1.0] * 8 + [-1.0] * 8
    near = [1.1, -0.9] * 8
    assert find_setups({1: one, 2: other, 3: near}.items()) == {1: (1, 1.0), 3: (1, 1.0)}
    assert find_setups({1: one, 2: other}.items()) == {}
    assert find_setups({1: (), 2: ()}.items()) == {}


# -- in the catalogue --------------------------------------------------------------------------------


@pytest.fixture
def clips(session: Session, production: Production) -> list[Clip]:
    """Two static takes of one framing, and a drone's."""
    day = make_day(session, production)
    camera = make_camera(session, production, letter="A")
    drone = make_camera(session, production, letter="D", kind=CameraKind.DRONE)
    reel = make_reel(session, production, day_id=day.id)
    made = [
        make_clip(session, reel, f"C{number}.MOV", frames=275, day_id=day.id, camera_id=which.id)
        for number, which in enumerate((camera, camera, drone))
    ]
    numbers = moving()
    framed = numbers.to_json() | {"framing": [1.0, -1.0] * 72}
    for clip in made[:2]:
        row = Measurement(
            file_id=clip.files[0].file_id, kind=MeasureKind.PICTURE, version=VERSION, numbers=framed
        )
        session.add(row)
    session.flush()
    return made


def shown(session: Session, clips: list[Clip]) -> list[tuple[str, str, str]]:
    found = open_suggestions(session, [clip.id for clip in clips])
    return [(one.clip.name, one.suggestion.field, one.suggestion.value) for one in found]


def test_suggestions_are_kept_apart_and_made_anew(session: Session, clips: list[Clip]) -> None:
    ids = [clip.id for clip in clips]
    for _ in range(2):
        suggest_clips(session, ids)
        assert shown(session, clips) == [
            ("C0", "movement", "static"),
            ("C0", "tag", "setup C0"),
            ("C1", "movement", "static"),
            ("C1", "tag", "setup C0"),
            ("C2", "support", "drone"),
        ]
    assert session.scalars(select(LogEntry)).all() == [], "nothing of it is in the log"
    make_finding(session, clips[0], code="lens-covered")
    suggest_clips(session, ids)
    assert ("C0", "kind", "ng") in shown(session, clips)


def test_the_first_of_a_reel_may_be_a_try_of_the_camera(session: Session, production: Production) -> None:
    reel = make_reel(session, production)
    clips = [make_clip(session, reel, f"C{number}.MOV", frames=150) for number in (1, 2)]
    for clip, hour in zip(clips, (9, 8), strict=True):
        clip.shot_at = datetime(2026, 5, 4, hour, tzinfo=UTC)
    session.flush()
    suggest_clips(session, [clip.id for clip in clips])
    assert shown(session, clips) == [("C2", "kind", "test")]


def test_a_word_of_a_person_is_never_suggested_over(session: Session, clips: list[Clip]) -> None:
    suggest_clips(session, [clip.id for clip in clips])
    make_entry(session, clips[0], movement="pan")
    assert ("C0", "movement", "static") not in shown(session, clips)
    assert session.scalars(select(Suggestion).where(Suggestion.clip_id == clips[0].id)).all()


def test_accepted_they_are_words_of_the_log_and_can_be_taken_back(
    session: Session, production: Production, clips: list[Clip], vocabulary: Vocabulary
) -> None:
    suggest_clips(session, [clip.id for clip in clips])
    make_entry(session, clips[0], kind="interview", movement="tilt")
    chosen = open_suggestions(session, [clip.id for clip in clips])
    edit = accept_suggestions(session, production, chosen, vocabulary, "ada")
    assert edit is not None and edit.author == "ada"
    entries = {entry.clip_id: entry for entry in session.scalars(select(LogEntry)).unique() if entry.clip_id}
    assert (entries[clips[0].id].kind, entries[clips[0].id].movement) == ("interview", "tilt")
    assert [tag.name for tag in entries[clips[0].id].tags] == ["setup C0"]
    assert entries[clips[1].id].movement == "static" and entries[clips[2].id].support == "drone"
    assert open_suggestions(session, [clip.id for clip in clips]) == []
    undo(session, production, edit, vocabulary, "ada")
    session.expire_all()
    assert len(open_suggestions(session, [clip.id for clip in clips])) == len(chosen)
