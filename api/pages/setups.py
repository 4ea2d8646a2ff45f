"""Clips of a day in setups: what one camera took with one lens without moving on for long."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

from shared.models import Clip

# A quarter of an hour is about what it takes to strike a tripod and build the next frame (common practice, no
# source). It only says where a heading stands; nothing is reckoned with it.
GAP = dt.timedelta(minutes=15)


@dataclass(frozen=True, slots=True)
class Setup:
    """`clips` in order of time, all of one camera and lens; `begins` and `ends` None: no time is known."""

    camera_id: int | None
    lens_id: int | None
    clips: tuple[Clip, ...]
    begins: dt.datetime | None
    ends: dt.datetime | None


def group_setups(clips: Sequence[Clip]) -> list[Setup]:
    """Setups in the order in which they began; those of unknown time last."""
    runs: dict[tuple[int | None, int | None], list[list[Clip]]] = {}
    for clip in sorted(clips, key=_order):
        of_kit = runs.setdefault((clip.camera_id, clip.lens_id), [])
        if of_kit and _goes_on(of_kit[-1][-1], clip):
            of_kit[-1].append(clip)
        else:
            of_kit.append([clip])
    setups = [_setup(run) for of_kit in runs.values() for run in of_kit]
    return sorted(setups, key=lambda setup: _order(setup.clips[0]))


def _order(clip: Clip) -> tuple[bool, dt.datetime, int]:
    return clip.shot_at is None, clip.shot_at or dt.datetime.max.replace(tzinfo=dt.UTC), clip.id


def _goes_on(before: Clip, clip: Clip) -> bool:
    if before.shot_at is None or clip.shot_at is None:
        return before.shot_at is clip.shot_at
    return clip.shot_at - _end(before, before.shot_at) <= GAP


def _end(clip: Clip, begins: dt.datetime) -> dt.datetime:
    seconds = clip.real_seconds
    return begins if seconds is None else begins + dt.timedelta(seconds=float(seconds))


def _setup(run: Sequence[Clip]) -> Setup:
    first, last = run[0], run[-1]
    ends = _end(last, last.shot_at) if last.shot_at is not None else None
    return Setup(first.camera_id, first.lens_id, tuple(run), first.shot_at, ends)
