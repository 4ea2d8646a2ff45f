"""Paint: the few primitives every scene is drawn with.

Scenes are painted on a canvas larger than the frame and at twice its scale. The camera move is a window
slid or shrunk over that canvas, and scaling the window down to the frame smooths every edge at once.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from PIL import Image, ImageDraw, ImageFilter

FRAME = (640, 360)
CANVAS = (1440, 810)
WINDOW = (1280, 720)

Colour = tuple[int, int, int]
Point = tuple[float, float]


def mix(first: Colour, second: Colour, share: float) -> Colour:
    """`first` with `share` (0..1) of `second` in it."""
    red, green, blue = (round(a + (b - a) * share) for a, b in zip(first, second, strict=True))
    return red, green, blue


def fill_gradient(size: tuple[int, int], stops: Sequence[tuple[float, Colour]]) -> Image.Image:
    """A vertical gradient; `stops` are (height 0..1 from the top, colour) in rising order."""
    width, height = size
    places = np.linspace(0.0, 1.0, height)
    at = [stop for stop, _ in stops]
    bands = [np.interp(places, at, [colour[band] for _, colour in stops]) for band in range(3)]
    column = np.stack(bands, axis=1)[:, None, :]
    return Image.fromarray(np.repeat(column, width, axis=1).round().astype(np.uint8))


def add_glow(image: Image.Image, centre: Point, radius: float, colour: Colour, strength: float) -> None:
    """Light that falls off from `centre` (canvas pixels), added to what is there. Changes `image`."""
    left, top = max(0, int(centre[0] - radius)), max(0, int(centre[1] - radius))
    right = min(image.width, int(centre[0] + radius))
    bottom = min(image.height, int(centre[1] + radius))
    if left >= right or top >= bottom:
        return
    patch = np.asarray(image.crop((left, top, right, bottom)), dtype=np.float64)
    rows, columns = np.mgrid[top:bottom, left:right]
    distance = np.hypot(columns - centre[0], rows - centre[1]) / radius
    light = np.clip(1.0 - distance, 0.0, 1.0)[..., None] ** 2 * strength
    lit = patch + (np.array(colour) - patch) * np.clip(light, 0.0, 1.0)
    image.paste(Image.fromarray(lit.round().astype(np.uint8)), (left, top))


def blur(image: Image.Image, radius: float) -> Image.Image:
    return image.filter(ImageFilter.GaussianBlur(radius))


def draw_hills(
    image: Image.Image, base: float, height: float, colour: Colour, seed: int, roughness: float = 0.0
) -> None:
    """A ridge across the whole width, from summed waves; everything down to `base` is filled."""
    rng = np.random.default_rng(seed)
    columns = np.arange(0, image.width + 8, 8)
    ridge = np.zeros(len(columns))
    for octave in range(1, 5):
        phase = rng.uniform(0, 2 * math.pi)
        ridge += np.sin(columns / image.width * 2 * math.pi * octave * 0.9 + phase) / octave
    ridge = (ridge - ridge.min()) / (ridge.max() - ridge.min())
    tops = base - height * (0.35 + 0.65 * ridge) - roughness * rng.uniform(0, 1, len(columns))
    outline = [(float(x), float(y)) for x, y in zip(columns, tops, strict=True)]
    ImageDraw.Draw(image).polygon([(0.0, base), *outline, (float(image.width), base)], fill=colour)


def draw_trees(image: Image.Image, base: float, colour: Colour, seed: int, span: tuple[int, int]) -> None:
    """A row of round crowns standing on `base`, between the two columns of `span`."""
    rng = np.random.default_rng(seed)
    draw = ImageDraw.Draw(image)
    column = float(span[0])
    while column < span[1]:
        radius = rng.uniform(14, 34)
        shade = mix(colour, (0, 0, 0), rng.uniform(0.0, 0.25))
        top = base - radius * rng.uniform(1.2, 1.9)
        draw.ellipse((column - radius, top, column + radius, base + radius * 0.3), fill=shade)
        column += radius * rng.uniform(0.9, 1.5)


def draw_capsule(
    draw: ImageDraw.ImageDraw, start: Point, end: Point, width: float, fill: Colour | tuple[int, ...]
) -> None:
    """A thick line with round ends: a limb, a finger, a bar."""
    half = width / 2
    draw.line((*start, *end), fill=fill, width=round(width))
    for x, y in (start, end):
        draw.ellipse((x - half, y - half, x + half, y + half), fill=fill)


def turn(point: Point, angle: float, about: Point = (0.0, 0.0)) -> Point:
    """`point` turned by `angle` (radians, clockwise on the canvas) and then moved to `about`."""
    cosine, sine = math.cos(angle), math.sin(angle)
    return about[0] + point[0] * cosine - point[1] * sine, about[1] + point[0] * sine + point[1] * cosine


@dataclass(frozen=True)
class Ripples:
    """Short level strokes on water: they lengthen towards the viewer and drift with time."""

    places: tuple[tuple[float, float, float, float], ...]
    """For each stroke: column, row, half length in pixels, phase in radians."""

    @classmethod
    def scatter(
        cls,
        top: float,
        bottom: float,
        count: int,
        seed: int,
        column: float | None = None,
        right: float = CANVAS[0],
    ) -> Ripples:
        """`count` strokes between two rows, left of `right`; with `column`, gathered below a light there."""
        rng = np.random.default_rng(seed)
        depth = rng.uniform(0.0, 1.0, count) ** 1.4
        if column is None:
            columns = rng.uniform(0, right, count)
        else:
            columns = column + rng.normal(0, 1, count) * (20 + 110 * depth)
        rows = top + (bottom - top) * depth
        halves = (4 + 46 * depth) * rng.uniform(0.5, 1.2, count)
        phases = rng.uniform(0, 2 * math.pi, count)
        strokes = zip(columns, rows, halves, phases, strict=True)
        return cls(tuple((float(x), float(y), float(half), float(phase)) for x, y, half, phase in strokes))

    def draw(self, draw: ImageDraw.ImageDraw, seconds: float, colour: Colour, weight: float = 3.0) -> None:
        for column, row, half, phase in self.places:
            swell = 0.55 + 0.45 * math.sin(phase + seconds * 4.0)
            reach = half * swell
            x = column + 10 * math.sin(phase * 2 + seconds * 1.5)
            thick = max(1, round(weight * (0.5 + half / 50)))
            draw.line((x - reach, row, x + reach, row), fill=colour, width=thick)
