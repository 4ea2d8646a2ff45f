"""The shape of an outline over running time: kind, pace, speaker, music and sound level, and long sameness.

What counts as long is a threshold of the plan; all of them are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import ceil
from typing import Any

from shared.models import ItemKind
from shared.outline.running import Layout, Segment, picture_cuts
from shared.plan.thresholds import Thresholds

NOBODY = ""
_MOST_POINTS = 240  # of the sound level's curve


@dataclass(frozen=True, slots=True)
class Stretch:
    """`value` from edit frame `start` on, for `frames`."""

    start: int
    frames: int
    value: str

    @property
    def stop(self) -> int:
        return self.start + self.frames


@dataclass(frozen=True, slots=True)
class Curve:
    """A clip's sound as it was measured: its level by the `step` seconds, dB re full scale."""

    step: float
    levels: Sequence[float]

    def loudest(self, first: float, end: float) -> float | None:
        """The greatest level from second `first` up to `end`; None: nothing was measured there."""
        begin = max(0, int(first / self.step))
        some = self.levels[begin : max(begin + 1, ceil(end / self.step))]
        return max(some, default=None)


@dataclass(frozen=True, slots=True)
class Level:
    """The loudest that was measured in a stretch, dB re full scale; None: not measured, or no sound of a
    clip."""

    start: int
    frames: int
    db: float | None


@dataclass(frozen=True, slots=True)
class Sameness:
    """A stretch that stays the same for long. `what`: kind, speaker, cut, pace, music or level."""

    what: str
    start: int
    frames: int
    text: str


@dataclass(frozen=True, slots=True)
class Shape:
    """Every lane covers the whole running time. `cuts`: pictures from cut to cut, by the item's kind or
    "cover"."""

    frames: int
    kinds: tuple[Stretch, ...]
    cuts: tuple[Stretch, ...]
    speakers: tuple[Stretch, ...]
    music: tuple[Stretch, ...]
    levels: tuple[Level, ...]
    sameness: tuple[Sameness, ...]

    def as_json(self) -> dict[str, Any]:
        return {
            "frames": self.frames,
            **{
                name: [
                    {"start": one.start, "frames": one.frames, "value": one.value}
                    for one in getattr(self, name)
                ]
                for name in ("kinds", "cuts", "speakers", "music")
            },
            "levels": [{"start": one.start, "frames": one.frames, "db": one.db} for one in self.levels],
            "sameness": [
                {"what": one.what, "start": one.start, "frames": one.frames, "text": one.text}
                for one in self.sameness
            ],
        }


def shape_of(layout: Layout, curves: Mapping[int, Curve], thresholds: Thresholds) -> Shape:
    """`curves`: the measured level of clips that were measured, by id."""
    kinds = _joined(Stretch(one.start, one.frames, one.item.kind.value) for one in layout.placed)
    speakers = _joined(_speakers(layout))
    music = _joined(
        Stretch(one.start, one.frames, "music" if one.item.kind is ItemKind.MUSIC else NOBODY)
        for one in layout.placed
    )
    cuts = tuple(
        Stretch(cut.start, cut.frames, "cover" if cut.is_cover else cut.item.item.kind.value)
        for cut in picture_cuts(layout)
    )
    levels = _levels(layout, curves)
    whole = Shape(layout.frames, kinds, cuts, speakers, music, levels, ())
    found = sorted(_sameness(layout, whole, thresholds), key=lambda one: one.start)
    return Shape(layout.frames, kinds, cuts, speakers, music, levels, tuple(found))


def _joined(stretches: Iterable[Stretch]) -> tuple[Stretch, ...]:
    found: list[Stretch] = []
    for one in stretches:
        if found and found[-1].value == one.value:
            found[-1] = Stretch(found[-1].start, found[-1].frames + one.frames, one.value)
        else:
            found.append(one)
    return tuple(found)


def _speakers(layout: Layout) -> Iterable[Stretch]:
    for one in layout.placed:
        if one.item.kind is ItemKind.NARRATION:
            yield Stretch(one.start, one.frames, "narrator")
        elif one.item.kind is ItemKind.QUOTE:
            for segment in one.segments:
                yield Stretch(segment.start, segment.frames, segment.speaker or "not named")
        else:
            yield Stretch(one.start, one.frames, NOBODY)


def _levels(layout: Layout, curves: Mapping[int, Curve]) -> tuple[Level, ...]:
    """Steps of equal length, a second or more, each with the loudest of what is heard in it."""
    step = max(layout.outline.rate.nominal, ceil(layout.frames / _MOST_POINTS))
    heard = [segment for one in layout.placed for segment in one.segments]
    found, at = [], 0
    for start in range(0, layout.frames, step):
        stop = min(start + step, layout.frames)
        while at < len(heard) and heard[at].stop <= start:
            at += 1
        found.append(Level(start, stop - start, _loudest(layout, curves, heard[at:], start, stop)))
    return tuple(found)


def _loudest(
    layout: Layout, curves: Mapping[int, Curve], heard: Sequence[Segment], start: int, stop: int
) -> float | None:
    found: list[float] = []
    for segment in heard:
        if segment.start >= stop:
            break
        curve = curves.get(segment.clip)
        first, last = max(start, segment.start), min(stop, segment.stop)
        if curve is None or last <= first:
            continue
        part = segment.cut(first, last)
        per_second = layout.outline.sources[segment.clip].per_second
        level = curve.loudest(float(part.first / per_second), float(part.end / per_second))
        if level is not None:
            found.append(level)
    return max(found, default=None)


# -- long sameness --------------------------------------------------------------------------------------


def _sameness(layout: Layout, shape: Shape, thresholds: Thresholds) -> Iterable[Sameness]:
    def seconds(frames: int) -> float:
        return float(layout.seconds(frames))

    def where(start: int, stop: int) -> str:
        return f"{say_clock(seconds(start))} to {say_clock(seconds(stop))}"

    lanes: tuple[tuple[str, Sequence[Stretch], str, Callable[[str], str]], ...] = (
        ("kind", shape.kinds, "same-kind-seconds", lambda value: f"only {value}"),
        ("speaker", shape.speakers, "same-speaker-seconds", lambda value: f"{value} alone speaks"),
        ("music", shape.music, "same-music-seconds", lambda _value: "music without a break"),
        ("cut", shape.cuts, "long-cut-seconds", lambda _value: "one picture without a cut"),
    )
    for what, lane, name, say in lanes:
        for one in lane:
            if one.value and seconds(one.frames) > thresholds[name]:
                text = f"{where(one.start, one.stop)}: {say(one.value)} for {seconds(one.frames):.0f} s"
                yield Sameness(what, one.start, one.frames, f"{text}; more than {thresholds[name]} s.")
    for run in _flat_pace(shape.cuts, thresholds):
        start, stop = run[0].start, run[-1].stop
        mean = seconds(stop - start) / len(run)
        text = f"{where(start, stop)}: {len(run)} cuts on end of nearly one length, about {mean:.1f} s."
        yield Sameness("pace", start, stop - start, text)
    for levels in _flat_levels(shape.levels, thresholds):
        start, stop = levels[0].start, levels[-1].start + levels[-1].frames
        if seconds(stop - start) > thresholds["same-level-seconds"]:
            text = f"{where(start, stop)}: the sound stays within {thresholds['same-level-db']} dB."
            yield Sameness("level", start, stop - start, text)


def _flat_pace(cuts: Sequence[Stretch], thresholds: Thresholds) -> list[list[Stretch]]:
    """Runs of cuts whose shortest and longest differ by less than the threshold, as long as they can be."""
    runs: list[list[Stretch]] = []
    run: list[Stretch] = []
    for cut in cuts:
        lengths = [one.frames for one in (*run, cut)]
        if run and (max(lengths) - min(lengths)) * 100 > thresholds["same-pace-percent"] * max(lengths):
            runs.append(run)
            run = []
        run.append(cut)
    return [one for one in (*runs, run) if len(one) >= thresholds["same-pace-cuts"]]


def _flat_levels(levels: Sequence[Level], thresholds: Thresholds) -> list[list[Level]]:
    runs: list[list[Level]] = []
    run: list[Level] = []
    for level in levels:
        known = [one.db for one in (*run, level) if one.db is not None]
        if run and (level.db is None or max(known) - min(known) > thresholds["same-level-db"]):
            runs.append(run)
            run = []
        if level.db is not None:
            run.append(level)
    return [one for one in (*runs, run) if one]


def say_clock(seconds: float) -> str:
    """Minutes and seconds of running time: "2:05"."""
    whole = round(seconds)
    return f"{whole // 60}:{whole % 60:02}"
