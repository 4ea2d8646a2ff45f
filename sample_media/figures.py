"""Figures: the ferry and the people, small enough to stand in any scene."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from PIL import ImageDraw

from sample_media.paint import Colour, Point, draw_capsule, mix

Place = Callable[[float, float], Point]
"""Turns a point of the ferry's own drawing into canvas pixels."""
Block = Callable[[float, float, float, float, Colour], None]
"""Fills a rectangle of the ferry's own drawing."""


@dataclass(frozen=True)
class Livery:
    """The colours of the ferry under one light."""

    hull: Colour
    house: Colour
    trim: Colour
    window: Colour
    cars: tuple[Colour, Colour]


DAYLIGHT = Livery(
    (30, 74, 72), (240, 236, 222), (196, 70, 48), (92, 128, 146), ((214, 164, 62), (86, 110, 156))
)
DAWN = Livery((46, 58, 78), (214, 190, 178), (150, 76, 74), (250, 214, 150), ((120, 96, 92), (84, 82, 104)))
DUSK = Livery((38, 24, 40), (66, 40, 54), (88, 42, 48), (252, 196, 110), ((48, 30, 44), (44, 28, 44)))
NIGHT = Livery((22, 32, 48), (56, 66, 88), (92, 46, 50), (255, 214, 128), ((34, 42, 58), (30, 38, 52)))


def draw_ferry(draw: ImageDraw.ImageDraw, at: Point, scale: float, livery: Livery, nod: float = 0.0) -> None:
    """The ferry from the side, `at` the middle of its waterline; 300 units long, `scale` pixels a unit."""

    def place(x: float, y: float) -> Point:
        return at[0] + x * scale, at[1] + (y + x * nod) * scale

    def block(left: float, top: float, right: float, bottom: float, fill: Colour) -> None:
        draw.polygon(
            [place(left, top), place(right, top), place(right, bottom), place(left, bottom)], fill=fill
        )

    thin = max(1, round(1.6 * scale))
    for side in (-1, 1):
        ramp = [(108, -18), (152, -58), (157, -54), (114, -8)]
        draw.polygon([place(side * x, y) for x, y in ramp], fill=mix(livery.hull, livery.trim, 0.45))
        draw.line([place(side * 100, -52), place(side * 150, -57)], fill=livery.trim, width=thin)
        draw.line([place(side * 100, -20), place(side * 100, -58)], fill=livery.trim, width=round(thin * 1.6))
    draw.polygon(
        [place(*point) for point in [(-116, -20), (116, -20), (104, 2), (-104, 2)]], fill=livery.hull
    )
    block(-115, -22, 115, -17, livery.trim)
    _draw_deckhouse(draw, place, block, livery, thin)
    _draw_cars(draw, place, block, livery)
    for post in range(-96, 97, 12):
        draw.line([place(post, -21), place(post, -31)], fill=livery.house, width=max(1, thin // 2))
    draw.line([place(-98, -31), place(98, -31)], fill=livery.house, width=max(1, thin // 2))


def _draw_deckhouse(draw: ImageDraw.ImageDraw, place: Place, block: Block, livery: Livery, thin: int) -> None:
    block(-34, -66, 34, -22, livery.house)
    block(-38, -70, 38, -65, livery.trim)
    block(-19, -92, 19, -70, livery.house)
    block(-23, -96, 23, -91, livery.trim)
    for left in (-27, -10, 7):
        block(left, -58, left + 12, -47, livery.window)
    for left in (-15, -3, 9):
        block(left, -87, left + 7, -77, livery.window)
    draw.line([place(0, -96), place(0, -122)], fill=livery.trim, width=thin)
    draw.polygon([place(1, -121), place(18, -116), place(1, -111)], fill=livery.trim)


def _draw_cars(draw: ImageDraw.ImageDraw, place: Place, block: Block, livery: Livery) -> None:
    for middle, paint in zip((-68, 68), livery.cars, strict=True):
        block(middle - 26, -34, middle + 26, -24, paint)
        roof = [(-15, -34), (-9, -43), (10, -43), (17, -34)]
        draw.polygon([place(middle + x, y) for x, y in roof], fill=paint)
        glass = [(-11, -35), (-7, -41), (8, -41), (13, -35)]
        draw.polygon([place(middle + x, y) for x, y in glass], fill=mix(livery.window, paint, 0.25))


@dataclass(frozen=True)
class Walker:
    """Somebody who walks past: clothes, hair, and whether they push a bicycle."""

    coat: Colour
    legs: Colour
    hair: Colour
    skin: Colour
    bicycle: bool = False


def draw_walker(draw: ImageDraw.ImageDraw, feet: Point, scale: float, walker: Walker, stride: float) -> None:
    """A walking person from the side; `feet` on the ground, 100 units tall, `stride` in radians."""
    x, y = feet
    bob = abs(math.cos(stride)) * 2 * scale
    hip = (x, y - 46 * scale - bob)
    neck = (x + 3 * scale, y - 80 * scale - bob)
    if walker.bicycle:
        _draw_bicycle(draw, (x + 46 * scale, y), scale, stride)
    for lead in (1.0, -1.0):
        swing = math.sin(stride) * lead * 16 * scale
        shade = mix(walker.legs, (0, 0, 0), 0.0 if lead > 0 else 0.3)
        draw_capsule(draw, hip, (x + swing, y), 11 * scale, shade)
    head = (neck[0] + 1 * scale, neck[1] - 16 * scale)
    draw_capsule(draw, neck, head, 8 * scale, mix(walker.skin, (0, 0, 0), 0.15))
    draw_capsule(draw, hip, neck, 24 * scale, walker.coat)
    reach = 34.0 if walker.bicycle else 14 * math.sin(stride)
    hand = (x + reach * scale, y - 50 * scale - bob)
    draw_capsule(draw, (neck[0], neck[1] + 4 * scale), hand, 8 * scale, mix(walker.coat, (0, 0, 0), 0.25))
    for dx, dy, size, fill in ((-2.0, -2.5, 10.5, walker.hair), (1.8, 1.2, 8.6, walker.skin)):
        middle, half = (head[0] + dx * scale, head[1] + dy * scale), size * scale
        draw.ellipse((middle[0] - half, middle[1] - half, middle[0] + half, middle[1] + half), fill=fill)


def _draw_bicycle(draw: ImageDraw.ImageDraw, ground: Point, scale: float, stride: float) -> None:
    steel = (40, 42, 48)
    width = max(2, round(2.4 * scale))
    radius = 19 * scale
    hubs = [(ground[0] + side * 30 * scale, ground[1] - radius) for side in (-1, 1)]
    for hub in hubs:
        draw.ellipse(
            (hub[0] - radius, hub[1] - radius, hub[0] + radius, hub[1] + radius), outline=steel, width=width
        )
        for spoke in range(3):
            angle = stride * 1.6 + spoke * math.pi / 3
            dx, dy = radius * math.cos(angle), radius * math.sin(angle)
            draw.line((hub[0] - dx, hub[1] - dy, hub[0] + dx, hub[1] + dy), fill=(130, 130, 130), width=1)
    saddle = (ground[0] - 12 * scale, ground[1] - 46 * scale)
    bars = (ground[0] + 22 * scale, ground[1] - 50 * scale)
    crank = (ground[0] - 2 * scale, ground[1] - radius)
    frame = (176, 52, 44)
    for start, end in (
        (hubs[0], saddle),
        (saddle, bars),
        (bars, crank),
        (crank, saddle),
        (crank, hubs[0]),
        (bars, hubs[1]),
    ):
        draw.line((*start, *end), fill=frame, width=width)
