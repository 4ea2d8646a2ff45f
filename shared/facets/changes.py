"""Which clips have changed since somebody last looked: the table `touched`, kept by triggers.

Rows are only added, never updated: two writers who touch the same clips then never wait for each other
here. What is older than the newest hundred thousand rows is pruned, by a trigger as well; who has not
looked for so long has to read everything anew, and is told so.

On SQLite there is one writer at a time, so the ids stand in the order of commits and the last one seen is
a place. On PostgreSQL a lower id may be committed after a higher one; there a place is a snapshot of
transactions, and what is new is what that snapshot did not see (PostgreSQL manual, 9.26.8 "Transaction ID
and Snapshot Information Functions"). Rows are pruned in the order of transactions there, and only those
older than every transaction that still runs: if the oldest row left is older than the snapshot's oldest
running transaction, nothing unseen has been pruned.
"""

from __future__ import annotations

from dataclasses import dataclass

from pyroaring import BitMap
from sqlalchemy import func, select, text
from sqlalchemy.orm import Session

from shared.models import Touched

# More than this are read anew from the tables, not clip by clip.
MOST_CHANGES = 50_000


@dataclass(frozen=True, slots=True)
class Place:
    """How far changes have been read: an id on SQLite, a snapshot on PostgreSQL."""

    number: int = 0
    snapshot: str = ""


@dataclass(frozen=True, slots=True)
class Changes:
    """`place`: the session's own. `names`: something that clips point at was made, renamed or removed.
    `lost`: too much has changed, or some of it is not known any more; everything has to be read anew.
    `earlier`: the session sees less than was known at the place asked from.
    """

    place: Place
    clips: BitMap
    names: bool = False
    lost: bool = False
    earlier: bool = False


def read_place(session: Session) -> Place:
    """The place now. What is read afterwards in this session holds at least all changes before it."""
    if _is_sqlite(session):
        return Place(number=session.scalar(select(func.max(Touched.id))) or 0)
    return Place(snapshot=session.scalar(text("SELECT pg_current_snapshot()::text")) or "")


def read_changes(session: Session, since: Place) -> Changes:
    """What was committed after `since`, as this session sees it."""
    return _since_number(session, since) if _is_sqlite(session) else _since_snapshot(session, since)


def _is_sqlite(session: Session) -> bool:
    return session.get_bind().dialect.name == "sqlite"


def _since_number(session: Session, since: Place) -> Changes:
    lowest = select(func.min(Touched.id)).scalar_subquery()
    highest = select(func.max(Touched.id)).scalar_subquery()
    low, high = session.execute(select(lowest, highest)).one()
    place = Place(number=high or 0)
    if place.number <= since.number:
        return Changes(place, BitMap(), earlier=place.number < since.number)
    if low > since.number + 1 or high - since.number > MOST_CHANGES:
        return Changes(place, BitMap(), lost=True)
    found = set(session.scalars(select(Touched.clip_id).where(Touched.id > since.number)))
    return _changes(place, found)


# A row of another cluster, restored from a dump, may carry a transaction of the future: it tells nothing.
_PLACE_NOW = text("""
    SELECT pg_current_snapshot()::text, (
        SELECT min(tx) FROM touched WHERE tx < pg_snapshot_xmax(pg_current_snapshot())::text::bigint)
""")
_UNSEEN = text("""
    SELECT DISTINCT clip_id FROM touched
    WHERE tx >= pg_snapshot_xmin(CAST(:seen AS pg_snapshot))::text::bigint
      AND tx < pg_snapshot_xmax(pg_current_snapshot())::text::bigint
      AND NOT pg_visible_in_snapshot(tx::text::xid8, CAST(:seen AS pg_snapshot))
    LIMIT :most
""")


def _since_snapshot(session: Session, since: Place) -> Changes:
    snapshot, oldest_kept = session.execute(_PLACE_NOW).one()
    place = Place(snapshot=snapshot)
    # The second statement may see more than the first: that is then read once again the next time.
    asked = {"seen": since.snapshot, "most": MOST_CHANGES + 1}
    found = set(session.scalars(_UNSEEN, asked))
    if not found:
        return Changes(place, BitMap())
    oldest_running = int(since.snapshot.partition(":")[0])
    if len(found) > MOST_CHANGES or oldest_kept > oldest_running:
        return Changes(place, BitMap(), lost=True)
    return _changes(place, found)


def _changes(place: Place, clip_ids: set[int | None]) -> Changes:
    names = None in clip_ids
    return Changes(place, BitMap(key for key in clip_ids if key is not None), names=names)
