"""Coverage: what there is of each beat in usable seconds, and what scenes and interviews commonly need.

The lists of what a scene or an interview needs are common practice, no source; numbers are thresholds.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from shared.models import ClipMedia
from shared.plan.pieces import Piece
from shared.plan.thresholds import PRACTICE, Thresholds
from shared.words import fold_name

WIDE = frozenset(("els", "ls", "fs"))
MEDIUM = frozenset(("mls", "ms", "mcu", "two-shot", "three-shot"))
DETAIL = frozenset(("insert", "ecu"))
FACE = frozenset(("mcu", "cu", "bcu"))
BEYOND = frozenset(("pov", "ots"))
COMING = frozenset(("towards", "away"))
FOLLOWING = frozenset(("follow", "lead", "reveal"))
COMING_TAGS = frozenset(("entrance", "exit", "arrival", "departure"))
TONE = frozenset(("room-tone", "ambience"))
CUTAWAYS = frozenset(("cutaway", "insert", "reaction", "b-roll", "observed", "sequence"))
INTERVIEW = "interview"
NAME_SPOKEN = frozenset(("name", "name spoken", "name and title"))
# Where the lens stands against the eyes of whom it sees, by the log's angle.
HEIGHTS = {"ground": "low", "low": "low", "eye": "eye", "high": "high", "overhead": "high"}


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell of the matrix. Empty: nobody said."""

    beat: str
    kind: str
    size: str
    angle: str
    clips: int
    seconds: Fraction
    usable: Fraction


@dataclass(frozen=True, slots=True)
class SceneState:
    """A beat as a scene: what of the usual list is there, in usable seconds, and what is not."""

    beat: str
    clips: int
    usable: Fraction
    there: tuple[tuple[str, Fraction], ...]
    missing: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class InterviewState:
    """A person's interview: what of the usual list is missing, each in words with its number."""

    person: str
    places: tuple[str, ...]
    usable: Fraction
    sizes: tuple[str, ...]
    cutaways: Fraction
    tone: Fraction
    name_spoken: bool
    released: bool
    missing: tuple[str, ...]
    takes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class HeightState:
    """From which heights a person is seen, in usable seconds. `one_sided`: the height that outweighs all."""

    person: str
    seconds: tuple[tuple[str, Fraction], ...]
    one_sided: str | None


@dataclass(frozen=True, slots=True)
class Coverage:
    cells: tuple[Cell, ...]
    scenes: tuple[SceneState, ...]
    interviews: tuple[InterviewState, ...]
    heights: tuple[HeightState, ...]

    def as_json(self) -> dict[str, Any]:
        return {
            "rules": PRACTICE,
            "cells": [_json(cell, Cell) for cell in self.cells],
            "scenes": [
                _json(scene, SceneState) | {"there": {name: seconds_json(s) for name, s in scene.there}}
                for scene in self.scenes
            ],
            "interviews": [_json(one, InterviewState) for one in self.interviews],
            "heights": [
                _json(one, HeightState) | {"seconds": {name: seconds_json(s) for name, s in one.seconds}}
                for one in self.heights
            ],
        }


def seconds_json(value: Fraction) -> float:
    """Seconds to a thousandth: for reading, not for counting frames."""
    return float(round(value, 3))


def _json(row: Any, kind: type[Any]) -> dict[str, Any]:
    values = ((name, getattr(row, name)) for name in kind.__slots__)
    return {
        name: seconds_json(value)
        if isinstance(value, Fraction)
        else list(value)
        if isinstance(value, tuple)
        else value
        for name, value in values
    }


def judge_coverage(pieces: Sequence[Piece], thresholds: Thresholds, released: Collection[str]) -> Coverage:
    """All of it. `released`: names of the people whose release holds today."""
    return Coverage(
        cells=tuple(_matrix(pieces)),
        scenes=tuple(_scenes(pieces, thresholds)),
        interviews=tuple(_interviews(pieces, thresholds, released)),
        heights=tuple(_heights(pieces, thresholds)),
    )


# -- beats ------------------------------------------------------------------------------------------


def _matrix(pieces: Iterable[Piece]) -> list[Cell]:
    """In the order in which beats were first shot, then by kind, size and angle."""
    groups: dict[tuple[str, str, str, str], list[Piece]] = defaultdict(list)
    titles = _titles(pieces)
    for piece in pieces:
        said = piece.said
        if piece.seconds or piece.moment is None:
            groups[(fold_name(said.beat), said.kind or "", said.size or "", said.angle or "")].append(piece)
    order = {beat: place for place, beat in enumerate(titles)}
    return [
        Cell(
            titles[key[0]],
            *key[1:],
            clips=len({one.take.id for one in group}),
            seconds=sum((one.seconds for one in group), Fraction(0)),
            usable=sum((one.usable for one in group), Fraction(0)),
        )
        for key, group in sorted(groups.items(), key=lambda item: (order[item[0][0]], item[0]))
    ]


def _titles(pieces: Iterable[Piece]) -> dict[str, str]:
    """Each beat by its folded name, as it was first written; in the order of time."""
    found: dict[str, str] = {}
    for piece in pieces:
        found.setdefault(fold_name(piece.said.beat), piece.said.beat)
    return found


def by_beat(pieces: Iterable[Piece]) -> dict[str, list[Piece]]:
    """Pieces of each beat that has a name, by that name as first written."""
    pieces = list(pieces)
    titles = _titles(pieces)
    groups: dict[str, list[Piece]] = defaultdict(list)
    for piece in pieces:
        if piece.said.beat:
            groups[titles[fold_name(piece.said.beat)]].append(piece)
    return dict(groups)


SceneNeed = tuple[str, Callable[[Piece], bool]]


def _is_face(piece: Piece) -> bool:
    return piece.said.size in FACE and piece.said.kind not in ("insert", "cutaway")


def _is_coming(piece: Piece) -> bool:
    said = piece.said
    tagged = any(fold_name(tag) in COMING_TAGS for tag in said.tags)
    return said.direction in COMING or said.movement in FOLLOWING or tagged


def _is_detail(piece: Piece) -> bool:
    return piece.said.size in DETAIL or piece.said.kind == "insert"


_SCENE: tuple[SceneNeed, ...] = (
    ("wide", lambda piece: piece.said.size in WIDE),
    ("medium", lambda piece: piece.said.size in MEDIUM),
    ("close of hands or a detail", _is_detail),
    ("close of a face", _is_face),
    ("point of view", lambda piece: piece.said.size in BEYOND),
    ("entrance or exit", _is_coming),
)
_TONE_NEED = "room tone"


def _scenes(pieces: Sequence[Piece], thresholds: Thresholds) -> list[SceneState]:
    found = []
    for beat, group in by_beat(pieces).items():
        seen = [one for one in group if one.has_picture and one.said.kind not in (INTERVIEW, "vox-pop")]
        clips = len({one.take.id for one in seen if not one.is_bad})
        if clips < thresholds["scene-clips"]:
            continue
        there = [
            (name, _sum(one for one in group if one.has_picture and holds(one))) for name, holds in _SCENE
        ]
        tone = _sum(one for one in group if one.said.kind in TONE)
        missing = [name for name, usable in there if not usable]
        if tone < thresholds["tone-seconds"]:
            missing.append(_TONE_NEED)
        there.append((_TONE_NEED, tone))
        found.append(SceneState(beat, clips, _sum(seen), tuple(there), tuple(missing)))
    return found


def _sum(pieces: Iterable[Piece]) -> Fraction:
    return sum((piece.usable for piece in pieces), Fraction(0))


# -- people -----------------------------------------------------------------------------------------


def _interviews(
    pieces: Sequence[Piece], thresholds: Thresholds, released: Collection[str]
) -> list[InterviewState]:
    people: dict[str, list[Piece]] = defaultdict(list)
    for piece in pieces:
        if piece.said.kind == INTERVIEW and not piece.is_bad:
            for name in dict.fromkeys((*piece.said.people, *piece.take.voices)):
                people[name].append(piece)
    return [
        _interview(person, own, pieces, thresholds, person in released)
        for person, own in sorted(people.items())
    ]


def _interview(
    person: str, own: Sequence[Piece], pieces: Sequence[Piece], thresholds: Thresholds, released: bool
) -> InterviewState:
    places = {fold_name(one.said.place): one.said.place for one in own if one.said.place}
    sizes = sorted(
        {"/".join(filter(None, (one.said.size, one.said.angle))) for one in own if one.has_picture} - {""}
    )
    near = [one for one in pieces if fold_name(one.said.place) in places and one.said.place]
    tone = _sum(one for one in near if one.said.kind in TONE)
    around = {one.key: one for one in near} | {one.key: one for one in pieces if person in one.said.people}
    cutaways = _sum(one for one in around.values() if one.has_picture and one.said.kind in CUTAWAYS)
    spoken = any(_speaks_name(one) for one in own)
    wanted = thresholds["interview-sizes"]
    checks = (
        (len(sizes) >= wanted, f"{len(sizes)} of {wanted} sizes or angles"),
        (spoken, "name and title spoken (tag a take or call a moment “name”)"),
        (released, "a release"),
        (
            tone >= thresholds["tone-seconds"],
            f"room tone of the place: {float(tone):.0f} of {thresholds['tone-seconds']} s",
        ),
        (
            cutaways >= thresholds["cutaway-seconds"],
            f"cutaways: {float(cutaways):.0f} of {thresholds['cutaway-seconds']} s",
        ),
    )
    return InterviewState(
        person=person,
        places=tuple(sorted(places.values())),
        usable=_sum(own),
        sizes=tuple(sizes),
        cutaways=cutaways,
        tone=tone,
        name_spoken=spoken,
        released=released,
        missing=tuple(text for holds, text in checks if not holds),
        takes=tuple(dict.fromkeys(one.take.name for one in own)),
    )


def _speaks_name(piece: Piece) -> bool:
    names = (*piece.said.tags, *(span.name for span in piece.take.moments))
    return any(fold_name(name) in NAME_SPOKEN for name in names)


def _heights(pieces: Sequence[Piece], thresholds: Thresholds) -> list[HeightState]:
    """By person: whoever is seen from below all through looks grand, from above small. Angle has meaning."""
    people: dict[str, dict[str, Fraction]] = defaultdict(lambda: defaultdict(Fraction))
    for piece in pieces:
        height = HEIGHTS.get(piece.said.angle or "")
        if height is None or piece.take.media is ClipMedia.AUDIO or not piece.usable:
            continue
        for person in piece.said.people:
            people[person][height] += piece.usable
    found = []
    for person, heights in sorted(people.items()):
        whole = sum(heights.values(), Fraction(0))
        top, most = max(heights.items(), key=lambda item: item[1])
        enough = whole >= thresholds["height-seconds"]
        one_sided = top != "eye" and enough and most * 100 >= whole * thresholds["height-percent"]
        ordered = tuple((name, heights[name]) for name in ("low", "eye", "high") if name in heights)
        found.append(HeightState(person, ordered, top if one_sided else None))
    return found
