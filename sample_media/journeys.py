"""Journeys: what the moving cameras see, on deck with the gimbal and over the valley with the drone."""

from __future__ import annotations

import math

import numpy as np
from PIL import Image, ImageDraw

from sample_media.landscapes import Painter
from sample_media.paint import (
    CANVAS,
    Colour,
    Point,
    Ripples,
    blur,
    draw_capsule,
    draw_hills,
    draw_trees,
    fill_gradient,
    mix,
)

WIDTH, HEIGHT = CANVAS
BOARDED = 2.6
"""Seconds in which the ferry seen from above makes three tenths of its crossing."""


def paint_deck() -> Painter:
    """Behind somebody who walks along the car deck towards the far bank."""
    canvas = fill_gradient(CANVAS, [(0.0, (150, 192, 222)), (0.44, (234, 236, 226)), (1.0, (234, 236, 226))])
    draw_hills(canvas, 352, 60, (140, 162, 140), 101)
    draw_trees(canvas, 352, (84, 114, 80), 102, (300, 1140))
    draw = ImageDraw.Draw(canvas)
    draw.rectangle((0, 350, WIDTH, HEIGHT), fill=(124, 154, 160))
    draw.polygon([(660, 372), (780, 372), (1500, HEIGHT), (-60, HEIGHT)], fill=(96, 98, 100))
    for seam in range(-6, 7):
        draw.line([(720 + seam * 9, 372), (720 + seam * 128, HEIGHT)], fill=(80, 82, 86), width=4)
    draw.polygon([(711, 372), (729, 372), (800, HEIGHT), (640, HEIGHT)], fill=(214, 178, 66))
    for side in (-1, 1):
        wall = [
            (720 + side * 62, 372),
            (720 + side * 62, 330),
            (720 + side * 840, -40),
            (720 + side * 840, HEIGHT),
        ]
        draw.polygon(wall, fill=(234, 230, 216))
        draw.polygon(
            [
                (720 + side * 62, 372),
                (720 + side * 62, 362),
                (720 + side * 840, 560),
                (720 + side * 840, HEIGHT),
            ],
            fill=(30, 74, 72),
        )
        draw.line([(720 + side * 62, 330), (720 + side * 840, -40)], fill=(196, 70, 48), width=14)

    def paint(seconds: float) -> Image.Image:
        image = canvas.copy()
        brush = ImageDraw.Draw(image)
        for step in range(9):
            depth = ((step - seconds * 1.4) % 9.0) / 9.0
            spread = 62 + 778 * (1 - depth) ** 2.6
            top, bottom = 350 - (spread - 40) * 0.42, 372 + (spread - 62) * 0.5
            for side in (-1, 1):
                x = 720 + side * spread
                brush.line([(x, top), (x, bottom)], fill=(150, 150, 144), width=max(3, round(spread / 34)))
        _draw_from_behind(brush, (720 + 8 * math.sin(seconds * 5.5), 742), 4.7, seconds)
        return image

    return paint


def _draw_from_behind(draw: ImageDraw.ImageDraw, feet: Point, scale: float, seconds: float) -> None:
    """The deckhand from behind: orange jacket with a reflecting stripe, wool hat, swinging arms."""
    x, y = feet
    jacket, band = (222, 112, 40), (240, 238, 220)
    lift = math.sin(seconds * 5.5)
    y -= abs(lift) * 6
    for side in (-1, 1):
        raised = max(0.0, side * lift) * 5 * scale
        draw_capsule(
            draw,
            (x + side * 7 * scale, y - 46 * scale),
            (x + side * 8 * scale, y - raised),
            13 * scale,
            (44, 52, 70),
        )
        hand = (x + side * 24 * scale, y - 46 * scale - side * lift * 4 * scale)
        draw_capsule(
            draw, (x + side * 15 * scale, y - 82 * scale), hand, 9 * scale, mix(jacket, (0, 0, 0), 0.18)
        )
        draw_capsule(draw, hand, (hand[0], hand[1] + 2 * scale), 8 * scale, (220, 170, 138))
    draw.rounded_rectangle(
        (x - 19 * scale, y - 92 * scale, x + 19 * scale, y - 42 * scale), 9 * scale, fill=jacket
    )
    draw.rectangle((x - 19 * scale, y - 68 * scale, x + 19 * scale, y - 62 * scale), fill=band)
    draw.rectangle((x - 5 * scale, y - 97 * scale, x + 5 * scale, y - 88 * scale), fill=(206, 158, 130))
    draw.ellipse((x - 11 * scale, y - 117 * scale, x + 11 * scale, y - 93 * scale), fill=(112, 76, 50))
    draw.pieslice(
        (x - 12 * scale, y - 120 * scale, x + 12 * scale, y - 92 * scale), 180, 360, fill=(44, 66, 92)
    )
    draw.rounded_rectangle(
        (x - 12.5 * scale, y - 108 * scale, x + 12.5 * scale, y - 103 * scale), 6, fill=(30, 46, 66)
    )


def paint_approach() -> Painter:
    """From the slipway: the ferry comes head-on, ramp first, growing."""
    canvas = fill_gradient(CANVAS, [(0.0, (176, 196, 208)), (0.5, (236, 230, 214)), (1.0, (236, 230, 214))])
    draw_hills(canvas, 384, 80, (150, 164, 150), 111)
    draw_trees(canvas, 386, (92, 118, 88), 112, (0, WIDTH))
    water = fill_gradient((WIDTH, HEIGHT - 384), [(0.0, (168, 186, 186)), (1.0, (66, 100, 108))])
    canvas.paste(water, (0, 384))
    draw = ImageDraw.Draw(canvas)
    slip = [(560, 600), (880, 600), (1240, HEIGHT), (200, HEIGHT)]
    draw.polygon(slip, fill=(132, 122, 110))
    for row in range(8):
        y = 612 + row * row * 3.4
        draw.line([(560 - (y - 600) * 1.7, y), (880 + (y - 600) * 1.7, y)], fill=(112, 104, 94), width=4)
    waves = Ripples.scatter(396, 600, 120, 113)

    def paint(seconds: float) -> Image.Image:
        image = canvas.copy()
        brush = ImageDraw.Draw(image)
        waves.draw(brush, seconds, (120, 148, 150))
        _draw_head_on(brush, (720, 470 + 22 * seconds), 2.1 + 0.5 * seconds)
        foam = 560 + 8 * math.sin(seconds * 3)
        for lap in range(9):
            x = foam + lap * 40
            brush.ellipse((x - 24, 596, x + 24, 606), fill=(226, 232, 226))
        return image

    return paint


def _draw_head_on(draw: ImageDraw.ImageDraw, at: Point, scale: float) -> None:
    def block(left: float, top: float, right: float, bottom: float, fill: Colour) -> None:
        draw.rectangle(
            (at[0] + left * scale, at[1] + top * scale, at[0] + right * scale, at[1] + bottom * scale),
            fill=fill,
        )

    hull, house, trim, glass = (30, 74, 72), (240, 236, 222), (196, 70, 48), (92, 128, 146)
    block(-82, 0, 82, 10, (58, 92, 98))
    block(-74, -24, 74, 4, hull)
    block(-74, -28, 74, -22, trim)
    for side in (-1, 1):
        left, right = sorted((side * 74, side * 50))
        block(left, -92, right, -26, house)
        block(left - 2, -97, right + 2, -91, trim)
        left, right = sorted((side * 69, side * 55))
        block(left, -84, right, -70, glass)
    block(-50, -88, 50, -80, trim)
    block(-26, -112, 26, -86, house)
    block(-29, -116, 29, -111, trim)
    for left in (-21, -6, 9):
        block(left, -107, left + 12, -95, glass)
    for left, paint in ((-40, (214, 164, 62)), (6, (86, 110, 156))):
        block(left, -46, left + 34, -28, paint)
        block(left + 5, -58, left + 29, -45, mix(paint, (220, 236, 240), 0.45))
        for lamp in (left + 3, left + 25):
            block(lamp, -42, lamp + 6, -36, (255, 246, 206))
    ramp = [(-48, -26), (48, -26), (60, 14), (-60, 14)]
    draw.polygon([(at[0] + x * scale, at[1] + y * scale) for x, y in ramp], fill=(120, 78, 66))
    for bar in range(1, 5):
        y = at[1] + (-26 + bar * 8) * scale
        draw.line(
            [(at[0] - 52 * scale, y), (at[0] + 52 * scale, y)], fill=(94, 60, 52), width=max(2, round(scale))
        )


def paint_wheelhouse() -> Painter:
    """Out of the wheelhouse windows: dark frames, a console with dials, the far slipway ahead."""
    canvas = fill_gradient(CANVAS, [(0.0, (132, 182, 216)), (0.4, (232, 234, 222)), (1.0, (232, 234, 222))])
    draw_hills(canvas, 330, 70, (140, 166, 146), 121)
    draw_trees(canvas, 332, (80, 112, 76), 122, (0, WIDTH))
    draw = ImageDraw.Draw(canvas)
    draw.rectangle((0, 330, WIDTH, HEIGHT), fill=(116, 152, 158))
    draw.polygon([(672, 330), (768, 330), (810, 366), (630, 366)], fill=(150, 138, 122))
    waves = Ripples.scatter(344, 600, 150, 123)
    inside = Image.new("RGBA", CANVAS, (0, 0, 0, 0))
    _paint_console(ImageDraw.Draw(inside))

    def paint(seconds: float) -> Image.Image:
        image = canvas.copy()
        brush = ImageDraw.Draw(image)
        waves.draw(brush, seconds, (160, 188, 188))
        image.paste(inside, (0, 0), inside)
        for dial, rate in ((420, 1.1), (720, 0.6), (1020, 1.7)):
            angle = -2.2 + 0.5 * math.sin(seconds * rate * 2)
            end = (dial + 40 * math.cos(angle), 690 + 40 * math.sin(angle))
            brush.line([(dial, 690), end], fill=(196, 60, 46), width=7)
        return image

    return paint


def _paint_console(draw: ImageDraw.ImageDraw) -> None:
    dark, wood = (28, 26, 28, 255), (92, 60, 40, 255)
    draw.rectangle((0, 0, WIDTH, 96), fill=dark)
    for post in (60, 500, 940, 1380):
        draw.polygon([(post - 26, 90), (post + 26, 90), (post + 34, 580), (post - 34, 580)], fill=dark)
    draw.rectangle((0, 0, 70, HEIGHT), fill=dark)
    draw.rectangle((1370, 0, WIDTH, HEIGHT), fill=dark)
    draw.polygon([(0, 560), (WIDTH, 560), (WIDTH, HEIGHT), (0, HEIGHT)], fill=wood)
    draw.line([(0, 562), (WIDTH, 562)], fill=(140, 96, 62, 255), width=12)
    for dial in (420, 720, 1020):
        draw.ellipse((dial - 68, 622, dial + 68, 758), fill=(188, 148, 74, 255))
        draw.ellipse((dial - 58, 632, dial + 58, 748), fill=(240, 236, 222, 255))
        for tick in range(9):
            angle = math.pi * (0.8 + 1.4 * tick / 8)
            inner, outer = (42, 52)
            draw.line(
                [
                    (dial + inner * math.cos(angle), 690 + inner * math.sin(angle)),
                    (dial + outer * math.cos(angle), 690 + outer * math.sin(angle)),
                ],
                fill=(40, 40, 44, 255),
                width=5,
            )
    draw_capsule(draw, (1220, 700), (1256, 500), 22, (150, 150, 150, 255))
    draw.ellipse((1222, 452, 1296, 526), fill=(178, 48, 40, 255))


def paint_valley(low_tide: bool, drift: float, seed: int = 7) -> Painter:
    """Straight down on the crossing; `drift` is how many pixels a second the valley slides by."""
    tall = HEIGHT + 330
    valley = _paint_map(tall, low_tide, seed)
    start = (706.0, 402.0)
    end = (738.0, 690.0) if low_tide else (744.0, 748.0)

    def paint(seconds: float) -> Image.Image:
        top = min(max(330 - drift * seconds, 0.0), 330.0)
        image = valley.crop((0, round(top), WIDTH, round(top) + HEIGHT))
        draw = ImageDraw.Draw(image)
        share = 0.42 + 0.3 * seconds / BOARDED
        x = start[0] + (end[0] - start[0]) * share
        y = start[1] + (end[1] - start[1]) * share - top + 165
        lean = (end[0] - start[0]) / (end[1] - start[1])
        draw.line(
            [(start[0], start[1] - top + 165), (end[0], end[1] - top + 165)], fill=(60, 66, 66), width=5
        )
        for wave in range(1, 5):
            spread, back = 20 + wave * 9, 60 + wave * 16
            draw.arc(
                (x - spread - lean * back, y - back - 20, x + spread - lean * back, y - back + 20),
                200,
                340,
                fill=(206, 226, 224),
                width=5,
            )
        _draw_ferry_from_above(draw, (x, y), lean)
        return image

    return paint


def _draw_ferry_from_above(draw: ImageDraw.ImageDraw, at: Point, lean: float) -> None:
    def block(left: float, top: float, right: float, bottom: float, fill: Colour) -> None:
        corners = [(left, top), (right, top), (right, bottom), (left, bottom)]
        draw.polygon([(at[0] + x + y * lean, at[1] + y) for x, y in corners], fill=fill)

    block(-34, -62, 46, 74, (40, 78, 86))
    block(-40, -66, 40, 66, (30, 74, 72))
    block(-32, -60, 32, 60, (150, 150, 146))
    for end in (-1, 1):
        top, bottom = sorted((end * 62, end * 86))
        block(-28, top, 28, bottom, (196, 70, 48))
    block(14, -22, 44, 22, (246, 242, 230))
    block(20, -12, 40, 12, (196, 70, 48))
    cars = (
        (-24, -50, (214, 164, 62)),
        (-24, -12, (236, 236, 236)),
        (-24, 26, (86, 110, 156)),
        (4, 32, (170, 60, 54)),
    )
    for left, top, tint in cars:
        block(left, top, left + 15, top + 27, tint)
        block(left + 2, top + 7, left + 13, top + 18, mix(tint, (20, 30, 40), 0.5))


def _paint_map(tall: int, low_tide: bool, seed: int) -> Image.Image:
    """Fields, hedges, roads and houses on two banks, with the river bending through."""
    rng = np.random.default_rng(seed)
    image = Image.new("RGB", (WIDTH, tall), (134, 156, 86))
    draw = ImageDraw.Draw(image)
    greens = [(142, 164, 84), (116, 146, 80), (176, 172, 96), (98, 132, 76), (196, 184, 118), (128, 152, 100)]
    for row in range(-1, 7):
        for column in range(-1, 7):
            x, y = column * 260 + (row % 2) * 90, row * 210
            jitter = rng.uniform(-34, 34, (4, 2))
            corners = [(x, y), (x + 260, y), (x + 260, y + 210), (x, y + 210)]
            field = [
                (cx + float(dx), cy + float(dy)) for (cx, cy), (dx, dy) in zip(corners, jitter, strict=True)
            ]
            draw.polygon(field, fill=greens[int(rng.integers(len(greens)))], outline=(78, 106, 60), width=7)
    image = blur(image, 1.2)
    draw = ImageDraw.Draw(image)
    for x, top, bottom in ((700, 0, 560), (748, 900, tall)):
        draw.line(
            [(x - 40, top), (x, (top + bottom) / 2), (x, bottom)],
            fill=(206, 200, 188),
            width=30,
            joint="curve",
        )
    half = 120.0 if low_tide else 168.0
    columns = np.arange(-20, WIDTH + 40, 20)
    middle = 740 + 84 * np.sin(columns / 330.0 + 0.4) - (columns - 720) * 0.05
    bands = [
        (214, (92, 118, 70)),
        (196, (168, 148, 116)),
        (half, (92, 146, 152)),
        (half - 26, (58, 116, 132)),
        (half - 70, (46, 100, 120)),
    ]
    for reach, tint in bands:
        wobble = 9 * np.sin(columns / 61.0) + 6 * np.sin(columns / 23.0)
        upper = [(float(x), float(y)) for x, y in zip(columns, middle - reach - wobble, strict=True)]
        lower = [(float(x), float(y)) for x, y in zip(columns, middle + reach + wobble, strict=True)]
        draw.polygon([*upper, *reversed(lower)], fill=tint)
    for near, far in ((548, 740 - half + 60), (740 + half + 20, 962)):
        draw.polygon([(684, near), (760, near), (764, far), (690, far)], fill=(214, 208, 196))
    _paint_settlement(draw, rng, tall)
    return image


def _paint_settlement(draw: ImageDraw.ImageDraw, rng: np.random.Generator, tall: int) -> None:
    for x, y in ((590, 380), (640, 452), (794, 400), (850, 470), (602, 1010), (820, 1030), (880, 985)):
        draw.rectangle((x + 10, y + 10, x + 68, y + 50), fill=(70, 88, 54))
        roof = ((168, 88, 66), (132, 92, 84), (184, 108, 76))[int(rng.integers(3))]
        draw.rectangle((x, y, x + 58, y + 20), fill=roof)
        draw.rectangle((x, y + 20, x + 58, y + 40), fill=mix(roof, (0, 0, 0), 0.25))
    for _ in range(110):
        tree_x, tree_y = float(rng.uniform(0, WIDTH)), float(rng.uniform(0, tall))
        if 430 < tree_y < 1020 or abs(tree_x - 720) < 70:
            continue
        size = float(rng.uniform(12, 26))
        draw.ellipse(
            (tree_x - size + 8, tree_y - size + 10, tree_x + size + 8, tree_y + size + 10), fill=(70, 92, 56)
        )
        draw.ellipse((tree_x - size, tree_y - size, tree_x + size, tree_y + size), fill=(62, 100, 58))
        draw.ellipse(
            (tree_x - size * 0.6, tree_y - size * 0.7, tree_x + size * 0.2, tree_y + size * 0.1),
            fill=(84, 124, 72),
        )
