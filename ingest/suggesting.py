"""Keep what the numbers suggest beside the clips, apart from what people say of them."""

from __future__ import annotations

from array import array
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence

from sqlalchemy import delete, select
from sqlalchemy.orm import Session, joinedload

from ingest.measure.picture_numbers import PictureNumbers
from ingest.measure.sound_numbers import SoundMeasured
from ingest.measurements import VERSIONS
from ingest.suggestions import Seen, Suggested, find_setups, suggest
from shared.catalogue.chunks import in_chunks
from shared.models import (
    CameraKind,
    Clip,
    ClipFile,
    FileRole,
    Finding,
    MeasureKind,
    Measurement,
    Suggestion,
    now,
)

SETUP_TAG = "setup"
AT_ONCE = 100  # clips whose numbers are in memory at one time: those of an hour are some megabytes
_Numbers = dict[MeasureKind, Measurement]


def suggest_clips(session: Session, clip_ids: Iterable[int]) -> None:
    """Write the suggestions of these clips anew, and the setups of the days and cameras they belong to."""
    groups: set[tuple[int | None, int | None]] = set()
    opening: dict[int, int | None] = {}
    for chunk in in_chunks(clip_ids, AT_ONCE):
        session.execute(delete(Suggestion).where(Suggestion.clip_id.in_(chunk), Suggestion.field != "tag"))
        clips = session.scalars(
            select(Clip).where(Clip.id.in_(chunk)).options(joinedload(Clip.camera)).order_by(Clip.id)
        ).all()
        numbers, codes = _numbers(session, chunk), _codes(session, chunk)
        for reel_id in {clip.reel_id for clip in clips} - opening.keys():
            opening[reel_id] = _opening(session, reel_id)
        for clip in clips:
            seen = _seen(clip, numbers.get(clip.id, {}), codes[clip.id], clip.id == opening[clip.reel_id])
            for one in suggest(seen):
                _keep(session, clip.id, one)
        groups |= {(clip.camera_id, clip.day_id) for clip in clips if clip.day_id is not None}
        session.flush()
    for camera_id, day_id in sorted(groups, key=str):
        _suggest_setups(session, camera_id, day_id)
    session.flush()


def _keep(session: Session, clip_id: int, one: Suggested) -> None:
    session.add(
        Suggestion(
            clip_id=clip_id,
            field=one.field,
            value=one.value,
            confidence=one.confidence,
            reason=one.reason,
            created_at=now(),
        )
    )


def _numbers(session: Session, clip_ids: Sequence[int]) -> dict[int, _Numbers]:
    """The numbers of each clip's first file, by kind, where they are of this version."""
    rows = (
        select(ClipFile.clip_id, Measurement)
        .join(Measurement, Measurement.file_id == ClipFile.file_id)
        .where(ClipFile.clip_id.in_(clip_ids), ClipFile.role == FileRole.ESSENCE)
        .order_by(ClipFile.clip_id, ClipFile.ordinal)
    )
    found: dict[int, _Numbers] = defaultdict(dict)
    for clip_id, row in session.execute(rows):
        if row.numbers is not None and row.version == VERSIONS[row.kind]:
            found[clip_id].setdefault(row.kind, row)
    return found


def _codes(session: Session, clip_ids: Sequence[int]) -> Mapping[int, set[str]]:
    found: dict[int, set[str]] = defaultdict(set)
    rows = select(Finding.clip_id, Finding.code).where(
        Finding.clip_id.in_(clip_ids), Finding.dismissed.is_(None)
    )
    for clip_id, code in session.execute(rows):
        if clip_id is not None:
            found[clip_id].add(code)
    return found


def _opening(session: Session, reel_id: int) -> int | None:
    """The first clip of a reel, by its time, and by its name where that says nothing."""
    rows = select(Clip.id).where(Clip.reel_id == reel_id)
    return session.scalar(rows.order_by(Clip.shot_at.is_(None), Clip.shot_at, Clip.name).limit(1))


def _seen(clip: Clip, numbers: _Numbers, codes: set[str], opens_reel: bool) -> Seen:
    picture, sound = numbers.get(MeasureKind.PICTURE), numbers.get(MeasureKind.SOUND)
    per_second = clip.per_second
    return Seen(
        None if picture is None else PictureNumbers.from_json(picture.numbers),
        None if sound is None else SoundMeasured.from_json(sound.numbers),
        float(clip.frames / per_second) if clip.frames and per_second else 0.0,
        clip.camera is not None and clip.camera.kind is CameraKind.DRONE,
        "lens-covered" in codes,
        "carried" in codes,
        opens_reel,
    )


def _suggest_setups(session: Session, camera_id: int | None, day_id: int | None) -> None:
    """Clips of one camera on one day that stand still and show the same get one tag."""
    clips = session.execute(
        select(Clip.id, Clip.name)
        .join(Suggestion, Suggestion.clip_id == Clip.id)
        .where(
            Clip.camera_id.is_not_distinct_from(camera_id),
            Clip.day_id == day_id,
            Suggestion.field == "movement",
            Suggestion.value == "static",
        )
        .order_by(Clip.shot_at, Clip.id)
    ).all()
    of_group = select(Clip.id).where(Clip.camera_id.is_not_distinct_from(camera_id), Clip.day_id == day_id)
    session.execute(delete(Suggestion).where(Suggestion.clip_id.in_(of_group), Suggestion.field == "tag"))
    names = {clip_id: name.rpartition("/")[2] for clip_id, name in clips}
    for clip_id, (first, alike) in find_setups(_framings(session, names)).items():
        said = f"The same framing as {names[first]}, alike by {alike:.2f}."
        _keep(session, clip_id, Suggested("tag", f"{SETUP_TAG} {names[first]}"[:200], round(alike, 2), said))


def _framings(session: Session, clip_ids: Iterable[int]) -> Iterator[tuple[int, Sequence[float]]]:
    """How these clips are framed, in their order; those that nobody measured are left out."""
    for chunk in in_chunks(clip_ids, AT_ONCE):
        numbers = _numbers(session, chunk)
        for clip_id in chunk:
            row = numbers.get(clip_id, {}).get(MeasureKind.PICTURE)
            if row is not None and row.numbers is not None and row.numbers["framing"]:
                yield clip_id, array("d", row.numbers["framing"])
