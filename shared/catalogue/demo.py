"""Which production is the demo's, and how it is taken out again.

The worker draws the demo's cards and copies below one folder of the home folder, with a file in it that
names the production. A production without such a file is nobody's to remove.
"""

from __future__ import annotations

import json
from pathlib import Path

from sqlalchemy import ColumnElement, Table, delete, or_, select
from sqlalchemy.orm import Session

from shared.errors import ConflictError
from shared.models import Base, Card, Clip, Copy, Destination, File, Production, Reel, Still

FOLDER = "demo"
MARK = "production.json"


def demo_folder(home: Path) -> Path:
    return home / FOLDER


def open_demo_folder(home: Path) -> Path:
    """Make the folder, or find it. Raises ConflictError for one that does not say that it is the demo's."""
    folder = demo_folder(home)
    if folder.exists() and not (folder / MARK).is_file():
        raise ConflictError(
            "this folder is not the demo's, and the demo would be made in it",
            path=str(folder),
            remedy="Move it away; nothing in it was touched.",
        )
    folder.mkdir(parents=True, exist_ok=True)
    (folder / MARK).touch()
    return folder


def mark_demo(home: Path, production: Production) -> None:
    """Remember that this production is the demo's; its id and its name, as ids may be given again."""
    text = json.dumps({"id": production.id, "name": production.name})
    (demo_folder(home) / MARK).write_text(text, encoding="utf-8")


def demo_production(session: Session, home: Path) -> Production | None:
    try:
        said = json.loads((demo_folder(home) / MARK).read_text(encoding="utf-8"))
        number, name = int(said["id"]), str(said["name"])
    except (OSError, ValueError, KeyError, TypeError):
        return None
    production = session.get(Production, number)
    return production if production is not None and production.name == name else None


def check_only_drawn(session: Session, home: Path, production: Production) -> None:
    """Raises ConflictError when somebody's own footage was offloaded into the demo: its log would go too."""
    own = demo_folder(home).resolve()
    rows = session.execute(
        select(Reel.name, Destination.path)
        .join(File, File.reel_id == Reel.id)
        .join(Copy, Copy.file_id == File.id)
        .join(Destination, Destination.id == Copy.destination_id)
        .where(Reel.production_id == production.id)
        .distinct()
    )
    foreign = sorted({name for name, path in rows if not Path(path).resolve().is_relative_to(own)})
    if foreign:
        raise ConflictError(
            f"{production.name} holds reels that are not the demo's own: {', '.join(foreign)}",
            remedy="It stays as it is. Offload such cards into a production of their own (rushlight new); "
            "what was said of them goes there with rushlight export and import.",
        )


def remove_production(session: Session, production: Production) -> list[str]:
    """Delete a production with every row that hangs on it; returns the paths of its stills.

    What hangs on it is found along the foreign keys, so that a table that is added later is not forgotten.
    Cards and destinations may be shared: they go where nothing else uses them.
    """
    number = production.id
    stills = list(session.scalars(select(Still.path).join(Clip).where(Clip.production_id == number)))
    of_reels = select(Reel.id).where(Reel.production_id == number)
    cards = list(
        session.scalars(select(Reel.card_id).where(Reel.card_id.is_not(None), Reel.id.in_(of_reels)))
    )
    copied = select(Copy.destination_id).join(File).where(File.reel_id.in_(of_reels))
    places = list(session.scalars(copied.distinct()))
    for table in reversed(Base.metadata.sorted_tables):  # what points at others comes first
        belongs = _belongs(table, number)
        if belongs is not None:
            session.execute(delete(table).where(belongs))
    session.execute(delete(Production).where(Production.id == number))
    used = select(Reel.card_id).where(Reel.card_id.is_not(None))
    session.execute(delete(Card).where(Card.id.in_(cards), Card.id.not_in(used)))
    session.execute(
        delete(Destination).where(
            Destination.id.in_(places), Destination.id.not_in(select(Copy.destination_id))
        )
    )
    return stills


def _belongs(table: Table, production: int) -> ColumnElement[bool] | None:
    """Which rows of a table hang on the production, directly or by what they point at; None: none can."""
    keys = [key for key in table.foreign_keys if key.column.table is not table]
    for key in keys:
        if key.column.table.name == Production.__tablename__:
            return key.parent == production
    ways = [
        key.parent.in_(select(key.column).where(belongs))
        for key in keys
        if (belongs := _belongs(key.column.table, production)) is not None
    ]
    return or_(*ways) if ways else None
