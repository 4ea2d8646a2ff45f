"""One clip: its stills and its picture, what its files say, what people say, its copies and findings."""

from __future__ import annotations

from dataclasses import dataclass

from fastapi import APIRouter, Response
from sqlalchemy import select
from sqlalchemy.orm import Session

from api.deps import RowId, ServiceDep
from api.etags import version_tag
from api.handover.text import one_line, plain_text, short_name
from api.pages.cards import show_still
from api.pages.noticed import POINTS, Played, draw_curves, view_findings, view_suggestions
from api.pages.site import SiteDep, link
from api.pages.take import channel_rows, pair_rows, say_shot, take_rows
from api.pages.vocabulary import TEXTS, log_fields
from api.pages.words import COPY_WORDS, say_bytes, say_place
from api.reads.clips import WholeClip, read_clip
from api.reads.contents import MEDIA_TYPES
from api.reads.measures import read_measures
from shared.catalogue.channels import list_channels
from shared.catalogue.clip_rows import range_text
from shared.catalogue.log import production_vocabulary
from shared.catalogue.pairs import pairs_of
from shared.db import reading
from shared.models import ChannelSource, Clip, ClipMedia, CopyState, FileRole, LogEntry
from shared.previews import preview_path
from shared.query_fields import TERM_FIELDS
from shared.settings import Settings

router = APIRouter()

_PLAYED = (FileRole.PROXY, FileRole.ESSENCE)


@dataclass(frozen=True, slots=True)
class FileView:
    """One file. `copies`: place, state in words, and whether it is as it should be."""

    path: str
    role: str
    size: str
    digest: str
    problem: str
    copies: tuple[tuple[str, str, bool], ...]


@dataclass(frozen=True, slots=True)
class PartView:
    """A file that may be played. `first`: the clip's frame at which it begins; `href`: where a browser may
    try it, empty: none can play it; `preview`: a small film of it is there."""

    file: int
    name: str
    first: int
    href: str
    preview: bool

    @property
    def plays(self) -> str:
        """What a browser is given to play it; empty: nothing."""
        return f"/previews/{self.file}" if self.preview else self.href


@dataclass(frozen=True, slots=True)
class MomentView:
    id: int
    name: str
    range: str
    first: int


@router.get("/clips/{id}")
def show_clip(service: ServiceDep, site: SiteDep, id: RowId) -> Response:
    with reading(service.sessions) as session:
        whole = read_clip(session, id)
        clip, entry = whole.clip, whole.entry
        vocabulary = production_vocabulary(session, clip.production, service.vocabulary)
        channels = list_channels(session, clip, vocabulary)
        name = short_name(clip)
        before, after = _neighbours(session, clip)
        parts = playable_parts(whole, service.settings)
        played = [Played(one.first, one.plays) for one in parts]
        findings = view_findings(whole.findings, clip, played)
        measured = read_measures(session, id, POINTS)
        return site.render(
            "clip.html",
            production=clip.production,
            clip=clip,
            name=name,
            reel=clip.reel.name,
            shot=say_shot(clip),
            day=clip.day,
            day_link=link(f"/days/{clip.day.number}", production=clip.production.slug) if clip.day else "",
            before=before,
            after=after,
            stills=[show_still(one, name, service.settings.stills_folder) for one in clip.stills],
            parts_of=parts,
            sound=clip.media is ClipMedia.AUDIO,
            take=[*take_rows(whole), *channel_rows(channels, ChannelSource.FILE)],
            beside=[
                *channel_rows(channels, ChannelSource.LOG),
                *pair_rows(pairs_of(session, [clip.id]), clip),
            ],
            version=version_tag(entry.version if entry is not None else 0),
            logged=_say_logged(entry),
            fields=log_fields(vocabulary),
            values={name: getattr(entry, name) or "" for name in TERM_FIELDS} if entry is not None else {},
            texts=[(name, label, _text(entry, name)) for name, label in TEXTS],
            people="\n".join(one_line(one.name) for one in entry.people) if entry is not None else "",
            tags="\n".join(one_line(one.name) for one in entry.tags) if entry is not None else "",
            files=[_view_file(whole, index) for index in range(len(clip.files))],
            findings=[one for one in findings if one.dismissed is None],
            dismissed=[one for one in findings if one.dismissed is not None],
            curves=draw_curves(measured, findings),
            suggestions=view_suggestions(measured.suggestions, vocabulary),
            moments=[
                MomentView(
                    one.id, one_line(one.name), range_text(clip, one.in_frame, one.out_frame), one.in_frame
                )
                for one in whole.moments
            ],
        )


def _say_logged(entry: LogEntry | None) -> str:
    if entry is None:
        return "Nobody has logged this clip."
    return f"Logged by {one_line(entry.updated_by) or 'somebody'}, {entry.updated_at:%Y-%m-%d %H:%M} UTC."


def _text(entry: LogEntry | None, name: str) -> str:
    return plain_text(getattr(entry, name)) if entry is not None else ""


def _neighbours(session: Session, clip: Clip) -> tuple[str, str]:
    """The addresses of the clips before and after it, of its own day and in the order of time."""
    if clip.day_id is None:
        return "", ""
    rows = select(Clip.id).where(Clip.day_id == clip.day_id)
    ids = list(session.scalars(rows.order_by(Clip.shot_at.is_(None), Clip.shot_at, Clip.id)))
    at = ids.index(clip.id)
    before = f"/clips/{ids[at - 1]}" if at else ""
    return before, f"/clips/{ids[at + 1]}" if at + 1 < len(ids) else ""


def playable_parts(whole: WholeClip, settings: Settings) -> list[PartView]:
    """What may be played, companions first: they are small. A part's place needs the length of those before.

    Whether a browser can play it is known to the browser alone; here only what none can is known.
    """
    if whole.clip.media not in (ClipMedia.VIDEO, ClipMedia.AUDIO):
        return []
    for role in _PLAYED:
        parts, first = [], 0
        for part in whole.clip.files:
            if part.role is not role:
                continue
            file = part.file
            if file.digest is not None:
                suffix = file.path_bytes[file.path_bytes.rfind(b".") :].lower()
                tried = MEDIA_TYPES.get(suffix, "").startswith(("video/", "audio/"))
                parts.append(
                    PartView(
                        file.id,
                        one_line(file.path.rsplit("/", 1)[-1]),
                        first,
                        f"/api/v1/files/{file.id}/content" if tried else "",
                        preview_path(settings.home, f"{file.algorithm}:{file.digest}").is_file(),
                    )
                )
            facts = whole.facts.get(file.id)
            first += (facts.frames or 0) if facts is not None else 0
        if parts:
            return parts
    return []


def _view_file(whole: WholeClip, index: int) -> FileView:
    part = whole.clip.files[index]
    file = part.file
    return FileView(
        path=one_line(file.path),
        role=part.role.value,
        size=say_bytes(file.size),
        digest=f"{file.algorithm} {file.digest}" if file.digest else "",
        problem=one_line(file.problem or ""),
        copies=tuple(
            (
                one_line(copy.destination.name or say_place(copy.destination.path)),
                COPY_WORDS[copy.state],
                copy.state is CopyState.VERIFIED,
            )
            for copy in file.copies
        ),
    )
