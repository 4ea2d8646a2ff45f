"""Which offload a person means, and the latest of each reel."""

from __future__ import annotations

import re
from collections.abc import Sequence

from sqlalchemy import ColumnElement, func, or_, select
from sqlalchemy.orm import Session, joinedload

from shared.catalogue.lookup import list_known, pick_one
from shared.catalogue.reels import TURNED_AWAY
from shared.errors import NotFoundError
from shared.models import Offload, OffloadState, Production, Reel

_BY_ID = re.compile(r"#([0-9]{1,18})")


def find_offload(session: Session, production: Production, name: str | None) -> Offload:
    """The offload `#12`, else the latest of the reel of this name; without a name, the latest of all.

    A run that was turned away, as another one was at work, did nothing: it is found by its id alone.
    Raises NotFoundError where there is none, UsageError that lists the reels for a name that is no reel's.
    """
    offloads = (
        select(Offload)
        .join(Offload.reel)
        .where(Reel.production_id == production.id)
        .options(joinedload(Offload.reel))
        .order_by(Offload.id.desc())
        .limit(1)
    )
    by_id = _BY_ID.fullmatch(name) if name is not None else None
    if by_id is not None:
        offloads = offloads.where(Offload.id == int(by_id[1]))
    elif name is not None:
        reel = pick_one(list_known(session, production, "reel"), "reel", name)
        offloads = offloads.where(Offload.reel_id == reel.id)
    if by_id is None:
        offloads = offloads.where(_did_something())
    found = session.scalar(offloads)
    if found is None:
        what = f"no offload {name}" if name is not None else "no offload yet"
        raise NotFoundError(
            f"there is {what} in the production {production.name}",
            remedy="Name a reel, or another production with --production; rushlight offload makes one.",
        )
    return found


def latest_ended(session: Session, reel_ids: Sequence[int]) -> dict[int, int]:
    """By reel: the id of its latest offload that has ended, and was not turned away."""
    rows = session.execute(
        select(Offload.reel_id, func.max(Offload.id).label("latest"))
        .where(Offload.reel_id.in_(reel_ids), Offload.state != OffloadState.RUNNING, _did_something())
        .group_by(Offload.reel_id)
    )
    return {row.reel_id: row.latest for row in rows}


def _did_something() -> ColumnElement[bool]:
    # Of a large card the report is large: only one that failed has to be looked into.
    not_turned_away = Offload.report[TURNED_AWAY].as_string().is_(None)
    return or_(Offload.state != OffloadState.FAILED, not_turned_away)
