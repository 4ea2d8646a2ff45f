"""Finding the one clip that a person means by a name."""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence

from sqlalchemy import or_, select
from sqlalchemy.orm import Session, joinedload

from shared.catalogue.chunks import in_chunks
from shared.catalogue.conditions import contains
from shared.errors import ConflictError, NotFoundError
from shared.models import Clip, ClipFile, File, Production, Reel
from shared.words import find_unusable, show_short

_NUMBER = re.compile(r"#([0-9]{1,18})")
_LOOK_UP = "Look it up with `rushlight find`."
_MOST_LISTED = 20
_MOST_COMPARED = 20_000  # names, for something near what was typed


def find_one_clip(session: Session, production: Production, text: str) -> Clip:
    """The clip meant by "#12" (its number), by a name, or by a reel and a name ("A001/C0001").

    A name is the clip's or one of its files', with or without suffix and folders, whatever its case.
    Raises ConflictError that lists the clips when several answer, NotFoundError with near names when
    none does.
    """
    wanted = text.strip()
    found = _NUMBER.fullmatch(wanted)
    if found is not None:
        clip = session.get(Clip, int(found[1]))
        if clip is not None and clip.production_id == production.id:
            return clip
        raise NotFoundError(
            f"{production.name} has no clip {wanted}", remedy="Look it up with `rushlight find`."
        )
    clips = _clips_named(session, production, wanted)
    if not clips:
        raise _nothing_near(session, production, wanted)
    if len(clips) > 1:
        listed = ", ".join(f"#{clip.id} {clip.reel.name}/{clip.name}" for clip in clips[:_MOST_LISTED])
        more = f" and {len(clips) - _MOST_LISTED} more" if len(clips) > _MOST_LISTED else ""
        raise ConflictError(
            f"{show_short(wanted)} names {len(clips)} clips: {listed}{more}",
            remedy="Write the reel too, REEL/NAME, or the number with its #.",
        )
    return clips[0]


def _clips_named(session: Session, production: Production, wanted: str) -> list[Clip]:
    """All that answer; those spelled exactly so, if there are any."""
    last = wanted.rsplit("/", 1)[-1]
    if not last or find_unusable(wanted) is not None:
        return []
    in_file = (
        select(ClipFile.clip_id)
        .join(File, File.id == ClipFile.file_id)
        .where(contains(File.path, last))
        .correlate(None)
    )
    statement = (
        select(Clip)
        .where(Clip.production_id == production.id, or_(contains(Clip.name, last), Clip.id.in_(in_file)))
        .options(joinedload(Clip.reel))
        .order_by(Clip.id)
    )
    clips = list(session.scalars(statement))
    names = _names_by_clip(session, clips)
    exact = [clip for clip in clips if wanted in names[clip.id]]
    folded = _fold(wanted)
    return exact or [clip for clip in clips if folded in set(map(_fold, names[clip.id]))]


def _names_by_clip(session: Session, clips: Sequence[Clip]) -> dict[int, set[str]]:
    paths: dict[int, list[str]] = defaultdict(list)
    for chunk in in_chunks(clip.id for clip in clips):
        statement = select(ClipFile.clip_id, File.path).join(File, File.id == ClipFile.file_id)
        for clip_id, path in session.execute(statement.where(ClipFile.clip_id.in_(chunk))):
            paths[clip_id].append(path)
    return {clip.id: set(_names(clip.reel, [clip.name, *paths[clip.id]])) for clip in clips}


def _names(reel: Reel, paths: Iterable[str]) -> Iterator[str]:
    """Every way to write these paths: from any folder on, with suffix or without, after the reel."""
    for path in paths:
        parts = path.split("/")
        for start in range(len(parts)):
            name = "/".join(parts[start:])
            stem = name.rsplit(".", 1)[0] if "." in parts[-1][1:] else name
            yield from (name, stem, f"{reel.name}/{name}", f"{reel.name}/{stem}")


def _fold(name: str) -> str:
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", name).casefold())


def _nothing_near(session: Session, production: Production, wanted: str) -> NotFoundError:
    statement = select(Reel.name, Clip.name).join(Reel, Reel.id == Clip.reel_id)
    rows = session.execute(statement.where(Clip.production_id == production.id).limit(_MOST_COMPARED))
    names: dict[str, str] = {}
    for reel, name in rows:
        names.setdefault(_fold(name.rsplit("/", 1)[-1]), f"{reel}/{name}")
    last = _fold(wanted.rsplit("/", 1)[-1])[:100].rsplit(".", 1)[0]
    near = [names[key] for key in difflib.get_close_matches(last, names, n=3)]
    return NotFoundError(
        f"{production.name} has no clip {show_short(wanted)}",
        remedy=f"Did you mean {' or '.join(near)}?" if near else _LOOK_UP,
    )
