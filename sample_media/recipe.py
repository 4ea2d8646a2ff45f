"""The recipe: makes every card of the sample production, file by file, under one folder."""

from __future__ import annotations

import math
import os
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from pathlib import Path
from xml.sax.saxutils import quoteattr

from PIL import Image

from sample_media.clips import FORMATS, Recording, render_frames, write_recording
from sample_media.production import Card, Clip, Production, load_production
from sample_media.scenes import PICTURES, Move
from sample_media.sound import SAMPLE_RATE, Take, hear, write_wave
from shared.errors import ConflictError
from shared.timecode import Rate, Timecode

_THUMBNAIL = (160, 90)
_KEPT_OF_TRUNCATED = Fraction(7, 10)


@dataclass(frozen=True)
class SampleCard:
    """A card that was made: what is written on it, the reel it becomes, and how many files it holds."""

    path: Path
    label: str
    reel: str
    camera: str
    day: int
    file_count: int
    """Every file in the tree, junk included."""
    junk_count: int
    """Of these, files that an operating system left behind."""
    note: str


def make_cards(folder: Path) -> list[SampleCard]:
    """Make all cards as `folder`/day-1/A01 and so on, in shooting order. Same bytes on each run of a machine.

    Raises ConflictError where a card's folder exists already, OSError when the disk refuses.
    """
    production = load_production()
    places = [(card, folder / f"day-{card.day}" / card.label) for card in production.cards]
    for _, place in places:
        if place.exists():
            raise ConflictError(
                "there is a card here already",
                path=str(place),
                remedy="Name an empty folder; nothing is ever written over.",
            )
    # Encoding and scaling run outside the interpreter's lock, so two cards at a time keep two cores busy.
    with ThreadPoolExecutor(max_workers=min(4, os.cpu_count() or 1)) as pool:
        made = [pool.submit(make_card, production, card, place) for card, place in places]
        return [card.result() for card in made]


def make_card(production: Production, card: Card, root: Path) -> SampleCard:
    """Make one card in `root`, which must not exist."""
    (root / card.folder).mkdir(parents=True)
    clips = production.clips_of(card.reel)
    for clip in clips:
        _make_clip(production, card, clip, root)
    last = max(_ends_at(production, card, clip) for clip in clips)
    extras = production.extras_of(card.reel)
    for extra in extras:
        path = root / extra.path
        path.write_text(extra.text, encoding="utf-8", newline="\n")
        _stamp_file(path, last)
    _stamp_folders(root, last)
    return SampleCard(
        path=root,
        label=card.label,
        reel=card.reel,
        camera=card.camera,
        day=card.day,
        file_count=sum(1 for path in root.rglob("*") if path.is_file()),
        junk_count=sum(extra.junk for extra in extras),
        note=card.note,
    )


def _make_clip(production: Production, card: Card, clip: Clip, root: Path) -> None:
    if card.camera not in FORMATS:
        _make_sound_take(production, card, clip, root)
        return
    form = FORMATS[card.camera]
    for recording, ends_at in _split_take(production, card, clip):
        path = root / card.folder / recording.name
        if clip.fault == "empty":
            path.touch()
        else:
            write_recording(path, recording, form)
        if clip.fault == "truncated":
            os.truncate(path, int(path.stat().st_size * _KEPT_OF_TRUNCATED))
        companions = [*_write_companions(card, clip, recording, root)]
        for written in (path, *companions):
            _stamp_file(written, ends_at)


def _split_take(production: Production, card: Card, clip: Clip) -> Iterator[tuple[Recording, datetime]]:
    """One recording for each file of the take, with the true instant at which the file was closed."""
    rate = FORMATS[card.camera].rate
    timecode = Timecode.parse(clip.timecode, rate) if clip.timecode else None
    painter = PICTURES[clip.picture]() if clip.picture else None
    total = sum(file.length for file in clip.files)
    done = 0
    for file in clip.files:
        started = clip.start + _to_span(rate.frames_to_seconds(done))
        recording = Recording(
            name=file.name,
            painter=painter,
            move=Move(clip.log.movement, clip.log.support),
            sound=clip.sound,
            microphones=clip.microphones,
            first_sample=count_samples(started),
            timecode=timecode + done if timecode else None,
            first_frame=done,
            frames=file.length,
            take_frames=total,
            stamp=_read_device_clock(production, card, started),
        )
        done += file.length
        yield recording, _to_utc(production, clip.start + _to_span(rate.frames_to_seconds(done)))


def _make_sound_take(production: Production, card: Card, clip: Clip, root: Path) -> None:
    file = clip.files[0]
    first = count_samples(clip.start)
    take = Take(
        project=production.name,
        reel=card.reel,
        number=production.clips_of(card.reel).index(clip) + 1,
        description=clip.log.subject,
        started=clip.start,
        first_sample=first,
        tracks=clip.tracks or clip.microphones,
    )
    path = root / card.folder / file.name
    write_wave(path, hear(clip.sound, first, file.length, clip.microphones), take)
    _stamp_file(path, _ends_at(production, card, clip))


def _write_companions(card: Card, clip: Clip, recording: Recording, root: Path) -> Iterator[Path]:
    """What lies beside a clip: a description and a thumbnail for the gimbal, subtitles for the drone."""
    media = root / card.folder / recording.name
    if card.camera == "B":
        description = media.with_suffix(".XML")
        description.write_text(_describe(clip, recording), encoding="utf-8", newline="\n")
        yield description
        thumbnail = root / "THMB" / media.with_suffix(".JPG").name
        thumbnail.parent.mkdir(exist_ok=True)
        middle = replace(recording, first_frame=recording.frames // 2, frames=1)
        picture = next(render_frames(middle, FORMATS["B"].rate))
        picture.resize(_THUMBNAIL, Image.Resampling.LANCZOS).save(thumbnail, "JPEG", quality=80)
        yield thumbnail
    if card.camera == "D":
        subtitles = media.with_suffix(".SRT")
        subtitles.write_text(_tell_flight(recording, FORMATS["D"].rate), encoding="utf-8", newline="\n")
        yield subtitles


def _describe(clip: Clip, recording: Recording) -> str:
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<recording file={quoteattr(recording.name)} started="{recording.stamp:%Y-%m-%dT%H:%M:%S}" '
        f'rate="50" frames="{recording.frames}">\n'
        f'  <optics lens={quoteattr(clip.lens)} aperture="5.6" />\n'
        '  <exposure iso="200" shutter="1/100" whiteBalance="5600" />\n'
        "</recording>\n"
    )


def _tell_flight(recording: Recording, rate: Rate) -> str:
    """Subtitles with invented telemetry, one cue a second of the clip."""
    length = rate.frames_to_seconds(recording.frames)
    cues = []
    for second in range(math.ceil(length)):
        end = min(Fraction(second + 1), length)
        height, speed = 58.0 + 1.6 * second, 3.1 if recording.move.movement == "fly-over" else 0.0
        moment = recording.stamp + timedelta(seconds=second)
        cues.append(
            f"{second + 1}\n{_write_cue_time(Fraction(second))} --> {_write_cue_time(end)}\n"
            f"height {height:.1f} m, speed {speed:.1f} m/s, tilt -90 deg\n{moment:%Y-%m-%d %H:%M:%S} UTC\n"
        )
    return "\n".join(cues)


def _write_cue_time(seconds: Fraction) -> str:
    whole, milliseconds = divmod(round(seconds * 1000), 1000)
    return f"{whole // 3600:02d}:{whole // 60 % 60:02d}:{whole % 60:02d},{milliseconds:03d}"


def count_samples(wall_clock: datetime) -> int:
    """Samples at 48 kHz since local midnight, counting the clock face (no zone changes during the shoot)."""
    since = wall_clock - wall_clock.replace(hour=0, minute=0, second=0, microsecond=0)
    return since // timedelta(microseconds=1) * SAMPLE_RATE // 1_000_000


def _ends_at(production: Production, card: Card, clip: Clip) -> datetime:
    length = sum(file.length for file in clip.files)
    if card.camera in FORMATS:
        seconds = FORMATS[card.camera].rate.frames_to_seconds(length)
    else:
        seconds = Fraction(length, SAMPLE_RATE)
    return _to_utc(production, clip.start + _to_span(seconds))


def _read_device_clock(production: Production, card: Card, wall_clock: datetime) -> datetime:
    """What the device writes for that moment: UTC, or its wall clock where its rule says local."""
    if production.camera(card.camera).zone_rule == "local":
        return wall_clock
    return _to_utc(production, wall_clock)


def _to_utc(production: Production, wall_clock: datetime) -> datetime:
    return wall_clock.replace(tzinfo=production.tz).astimezone(UTC)


def _to_span(seconds: Fraction) -> timedelta:
    return timedelta(microseconds=round(seconds * 1_000_000))


def _stamp_file(path: Path, ended_at: datetime) -> None:
    """Set the file's times as a card does: when the take ended, in steps of two seconds (FAT)."""
    seconds = math.ceil(ended_at.timestamp() / 2) * 2
    os.utime(path, (seconds, seconds))


def _stamp_folders(root: Path, ended_at: datetime) -> None:
    """Give the folders a fixed time too, the deepest first, since writing into one changes its own."""
    folders = sorted((path for path in root.rglob("*") if path.is_dir()), key=lambda path: -len(path.parts))
    for folder in (*folders, root):
        _stamp_file(folder, ended_at)
