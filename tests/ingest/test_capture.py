"""Slow motion: a capture rate that files state or their times suggest, and a lens that is only assumed."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from fractions import Fraction
from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from api.handover.columns import COLUMNS, Line
from api.handover.shots import gather_handover
from ingest.capture import SUGGESTED_CODE, find_captures, keeps_time, suggest_capture
from ingest.clips import MediaFile, group_clips
from ingest.media.facts import Described, Facts, Noticed
from ingest.record_clips import log_clips
from shared.capture import Capture, capture_of
from shared.catalogue.assignments import SetValue
from shared.catalogue.clip_rows import clip_rows
from shared.catalogue.lenses import set_usual_lens
from shared.catalogue.log import apply_changes
from shared.db import Sessions, reading, writing
from shared.models import Clip, File, Finding, Lens, Reel
from shared.vocabulary import load_vocabulary
from tests import factories as make
from tests.ingest.clips_support import NOON, SECOND, sound, video

START = "2026-05-12 12:00:00 UTC"


def take(path: str, closed: int, **facts: Any) -> MediaFile:
    """Forty seconds of film without sound whose file was closed `closed` seconds after its stamp."""
    values: dict[str, Any] = {
        "audio_codec": None,
        "audio_channels": None,
        "rate_mode": "constant",
        "frames": 1000,
        "recorded_raw": START,
        "recorded_field": "movie header",
        **facts,
    }
    return video(path, mtime_ns=NOON + closed * SECOND, **values)


@pytest.mark.parametrize(
    ("rate", "frames", "closed", "captured"),
    [
        ((25, 1), 1000, 10, Fraction(100)),  # 40 s of film, taken in 10
        ((25, 1), 1000, 20, Fraction(50)),
        ((25, 1), 6000, 50, Fraction(120)),  # 240 s in 50
        ((24_000, 1001), 2400, 20, Fraction(120_000, 1001)),  # five times as slow (TRADE: 119.88 is 5x)
        ((24_000, 1001), 2400, 40, Fraction(60_000, 1001)),  # two and a half times
        ((30_000, 1001), 3000, 25, Fraction(120_000, 1001)),
        ((25, 1), 1000, 40, None),  # as long as it plays
        ((25, 1), 1000, 38, None),
        ((25, 1), 1000, 33, None),  # a pulldown at most
        ((25, 1), 1000, 0, None),  # the stamp is of the end
        ((25, 1), 1000, 3, None),
        ((25, 1), 100, 2, None),  # too short for clocks of whole seconds
        ((25, 1), 25_000, 250, None),  # as long as a zone is wide
    ],
)
def test_a_file_closed_too_soon_suggests_slow_motion(
    rate: tuple[int, int], frames: int, closed: int, captured: Fraction | None
) -> None:
    found = suggest_capture(take("C1.MOV", closed, rate_num=rate[0], rate_den=rate[1], frames=frames))
    assert (None if found is None else found.capture.rate) == captured
    if found is not None:
        assert found.capture.certainty == "suggested" and found.noticed is not None
        assert (found.noticed.code, found.noticed.severity) == (SUGGESTED_CODE, "note")
        assert "Perhaps" in found.noticed.message and "Confidence" in found.noticed.message


@pytest.mark.parametrize("quarters", [-48, -4, 1, 4, 23, 56])
def test_hours_between_the_zones_of_two_clocks_do_not_matter(quarters: int) -> None:
    found = suggest_capture(take("C1.MOV", 10 + quarters * 900))
    assert found is not None and found.capture.rate == 100
    assert keeps_time(take("C1.MOV", 40 + quarters * 900)) is True
    assert suggest_capture(take("C1.MOV", 10 + 86_400)) is None, "the time of another day is a copy's"


def test_sound_and_a_varying_rate_speak_against_it() -> None:
    assert suggest_capture(take("C1.MOV", 10, audio_codec="PCM")) is None
    assert suggest_capture(take("C1.MOV", 10, rate_mode="variable")) is None
    assert suggest_capture(take("C1.MOV", 10, recorded_raw=None)) is None


def test_what_else_fits_makes_it_more_or_less_sure() -> None:
    slow = take("C1.MOV", 50, frames=6000, start_frame=2_159_900)
    alone = suggest_capture(slow)
    assert alone is not None and alone.noticed is not None and "Confidence: weak" in alone.noticed.message
    following = take("C2.MOV", 40, start_frame=400).facts  # 500 frames on, over midnight
    sure = suggest_capture(slow, following)
    assert sure is not None and sure.noticed is not None and "Confidence: fair" in sure.noticed.message
    assert "next clip's timecode begins before" in sure.noticed.message
    kept = suggest_capture(slow, None, kept=True)
    assert kept is not None and kept.noticed is not None and "Confidence: fair" in kept.noticed.message
    vague = suggest_capture(take("C1.MOV", 10), following)
    assert vague is not None and vague.noticed is not None and "other rates fit" in vague.noticed.message


def captured(files: list[MediaFile]) -> dict[str, Capture]:
    clips = group_clips(files)
    return {name: found.capture for name, found in find_captures(clips, files).items()}


def test_times_of_a_copy_suggest_nothing() -> None:
    """The file times of a card that was copied by hand are those of the copying, one after the other."""
    files = [
        take(f"D/C{n:04d}.MOV", 10 + n, recorded_raw=f"2026-05-12 {11 + n // 6:02d}:{n % 6 * 10:02d}:00 UTC")
        for n in range(8)
    ]
    assert captured(files) == {}
    honest = [take("D/C0001.MOV", 40), take("D/C0005.MOV", 10)]
    assert {name: one.rate for name, one in captured(honest).items()} == {"D/C0005": Fraction(100)}


def test_a_file_or_its_sidecar_that_states_it_needs_no_suggestion() -> None:
    stated = {"capture_rate": {"rate": "100", "certainty": "stated", "source": "x"}}
    film = take("D/C1.MOV", 40)
    xml = MediaFile(b"D/C1M01.XML", 300, NOON, Facts(container="XML", more=stated))
    assert captured([film, xml]) == {"D/C1": Capture(Fraction(100), "stated", "x")}
    assert captured([replace(film, facts=replace(film.facts or Facts(), more=stated))])["D/C1"].rate == 100
    assert captured([film]) == {}


@pytest.mark.parametrize(
    "said", [None, 5, {}, {"rate": "x"}, {"rate": "1/0"}, {"rate": "-3"}, {"rate": "1e9"}]
)
def test_what_is_no_capture_rate_is_none(said: Any) -> None:
    assert capture_of({"capture_rate": said}) is None


# Into the catalogue, and out of it.


@pytest.fixture
def reel_id(catalogue: Sessions) -> int:
    with writing(catalogue) as session:
        production = make.make_production(session)
        usual = make.make_lens(session, production, "35 mm")
        make.make_lens(session, production, "Prime 85")
        camera = make.make_camera(session, production, default_lens_id=usual.id)
        return make.make_reel(session, production, camera_id=camera.id).id


def log(catalogue: Sessions, reel_id: int, *files: MediaFile) -> None:
    with writing(catalogue) as session:
        reel = session.get_one(Reel, reel_id)
        known = {file.path_bytes for file in session.scalars(select(File).filter_by(reel_id=reel_id))}
        for file in files:
            if file.path not in known:
                make.make_file(session, reel, file.path.decode(), mtime_ns=file.mtime_ns, size=file.size)
    log_clips(catalogue, reel_id, {file.path: Described(file.facts) for file in files})


def cells(session: Session, clip: Clip) -> dict[str, object]:
    now = dt.datetime(2026, 6, 1, tzinfo=dt.UTC)
    handover = gather_handover(session, clip.production, [clip], query="", made_at=now)
    line = Line(handover, handover.shots[0], {})
    return {column.key: column.of(line) for column in COLUMNS}


def test_capture_and_playback_rate_are_both_kept(catalogue: Sessions, reel_id: int) -> None:
    log(catalogue, reel_id, take("D/C0001.MOV", 40), take("D/C0005.MOV", 10))
    with reading(catalogue) as session:
        normal, slow = session.scalars(select(Clip).order_by(Clip.name))
        assert normal.capture_rate is None and normal.capture_certainty == "none"
        assert normal.real_seconds == 40
        assert (slow.rate_num, slow.frames, slow.capture_certainty) == (25, 1000, "suggested")
        assert slow.capture_rate == 100 and slow.real_seconds == 10, "it plays 40 s, and took 10"
        assert [one.code for one in slow.findings if one.code == SUGGESTED_CODE] == [SUGGESTED_CODE]
        (row,) = clip_rows(session, [slow], {})
        assert (row.rate, row.capture_rate, row.capture_certainty) == ("25", "100", "suggested")
        said = cells(session, slow)
        assert (said["frame_rate"], said["capture_rate"]) == ("25", "100 (suggested)")
        assert str(said["duration_seconds"]) == "40.000"


def test_a_stated_rate_takes_the_place_of_a_suggestion(catalogue: Sessions, reel_id: int) -> None:
    film = take("D/C0005.MOV", 10)
    log(catalogue, reel_id, take("D/C0001.MOV", 40), film)
    more = {"capture_rate": {"rate": "120", "certainty": "stated", "source": "x"}}
    log(catalogue, reel_id, replace(film, facts=replace(film.facts or Facts(), more=more)))
    with reading(catalogue) as session:
        slow = session.scalars(select(Clip).filter_by(name="D/C0005")).one()
        assert slow.capture_rate == 120 and slow.capture_certainty == "stated"
        assert session.scalar(select(Finding.id).filter_by(code=SUGGESTED_CODE)) is None
        assert cells(session, slow)["capture_rate"] == "120"


def test_a_lens_of_the_kit_list_is_assumed_until_a_file_or_a_person_names_one(
    catalogue: Sessions, reel_id: int
) -> None:
    named = {"lens": {"lens_model": "prime  85", "source": "Exif"}}
    unknown = {"lens": {"lens_model": "Zoom 24-70", "source": "Exif"}}
    log(
        catalogue,
        reel_id,
        take("D/C0001.MOV", 40),
        take("D/C0003.MOV", 40, more=named),
        take("D/C0005.MOV", 40, more=unknown),
    )
    with writing(catalogue) as session:
        clips = list(session.scalars(select(Clip).order_by(Clip.name)))
        assert [cells(session, clip)["lens"] for clip in clips] == [
            "35 mm (assumed)",
            "Prime 85",
            "Zoom 24-70",
        ]
        assert [clip.lens_assumed for clip in clips] == [True, False, False]
        change = [SetValue("lens", "35 mm")]
        apply_changes(
            session, clips[0].production, [clips[0].id], change, vocabulary=load_vocabulary(), by="Ada Wren"
        )
        session.refresh(clips[0])
        assert clips[0].lens_assumed is False and cells(session, clips[0])["lens"] == "35 mm"
    log(catalogue, reel_id, take("D/C0001.MOV", 40, more=named), sound("D/S0001.WAV"))
    with reading(catalogue) as session:
        clip = session.scalars(select(Clip).order_by(Clip.name)).first()
        assert clip is not None and clip.lens is not None and clip.lens.name == "35 mm", (
            "a person's word stays"
        )


def test_a_usual_lens_is_assumed_afterwards_and_taken_back(catalogue: Sessions, reel_id: int) -> None:
    named = {"lens": {"lens_model": "Zoom 24-70", "source": "Exif"}}
    log(catalogue, reel_id, take("D/C0001.MOV", 40), take("D/C0003.MOV", 40, more=named), sound("D/S1.WAV"))

    def lenses(usual: str | None) -> list[tuple[str | None, bool]]:
        with writing(catalogue) as session:
            camera = session.get_one(Reel, reel_id).camera
            lens = usual and session.scalars(select(Lens).filter_by(name=usual)).one()
            assert camera is not None
            set_usual_lens(session, camera, lens or None)
            rows = session.scalars(select(Clip).order_by(Clip.name))
            return [(clip.lens.name if clip.lens else None, clip.lens_assumed) for clip in rows]

    neither, heard = (None, False), (None, False)
    assert lenses("Prime 85") == [("Prime 85", True), neither, heard], (
        "the file names another, sound has none"
    )
    assert lenses("35 mm") == [("35 mm", True), neither, heard]
    assert lenses(None) == [(None, False), neither, heard]
    assert lenses("35 mm")[0] == ("35 mm", True)


def test_a_word_taken_away_leaves_what_file_and_kit_say(catalogue: Sessions, reel_id: int) -> None:
    named = {"lens": {"lens_model": "Zoom 24-70", "source": "Exif"}}
    with writing(catalogue) as session:
        reel = session.get_one(Reel, reel_id)
        prime = session.scalars(select(Lens).filter_by(name="Prime 85")).one()
        wide = make.make_lens(session, reel.production, "Wide 16")
        make.make_lens(session, reel.production, "Zoom 24-70")
        assert reel.camera is not None
        reel.camera.default_lens_id = prime.id
        other = make.make_camera(session, reel.production, letter="D")
        other.default_lens_id = wide.id
    log(catalogue, reel_id, take("D/C0001.MOV", 40), take("D/C0003.MOV", 40, more=named), sound("D/S1.WAV"))

    def lenses(*changes: SetValue) -> list[tuple[str | None, bool]]:
        with writing(catalogue) as session:
            clips = list(session.scalars(select(Clip).order_by(Clip.name)))
            ids = [clip.id for clip in clips]
            apply_changes(session, clips[0].production, ids, changes, load_vocabulary(), "Ada Wren")
            session.expire_all()
            return [(clip.lens.name if clip.lens else None, clip.lens_assumed) for clip in clips]

    by_file, heard = ("Zoom 24-70", False), (None, False)
    assert lenses(SetValue("lens", "Wide 16")) == [("Wide 16", False)] * 3
    assert lenses(SetValue("lens", None)) == [("Prime 85", True), by_file, heard]
    assert lenses(SetValue("camera", "D")) == [("Wide 16", True), by_file, heard]
    assert lenses(SetValue("lens", "Prime 85"), SetValue("camera", "A")) == [("Prime 85", False)] * 3
    assert lenses(SetValue("camera", "D")) == [("Prime 85", False)] * 3, "a person's word stays"
    assert lenses(SetValue("camera", None), SetValue("lens", None)) == [(None, False), by_file, heard]


def test_what_a_proxy_is_like_is_no_finding_of_its_take(catalogue: Sessions, reel_id: int) -> None:
    film, twin = take("D/C0001.MOV", 40), take("D/C0001_proxy.MOV", 40, width=640, height=360)
    with writing(catalogue) as session:
        for file in (film, twin):
            make.make_file(
                session, session.get_one(Reel, reel_id), file.path.decode(), mtime_ns=file.mtime_ns
            )
    note, fault = Noticed("recorded-date-unset", "note", "x"), Noticed("decode-errors", "fault", "y")
    described = {film.path: Described(film.facts), twin.path: Described(twin.facts, (), (note, fault))}
    log_clips(catalogue, reel_id, described)
    with reading(catalogue) as session:
        codes = set(session.scalars(select(Finding.code)))
        assert "decode-errors" in codes, "that it is damaged is worth knowing"
        assert "recorded-date-unset" not in codes
