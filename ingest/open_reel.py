"""Open the reel an offload fills: the production, the camera, the day, the reel itself, known or new."""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from sqlalchemy import select
from sqlalchemy.orm import Session

from ingest.card import Listing
from ingest.durable import Disk
from ingest.files import Entry
from ingest.orders import OffloadOrder, Watching
from ingest.plan import KnownCopy, KnownFile, Place, open_places
from ingest.record import OpenOffload
from ingest.table import Numbers
from ingest.volume import Volume, volume_of
from shared.catalogue.productions import (
    find_camera,
    find_day,
    find_production,
    make_production,
    set_camera,
    set_day,
    shooting_date,
)
from shared.catalogue.reels import (
    AT_A_TIME,
    FoundFile,
    RecordedFile,
    check_reel_name,
    expect_files,
    find_destination,
    next_reel_name,
    recognise,
    recorded_files,
    reel_folder,
    was_finished,
)
from shared.db import Sessions, reading, writing
from shared.errors import NotFoundError, UsageError
from shared.models import (
    Camera,
    Card,
    ClipFile,
    CopyState,
    File,
    Offload,
    OffloadState,
    Production,
    Reel,
)
from shared.settings import Settings
from shared.timecode import Rate
from shared.when import EARLIEST


@dataclass(frozen=True, slots=True)
class OpenReel:
    """A reel ready to be filled. `finished_before`: an earlier offload of it went through, so this one proves
    all again. Empty until `recall`: `described`, the files that belong to a clip already, by path."""

    id: int
    name: str
    production: str
    folder: str
    places: tuple[Place, ...]
    finished_before: bool
    offload: OpenOffload
    described: Mapping[bytes, int] = field(default_factory=dict)


def open_reel(
    order: OffloadOrder,
    listing: Listing,
    settings: Settings,
    sessions: Sessions,
    disk: Disk,
    watching: Watching,
) -> OpenReel:
    """Find or make everything an offload stands on. Raises UsageError, NotFoundError, ConflictError."""
    if not listing.files:
        raise UsageError(
            "there is no file on this card", path=str(listing.root), remedy="Is it the right folder?"
        )
    if not order.to:
        raise UsageError("no destination", remedy="Name one or more folders: --to DIR --to DIR")
    volume = volume_of(listing.root)
    with writing(sessions) as session:
        production = _production(session, order, watching)
        # Two runs of one card at once pass here one after the other. SQLite has one writer anyway.
        session.scalar(select(Production.id).filter_by(id=production.id).with_for_update())
        known_reel = recognise(session, production, CardListed(listing))
        reel = _reel(session, order, production, known_reel, listing, volume, settings, watching)
        places, notes = open_places(listing, order.to, reel.folder, disk)
        for note in notes:
            watching.say(note)
        offload = Offload(
            reel_id=reel.id,
            source=os.fsencode(listing.root).decode("utf-8", "replace"),
            state=OffloadState.RUNNING,
            report={},
        )
        finished = was_finished(session, reel)
        session.add(offload)
        destinations = [find_destination(session, str(place.root)) for place in places]
        session.flush()
        expect_files(session, offload, reel.algorithm, CardListed(listing))
        return OpenReel(
            reel.id,
            reel.name,
            production.name,
            reel.folder,
            places,
            finished and known_reel is not None,
            OpenOffload(offload.id, reel.id, reel.algorithm, tuple(one.id for one in destinations)),
        )


def recall(session: Session, reel: OpenReel) -> OpenReel:
    """The reel with what an earlier run made of it. To be asked once the reel is held: before that, another
    run may still be writing."""
    described = session.execute(
        select(File.path_bytes, File.id)
        .join(ClipFile, ClipFile.file_id == File.id)
        .where(File.reel_id == reel.id)
        .order_by(File.path_bytes)
        .execution_options(yield_per=AT_A_TIME)
    )
    return replace(reel, described=Numbers((path, file_id) for path, file_id in described))


def known_files(sessions: Sessions, reel: OpenReel, entries: Sequence[Entry]) -> dict[str, KnownFile]:
    """What is recorded of these files of a reel that is held, by path."""
    with reading(sessions) as session:
        recorded = recorded_files(session, reel.id, [entry.raw for entry in entries])
    return {os.fsdecode(path): _known(file) for path, file in recorded.items()}


@dataclass(frozen=True, slots=True)
class CardListed:
    """The files of a listing as the catalogue asks for them."""

    listing: Listing

    def __len__(self) -> int:
        return len(self.listing.files)

    def items(self) -> Iterator[tuple[bytes, FoundFile]]:
        for entry in self.listing.files:
            yield entry.raw, FoundFile(entry.size, entry.mtime_ns)


def _known(file: RecordedFile) -> KnownFile:
    proven = {
        Path(one.destination): KnownCopy(file.size, one.mtime_ns)
        for one in file.copies
        if one.state is CopyState.VERIFIED
    }
    return KnownFile(file.size, file.mtime_ns, file.digest, proven)


def _production(session: Session, order: OffloadOrder, watching: Watching) -> Production:
    """The production asked for, else the latest; the very first offload makes one to hold it."""
    try:
        return find_production(session, order.production)
    except NotFoundError:
        if order.production is not None:
            raise
    zone = local_zone_name()
    watching.say(
        f"there was no production yet: made one named Untitled, 25 frames a second, zone {zone} "
        '(make your own with: rushlight new "NAME" --rate … --zone …)'
    )
    return make_production(session, "Untitled", rate=Rate(25, 1), zone=zone, day_starts=dt.time(4))


def local_zone_name() -> str:
    """The machine's zone by its IANA name; UTC where it does not say."""
    link = Path("/etc/localtime")
    if link.is_symlink():
        _, found, name = str(link.readlink()).partition("zoneinfo/")
        if found and "/" in name:
            return name
    return "UTC"


def _reel(
    session: Session,
    order: OffloadOrder,
    production: Production,
    known: Reel | None,
    listing: Listing,
    volume: Volume,
    settings: Settings,
    watching: Watching,
) -> Reel:
    if known is not None and order.reel in (None, known.name):
        watching.say(f"this card is known: reel {known.name}")
        if order.algorithm not in (None, known.algorithm):
            watching.say(f"keeping the hash of this reel's earlier offload: {known.algorithm}")
        letter = known.camera.letter if known.camera is not None else None
        if order.camera is not None and order.camera.casefold() != (letter or "").casefold():
            watching.say(f"keeping what is recorded of this reel: camera {letter or 'unknown'}")
        return known
    card = _card(session, order, volume)
    camera = _camera(session, order, production, card)
    name = (
        check_reel_name(session, production, order.reel)
        if order.reel is not None
        else next_reel_name(session, production, camera)
    )
    if known is not None:
        watching.say(f"these files are reel {known.name} already; copying them again as {name}, as asked")
    date = _date(session, order, production, listing)
    reel = Reel(
        production_id=production.id,
        card_id=card.id if card is not None else None,
        camera_id=camera.id if camera is not None else None,
        day_id=date[0],
        name=name,
        algorithm=order.algorithm or settings.algorithm,
        folder=reel_folder(production, date[1], name),
    )
    session.add(reel)
    session.flush()
    return reel


def _card(session: Session, order: OffloadOrder, volume: Volume) -> Card | None:
    """The physical card, by the label written on it, else by its volume's serial."""
    card = None
    if order.card_label is not None:
        card = session.scalar(select(Card).where(Card.label == order.card_label))
    elif volume.serial is not None:
        card = session.scalar(select(Card).where(Card.volume_serial == volume.serial))
    if card is None and (order.card_label is not None or volume.serial is not None):
        card = Card(label=order.card_label)
        session.add(card)
    if card is not None:
        card.volume_serial = volume.serial
        card.volume_name = volume.name
        card.filesystem = volume.filesystem
        card.capacity_bytes = volume.capacity_bytes
        session.flush()
    return card


def _camera(
    session: Session, order: OffloadOrder, production: Production, card: Card | None
) -> Camera | None:
    """The camera asked for, made if new; else the one that filled this card last in this production."""
    if order.camera is not None:
        return find_camera(session, production, order.camera) or set_camera(session, production, order.camera)
    if card is None:
        return None
    last = session.scalar(
        select(Reel)
        .where(Reel.production_id == production.id, Reel.card_id == card.id, Reel.camera_id.is_not(None))
        .order_by(Reel.id.desc())
        .limit(1)
    )
    return last.camera if last is not None else None


def _date(
    session: Session, order: OffloadOrder, production: Production, listing: Listing
) -> tuple[int, dt.date]:
    """The shooting day the reel is kept under: the one asked for, else that of its newest file."""
    if order.day is not None:
        day = find_day(session, production, order.day)
        return day.id, day.date
    newest = dt.datetime.fromtimestamp(
        max(entry.mtime_ns for entry in listing.files) // 1_000_000_000, dt.UTC
    )
    today = dt.datetime.now(dt.UTC)
    if not EARLIEST <= newest <= today + dt.timedelta(days=1):
        newest = today  # a clock that was never set says nothing of the day
    date = shooting_date(production, newest)
    return set_day(session, production, date=date).id, date
