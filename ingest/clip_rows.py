"""Write grouped clips into the catalogue, some hundred at a time: with files, times, stills and findings."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from ingest.capture import SUGGESTED_CODE, Found
from ingest.clips import GroupedClip, Member
from ingest.media.facts import FACT_NAMES, FAULT, Described, Facts, Noticed
from ingest.media_files import MediaFiles
from ingest.missing import PART_MISSING
from shared.capture import NONE
from shared.catalogue.clocks import read_clocks
from shared.catalogue.lenses import lens_ids, lens_of, stated_lens
from shared.catalogue.times import Days, place
from shared.models import (
    Clip,
    ClipFile,
    ClipMedia,
    FileRole,
    Finding,
    Reel,
    Severity,
    Still,
    StillKind,
    TakeFacts,
)

_BESIDE = (FileRole.PROXY, FileRole.THUMBNAIL)


@dataclass(slots=True)
class _Batch:
    """Some clips with what the catalogue has of them. `said`: the descriptions of their files read now;
    `known`: code and file of their findings, `stills`: paths of theirs, both by clip."""

    pairs: list[tuple[GroupedClip, Clip]]
    facts: dict[int, Facts]
    said: dict[int, Described]
    known: dict[int, set[tuple[str, int | None]]] = field(default_factory=lambda: defaultdict(set))
    stills: dict[int, set[str]] = field(default_factory=lambda: defaultdict(set))


class ClipRows:
    """Writes the clips of one reel; a clip that is there already keeps its id, its log and its day.

    `files` is what was grouped, `described` what was read now.
    """

    def __init__(
        self, session: Session, reel: Reel, files: MediaFiles, described: Mapping[bytes, Described]
    ) -> None:
        self._session = session
        self._reel = reel
        self._files = files
        self._described = described
        self._lenses = lens_ids(session, reel.production_id)
        self._clocks = read_clocks(session, reel.production)
        self._days = Days(session, reel.production)

    def write(self, some: Sequence[GroupedClip], captures: Mapping[str, Found]) -> list[int]:
        """Write these clips; returns their ids, in order."""
        batch = self._open(some, captures)
        self._join_files(batch)
        for grouped, clip in batch.pairs:
            first = grouped.members[0]
            facts = batch.facts.get(self._id_of(first))
            place(clip, self._reel.day_id, self._clocks, self._days, facts, self._files[first.index].mtime_ns)
            self._set_lens(clip, facts)
        self._drop_findings(batch, captures)
        for grouped, clip in batch.pairs:
            self._add_findings(batch, grouped, clip, captures.get(grouped.name))
            self._add_stills(batch, grouped, clip)
        self._session.flush()
        return [clip.id for _, clip in batch.pairs]

    def _id_of(self, member: Member) -> int:
        return self._files.ids[member.index]

    def _open(self, some: Sequence[GroupedClip], captures: Mapping[str, Found]) -> _Batch:
        """The rows of these clips, found or made, and what the rest needs."""
        names = [grouped.name for grouped in some]
        there = self._session.scalars(select(Clip).where(Clip.reel_id == self._reel.id, Clip.name.in_(names)))
        by_name = {clip.name: clip for clip in there}
        pairs = [(grouped, by_name.get(grouped.name) or self._new_clip(grouped.name)) for grouped in some]
        for grouped, clip in pairs:
            _set_times(clip, grouped, captures.get(grouped.name))
        self._session.flush()
        members = [member for grouped in some for member in grouped.members]
        said = {
            self._id_of(member): found
            for member in members
            if (found := self._described.get(member.path)) is not None
        }
        return _Batch(pairs, self._read_facts([self._id_of(member) for member in members]), said)

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
        return clip

    def _read_facts(self, file_ids: Sequence[int]) -> dict[int, Facts]:
        columns = [getattr(TakeFacts, name) for name in FACT_NAMES]
        rows = select(TakeFacts.file_id, *columns).where(TakeFacts.file_id.in_(file_ids))
        return {file_id: Facts(*values) for file_id, *values in self._session.execute(rows)}

    def _join_files(self, batch: _Batch) -> None:
        ids = [self._id_of(member) for grouped, _ in batch.pairs for member in grouped.members]
        there = {
            row.file_id: row
            for row in self._session.scalars(select(ClipFile).where(ClipFile.file_id.in_(ids)))
        }
        for grouped, clip in batch.pairs:
            for member in grouped.members:
                row = there.get(self._id_of(member))
                if row is None:
                    row = ClipFile(file_id=self._id_of(member))
                    self._session.add(row)
                row.clip_id, row.role, row.ordinal = clip.id, FileRole(member.role), member.ordinal

    def _set_lens(self, clip: Clip, facts: Facts | None) -> None:
        """The lens that the first file names, if the kit list has it; else the camera's usual one, as
        assumed.

        A lens that a person named stays. One that only the file knows is no lens of the kit list: the
        take facts hold its name.
        """
        if not clip.lens_assumed:
            return
        named = None if facts is None else stated_lens(facts.more)
        usual = self._reel.camera.default_lens_id if self._reel.camera is not None else None
        clip.lens_id, clip.lens_assumed = lens_of(named, clip.media, usual, self._lenses)

    def _drop_findings(self, batch: _Batch, captures: Mapping[str, Found]) -> None:
        """Take away what the grouping said before and says no longer, and note which findings are left."""
        whole, unsuggested = [], []
        for grouped, clip in batch.pairs:
            if not any(noticed.code == PART_MISSING for noticed in grouped.noticed):
                whole.append(clip.id)
            found = captures.get(grouped.name)
            if found is None or found.noticed is None:
                unsuggested.append(clip.id)
        for code, ids in ((PART_MISSING, whole), (SUGGESTED_CODE, unsuggested)):
            self._session.execute(delete(Finding).where(Finding.clip_id.in_(ids), Finding.code == code))
        ids = [clip.id for _, clip in batch.pairs]
        left = select(Finding.clip_id, Finding.code, Finding.file_id).where(Finding.clip_id.in_(ids))
        for clip_id, code, file_id in self._session.execute(left):
            assert clip_id is not None, "found by it"
            batch.known[clip_id].add((code, file_id))
        stills = select(Still.clip_id, Still.path).where(Still.clip_id.in_(ids))
        for clip_id, path in self._session.execute(stills):
            batch.stills[clip_id].add(path)

    def _add_findings(self, batch: _Batch, grouped: GroupedClip, clip: Clip, captured: Found | None) -> None:
        """Findings of the files read now, of the grouping and of the times; dismissed ones stay."""
        beside = {member.index for member in grouped.members[1:] if member.role in _BESIDE}
        for member in grouped.members:
            file_id = self._id_of(member)
            for noticed in batch.said[file_id].noticed if file_id in batch.said else ():
                # How a proxy was dated or wrapped says nothing of the take; that it is damaged does.
                if member.index not in beside or noticed.severity == FAULT:
                    self._find(clip, file_id, noticed, batch.known[clip.id])
        for noticed in grouped.noticed:
            self._find(clip, None, noticed, batch.known[clip.id])
        if captured is not None and captured.noticed is not None:
            self._find(clip, None, captured.noticed, batch.known[clip.id])

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

    def _add_stills(self, batch: _Batch, grouped: GroupedClip, clip: Clip) -> None:
        """The stills of all essence files in order, or of a proxy that is all there is.

        Frame numbers count from the clip's first frame.
        """
        essence = [m for m in grouped.members if FileRole(m.role) is FileRole.ESSENCE] or grouped.members[:1]
        there = batch.stills[clip.id]
        ordinal = len(there)
        offset = 0
        for member in essence:
            described = batch.said.get(self._id_of(member))
            for still in described.stills if described is not None else ():
                path = f"{self._reel.id}/{still.path}"
                if path in there:
                    continue
                self._session.add(
                    Still(
                        clip_id=clip.id,
                        ordinal=ordinal,
                        kind=StillKind(still.kind),
                        frame=None if still.frame is None else still.frame + offset,
                        path=path,
                        width=still.width,
                        height=still.height,
                    )
                )
                ordinal += 1
            facts = batch.facts.get(self._id_of(member))
            offset += (facts.frames or 0) if facts is not None else 0


def _set_times(clip: Clip, grouped: GroupedClip, captured: Found | None) -> None:
    capture = None if captured is None else captured.capture
    clip.media = ClipMedia(grouped.media)
    clip.rate_num = grouped.rate.num if grouped.rate is not None else None
    clip.rate_den = grouped.rate.den if grouped.rate is not None else None
    clip.frames = grouped.frames
    clip.start_frame = grouped.start_frame
    clip.drop_frame = grouped.drop_frame
    clip.capture_num = capture.rate.numerator if capture is not None else None
    clip.capture_den = capture.rate.denominator if capture is not None else None
    clip.capture_certainty = capture.certainty if capture is not None else NONE
