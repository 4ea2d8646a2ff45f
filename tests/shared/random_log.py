"""Small catalogues made at random, random edits of them, and random questions."""

from __future__ import annotations

import datetime as dt
import random
from collections.abc import Callable, Sequence
from typing import Any

from sqlalchemy import delete, func, select, update
from sqlalchemy.orm import Session

from shared.catalogue.text import refresh_text
from shared.models import (
    ChannelMap,
    Clip,
    ClipMedia,
    Finding,
    LogEntry,
    Moment,
    Person,
    Production,
    Reel,
    ShootingDay,
    Still,
    Tag,
    entry_person,
    entry_tag,
)
from shared.vocabulary import Vocabulary
from tests import factories as make

WORDS = ("ferry", "winch", "chain", "river", "rope", "quay")
TAGS = ("ferry", "Rope & chain", "night")
PEOPLE = ("Ada Wren", "Tom Reed", "Ada Hill")
CODES = {"kind": ("interview", "b-roll", "insert"), "size": ("cu", "ms"), "rating": ("ng", "good", "circled")}
FINDINGS = ("no-signal", "soft-focus")
TERMS = (
    *(f"{field}:{code}" for field, codes in CODES.items() for code in codes),
    *(f"finding:{code}" for code in FINDINGS),
    *WORDS,
    *("tag:ferry", 'tag:"rope & chain"', "person:ada", 'person:"Tom Reed"', "person:reed"),
    *("day:1", "day:2..", "day:1,3", "camera:A", 'camera:"main body"', 'lens:"35 mm"', "reel:A001,B001"),
    *("rating:good..", "kind:interview,b-roll", "media:audio", "media:video,image", "size:close-up"),
    *("has:log", "has:finding", "has:still", "has:kind", "has:tag", "has:person", "has:camera", "has:day"),
    *("no:log", "no:still,finding", "no:tag", "has:moment", "has:note", "no:date", "has:timecode"),
    *("fer*", '"chain ferry"', "place:quay", "name:C00", "duration:>3s", "rate:25", "date:2026-05"),
)  # fmt: skip


def fill_at_random(session: Session, dice: random.Random, vocabulary: Vocabulary, clips: int = 30) -> None:
    """Two productions, the second one small."""
    for name, count in (("The Chain Ferry", clips), ("Beside It", 4)):
        production = make.make_production(session, name=name, slug=name.lower().replace(" ", "-"))
        days = [make.make_day(session, production, number=number) for number in (1, 2, 3)]
        lens = make.make_lens(session, production, "35 mm f/1.8")
        cameras = [
            make.make_camera(session, production, letter=letter, name=title)
            for letter, title in (("A", "Main body"), ("B", "Second body"))
        ]
        for tag in TAGS:
            make.make_tag(session, production, tag)
        for person in PEOPLE:
            make.make_person(session, production, person)
        reels = [
            make.make_reel(session, production, name=f"{one.letter}001", camera_id=one.id, day_id=days[0].id)
            for one in cameras
        ]
        for number in range(count):
            clip = make.make_clip(
                session, dice.choice(reels), f"CLIP/C{number:04}.MP4",
                day_id=dice.choice([None, *(day.id for day in days)]),
                lens_id=dice.choice([None, lens.id]),
                media=dice.choice([ClipMedia.VIDEO, ClipMedia.VIDEO, ClipMedia.AUDIO]),
                frames=dice.choice([None, 50, 100, 750]),
            )  # fmt: skip
            if dice.random() < 0.3:
                make.make_still(session, clip)
            if dice.random() < 0.7:
                make.make_entry(session, clip, **_said(dice))
        session.flush()
    first = session.scalars(select(Clip).order_by(Clip.id)).first()
    for code in FINDINGS:  # a code that is nowhere can't be asked for
        make.make_finding(session, first, code=code)
    for _ in range(clips):
        edit_at_random(session, dice)
    index_words(session, vocabulary)


def _said(dice: random.Random) -> dict[str, Any]:
    codes = {field: dice.choice([None, *codes]) for field, codes in CODES.items()}
    return {**codes, "note": " ".join(dice.choices(WORDS, k=3)), "place": dice.choice(["", "the quay"])}


def index_words(session: Session, vocabulary: Vocabulary) -> None:
    session.flush()
    for production in session.scalars(select(Production)):
        ids = select(Clip.id).where(Clip.production_id == production.id)
        refresh_text(session, list(session.scalars(ids)), vocabulary)


def ask_at_random(dice: random.Random) -> str:
    terms = dice.choices(TERMS, k=dice.choice([0, 1, 1, 2, 3]))
    return " ".join(dice.choice(["", "", "-"]) + term for term in terms if " " not in term or '"' in term)


# -- edits ------------------------------------------------------------------------------------------


def edit_at_random(session: Session, dice: random.Random) -> None:
    dice.choice(_EDITS)(session, dice)
    session.flush()
    session.expire_all()  # statements change rows behind what the session holds


def _clip(session: Session, dice: random.Random) -> Clip:
    return session.get_one(Clip, dice.choice(list(session.scalars(select(Clip.id).order_by(Clip.id)))))


def _entry(session: Session, dice: random.Random) -> LogEntry:
    entries = list(session.scalars(select(LogEntry).order_by(LogEntry.id)))
    return dice.choice(entries) if entries else make.make_entry(session, _clip(session, dice))


def _production_of(session: Session, entry: LogEntry) -> int:
    clip_id = entry.clip_id or session.get_one(Moment, entry.moment_id).clip_id
    return session.get_one(Clip, clip_id).production_id


def _rate(session: Session, dice: random.Random) -> None:
    for field, value in _said(dice).items():
        setattr(_entry(session, dice), field, value)


def _rate_many(session: Session, dice: random.Random) -> None:
    """One statement over many rows, as a bulk edit is."""
    code = dice.choice(CODES["rating"])
    session.execute(update(LogEntry).where(LogEntry.id % 3 == dice.randrange(3)).values(rating=code))


def _move(session: Session, dice: random.Random) -> None:
    clip = _clip(session, dice)
    of_it = (ShootingDay.production_id == clip.production_id, ShootingDay.number == dice.randrange(1, 4))
    clip.day_id = session.scalar(select(ShootingDay.id).where(*of_it))


def _move_reel(session: Session, dice: random.Random) -> None:
    clip = _clip(session, dice)
    camera = session.scalar(select(Reel.camera_id).where(Reel.id == clip.reel_id))
    session.execute(
        update(Clip).where(Clip.reel_id == clip.reel_id).values(camera_id=dice.choice([None, camera]))
    )


def _tag_or_not(session: Session, dice: random.Random) -> None:
    entry = _entry(session, dice)
    tags = session.scalars(select(Tag).where(Tag.production_id == _production_of(session, entry)))
    entry.tags = dice.sample(list(tags), 2) if dice.random() < 0.7 else []


def _name_people(session: Session, dice: random.Random) -> None:
    entry = _entry(session, dice)
    people = session.scalars(select(Person).where(Person.production_id == _production_of(session, entry)))
    entry.people = dice.sample(list(people), dice.randrange(3))


def _untag_all(session: Session, dice: random.Random) -> None:
    session.execute(delete(entry_tag).where(entry_tag.c.tag_id == dice.randrange(1, 7)))


def _notice(session: Session, dice: random.Random) -> None:
    clip = _clip(session, dice)
    if dice.random() < 0.5:
        make.make_finding(session, clip, code=dice.choice(FINDINGS))
    elif clip.files:
        make.make_finding(session, None, file_id=clip.files[0].file_id, code=dice.choice(FINDINGS))


def _dismiss(session: Session, dice: random.Random) -> None:
    dismissed = dice.choice([None, "seen"])
    session.execute(update(Finding).where(Finding.id % 4 == dice.randrange(4)).values(dismissed=dismissed))


def _mark(session: Session, dice: random.Random) -> None:
    """A moment inside a clip, with an entry of its own."""
    moment = Moment(clip_id=_clip(session, dice).id, in_frame=1, out_frame=9)
    session.add(moment)
    session.flush()
    session.add(LogEntry(moment_id=moment.id, kind="interview"))


def _hear(session: Session, dice: random.Random) -> None:
    clip = _clip(session, dice)
    people = select(Person.id).where(Person.production_id == clip.production_id)
    channel = (
        session.scalar(select(func.max(ChannelMap.channel)).where(ChannelMap.clip_id == clip.id)) or 0
    ) + 1
    person = dice.choice([None, *session.scalars(people)])
    session.add(ChannelMap(clip_id=clip.id, channel=channel, person_id=person))


def _take_stills_away(session: Session, dice: random.Random) -> None:
    session.execute(delete(Still).where(Still.clip_id == _clip(session, dice).id))


def _forget_entry(session: Session, dice: random.Random) -> None:
    entry = _entry(session, dice)
    session.execute(delete(entry_tag).where(entry_tag.c.entry_id == entry.id))
    session.execute(delete(entry_person).where(entry_person.c.entry_id == entry.id))
    session.execute(delete(LogEntry).where(LogEntry.id == entry.id))


def _rename(session: Session, dice: random.Random) -> None:
    tag = session.scalars(select(Tag).order_by(Tag.id)).all()[-1]
    tag.name = dice.choice(["night", "dusk", "fog"]) if tag.production_id == 1 else f"tag {dice.random()}"


def _add_clip(session: Session, dice: random.Random) -> None:
    reel = session.scalars(select(Reel).order_by(Reel.id)).first()
    assert reel is not None
    make.make_clip(session, reel, f"NEW/{dice.random()}.MP4")


def _correct_time(session: Session, dice: random.Random) -> None:
    clip = _clip(session, dice)
    hours = dt.timedelta(hours=dice.randrange(100))
    clip.shot_at = dice.choice([None, make.FIRST_TIME + hours, make.FIRST_TIME - hours])


_EDITS: Sequence[Callable[[Session, random.Random], None]] = (
    _rate, _rate_many, _move, _move_reel, _tag_or_not, _name_people, _untag_all, _notice, _dismiss, _mark,
    _hear, _take_stills_away, _forget_entry, _rename, _add_clip, _correct_time,
)  # fmt: skip
