"""A shooting day of which the truth is known: wishes with the clip that answers each, or none, or a bad one.

The log is written as people in a hurry write it: other words for a third of what was wished, terms left out,
and clips that look like an answer and are none (the same place and kind, another subject).
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field

from sqlalchemy.orm import Session

from shared.catalogue.plan import put_answer, put_wish
from shared.catalogue.rows import RowsEdit
from shared.models import (
    AnswerState,
    Clip,
    ClipMedia,
    Production,
    Severity,
    ShootingDay,
    Tag,
)
from tests import factories as make

SUBJECTS = (
    "hands winch wheel", "chain rising water", "gears turning oil", "tide board falling",
    "ferry leaving slipway",
    "passengers boarding bicycle", "wheelhouse dials trembling", "ramp lowering concrete", "gulls mud flats",
    "lanterns last boat", "ropes coiled deck", "engineer greasing bearing", "ticket machine coins",
    "dog waiting bench", "rain windows smeared", "anchor rust flakes", "boots ladder climbing",
    "map wall pins",
    "kettle steam cabin", "radio crackling shelf",
)  # fmt: skip
PLACES = ("Winch house", "West slipway", "Wheelhouse", "Car deck", "East quay")
SIZES = ("ls", "ms", "mcu", "cu")
KINDS = ("b-roll", "insert", "cutaway", "observed")
OTHER = (
    *("also", "light", "wind", "again", "later", "slow", "quick", "good", "end", "start"),
    *("bright", "left", "right", "near"),
)
TURNS = ("first", "second", "third", "fourth", "fifth", "sixth")


@dataclass(slots=True)
class Labelled:
    """`truth`: by wish code "covered", "missing" or "damaged"; `sure`: codes that a person confirmed."""

    production: Production
    day: ShootingDay
    truth: dict[str, str] = field(default_factory=dict)
    sure: set[str] = field(default_factory=set)


def make_labelled_day(session: Session, wishes: int, decoys: int, *, seed: int, confirm: float) -> Labelled:
    """So many wishes, a third of them missing, a sixth damaged. `confirm`: share of answers confirmed."""
    dice = random.Random(seed)
    production = make.make_production(session)
    day = make.make_day(session, production, number=1)
    camera = make.make_camera(session, production, letter="A")
    reel = make.make_reel(session, production, day_id=day.id, camera_id=camera.id)
    made = Labelled(production, day)
    edit = RowsEdit(session, production, "ada", "labelled")
    tags: dict[str, Tag] = {}
    for number in range(wishes):
        words = SUBJECTS[number % len(SUBJECTS)]
        turn = number // len(SUBJECTS)
        subject = f"{words} {TURNS[turn % 6]}"
        place, size, kind = PLACES[number % 5], SIZES[(number + turn) % 4], KINDS[(number * 7 + turn) % 4]
        wish = put_wish(
            edit,
            None,
            {"what": subject, "need": "must", "size": size, "kind": kind, "place": place, "seconds": 4,
             "day": day.date.isoformat()},
        )  # fmt: skip
        truth = ("missing", "covered", "covered", "damaged", "missing", "covered")[number % 6]
        made.truth[wish.code] = truth
        if truth == "missing":
            continue
        clip = _shoot(session, reel, dice, subject, place, size, kind, tags)
        if truth == "damaged":
            _spoil(session, clip, dice)
        if dice.random() < confirm:
            put_answer(edit, wish, clip=clip, moment=None, state=AnswerState.CONFIRMED)
            made.sure.add(wish.code)
    for number in range(decoys):
        subject = " ".join(dice.sample(OTHER, 3))
        _shoot(session, reel, dice, subject, PLACES[number % 5], SIZES[number % 4], KINDS[number % 4], tags)
    edit.close()
    session.flush()
    return made


def _shoot(
    session: Session,
    reel: object,
    dice: random.Random,
    subject: str,
    place: str,
    size: str,
    kind: str,
    tags: dict[str, Tag],
) -> Clip:
    """A clip as somebody in a hurry logs it: two words in three of the wish, and a term in four left out."""
    words = [word if dice.random() < 0.67 else dice.choice(OTHER) for word in subject.split()]
    said = {"kind": kind, "size": size, "place": place, "rating": "good", "subject": " ".join(words)}
    for name in ("kind", "size", "place", "rating"):
        if dice.random() < 0.25:
            del said[name]
    clip = make.make_clip(session, reel, media=ClipMedia.VIDEO, frames=dice.randrange(125, 400))  # type: ignore[arg-type]
    make.make_entry(session, clip, **said)  # type: ignore[arg-type]
    return clip


def _spoil(session: Session, clip: Clip, dice: random.Random) -> None:
    """Out of focus from end to end, or a file that broke off."""
    if dice.random() < 0.5:
        make.make_finding(
            session, clip, code="focus-hunting", severity=Severity.WARNING, message="Focus hunts.",
            in_frame=0, out_frame=clip.frames,
        )  # fmt: skip
    else:
        make.make_finding(
            session, clip, code="file-truncated", severity=Severity.FAULT, message="The file ends too early."
        )
