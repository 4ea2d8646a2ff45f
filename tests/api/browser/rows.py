"""Many clips at once, where their files and words do not matter."""

from __future__ import annotations

import datetime as dt

from sqlalchemy import insert
from sqlalchemy.orm import Session

from shared.models import Clip, ClipMedia, Reel


def add_clips(session: Session, reel: Reel, count: int, apart: dt.timedelta) -> None:
    """Clips of 20 seconds at 25 frames a second, so far apart, from 06:00 UTC on 1 May 2026 on."""
    begins = dt.datetime(2026, 5, 1, 6, tzinfo=dt.UTC)
    row = {
        "production_id": reel.production_id,
        "reel_id": reel.id,
        "camera_id": reel.camera_id,
        "day_id": reel.day_id,
        "media": ClipMedia.VIDEO,
        "rate_num": 25,
        "rate_den": 1,
        "frames": 500,
    }
    rows = [row | {"name": f"Z/Z{place:04}", "shot_at": begins + place * apart} for place in range(count)]
    session.execute(insert(Clip), rows)
