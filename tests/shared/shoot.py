"""A small production that searches are tried on."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field

from sqlalchemy.orm import Session

from shared.catalogue.search import find_clips
from shared.catalogue.text import refresh_text
from shared.models import CameraKind, ClipMedia, Production
from shared.query import Query
from shared.vocabulary import Vocabulary
from tests.factories import (
    make_camera,
    make_clip,
    make_day,
    make_entry,
    make_finding,
    make_lens,
    make_person,
    make_production,
    make_reel,
    make_still,
    make_tag,
)


@dataclass(frozen=True)
class Shoot:
    """A small production, and a way to ask it."""

    session: Session
    production: Production
    vocabulary: Vocabulary = field(repr=False)
    names: dict[int, str]  # short name by clip id

    def find(self, query: str | Query) -> str:
        page = find_clips(self.session, self.production, query, self.vocabulary)
        assert page.total == len(page.clips)
        return " ".join(self.names[clip.id] for clip in page.clips)


def build_shoot(session: Session, vocabulary: Vocabulary) -> Shoot:
    """Five clips in time order, `pilot` without a time and so last.

    winch, ada: day 1, camera A. aerial: day 2, drone D. room: day 2, recorder. pilot: of no day, unlogged.
    """
    production = make_production(session)
    one, two = make_day(session, production), make_day(session, production)
    lens = make_lens(session, production, "35 mm f/1.8")
    camera = make_camera(session, production, letter="A", name="Main body")
    drone = make_camera(session, production, letter="D", name="Drone", kind=CameraKind.DRONE)
    recorder = make_camera(session, production, letter="S", name="Recorder", kind=CameraKind.RECORDER)
    ada = make_person(session, production, "Ada Wren")
    make_person(session, production, "Tom Reed")
    ferry, rope = make_tag(session, production, "ferry"), make_tag(session, production, "Rope & chain")
    a001 = make_reel(session, production, name="A001", camera_id=camera.id, day_id=one.id)
    d001 = make_reel(session, production, name="D001", camera_id=drone.id, day_id=two.id)
    s001 = make_reel(session, production, name="S001", camera_id=recorder.id, day_id=two.id)
    winch = make_clip(session, a001, "CLIP/C0001.MP4", lens_id=lens.id, frames=1500, start_frame=90000)
    interview = make_clip(session, a001, "CLIP/C0002.MP4", frames=750)
    aerial = make_clip(
        session, d001, "DCIM/Bogen Øst_0001.MP4", rate_num=30000, rate_den=1001, frames=899, shot_at=at(2, 9)
    )
    room = make_clip(
        session,
        s001,
        "TAKE01.WAV",
        media=ClipMedia.AUDIO,
        rate_num=48000,
        frames=48000 * 31,
        shot_at=at(2, 10),
    )
    pilot = make_clip(
        session, d001, "DCIM/pilot 🎬.MP4", camera_id=None, day_id=None, shot_at=None, frames=None
    )
    make_entry(
        session, winch, tags=[ferry, rope], kind="b-roll", size="cu", angle="high", rating="good",
        place="Fähre, Nordufer", subject="hands at the chain winch", note="50% done, under_score"
    )  # fmt: skip
    make_entry(session, interview, people=[ada], kind="interview", size="ms", rating="circled")
    make_entry(
        session, aerial, tags=[ferry], kind="establishing", movement="fly-over", rating="ng", reason="focus"
    )
    make_entry(session, room, kind="room-tone", rating="alt")
    make_still(session, winch)
    make_still(session, winch)
    make_finding(session, interview, code="no-signal")
    make_finding(session, room, code="hum", dismissed="it is the winch")
    names = {winch.id: "winch", interview.id: "ada", aerial.id: "aerial", room.id: "room", pilot.id: "pilot"}
    refresh_text(session, names, vocabulary)
    return Shoot(session, production, vocabulary, names)


def at(day: int, hour: int) -> dt.datetime:
    return dt.datetime(2026, 5, day, hour, tzinfo=dt.UTC)
