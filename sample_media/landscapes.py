"""Landscapes: the river, the ferry on it, the banks, and the valley from the air."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from PIL import Image, ImageDraw

from sample_media.figures import DAWN, DAYLIGHT, DUSK, NIGHT, Livery, Walker, draw_ferry, draw_walker
from sample_media.paint import (
    CANVAS,
    Colour,
    Ripples,
    add_glow,
    blur,
    draw_hills,
    draw_trees,
    fill_gradient,
    mix,
)

Painter = Callable[[float], Image.Image]
"""Gives the canvas as it looks so many seconds into the clip."""

WIDTH, HEIGHT = CANVAS


@dataclass(frozen=True)
class Light:
    """The colours of one hour of the day."""

    high: Colour
    low: Colour
    hills: tuple[Colour, Colour, Colour]
    water: tuple[Colour, Colour]
    sun: Colour
    sun_at: tuple[float, float]
    glint: Colour
    livery: Livery


MORNING = Light(
    (96, 140, 190),
    (255, 214, 170),
    ((156, 158, 186), (112, 124, 150), (62, 84, 100)),
    ((236, 196, 166), (62, 92, 122)),
    (255, 240, 206),
    (930, 236),
    (255, 232, 196),
    DAWN,
)
EVENING = Light(
    (70, 44, 98),
    (255, 142, 70),
    ((150, 74, 96), (98, 48, 80), (52, 28, 56)),
    ((246, 132, 76), (66, 36, 82)),
    (255, 236, 170),
    (500, 262),
    (255, 196, 120),
    DUSK,
)


def paint_river(light: Light, seed: int, mud: bool = False) -> Painter:
    """The river in a wide view: sun low over hills, the ferry a small thing in the middle of it."""
    horizon = 404
    canvas = fill_gradient(CANVAS, [(0.0, light.high), (horizon / HEIGHT, light.low), (1.0, light.low)])
    add_glow(canvas, light.sun_at, 420, light.sun, 0.75)
    x, y = light.sun_at
    ImageDraw.Draw(canvas).ellipse((x - 44, y - 44, x + 44, y + 44), fill=light.sun)
    draw_hills(canvas, horizon, 150, light.hills[0], seed)
    draw_hills(canvas, horizon, 92, light.hills[1], seed + 1)
    draw_hills(canvas, horizon + 4, 44, light.hills[2], seed + 2, roughness=10)
    water = fill_gradient((WIDTH, HEIGHT - horizon), [(0.0, light.water[0]), (0.85, light.water[1])])
    canvas.paste(water, (0, horizon))
    add_glow(canvas, (x, horizon + 30), 260, light.sun, 0.5)
    if mud:
        _paint_mud(canvas, light)
    swell = Ripples.scatter(horizon + 14, 590 if mud else HEIGHT, 130, seed)
    glitter = Ripples.scatter(horizon + 8, 585 if mud else HEIGHT - 60, 90, seed + 3, column=x)
    dark = mix(light.water[1], (0, 0, 0), 0.12)

    def paint(seconds: float) -> Image.Image:
        image = canvas.copy()
        draw = ImageDraw.Draw(image)
        swell.draw(draw, seconds, dark)
        glitter.draw(draw, seconds, light.glint)
        at = (620 + 26 * seconds, 520)
        rope = mix(light.livery.hull, light.water[1], 0.35)
        draw.line([(0, 500), (at[0] - 190, 522)], fill=rope, width=4)
        draw.line([(at[0] + 190, 522), (WIDTH, 508)], fill=rope, width=4)
        draw.ellipse((at[0] - 210, 512, at[0] + 210, 540), fill=mix(light.water[1], (0, 0, 0), 0.3))
        draw_ferry(draw, at, 1.5, light.livery)
        _draw_birds(draw, seconds, mix(light.hills[2], (0, 0, 0), 0.3))
        _draw_reeds(draw, seconds, mix(light.hills[2], (0, 0, 0), 0.45), seed)
        return image

    return paint


def _paint_mud(canvas: Image.Image, light: Light) -> None:
    """Low tide: flats with a gleaming creek in the near half of the river."""
    draw = ImageDraw.Draw(canvas)
    mud = mix(light.hills[2], (92, 64, 60), 0.45)
    draw.polygon([(0, 600), (420, 586), (880, 622), (1440, 598), (1440, 810), (0, 810)], fill=mud)
    gleam = mix(light.water[0], light.glint, 0.3)
    for step in range(60):
        depth = step / 59
        x = 860 + (60 + 110 * depth) * math.sin(1.2 + 5.2 * depth**0.7) - 60 * depth
        half = 14 + 74 * depth**1.5
        y = 612 + 198 * depth
        draw.ellipse((x - half, y - 5, x + half, y + 6), fill=gleam)
    for step in range(14):
        x, y = 40 + step * 108, 640 + (step * 37) % 130
        draw.ellipse((x, y, x + 90, y + 9), fill=mix(mud, light.glint, 0.3))


def _draw_birds(draw: ImageDraw.ImageDraw, seconds: float, colour: Colour) -> None:
    for index in range(5):
        x = 240 + index * 46 + seconds * 60
        y = 170 + (index % 3) * 26 + 6 * math.sin(seconds * 2 + index)
        lift = 10 * math.sin(seconds * 9 + index)
        draw.line([(x - 18, y - lift), (x, y), (x + 18, y - lift)], fill=colour, width=4, joint="curve")


def _draw_reeds(draw: ImageDraw.ImageDraw, seconds: float, colour: Colour, seed: int) -> None:
    rng = np.random.default_rng(seed + 9)
    for _ in range(46):
        root = float(rng.triangular(0, 40, 420))
        tall = float(rng.uniform(90, 250)) * (1 - root / 620)
        sway = 10 * math.sin(seconds * 2 + root / 60) + float(rng.uniform(-20, 30))
        draw.line(
            [(root, HEIGHT), (root + sway * 0.4, HEIGHT - tall * 0.6), (root + sway, HEIGHT - tall)],
            fill=colour,
            width=6,
        )
        draw.ellipse((root + sway - 6, HEIGHT - tall - 30, root + sway + 6, HEIGHT - tall + 8), fill=colour)


def paint_ferry() -> Painter:
    """The ferry broadside, near, in flat daylight, drawing itself along its chain."""
    horizon = 380
    canvas = fill_gradient(CANVAS, [(0.0, (122, 176, 222)), (0.47, (222, 234, 236)), (1.0, (222, 234, 236))])
    _paint_clouds(canvas)
    draw_hills(canvas, horizon, 86, (138, 166, 146), 31)
    ImageDraw.Draw(canvas).rectangle((0, horizon - 12, WIDTH, horizon + 14), fill=(116, 134, 92))
    draw_trees(canvas, horizon, (72, 108, 70), 32, (0, 560))
    draw_trees(canvas, horizon, (72, 108, 70), 33, (900, WIDTH))
    _paint_cottages(canvas, horizon)
    water = fill_gradient((WIDTH, HEIGHT - horizon - 12), [(0.0, (150, 176, 178)), (1.0, (48, 88, 100))])
    canvas.paste(water, (0, horizon + 12))
    waves = Ripples.scatter(horizon + 20, HEIGHT, 170, 34)
    sparkle = Ripples.scatter(horizon + 20, HEIGHT, 70, 35)

    def paint(seconds: float) -> Image.Image:
        image = canvas.copy()
        draw = ImageDraw.Draw(image)
        at = (640 + 44 * seconds, 600 + 2 * math.sin(seconds * 2.2))
        draw.ellipse((at[0] - 420, 580, at[0] + 420, 690), fill=(44, 76, 84))
        waves.draw(draw, seconds, (58, 100, 112))
        sparkle.draw(draw, seconds + 1, (196, 216, 214), 2)
        draw_ferry(draw, at, 3.1, DAYLIGHT, nod=0.004 * math.sin(seconds * 1.7))
        for side in (-1, 1):
            _draw_hauled_chain(draw, (at[0] + side * 330, 560), side, seconds)
        for drift in range(7):
            x = at[0] - 350 - drift * 38 - 8 * math.sin(seconds * 5 + drift)
            draw.line([(x - 16, 604 + drift * 3), (x + 20, 604 + drift * 3)], fill=(186, 206, 206), width=4)
        return image

    return paint


def _draw_hauled_chain(
    draw: ImageDraw.ImageDraw, end: tuple[float, float], side: int, seconds: float
) -> None:
    """Links as dots on a sagging line from the deck down into the water."""
    for link in range(15):
        along = (link + (seconds * 1.5) % 1.0) / 15
        x = end[0] + side * along * 260
        y = end[1] + 70 * along**0.7
        draw.ellipse((x - 8, y - 6, x + 8, y + 6), outline=(66, 52, 46), width=4)


def _paint_clouds(canvas: Image.Image) -> None:
    layer = Image.new("L", CANVAS, 0)
    draw = ImageDraw.Draw(layer)
    rng = np.random.default_rng(36)
    for x, y in ((220, 130), (720, 90), (1180, 170)):
        for _ in range(14):
            dx, dy, r = rng.normal(0, 90), rng.normal(0, 14), rng.uniform(24, 56)
            draw.ellipse((x + dx - r, y + dy - r * 0.6, x + dx + r, y + dy + r * 0.6), fill=210)
    canvas.paste((250, 250, 248), (0, 0), blur(layer, 12))


def _paint_cottages(canvas: Image.Image, ground: int) -> None:
    draw = ImageDraw.Draw(canvas)
    for x, wall in ((610, (238, 228, 206)), (690, (224, 196, 176)), (778, (236, 236, 230))):
        draw.rectangle((x, ground - 52, x + 68, ground), fill=wall)
        draw.polygon([(x - 8, ground - 50), (x + 34, ground - 92), (x + 76, ground - 50)], fill=(146, 84, 66))
        draw.rectangle((x + 26, ground - 28, x + 42, ground), fill=(70, 76, 84))
        for left in (8, 48):
            draw.rectangle((x + left, ground - 40, x + left + 12, ground - 28), fill=(92, 112, 124))


def paint_night() -> Painter:
    """Past midnight: the last boat, known only by its lamps and their long reflections."""
    horizon = 400
    canvas = fill_gradient(
        CANVAS, [(0.0, (8, 12, 34)), (0.49, (34, 44, 78)), (0.5, (16, 22, 44)), (1.0, (6, 9, 22))]
    )
    rng = np.random.default_rng(41)
    draw = ImageDraw.Draw(canvas)
    for _ in range(120):
        x, y, r = rng.uniform(0, WIDTH), rng.uniform(0, 330), rng.uniform(0.8, 2.6)
        draw.ellipse((x - r, y - r, x + r, y + r), fill=(210, 216, 236))
    add_glow(canvas, (1120, 160), 260, (190, 200, 230), 0.5)
    draw.ellipse((1070, 110, 1170, 210), fill=(240, 238, 222))
    draw.ellipse((1094, 96, 1186, 188), fill=(58, 66, 100))
    draw_hills(canvas, horizon, 70, (14, 20, 40), 42, roughness=8)
    lamps = [(160.0, 388.0), (250.0, 380.0), (330.0, 390.0), (1290.0, 384.0)]
    for lamp in lamps:
        add_glow(canvas, lamp, 46, (255, 196, 110), 0.95)
    columns = [
        Ripples.scatter(horizon + 6, 640, 26, 43 + index, column=x) for index, (x, _) in enumerate(lamps)
    ]
    boat = [
        (offset, Ripples.scatter(540, 800, 46, 50 + index, column=700.0 + offset))
        for index, offset in enumerate((-240, -60, 40, 240))
    ]
    moon = Ripples.scatter(horizon + 6, 790, 60, 61, column=1120)

    def paint(seconds: float) -> Image.Image:
        image = canvas.copy()
        brush = ImageDraw.Draw(image)
        for column in columns:
            column.draw(brush, seconds, (120, 96, 70), 2)
        moon.draw(brush, seconds, (112, 122, 152))
        shift = -20 * seconds
        colours = {-240: (212, 76, 66), -60: (240, 196, 116), 40: (240, 196, 116), 240: (70, 190, 128)}
        for offset, strokes in boat:
            strokes.draw(brush, seconds, mix(colours[offset], (8, 12, 26), 0.25))
        draw_ferry(brush, (700 + shift, 530), 2.0, NIGHT)
        for offset, light in ((-232, (255, 84, 72)), (232, (84, 226, 150)), (0, (255, 244, 214))):
            height = 300 if offset == 0 else 416
            add_glow(image, (700 + shift + offset, height), 54, light, 1.3)
        return image

    return paint


def paint_passengers() -> Painter:
    """Foot passengers and a bicycle going up the ramp in the morning."""
    canvas = fill_gradient(CANVAS, [(0.0, (168, 200, 216)), (0.55, (238, 232, 216)), (1.0, (238, 232, 216))])
    draw_hills(canvas, 452, 70, (158, 172, 156), 71)
    draw = ImageDraw.Draw(canvas)
    draw.rectangle((0, 450, WIDTH, HEIGHT), fill=(126, 154, 156))
    draw.polygon([(0, 640), (900, 640), (1440, 586), (1440, HEIGHT), (0, HEIGHT)], fill=(118, 112, 104))
    draw.polygon([(840, 646), (1440, 586), (1440, 612), (840, 680)], fill=(196, 70, 48))
    for groove in range(24):
        x = groove * 62
        draw.line([(x, 646), (x - 60, HEIGHT)], fill=(104, 98, 92), width=5)
    draw.rectangle((1180, 150, 1440, 590), fill=(240, 236, 222))
    draw.rectangle((1160, 130, 1440, 160), fill=(196, 70, 48))
    for left in (1206, 1300, 1394):
        draw.rectangle((left, 210, left + 64, 290), fill=(92, 128, 146))
    draw.rectangle((1180, 560, 1440, 592), fill=(30, 74, 72))
    swell = Ripples.scatter(458, 630, 60, 72, right=1090)
    crowd = [
        Walker((206, 68, 58), (52, 58, 76), (60, 44, 36), (226, 178, 146)),
        Walker((64, 104, 140), (70, 62, 56), (190, 186, 180), (206, 158, 128), bicycle=True),
        Walker((224, 180, 72), (48, 72, 70), (42, 32, 30), (150, 104, 78)),
        Walker((86, 128, 92), (58, 54, 68), (150, 96, 52), (232, 190, 160)),
    ]

    def paint(seconds: float) -> Image.Image:
        image = canvas.copy()
        brush = ImageDraw.Draw(image)
        swell.draw(brush, seconds, (150, 176, 176))
        for index, walker in enumerate(crowd):
            x = 250 + index * 236 + seconds * 70 - (60 if index == 1 else 0)
            ground = 706 if x < 860 else 706 - (x - 860) * 0.11
            draw_walker(brush, (x, ground), 3.1, walker, seconds * 6 + index * 1.9)
        return image

    return paint
