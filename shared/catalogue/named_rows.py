"""Tags, people and lenses of a production under their names: corrected once, for every clip that has them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from sqlalchemy import Select, func, select, union
from sqlalchemy.orm import Session

from shared.catalogue.journal import Values
from shared.catalogue.log import production_vocabulary, same_name
from shared.catalogue.lookup import list_known, pick_one
from shared.catalogue.rows import RowKind, RowsEdit
from shared.catalogue.text import refresh_text
from shared.errors import ConflictError, UsageError
from shared.models import (
    Camera,
    ChangeSet,
    ChannelMap,
    Clip,
    ClipCue,
    Lens,
    LogEntry,
    Moment,
    Person,
    Production,
    Release,
    Tag,
    entry_person,
    entry_tag,
    wanted_person,
)
from shared.vocabulary import load_vocabulary
from shared.words import find_unusable, show_short

_LONGEST = {"tag": 100, "person": 200, "lens": 200}
_COLUMNS = {
    "tag": ("name",),
    "person": ("name", "role"),
    "lens": ("name", "focal_min_mm", "focal_max_mm", "max_aperture"),
}


def rename(
    session: Session, production: Production, field: str, old: str, new: str, by: str
) -> ChangeSet | None:
    """Give a tag, a person or a lens another name. None: it has that name already.

    Raises UsageError for one that is not there, ConflictError for a name that another has.
    """
    kind = NAMED[field]
    row = session.get_one(kind.model, pick_one(list_known(session, production, field), field, old).id)
    edit = RowsEdit(session, production, by, f"{field} {row.name} renamed {new}")
    edit.put(kind, row.id, {"name": new})
    return edit.close()


def count_uses(session: Session, production: Production, field: str) -> dict[int, int]:
    """How many clips each of them is logged on, itself or in a moment, by its id."""
    clips = _clips_of(field).where(_owner(field) == production.id).subquery()
    rows = select(clips.c.key, func.count(clips.c.clip_id.distinct())).group_by(clips.c.key)
    return dict(session.execute(rows).all())


def _clips_of(field: str) -> Any:
    """Pairs of a row's id and a clip that has it."""
    if field == "lens":
        return select(Clip.lens_id.label("key"), Clip.id.label("clip_id")).join(Lens, Lens.id == Clip.lens_id)
    link, column, model = (
        (entry_tag, "tag_id", Tag) if field == "tag" else (entry_person, "person_id", Person)
    )
    clip_id = func.coalesce(LogEntry.clip_id, Moment.clip_id).label("clip_id")
    return (
        select(link.c[column].label("key"), clip_id)
        .join(LogEntry, LogEntry.id == link.c.entry_id)
        .outerjoin(Moment, Moment.id == LogEntry.moment_id)
        .join(model, model.id == link.c[column])
    )


def _owner(field: str) -> Any:
    return {"tag": Tag.production_id, "person": Person.production_id, "lens": Lens.production_id}[field]


def _reader(field: str) -> Callable[[Session, Any], Values]:
    return lambda _session, row: {name: getattr(row, name) for name in _COLUMNS[field]}


def _filler(field: str) -> Callable[[Session, Production, Any, Mapping[str, Any]], None]:
    def fill(session: Session, production: Production, row: Any, values: Mapping[str, Any]) -> None:
        for name, value in values.items():
            if name == "name":
                value = _new_name(session, production, field, row, str(value))
            if name in _COLUMNS[field]:
                setattr(row, name, value)
        if row.id is not None and "name" in values:
            session.flush()
            refresh_text(
                session,
                _clips_named(session, field, row.id),
                production_vocabulary(session, production, load_vocabulary()),
            )

    return fill


def _new_name(session: Session, production: Production, field: str, row: Any, text: str) -> str:
    name = " ".join(text.split())
    if not name or len(name) > _LONGEST[field] or find_unusable(name) is not None:
        raise UsageError(
            f"{show_short(text)} is no name for a {field}", remedy=f"1 to {_LONGEST[field]} characters."
        )
    with session.no_autoflush:
        model = NAMED[field].model
        others = session.execute(select(model.id, model.name).where(model.production_id == production.id))
        taken = [there for key, there in others if key != row.id and same_name(there) == same_name(name)]
    if taken:
        join = f"rushlight log --where '{field}:\"{row.name}\"' {field}+=… {field}-=…"
        raise ConflictError(
            f"there is a {field} {taken[0]} already",
            remedy=f"To make one of the two: {join}" if field != "lens" else "Log the clips with that lens.",
        )
    return name


def _clips_named(session: Session, field: str, key: int) -> list[int]:
    rows = _clips_of(field).subquery()
    wanted = select(rows.c.clip_id).where(rows.c.key == key)
    if field == "person":  # heard on a channel, or in a transcript
        heard = select(ChannelMap.clip_id).where(ChannelMap.person_id == key)
        speaks = select(ClipCue.clip_id).where(ClipCue.person_id == key)
        wanted = union(wanted, heard, speaks)  # type: ignore[assignment]
    return sorted(set(session.scalars(wanted)))


def _holder(field: str) -> Callable[[Session, Any], str | None]:
    def held(session: Session, row: Any) -> str | None:
        for what, rows in _HOLDERS[field].items():
            if count := session.scalar(select(func.count()).select_from(rows(row.id).subquery())):
                return f"{count} {what}"
        return None

    return held


_HOLDERS: dict[str, dict[str, Callable[[int], Select[Any]]]] = {
    "tag": {"log entries have it": lambda key: select(entry_tag).where(entry_tag.c.tag_id == key)},
    "person": {
        "log entries name them": lambda key: select(entry_person).where(entry_person.c.person_id == key),
        "cues are spoken by them": lambda key: select(ClipCue.id).where(ClipCue.person_id == key),
        "channels are theirs": lambda key: select(ChannelMap.id).where(ChannelMap.person_id == key),
        "releases are theirs": lambda key: select(Release.id).where(Release.person_id == key),
        "wanted shots name them": lambda key: select(wanted_person).where(wanted_person.c.person_id == key),
    },
    "lens": {
        "clips were taken with it": lambda key: select(Clip.id).where(Clip.lens_id == key),
        "cameras usually wear it": lambda key: select(Camera.id).where(Camera.default_lens_id == key),
    },
}
NAMED = {
    field: RowKind(field, 0, words, model, _reader(field), _filler(field), _holder(field))
    for field, words, model in (("tag", "tag", Tag), ("person", "person", Person), ("lens", "lens", Lens))
}
