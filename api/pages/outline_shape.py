"""The shape of an outline as a drawing of plain figures, and the same in words.

Nothing is told by colour alone: kinds differ by height and filling, speakers by the row they are on, and
beneath the drawing stands in words what it shows.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import log2

from shared.outline.running import Layout
from shared.outline.shape import Level, Shape, Stretch, say_clock

WIDTH, HEIGHT = 1000, 40
_QUIET, _LOUD = -60.0, 0.0  # dB between which the level is drawn
_MOST_ROWS = 8  # speakers beyond these share the last row
# How a kind is drawn: from where down, and in which filling.
_KINDS = {
    "quote": (0, "solid"),
    "scene": (0, "hollow"),
    "narration": (20, "solid"),
    "music": (26, "hatched"),
    "title": (34, "hollow"),
}
_KIND_WORDS = {
    "quote": "full and solid",
    "scene": "full and hollow",
    "narration": "half and solid",
    "music": "low and hatched",
    "title": "lowest and hollow",
}


@dataclass(frozen=True, slots=True)
class Figure:
    """A rectangle: `look` is solid, hollow, hatched or look (amber)."""

    x: float
    y: float
    width: float
    height: float
    look: str


@dataclass(frozen=True, slots=True)
class Lane:
    """One row of the drawing. `words`: what it shows, and how it is to be read."""

    name: str
    figures: tuple[Figure, ...]
    words: str


def draw_shape(layout: Layout, shape: Shape) -> list[Lane]:
    """The lanes from top to bottom; none where the outline is empty."""
    if not shape.frames:
        return []
    pen = _Pen(layout, shape)
    return [pen.kinds(), pen.pace(), pen.speakers(), pen.music(), pen.levels(), pen.sameness()]


class _Pen:
    def __init__(self, layout: Layout, shape: Shape) -> None:
        self.layout, self.shape = layout, shape

    def _seconds(self, frames: int) -> float:
        return float(self.layout.seconds(frames))

    def _box(self, start: int, frames: int, top: float, bottom: float, look: str) -> Figure:
        scale = WIDTH / self.shape.frames
        x = round(start * scale, 2)
        return Figure(x, round(top, 2), round(frames * scale, 2), round(bottom - top, 2), look)

    def kinds(self) -> Lane:
        figures = [
            self._box(one.start, one.frames, _KINDS[one.value][0], HEIGHT, _KINDS[one.value][1])
            for one in self.shape.kinds
        ]
        parts = [
            f"{name} {self._sum(frames)} ({_KIND_WORDS[name]})"
            for name, frames in _totals(self.shape.kinds).items()
        ]
        return Lane("Kind", tuple(figures), f"{', '.join(parts)}.")

    def pace(self) -> Lane:
        cuts = self.shape.cuts
        longest = max(one.frames for one in cuts)

        def height(frames: int) -> float:
            return HEIGHT * log2(1 + self._seconds(frames)) / log2(1 + self._seconds(longest))

        figures = [
            self._box(one.start, one.frames, HEIGHT - height(one.frames), HEIGHT,
                      "hollow" if one.value == "cover" else "solid")
            for one in cuts
        ]  # fmt: skip
        lengths = sorted(self._seconds(one.frames) for one in cuts)
        covers = sum(one.value == "cover" for one in cuts)
        said = f"; {covers} of them cover (hollow)" if covers else ""
        words = (
            f"{len(cuts)} pictures from cut to cut{said}, {lengths[0]:.1f} to {lengths[-1]:.1f} s, "
            f"half of them up to {lengths[(len(lengths) - 1) // 2]:.1f} s. The longer, the higher."
        )
        return Lane("Pace", tuple(figures), words)

    def speakers(self) -> Lane:
        totals = _totals(one for one in self.shape.speakers if one.value)
        names = list(totals)
        rows = min(len(names), _MOST_ROWS)
        figures = []
        for one in self.shape.speakers:
            if one.value:
                row = min(names.index(one.value), rows - 1)
                step = HEIGHT / rows
                figures.append(
                    self._box(one.start, one.frames, row * step + 1, (row + 1) * step - 1, "solid")
                )
        said = ", ".join(f"{name} {self._sum(frames)}" for name, frames in totals.items())
        return Lane("Speaker", tuple(figures), f"From the top: {said}." if said else "Nobody speaks.")

    def music(self) -> Lane:
        played = [one for one in self.shape.music if one.value]
        figures = [self._box(one.start, one.frames, 14, 26, "hatched") for one in played]
        frames = sum(one.frames for one in played)
        share = round(100 * frames / self.shape.frames)
        return Lane(
            "Music", tuple(figures), f"{self._sum(frames)}, {share} % of it." if played else "No music."
        )

    def levels(self) -> Lane:
        known = [one for one in self.shape.levels if one.db is not None]
        figures = [self._box(one.start, one.frames, _level_top(one), HEIGHT, "solid") for one in known]
        if not known:
            return Lane("Sound", (), "No sound of it was measured.")
        values = [one.db for one in known if one.db is not None]
        share = round(100 * sum(one.frames for one in known) / self.shape.frames)
        words = (
            f"The loudest of each step, {min(values):.0f} to {max(values):.0f} dB; measured for {share} %."
        )
        return Lane("Sound", tuple(figures), words)

    def sameness(self) -> Lane:
        figures = [self._box(one.start, one.frames, 16, 24, "look") for one in self.shape.sameness]
        if not figures:
            return Lane("Long the same", (), "Nothing stays the same for long.")
        return Lane("Long the same", tuple(figures), " ".join(one.text for one in self.shape.sameness))

    def _sum(self, frames: int) -> str:
        return say_clock(self._seconds(frames))


def _totals(stretches: Iterable[Stretch]) -> dict[str, int]:
    found: dict[str, int] = defaultdict(int)
    for one in stretches:
        found[one.value] += one.frames
    return dict(found)


def _level_top(level: Level) -> float:
    share = ((level.db or _QUIET) - _QUIET) / (_LOUD - _QUIET)
    return HEIGHT * (1 - min(1.0, max(0.02, share)))


def ticks(layout: Layout, most: int = 4) -> Sequence[str]:
    """Labels of running time at equal steps, from its beginning to its end."""
    return [say_clock(float(layout.seconds(layout.frames)) * at / (most - 1)) for at in range(most)]
