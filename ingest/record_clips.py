"""Log what was described: group a reel's files into clips and write them with their facts and stills."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import fields

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from ingest.capture import SUGGESTED_CODE, Found, find_captures
from ingest.clips import GroupedClip, MediaFile, group_clips
from ingest.media.facts import FAULT, Described, Facts, Noticed
from ingest.media.kinds import kind_of
from ingest.missing import PART_MISSING
from ingest.orders import Problem
from ingest.recheck import recheck
from shared.capture import NONE, Capture
from shared.catalogue.clocks import read_clocks
from shared.catalogue.lenses import lens_ids, lens_of, stated_lens
from shared.catalogue.terms import production_vocabulary
from shared.catalogue.text import refresh_text
from shared.catalogue.times import Days, place
from shared.db import Sessions, writing
from shared.models import (
    Clip,
    ClipFile,
    ClipMedia,
    File,
    FileRole,
    Finding,
    Reel,
    Severity,
    Still,
    StillKind,
    TakeFacts,
)
from shared.vocabulary import load_vocabulary

_BESIDE = (FileRole.PROXY, FileRole.THUMBNAIL)
_FACT_NAMES = tuple(field.name for field in fields(Facts))


def log_clips(sessions: Sessions, reel_id: int, described: Mapping[bytes, Described]) -> tuple[Problem, ...]:
    """Write the reel's clips. A clip known from an earlier offload keeps its id and its log."""
    with writing(sessions) as session:
        reel = session.get_one(Reel, reel_id)
        rows = session.scalars(select(File).filter_by(reel_id=reel_id).execution_options(yield_per=1000))
        # There may be very many files that are part of no clip.
        files = {
            f.path_bytes: f for f in rows if kind_of(f.path_bytes) is not None or f.path_bytes in described
        }
        _write_facts(session, files, described)
        media = _media_files(session, files, described, reel_id)
        grouped = group_clips(media)
        captures = find_captures(grouped, media)
        log = _ClipLog(session, reel, files, described)
        clip_ids = [log.write(one, captures.get(one.name)) for one in grouped]
        recheck(session, reel.production)
        vocabulary = production_vocabulary(session, reel.production, load_vocabulary())
        refresh_text(session, clip_ids, vocabulary)
    return tuple(_problems(described, files))


def _problems(described: Mapping[bytes, Described], files: Mapping[bytes, File]) -> list[Problem]:
    return [
        Problem("media", files[path].path, noticed.message)
        for path, one in sorted(described.items())
        for noticed in one.noticed
        if noticed.severity == "fault" and path in files
    ]


def _write_facts(session: Session, files: Mapping[bytes, File], described: Mapping[bytes, Described]) -> None:
    for path, one in described.items():
        if one.facts is None:
            continue
        session.execute(delete(TakeFacts).where(TakeFacts.file_id == files[path].id))
        values = {name: getattr(one.facts, name) for name in _FACT_NAMES}
        session.add(TakeFacts(file_id=files[path].id, **values))
    session.flush()


def _media_files(
    session: Session, files: Mapping[bytes, File], described: Mapping[bytes, Described], reel_id: int
) -> list[MediaFile]:
    """Every file of the reel with its facts: those read now, and those an earlier offload read."""
    facts = {
        row.file_id: Facts(**{name: getattr(row, name) for name in _FACT_NAMES})
        for row in session.scalars(
            select(TakeFacts).join(File, File.id == TakeFacts.file_id).where(File.reel_id == reel_id)
        )
    }
    return [
        MediaFile(path, file.size, file.mtime_ns, facts.get(file.id), file.problem)
        for path, file in sorted(files.items())
    ]


def _set_capture(clip: Clip, capture: Capture | None) -> None:
    clip.capture_num = capture.rate.numerator if capture is not None else None
    clip.capture_den = capture.rate.denominator if capture is not None else None
    clip.capture_certainty = capture.certainty if capture is not None else NONE


class _ClipLog:
    """Writes grouped clips of one reel; a clip that is there already keeps its id, its log and its day."""

    def __init__(
        self, session: Session, reel: Reel, files: Mapping[bytes, File], described: Mapping[bytes, Described]
    ) -> None:
        self._session = session
        self._reel = reel
        self._files = files
        self._described = described
        self._there = {clip.name: clip for clip in session.scalars(select(Clip).filter_by(reel_id=reel.id))}
        self._members: dict[int, ClipFile] = {
            row.file_id: row
            for row in session.scalars(
                select(ClipFile).join(File, File.id == ClipFile.file_id).where(File.reel_id == reel.id)
            )
        }
        self._lenses = lens_ids(session, reel.production_id)
        self._clocks = read_clocks(session, reel.production)
        self._days = Days(session, reel.production)

    def write(self, grouped: GroupedClip, captured: Found | None) -> int:
        """Write one clip with its files, time, stills and findings; returns its id."""
        clip = self._there.get(grouped.name) or self._new_clip(grouped.name)
        clip.media = ClipMedia(grouped.media)
        clip.rate_num = grouped.rate.num if grouped.rate is not None else None
        clip.rate_den = grouped.rate.den if grouped.rate is not None else None
        clip.frames = grouped.frames
        clip.start_frame = grouped.start_frame
        clip.drop_frame = grouped.drop_frame
        _set_capture(clip, None if captured is None else captured.capture)
        self._session.flush()
        for member in grouped.members:
            self._join(clip, self._files[member.path], FileRole(member.role), member.ordinal)
        self._set_time(clip, grouped)
        self._set_lens(clip, self._files[grouped.members[0].path])
        fresh = [member.path for member in grouped.members if member.path in self._described]
        if not any(noticed.code == PART_MISSING for noticed in grouped.noticed):
            self._session.execute(delete(Finding).filter_by(clip_id=clip.id, code=PART_MISSING))
        if fresh or grouped.noticed:
            self._findings(clip, grouped, fresh)
        self._suggest(clip, None if captured is None else captured.noticed)
        if fresh:
            self._stills(clip, grouped)
        return clip.id

    def _new_clip(self, name: str) -> Clip:
        reel = self._reel
        clip = Clip(
            production_id=reel.production_id,
            reel_id=reel.id,
            camera_id=reel.camera_id,
            lens_assumed=True,  # until a file or a person names one
            name=name,
            media=ClipMedia.UNKNOWN,
        )
        self._session.add(clip)
        self._there[name] = clip
        return clip

    def _join(self, clip: Clip, file: File, role: FileRole, ordinal: int) -> None:
        row = self._members.get(file.id)
        if row is None:
            row = ClipFile(clip_id=clip.id, file_id=file.id, role=role, ordinal=ordinal)
            self._members[file.id] = row
            self._session.add(row)
        else:
            row.clip_id, row.role, row.ordinal = clip.id, role, ordinal

    def _set_time(self, clip: Clip, grouped: GroupedClip) -> None:
        first = self._files[grouped.members[0].path]
        facts = self._session.scalar(select(TakeFacts).filter_by(file_id=first.id))
        place(clip, self._reel.day_id, self._clocks, self._days, facts, first.mtime_ns)

    def _set_lens(self, clip: Clip, first: File) -> None:
        """The lens that the file names, if the kit list has it; else the camera's usual one, as assumed.

        A lens that a person named stays. One that only the file knows is no lens of the kit list: the
        take facts hold its name.
        """
        if not clip.lens_assumed:
            return
        facts = self._facts_of(first)
        named = None if facts is None else stated_lens(facts.more)
        usual = self._reel.camera.default_lens_id if self._reel.camera is not None else None
        clip.lens_id, clip.lens_assumed = lens_of(named, clip.media, usual, self._lenses)

    def _suggest(self, clip: Clip, noticed: Noticed | None) -> None:
        """The finding of a suggested capture rate, which goes when nothing suggests it any longer."""
        known = select(Finding.id).filter_by(clip_id=clip.id, code=SUGGESTED_CODE)
        if noticed is None:
            self._session.execute(delete(Finding).filter_by(clip_id=clip.id, code=SUGGESTED_CODE))
        elif self._session.scalar(known) is None:
            self._find(clip, None, noticed, set())

    def _facts_of(self, file: File) -> Facts | None:
        row = self._session.scalar(select(TakeFacts).filter_by(file_id=file.id))
        return None if row is None else Facts(**{name: getattr(row, name) for name in _FACT_NAMES})

    def _findings(self, clip: Clip, grouped: GroupedClip, fresh: Sequence[bytes]) -> None:
        """Findings of the files read now, and of the grouping; a person's dismissals of earlier ones stay."""
        known = {
            (finding.code, finding.file_id)
            for finding in self._session.scalars(select(Finding).filter_by(clip_id=clip.id))
        }
        beside = {member.path for member in grouped.members[1:] if member.role in _BESIDE}
        for path in fresh:
            for noticed in self._described[path].noticed:
                # How a proxy was dated or wrapped says nothing of the take; that it is damaged does.
                if path not in beside or noticed.severity == FAULT:
                    self._find(clip, self._files[path].id, noticed, known)
        for noticed in grouped.noticed:
            self._find(clip, None, noticed, known)

    def _find(
        self, clip: Clip, file_id: int | None, noticed: Noticed, known: set[tuple[str, int | None]]
    ) -> None:
        if (noticed.code, file_id) in known:
            return
        known.add((noticed.code, file_id))
        self._session.add(
            Finding(
                clip_id=clip.id,
                file_id=file_id,
                code=noticed.code,
                severity=Severity(noticed.severity),
                message=noticed.message,
                value=noticed.value,
                unit=noticed.unit,
                rule=noticed.rule,
            )
        )

    def _stills(self, clip: Clip, grouped: GroupedClip) -> None:
        """The stills of all essence files in order, or of a proxy that is all there is.

        Frame numbers count from the clip's first frame.
        """
        essence = [m for m in grouped.members if FileRole(m.role) is FileRole.ESSENCE] or grouped.members[:1]
        there = {
            still.path: still for still in self._session.scalars(select(Still).filter_by(clip_id=clip.id))
        }
        ordinal = len(there)
        offset = 0
        for member in essence:
            described = self._described.get(member.path)
            for still in described.stills if described is not None else ():
                path = f"{self._reel.id}/{still.path}"
                if path in there:
                    continue
                frame = None if still.frame is None else still.frame + offset
                self._session.add(
                    Still(
                        clip_id=clip.id,
                        ordinal=ordinal,
                        kind=StillKind(still.kind),
                        frame=frame,
                        path=path,
                        width=still.width,
                        height=still.height,
                    )
                )
                ordinal += 1
            facts = self._facts_of(self._files[member.path])
            offset += (facts.frames or 0) if facts is not None else 0
