"""How each wish and each narration line stands: answered, thin, damaged, perhaps there, missing."""

from __future__ import annotations

import enum
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import ceil
from typing import Any

from shared.plan.coverage import seconds_json
from shared.plan.likeness import Stems, Suggestion, Wish, suggest, traits_of
from shared.plan.pieces import Piece, Take, make_pieces, piece_of
from shared.plan.thresholds import Thresholds

_NEAR = 10  # points of likeness; common practice, no source
Key = tuple[int, int | None]  # a clip, and a moment of it or None


class WishStatus(enum.StrEnum):
    COVERED = "covered"  # what a person confirmed has enough usable seconds
    THIN = "thin"  # it has some, and not enough
    DAMAGED = "damaged"  # it was taken, and nothing of it is usable
    POSSIBLE = "possible"  # nobody confirmed anything; a likely clip is there
    MISSING = "missing"
    DROPPED = "dropped"


@dataclass(frozen=True, slots=True)
class WishState:
    """`usable`: seconds of `answers`, which a person confirmed. `suggestions`: others, likeliest first."""

    wish: Wish
    status: WishStatus
    usable: Fraction
    answers: tuple[Piece, ...]
    suggestions: tuple[Suggestion, ...]

    @property
    def best(self) -> Suggestion | None:
        """The likeliest that can be used, else the likeliest."""
        usable = (one for one in self.suggestions if one.piece.usable)
        return next(usable, self.suggestions[0] if self.suggestions else None)

    def as_json(self) -> dict[str, Any]:
        return {
            "wish": self.wish.code,
            "status": self.status.value,
            "usable_seconds": seconds_json(self.usable),
            "wanted_seconds": self.wish.seconds,
            "answers": [one.name for one in self.answers],
            "suggestions": [suggestion_json(one) for one in self.suggestions],
        }


@dataclass(frozen=True, slots=True)
class LineInfo:
    """A narration line as the rules see it. `milliseconds`: recorded, else estimated."""

    id: int
    code: str
    beat: str
    text: str
    picture: str
    words: int
    milliseconds: int
    recorded: bool


@dataclass(frozen=True, slots=True)
class LineState:
    """What a narration line needs to be seen over it. `shots` and `wanted` are common practice, no source."""

    line: LineInfo
    shots: int
    wanted: Fraction
    usable: Fraction
    wishes: tuple[str, ...]


def suggestion_json(one: Suggestion) -> dict[str, Any]:
    return {
        "clip": one.piece.take.id,
        "moment": one.piece.key[1],
        "name": one.piece.name,
        "percent": one.percent,
        "usable_seconds": seconds_json(one.piece.usable),
        "why": list(one.why),
    }


def judge_wishes(
    wishes: Sequence[Wish],
    takes: Sequence[Take],
    confirmed: Mapping[int, Sequence[Key]],
    refused: Mapping[int, Sequence[Key]],
    thresholds: Thresholds,
    stems: Stems,
) -> list[WishState]:
    """In the order given. `confirmed` and `refused`: what a person said, by the wish's id."""
    traits = traits_of(make_pieces(takes, thresholds), stems)
    by_id = {take.id: take for take in takes}
    found = []
    for wish in wishes:
        answers = _answers(confirmed.get(wish.id, ()), by_id, thresholds)
        said = {*confirmed.get(wish.id, ()), *refused.get(wish.id, ())}
        clips = {clip for clip, moment in said if moment is None}
        left = traits
        if said:
            left = [one for one in traits if one.piece.key not in said and one.piece.take.id not in clips]
        likely = () if wish.dropped else tuple(suggest(wish, left, thresholds, stems))
        usable = sum((one.usable for one in answers), Fraction(0))
        status = _status(wish, answers, usable, likely, thresholds)
        found.append(WishState(wish, status, usable, tuple(answers), likely))
    return found


def _answers(keys: Sequence[Key], takes: Mapping[int, Take], thresholds: Thresholds) -> list[Piece]:
    """Each clip or moment that a person confirmed; a moment of a confirmed clip is counted once."""
    whole = {clip for clip, moment in keys if moment is None}
    found = []
    for clip, moment in keys:
        take = takes.get(clip)
        if take is None or (moment is not None and clip in whole):
            continue
        span = next((one for one in take.moments if one.id == moment), None)
        if moment is None or span is not None:
            found.append(piece_of(take, span, thresholds))
    return found


def _status(
    wish: Wish,
    answers: Sequence[Piece],
    usable: Fraction,
    suggestions: Sequence[Suggestion],
    thresholds: Thresholds,
) -> WishStatus:
    if wish.dropped:
        return WishStatus.DROPPED
    if answers:
        if not usable:
            return WishStatus.DAMAGED
        return WishStatus.COVERED if usable >= wish.seconds else WishStatus.THIN
    likely = [one for one in suggestions if one.percent >= thresholds["likely-percent"]]
    if not likely:
        return WishStatus.MISSING
    # Of the likeliest, and those nearly as likely: a bad take is not made good by another subject.
    near = [one for one in likely if one.percent >= likely[0].percent - _NEAR]
    return WishStatus.POSSIBLE if any(one.piece.usable for one in near) else WishStatus.DAMAGED


@dataclass(frozen=True, slots=True)
class DayState:
    """What was planned for a day and what there is of it, of any day. `day` None: for no day. Seconds count
    up to what each wish wants."""

    day: int | None
    wishes: int
    covered: int
    must_open: int
    wanted: int
    usable: Fraction


def judge_days(states: Sequence[WishState]) -> list[DayState]:
    """By day, those of no day last; dropped wishes are left out."""
    days: dict[int | None, list[WishState]] = defaultdict(list)
    for state in states:
        if state.status is not WishStatus.DROPPED:
            days[state.wish.day].append(state)
    return [
        DayState(
            day=day,
            wishes=len(own),
            covered=sum(one.status is WishStatus.COVERED for one in own),
            must_open=sum(one.wish.need == "must" and one.status is not WishStatus.COVERED for one in own),
            wanted=sum(one.wish.seconds for one in own),
            usable=sum((min(one.usable, Fraction(one.wish.seconds)) for one in own), Fraction(0)),
        )
        for day, own in sorted(days.items(), key=lambda item: (item[0] is None, item[0] or 0))
    ]


def judge_lines(
    lines: Sequence[LineInfo],
    states: Sequence[WishState],
    line_of: Mapping[int, int],
    thresholds: Thresholds,
) -> list[LineState]:
    """`line_of`: a line's id by a wish's. Shots = length / mean shot; footage = a multiple of the length."""
    found = []
    for line in lines:
        own = [one for one in states if line_of.get(one.wish.id) == line.id and not one.wish.dropped]
        seconds = Fraction(line.milliseconds, 1000)
        found.append(
            LineState(
                line=line,
                shots=ceil(seconds / thresholds["shot-seconds"]),
                wanted=seconds * thresholds["footage-percent"] / 100,
                usable=sum((one.usable for one in own), Fraction(0)),
                wishes=tuple(one.wish.code for one in own),
            )
        )
    return found
