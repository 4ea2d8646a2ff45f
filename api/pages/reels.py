"""Reels as pages show them: which are safe, which are to be kept, and why."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass

from sqlalchemy import ColumnElement, false, or_, select
from sqlalchemy.orm import Session, joinedload

from api.pages.words import Standing, say_list, say_standing
from api.reads.copies import count_copies, read_refusals
from api.reads.offloads import latest_ended
from shared.models import Production, Reel

MOST_NAMED = 6


@dataclass(frozen=True, slots=True)
class ReelView:
    name: str
    camera: str
    standing: Standing
    report: str | None  # address of its latest offload's report


@dataclass(frozen=True, slots=True)
class ReelGroup:
    """Reels of which the same is to be said: `names` as one text, `about` what; `report` of a single one."""

    names: str
    sound: bool
    about: str
    report: str | None


def read_reels(
    session: Session, production: Production, day_ids: Collection[int | None]
) -> dict[int | None, list[ReelView]]:
    """The reels of these days, by day; None among them: those that belong to no day."""
    rows = list(
        session.scalars(
            select(Reel)
            .where(
                Reel.production_id == production.id,
                or_(Reel.day_id.in_([one for one in day_ids if one is not None]), _dayless(day_ids)),
            )
            .options(joinedload(Reel.camera))
            .order_by(Reel.name)
        )
    )
    ids = [reel.id for reel in rows]
    copies, refusals = count_copies(session, ids), read_refusals(session, ids)
    offloads = latest_ended(session, ids)
    by_day: dict[int | None, list[ReelView]] = defaultdict(list)
    for reel in rows:
        camera = reel.camera.letter if reel.camera is not None else ""
        standing = say_standing(copies[reel.id], refusals.get(reel.id, ()))
        offload = offloads.get(reel.id)
        report = f"/api/v1/offloads/{offload}/report.html" if offload is not None else None
        by_day[reel.day_id].append(ReelView(reel.name, camera, standing, report))
    return by_day


def _dayless(day_ids: Collection[int | None]) -> ColumnElement[bool]:
    return Reel.day_id.is_(None) if None in day_ids else false()


def group_reels(reels: Sequence[ReelView]) -> list[ReelGroup]:
    """What needs a look first. Reels with the same to say stand together, so that ten lines are not alike."""
    groups: dict[tuple[bool, str], list[ReelView]] = {}
    for reel in reels:
        groups.setdefault((reel.standing.sound, reel.standing.brief), []).append(reel)
    return [
        ReelGroup(
            _name_some([reel.name for reel in alike]),
            sound,
            brief if len(alike) > 1 else " ".join(alike[0].standing.lines),
            alike[0].report if len(alike) == 1 else None,
        )
        for (sound, brief), alike in sorted(groups.items(), key=lambda one: one[0][0])
    ]


def _name_some(names: Sequence[str]) -> str:
    if len(names) <= MOST_NAMED:
        return say_list(names)
    return f"{', '.join(names[: MOST_NAMED - 1])} and {len(names) - MOST_NAMED + 1} more"
