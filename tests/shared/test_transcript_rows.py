"""Transcripts in the catalogue: exact frames, edits that can be taken back, and what was said in a range.

Values of 29.97 and 23.976 are arithmetic: 108,000 frames at 30000/1001 last 3603.6 s, and so do 86,400 at
24000/1001 (SMPTE ST 12-1 counts 30 or 24 labels a second). WebVTT as the W3C has it: times are real time from
the beginning of the media. How words keep their times through a correction is our own rule.
"""

from __future__ import annotations

import json
from typing import Any

import pytest
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from shared.catalogue.editing import find_edit, undo
from shared.catalogue.rows import RowsEdit
from shared.catalogue.transcript_edits import (
    correct,
    cues_spoken_by,
    join,
    move,
    name_speaker,
    remove_transcript,
    split,
)
from shared.catalogue.transcript_import import Import, carry_out, plan_import
from shared.catalogue.transcripts import cues_of, text_hash, timed_cues, transcripts_of, words_between
from shared.errors import ConflictError, NotFoundError, UsageError
from shared.models import ChangeSet, Clip, ClipCue, ClipMedia, ClipText
from tests import factories as make
from tests.shared.shoot import Shoot

TALK = """WEBVTT

00:01.000 --> 00:03.000
<v Nell>The chain is older

00:03.000 --> 00:05.000
<v Nell>than the boat.

00:06.000 --> 00:07.500
<v Guest>Is it?
"""
WORDS = {
    "language": "en",
    "segments": [
        {
            "start": 1,
            "end": 3,
            "text": "The chane holds well.",
            "speaker": "Nell",
            "words": [
                {"word": "The", "start": 1, "end": 1.2},
                {"word": "chane", "start": 1.2, "end": 1.8},
                {"word": "holds", "start": 2, "end": 2.4},
                {"word": "well.", "start": 2.4, "end": 3},
            ],
        }
    ],
}


@pytest.fixture
def clip(shoot: Shoot) -> Clip:
    return shoot.session.get_one(Clip, next(key for key, name in shoot.names.items() if name == "winch"))


def add(shoot: Shoot, clip: Clip, text: str = TALK, replace: bool = False, **more: Any) -> Import:
    found = plan_import(shoot.session, clip, text.encode(), more.pop("name", "C0001.vtt"), **more)
    edit = RowsEdit(shoot.session, shoot.production, "ada", f"transcript of {clip.name}")
    carry_out(edit, found, replace=replace)
    edit.close()
    return found


def take_back(shoot: Shoot, number: int | None = None) -> None:
    edit = find_edit(shoot.session, shoot.production, "ada", number)
    undo(shoot.session, shoot.production, edit, shoot.vocabulary, "ada")


def frames(session: Session, clip: Clip) -> list[tuple[int, int]]:
    return [(cue.start_frame, cue.end_frame) for cue in cues_of(session, clip.id)]


def stored(session: Session, clip: Clip) -> list[dict[str, Any]]:
    return [
        {column.key: getattr(cue, column.key) for column in ClipCue.__table__.columns}
        for cue in cues_of(session, clip.id)
    ]


@pytest.mark.parametrize(
    ("num", "den", "hour"),
    [
        (24000, 1001, 86_314),  # 3600 s x 24000/1001 = 86,313.69; the nearest
        (24, 1, 86_400),
        (25, 1, 90_000),
        (30000, 1001, 107_892),  # drop-frame and not: the count of frames is the same
        (50, 1, 180_000),
    ],
)
def test_an_hour_of_real_time_is_the_nearest_frame(shoot: Shoot, num: int, den: int, hour: int) -> None:
    clip = make.make_clip(
        shoot.session, make.make_reel(shoot.session, shoot.production), "L.MP4",
        rate_num=num, rate_den=den, frames=200_000,
    )  # fmt: skip
    add(shoot, clip, "WEBVTT\n\n01:00:00.000 --> 01:00:01.000\nOne hour.\n")
    assert frames(shoot.session, clip)[0][0] == hour
    (cue,) = cues_of(shoot.session, clip.id)
    assert (cue.start_us, cue.end_us) == (3_600_000_000, 3_601_000_000)


@pytest.mark.parametrize(
    ("num", "drop", "frame"), [(30000, False, 108_000), (30000, True, 108_000), (24000, False, 86_400)]
)
def test_an_hour_of_labels_without_drop_frame_is_3603_6_s(
    shoot: Shoot, num: int, drop: bool, frame: int
) -> None:
    clip = make.make_clip(
        shoot.session, make.make_reel(shoot.session, shoot.production), "L.MP4",
        rate_num=num, rate_den=1001, frames=120_000, start_frame=0, drop_frame=drop,
    )  # fmt: skip
    add(shoot, clip, "WEBVTT\n\n01:00:03.600 --> 01:00:04.000\nA label hour.\n")
    (cue,) = cues_of(shoot.session, clip.id)
    assert cue.start_frame == frame
    start = clip.start_timecode
    assert start is not None and str(start + frame) == ("01:00:03;18" if drop else "01:00:00:00")


def test_a_sound_counts_samples(shoot: Shoot) -> None:
    clip = shoot.session.scalars(select(Clip).where(Clip.media == ClipMedia.AUDIO)).one()
    add(shoot, clip)
    assert frames(shoot.session, clip)[0] == (48_000, 144_000)


def test_parts_of_a_spanning_clip_each_have_their_offset(shoot: Shoot) -> None:
    session = shoot.session
    reel = make.make_reel(session, shoot.production)
    clip = make.make_clip(session, reel, "S1.MP4", rate_num=30000, rate_den=1001, frames=2_000)
    first = clip.files[0].file
    make.make_facts(session, first, frames=1_100)
    second = make.make_file(session, reel, "S2.MP4")
    make.make_clip_file(session, clip, second, ordinal=1)
    make.make_facts(session, second, frames=900)
    add(shoot, clip, part=1)
    add(shoot, clip, part=2, name="S2.vtt")
    # 1 s at 30000/1001 is 29.97 frames: the nearest is 30.
    assert [frames(session, clip)[0], frames(session, clip)[3]] == [(30, 90), (1_130, 1_190)]
    with pytest.raises(ConflictError, match=r"has a transcript already.*part 1.*3 cues.*part 2"):
        add(shoot, clip, name="whole.vtt", text=TALK + "\n")
    add(shoot, clip, name="whole.vtt", text=TALK + "\n", replace=True)
    assert [one.part for one in transcripts_of(session, clip.id)] == [0]
    take_back(shoot)
    assert [one.part for one in transcripts_of(session, clip.id)] == [1, 2]
    with pytest.raises(UsageError, match="no part 3: the clip has 2 files"):
        add(shoot, clip, part=3)


def test_words_beyond_the_end_are_refused_by_name(shoot: Shoot, clip: Clip) -> None:
    with pytest.raises(UsageError, match=r"00:02:00:00.*00:01:00:00") as caught:
        add(shoot, clip, "WEBVTT\n\n02:00.000 --> 02:01.000\nToo late.\n")
    assert caught.value.path == "C0001.vtt"
    assert not cues_of(shoot.session, clip.id)


def test_the_same_bytes_a_second_time_change_nothing(shoot: Shoot, clip: Clip) -> None:
    add(shoot, clip)
    before = stored(shoot.session, clip)
    edits = shoot.session.scalar(select(func.count()).select_from(ChangeSet))
    assert add(shoot, clip, name="again.vtt").same
    assert stored(shoot.session, clip) == before
    assert shoot.session.scalar(select(func.count()).select_from(ChangeSet)) == edits


def test_an_import_and_a_replacement_are_taken_back_whole(shoot: Shoot, clip: Clip) -> None:
    session = shoot.session
    text = session.get(ClipText, clip.id)
    words = text.words if text is not None else ""
    add(shoot, clip)
    first = stored(session, clip)
    add(shoot, clip, json.dumps(WORDS), name="talk.json", replace=True)
    assert [cue.text for cue in cues_of(session, clip.id)] == ["The chane holds well."]
    take_back(shoot)
    assert stored(session, clip) == first
    take_back(shoot)
    assert cues_of(session, clip.id) == [] and transcripts_of(session, clip.id) == []
    session.expire_all()
    text = session.get(ClipText, clip.id)
    assert text is not None and text.words == words


def test_words_of_a_range_are_exact_where_their_times_are_known(shoot: Shoot, clip: Clip) -> None:
    add(shoot, clip, json.dumps(WORDS), name="talk.json")
    (cue,) = cues_of(shoot.session, clip.id)
    assert cue.spoken is not None
    assert cue.spoken[1] == ["chane", 30, 45, 1_200_000, 1_800_000]
    found = words_between(shoot.session, clip.id, 30, 60)
    assert (found.text, found.exact, found.speakers) == ("chane holds", True, ("Nell",))
    # Two ranges side by side share no word, wherever they meet.
    for middle in range(25, 76):
        halves = [words_between(shoot.session, clip.id, *ends).text for ends in ((25, middle), (middle, 75))]
        assert " ".join(filter(None, halves)) == "The chane holds well."


def test_words_of_a_range_are_whole_cues_where_no_word_has_a_time(shoot: Shoot, clip: Clip) -> None:
    add(shoot, clip)
    found = words_between(shoot.session, clip.id, 50, 125)
    assert (found.text, found.exact) == ("The chain is older than the boat.", False)
    assert words_between(shoot.session, clip.id, 25, 125).exact
    assert words_between(shoot.session, clip.id, 125, 150).text == ""


def test_the_hash_of_a_text_sees_words_and_not_their_spacing() -> None:
    # The same text in NFD and with other white space; the figure is what `printf 'a b' | sha256sum` says.
    assert text_hash("S\u00e5 \u00e4r det") == text_hash(" Sa\u030a\na\u0308r\t det ")
    assert text_hash("a b") == "c8687a08aa5d6ed2044328fa6a697ab8e96dc34291e8c2034ae8c38e6fcc6d65"
    assert text_hash("a b") != text_hash("a  b.")


def test_written_out_and_read_again_the_frames_are_the_same(shoot: Shoot, clip: Clip) -> None:
    from shared.transcripts import read_transcript, write_webvtt

    add(shoot, clip)
    text = write_webvtt(timed_cues(clip, cues_of(shoot.session, clip.id)))
    rate = clip.rate
    assert rate is not None
    again = read_transcript(text.encode(), "again.vtt")
    assert [cue.frames(rate) for cue in again.cues] == frames(shoot.session, clip)


# -- edits ------------------------------------------------------------------------------------------


def edited(shoot: Shoot) -> RowsEdit:
    return RowsEdit(shoot.session, shoot.production, "ada", "an edit")


def spoken(session: Session, clip: Clip) -> list[list[Any]]:
    return [word[:3] for cue in cues_of(session, clip.id) for word in cue.spoken or ()]


def test_a_corrected_word_takes_the_time_of_what_it_replaces(shoot: Shoot, clip: Clip) -> None:
    add(shoot, clip, json.dumps(WORDS), name="talk.json")
    before = stored(shoot.session, clip)
    edit = edited(shoot)
    correct(edit, cues_of(shoot.session, clip.id)[0], "The old chain holds very well.")
    edit.close()
    # "chane" had frames 30 to 45: eight characters share them, "old" three of them. Between "holds", which
    # ends at 60, and "well.", which begins there, is no room for "very".
    assert spoken(shoot.session, clip) == [
        ["The", 25, 30],
        ["old", 30, 35],
        ["chain", 35, 45],
        ["holds", 50, 60],
        ["very", 60, 60],
        ["well.", 60, 75],
    ]
    (cue,) = cues_of(shoot.session, clip.id)
    assert cue.corrected and cue.spoken is not None
    assert cue.spoken[0][3:] == [1_000_000, 1_200_000] and cue.spoken[1][3:] == [None, None]
    take_back(shoot)
    assert stored(shoot.session, clip) == before


def test_a_cue_is_parted_and_joined_again(shoot: Shoot, clip: Clip) -> None:
    add(shoot, clip, json.dumps(WORDS), name="talk.json")
    before = stored(shoot.session, clip)
    edit = edited(shoot)
    split(edit, cues_of(shoot.session, clip.id)[0], 2)
    edit.close()
    assert frames(shoot.session, clip) == [(25, 50), (50, 75)]
    assert [cue.text for cue in cues_of(shoot.session, clip.id)] == ["The chane", "holds well."]
    edit = edited(shoot)
    join(edit, cues_of(shoot.session, clip.id)[0])
    edit.close()
    (cue,) = cues_of(shoot.session, clip.id)
    assert {name: value for name, value in stored(shoot.session, clip)[0].items() if name != "corrected"} == {
        name: value for name, value in before[0].items() if name != "corrected"
    }
    with pytest.raises(UsageError, match="no cue follows"):
        join(edited(shoot), cue)
    take_back(shoot)
    take_back(shoot)
    assert stored(shoot.session, clip) == before


@pytest.mark.parametrize(("frame", "words"), [(26, 1), (40, 2), (37, 1), (38, 2), (74, 3)])
def test_a_cue_is_parted_at_a_frame(shoot: Shoot, clip: Clip, frame: int, words: int) -> None:
    """A word goes where more than half of it is: "chane" has frames 30 to 45. One at least on either side."""
    add(shoot, clip, json.dumps(WORDS), name="talk.json")
    parts = split(edited(shoot), cues_of(shoot.session, clip.id)[0], None, frame)
    assert [(one.start_frame, one.end_frame) for one in parts] == [(25, frame), (frame, 75)]
    assert [len(one.text.split()) for one in parts] == [words, 4 - words]


def test_a_number_of_a_cue_is_never_given_twice(shoot: Shoot, clip: Clip) -> None:
    add(shoot, clip)
    numbers = {cue.id for cue in cues_of(shoot.session, clip.id)}
    edit = edited(shoot)
    remove_transcript(edit, transcripts_of(shoot.session, clip.id)[0])
    edit.close()
    add(shoot, clip, json.dumps(WORDS), name="talk.json")
    edit = edited(shoot)
    split(edit, cues_of(shoot.session, clip.id)[0], 1)
    edit.close()
    assert not numbers & {cue.id for cue in cues_of(shoot.session, clip.id)}


def test_moved_cues_take_their_words_along(shoot: Shoot, clip: Clip) -> None:
    add(shoot, clip, json.dumps(WORDS), name="talk.json")
    edit = edited(shoot)
    move(edit, cues_of(shoot.session, clip.id)[0], 125, 225)
    edit.close()
    (cue,) = cues_of(shoot.session, clip.id)
    assert (cue.start_us, cue.end_us) == (5_000_000, 9_000_000)
    assert spoken(shoot.session, clip)[1] == ["chane", 135, 165]
    for start, end in ((-1, 5), (5, 5), (0, 1_501)):
        with pytest.raises(UsageError, match="no range"):
            move(edited(shoot), cue, start, end)


def test_others_do_not_speak_in_one_cue(shoot: Shoot, clip: Clip) -> None:
    add(shoot, clip)
    with pytest.raises(UsageError, match="somebody else"):
        join(edited(shoot), cues_of(shoot.session, clip.id)[1])


def test_a_speaker_is_named_once_for_every_transcript(shoot: Shoot, clip: Clip) -> None:
    session = shoot.session
    other = next(session.get_one(Clip, key) for key, name in shoot.names.items() if name == "ada")
    add(shoot, clip)
    add(shoot, other, TALK + "\n")
    edit = edited(shoot)
    assert name_speaker(edit, cues_spoken_by(edit, "NELL"), "Nell Marsh") == 4
    edit.close()
    assert [cue.person.name for cue in cues_of(session, clip.id) if cue.person] == ["Nell Marsh"] * 2
    assert [cue.speaker for cue in cues_of(session, other.id)] == ["Nell", "Nell", "Guest"]
    assert shoot.find('person:"Nell Marsh"') == shoot.find("marsh") == "winch ada"
    with pytest.raises(NotFoundError, match=r"nobody is called 'Ned'") as caught:
        cues_spoken_by(edited(shoot), "Ned")
    assert caught.value.remedy is not None and "Guest, Nell" in caught.value.remedy
    take_back(shoot)
    assert not any(cue.person for cue in cues_of(session, clip.id))
    assert shoot.find("marsh") == ""


def test_corrections_are_named_before_they_go_and_come_back(shoot: Shoot, clip: Clip) -> None:
    add(shoot, clip)
    edit = edited(shoot)
    correct(edit, cues_of(shoot.session, clip.id)[0], "The chain is much older")
    edit.close()
    before = stored(shoot.session, clip)
    with pytest.raises(ConflictError, match=r"C0001.vtt: 3 cues, 1 corrected by a person"):
        add(shoot, clip, json.dumps(WORDS), name="talk.json")
    # The same bytes again never overwrite a correction, not even when asked to replace.
    assert add(shoot, clip, replace=True).same
    assert stored(shoot.session, clip) == before
    add(shoot, clip, json.dumps(WORDS), name="talk.json", replace=True)
    take_back(shoot)
    assert stored(shoot.session, clip) == before


def test_an_import_that_was_corrected_is_not_taken_back_unseen(shoot: Shoot, clip: Clip) -> None:
    add(shoot, clip)
    imported = shoot.session.scalar(select(func.max(ChangeSet.id)))
    edit = edited(shoot)
    correct(edit, cues_of(shoot.session, clip.id)[0], "The chain is much older")
    edit.close()
    with pytest.raises(ConflictError, match="changed since"):
        take_back(shoot, imported)
