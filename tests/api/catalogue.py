"""A small catalogue with real still files, and clients that talk to the service over it."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import xxhash
from PIL import Image, ImageDraw
from sqlalchemy import select
from sqlalchemy.orm import Session
from starlette.testclient import TestClient

from api.app import create_app
from shared.catalogue.text import refresh_text
from shared.db import Sessions, writing
from shared.models import (
    CameraKind,
    Clip,
    ClipMedia,
    Copy,
    CopyState,
    Destination,
    File,
    FileRole,
    Lens,
    LogEntry,
    Person,
    Production,
    Reel,
    Severity,
    ShootingDay,
    StillKind,
    Tag,
    ZoneRule,
)
from shared.settings import Settings
from shared.vocabulary import load_vocabulary
from tests import factories as make

BASE = "http://127.0.0.1:8640"
GOALS = (
    "Meet the ferrywoman: the interview in the wheelhouse, her hands at the winch.",
    "The machine: gears and chain from close by, the whole crossing from the air.",
)
# Subject, kind, size, rating and note of each clip of a day.
SHOTS = (
    (
        "the ferry leaves the quay",
        "establishing",
        "els",
        "circled",
        "Mist until seven, then the first light.",
    ),
    ("her hands at the winch", "insert", "ecu", "good", ""),
    ("interview in the wheelhouse", "interview", "mcu", "good", "“The river decides, not the timetable.”"),
    ("chain over the gear", "b-roll", "cu", "ng", "Soft focus in the second half."),
)


@dataclass(frozen=True, slots=True)
class Seeded:
    """Ids that tests ask for. `clips`: four of day 1, then four of day 2."""

    production: int
    slug: str
    clips: tuple[int, ...]
    unlogged: int
    sound: int
    still: int
    reels: tuple[int, ...]
    offload: int


@dataclass(frozen=True, slots=True)
class _Kit:
    """Rows that every clip of the catalogue shares."""

    production: Production
    lens: Lens
    tag: Tag
    person: Person
    north: Destination
    south: Destination


def make_settings(tmp_path: Path, **values: object) -> Settings:
    home = tmp_path / "home"
    home.mkdir(exist_ok=True)
    return Settings(home=home, **values)  # type: ignore[arg-type]


@contextmanager
def client_of(
    settings: Settings, sessions: Sessions, *, base: str = BASE, raises: bool = True
) -> Iterator[TestClient]:
    app = create_app(settings, sessions)
    with TestClient(app, base_url=base, follow_redirects=False, raise_server_exceptions=raises) as client:
        yield client


def seed(sessions: Sessions, stills: Path) -> Seeded:
    """Two days, three reels whose copies stand differently, ten clips; every still is a drawn file."""
    with writing(sessions) as session:
        return _seed(session, stills)


def _seed(session: Session, stills: Path) -> Seeded:
    production = make.make_production(session)
    days = [make.make_day(session, production, goal=goal) for goal in GOALS]
    kit = _Kit(
        production,
        make.make_lens(session, production),
        make.make_tag(session, production),
        make.make_person(session, production),
        make.make_destination(session, "/drives/north", name="North"),
        make.make_destination(session, "/drives/south", name="South"),
    )
    camera = make.make_camera(session, production, letter="A", name="Main camera", zone_rule=ZoneRule.UTC)
    drone = make.make_camera(session, production, letter="D", name="Drone", kind=CameraKind.DRONE)
    camera.default_lens_id = kit.lens.id
    reels = [
        make.make_reel(session, production, name=f"A00{day.number}", camera_id=camera.id, day_id=day.id)
        for day in days
    ]
    clips = [
        clip
        for reel, day in zip(reels, days, strict=True)
        for clip in _shoot_day(session, kit, reel, day, stills)
    ]
    _copy_all(session, reels[0], (kit.north, kit.south))
    _copy_all(session, reels[1], (kit.north, kit.south))
    _spoil_copy(session, reels[1], kit.south)
    reels.append(make.make_reel(session, production, name="D001", camera_id=drone.id, day_id=days[1].id))
    unlogged, sound = _fly(session, reels[2], stills)
    _copy_all(session, reels[2], (kit.north,))
    verdict = {"may_be_formatted": False, "reasons": ["4 files on one drive: C0001.MOV and 3 more"]}
    offload = make.make_offload(session, reels[0], report={"reel": "A001", "files": [], "verdict": verdict})
    refresh_text(session, list(session.scalars(select(Clip.id))), load_vocabulary())
    return Seeded(
        production.id,
        production.slug,
        tuple(clip.id for clip in clips),
        unlogged.id,
        sound.id,
        clips[0].stills[0].id,
        tuple(reel.id for reel in reels),
        offload.id,
    )


def _shoot_day(session: Session, kit: _Kit, reel: Reel, day: ShootingDay, stills: Path) -> list[Clip]:
    clips = []
    for place, (subject, kind, size, rating, note) in enumerate(SHOTS):
        clip = make.make_clip(
            session,
            reel,
            f"DCIM/10{day.number}CLIPS/C{place + 1:04}.MOV",
            lens_id=kit.lens.id,
            shot_at=dt.datetime(2026, 5, day.number, 5, 40 + place * 4, tzinfo=dt.UTC),
            start_frame=900_000 + place * 500,
            frames=275 + 40 * place,
        )
        values = {"subject": subject, "kind": kind, "size": size, "rating": rating, "note": note}
        tags = [kit.tag] if place == 0 else []
        people = [kit.person] if kind == "interview" else []
        make.make_entry(session, clip, tags=tags, people=people, **values)
        for at in range(3):
            draw_still(session, stills, clip, at, day.number * 4 + place)
        if rating == "ng":
            make.make_finding(session, clip, code="soft-focus", message="soft focus", value=0.31)
        clips.append(clip)
    for file in _files_of(session, reel):
        make.make_facts(session, file, audio_codec="PCM", audio_channels=2, audio_rate=48_000)
    return clips


def _fly(session: Session, reel: Reel, stills: Path) -> tuple[Clip, Clip]:
    """A drone's clip of unknown time that nobody logged, and a sound nobody could make sense of."""
    flight = make.make_clip(session, reel, "MISC/FLY0001.MP4", rate_num=30_000, rate_den=1001, shot_at=None)
    side = make.make_file(session, reel, "MISC/FLY0001.SRT")
    make.make_clip_file(session, flight, side, role=FileRole.SIDECAR, ordinal=1)
    sound = make.make_clip(
        session,
        reel,
        "MISC/ATMOS.WAV",
        media=ClipMedia.AUDIO,
        rate_num=48_000,
        rate_den=1,
        frames=96_000,
        shot_at=None,
    )
    draw_still(session, stills, sound, 0, 9, kind=StillKind.WAVEFORM)
    wav = next(file for file in _files_of(session, reel) if file.path.endswith(".WAV"))
    make.make_finding(session, file_id=wav.id, severity=Severity.FAULT, message="digital silence")
    return flight, sound


def _files_of(session: Session, reel: Reel) -> list[File]:
    return list(session.scalars(select(File).where(File.reel_id == reel.id).order_by(File.id)))


def _copy_all(session: Session, reel: Reel, destinations: tuple[Destination, ...]) -> None:
    for file in _files_of(session, reel):
        for destination in destinations:
            make.make_copy(session, file, destination)


def _spoil_copy(session: Session, reel: Reel, destination: Destination) -> None:
    last = _files_of(session, reel)[-1]
    copy = session.scalars(select(Copy).filter_by(file_id=last.id, destination_id=destination.id)).one()
    copy.state, copy.verified_at = CopyState.DIFFERS, None
    session.flush()


def draw_still(
    session: Session, stills: Path, clip: Clip, at: int, seed: int, kind: StillKind = StillKind.FRAME
) -> None:
    """A river scene as a real JPEG file below the stills folder, and its row."""
    path = f"{clip.reel_id}/{clip.name.replace('/', '_')}-{at}.jpg"
    file = stills / path
    file.parent.mkdir(parents=True, exist_ok=True)
    picture = _waveform() if kind is StillKind.WAVEFORM else _river(seed, at)
    picture.save(file, quality=80)
    clip.stills.append(make.make_still(session, clip, ordinal=at, kind=kind, path=path, frame=10 + at * 100))


def _river(seed: int, at: int) -> Image.Image:
    width, height = 640, 360
    picture = Image.new("RGB", (width, height))
    draw = ImageDraw.Draw(picture)
    sky, water = (178 + seed * 4, 150 + seed * 3, 120), (52, 70 + seed * 4, 84)
    for row in range(height):
        shade = row / height
        colour = sky if row < 190 else water
        draw.line((0, row, width, row), tuple(int(part * (0.72 + 0.28 * shade)) for part in colour))
    hills = [(x, 190 - 22 - 18 * math.sin(x / 70 + seed)) for x in range(0, width + 1, 8)]
    draw.polygon([(0, 192), *hills, (width, 192)], (58, 62, 48))
    ferry = 90 + seed * 22 + at * 70
    draw.polygon([(ferry, 214), (ferry + 190, 214), (ferry + 168, 246), (ferry + 22, 246)], (40, 34, 30))
    draw.rectangle((ferry + 70, 172, ferry + 120, 214), (206, 190, 160))
    draw.rectangle((ferry + 80, 182, ferry + 110, 198), (240, 184, 92))
    draw.line((0, 238, width, 238), (24, 24, 24), 2)
    for wave in range(14):
        x, y = (wave * 97 + seed * 31 + at * 13) % width, 258 + wave * 7
        draw.line((x, y, x + 46, y), (120, 140, 150), 2)
    return picture


def _waveform() -> Image.Image:
    picture = Image.new("RGB", (640, 160), (28, 25, 22))
    draw = ImageDraw.Draw(picture)
    for x in range(640):
        size = abs(math.sin(x / 23) * math.sin(x / 7)) * 70
        draw.line((x, 80 - size, x, 80 + size), (226, 205, 168))
    return picture


def put_copy(
    sessions: Sessions, root: Path, data: bytes, *, file_id: int = 1, destination: str = "North"
) -> int:
    """Make a file's copy at a destination real: the bytes under its final name, and the rows say so.

    Returns the file's id.
    """
    with writing(sessions) as session:
        file = session.get_one(File, file_id)
        reel = session.get_one(Reel, file.reel_id)
        place = session.scalars(select(Destination).filter_by(name=destination)).one()
        copy = session.scalars(select(Copy).filter_by(file_id=file.id, destination_id=place.id)).one()
        path = root / reel.folder / file.path
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
        place.path, file.size = str(root), len(data)
        file.digest = xxhash.xxh3_128_hexdigest(data)
        copy.mtime_ns = path.stat().st_mtime_ns
    return file_id


def entry_of(session: Session, clip_id: int) -> LogEntry | None:
    return session.scalar(select(LogEntry).where(LogEntry.clip_id == clip_id))
