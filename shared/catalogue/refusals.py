"""Why cards were not to be formatted, as their last offload found."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from shared.models import Offload


def read_refusals(session: Session, reel_ids: Sequence[int]) -> dict[int, tuple[str, ...]]:
    """Why the card was not to be formatted, by reel, as the last offload that judged it found.

    A verdict that said yes has no reason here: a yes holds for its moment alone and is never repeated.
    """
    rows = session.execute(
        select(Offload.reel_id, Offload.report["verdict"])
        .where(Offload.reel_id.in_(reel_ids))
        .order_by(Offload.id)
    )
    return {reel_id: _reasons_of(verdict) for reel_id, verdict in rows if isinstance(verdict, dict)}


def _reasons_of(verdict: dict[str, Any]) -> tuple[str, ...]:
    return () if verdict.get("may_be_formatted") else tuple(map(str, verdict.get("reasons", ())))
