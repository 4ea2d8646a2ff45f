"""Faces: whoever sits or stands before the interview camera."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from PIL import Image, ImageDraw

from sample_media.landscapes import Painter
from sample_media.paint import (
    CANVAS,
    Colour,
    Point,
    add_glow,
    blur,
    draw_capsule,
    fill_gradient,
    mix,
)

WIDTH, HEIGHT = CANVAS


@dataclass(frozen=True)
class Sitter:
    """Somebody interviewed: looks, clothes, and on which side of the lens they look."""

    skin: Colour
    hair: Colour
    coat: Colour
    collar: Colour
    hat: Colour | None = None
    beard: bool = False
    long_hair: bool = False
    looks: int = 1
    indoors: bool = True


def paint_interview(sitter: Sitter, seed: int) -> Painter:
    """A talking head, chest up, off the middle on the side the person looks away from."""
    canvas = _paint_room(seed) if sitter.indoors else _paint_quay(seed)
    middle = WIDTH / 2 - sitter.looks * 130
    _paint_shoulders(canvas, sitter, middle)

    def paint(seconds: float) -> Image.Image:
        image = canvas.copy()
        head = (middle + 5 * math.sin(seconds * 2.3), 352 + 4 * math.sin(seconds * 3.1))
        _draw_head(ImageDraw.Draw(image), sitter, head, seconds)
        return image

    return paint


def _paint_room(seed: int) -> Image.Image:
    """A wheelhouse out of focus: dark timber, one window with the river in it, a brass lamp."""
    canvas = fill_gradient(CANVAS, [(0.0, (54, 44, 42)), (1.0, (30, 26, 30))])
    draw = ImageDraw.Draw(canvas)
    rng = np.random.default_rng(seed)
    left = 860 if seed % 2 else 120
    draw.rectangle((left, 110, left + 430, 430), fill=(206, 222, 226))
    draw.rectangle((left, 300, left + 430, 430), fill=(120, 156, 164))
    draw.rectangle((left + 205, 110, left + 225, 430), fill=(40, 34, 34))
    for shelf in (240, 420, 600):
        start = 60 if seed % 2 else 860
        draw.rectangle((start, shelf, start + 460, shelf + 16), fill=(96, 68, 46))
        for slot in range(7):
            tall = float(rng.uniform(40, 110))
            tint = mix((150, 84, 60), (70, 104, 110), float(rng.uniform(0, 1)))
            x = start + 14 + slot * 62
            draw.rectangle((x, shelf - tall, x + float(rng.uniform(24, 48)), shelf), fill=tint)
    soft = blur(canvas, 16)
    add_glow(soft, (300.0 if seed % 2 else 1120.0, 150.0), 260, (255, 206, 130), 0.75)
    return soft


def _paint_quay(seed: int) -> Image.Image:
    """Outdoors, out of focus: bright sky, the far bank, water, and a few coloured hulls."""
    canvas = fill_gradient(
        CANVAS,
        [(0.0, (158, 198, 222)), (0.5, (232, 232, 218)), (0.56, (128, 160, 164)), (1.0, (84, 116, 124))],
    )
    draw = ImageDraw.Draw(canvas)
    rng = np.random.default_rng(seed)
    draw.rectangle((0, 390, WIDTH, 452), fill=(108, 134, 96))
    for hull in range(6):
        x = hull * 260 + float(rng.uniform(0, 90))
        tint = ((214, 96, 66), (238, 236, 226), (62, 96, 130))[hull % 3]
        draw.polygon([(x, 480), (x + 190, 480), (x + 160, 530), (x + 20, 530)], fill=tint)
        draw.line([(x + 90, 480), (x + 90, 270)], fill=(230, 226, 214), width=8)
    return blur(canvas, 13)


def _paint_shoulders(canvas: Image.Image, sitter: Sitter, middle: float) -> None:
    draw = ImageDraw.Draw(canvas)
    shade = mix(sitter.coat, (0, 0, 0), 0.25)
    draw.polygon(
        [
            (middle - 88, 590),
            (middle - 300, 672),
            (middle - 356, HEIGHT),
            (middle + 356, HEIGHT),
            (middle + 300, 672),
            (middle + 88, 590),
        ],
        fill=sitter.coat,
    )
    draw.ellipse((middle - 352, 654, middle - 190, 860), fill=sitter.coat)
    draw.ellipse((middle + 190, 654, middle + 352, 860), fill=sitter.coat)
    for row in range(640, HEIGHT, 26):
        spread = min(330.0, 120 + (row - 600) * 1.9)
        draw.line(
            [(middle - spread, row + 18), (middle, row + 30), (middle + spread, row + 18)],
            fill=shade,
            width=4,
        )
    draw.polygon(
        [(middle - 78, 470), (middle + 78, 470), (middle + 92, 600), (middle, 668), (middle - 92, 600)],
        fill=mix(sitter.skin, (40, 10, 10), 0.25),
    )
    draw.polygon(
        [(middle - 110, 572), (middle - 60, 560), (middle, 680), (middle - 40, 716)], fill=sitter.collar
    )
    draw.polygon(
        [(middle + 110, 572), (middle + 60, 560), (middle, 680), (middle + 40, 716)], fill=sitter.collar
    )
    draw.line([(middle + 46, 742), (middle + 70, HEIGHT)], fill=(16, 16, 18), width=5)
    draw_capsule(draw, (middle + 40, 716), (middle + 46, 742), 18, (16, 16, 18))


def _draw_head(draw: ImageDraw.ImageDraw, sitter: Sitter, head: Point, seconds: float) -> None:
    x, y = head
    dark = mix(sitter.skin, (60, 20, 20), 0.22)
    light = mix(sitter.skin, (255, 255, 255), 0.14)
    if sitter.long_hair:
        draw.ellipse((x - 186, y - 230, x + 186, y + 150), fill=sitter.hair)
        draw.rounded_rectangle((x - 184, y - 40, x + 184, y + 236), 70, fill=sitter.hair)
    else:
        draw.ellipse((x - 166, y - 224, x + 166, y + 120), fill=sitter.hair)
    for side in (-1, 1):
        draw.ellipse((x + side * 146 - 26, y - 36, x + side * 146 + 26, y + 50), fill=dark)
    draw.rounded_rectangle((x - 144, y - 178, x + 144, y + 204), 138, fill=dark)
    lit = -sitter.looks * 10
    draw.rounded_rectangle((x - 132 + lit, y - 172, x + 132 + lit, y + 196), 130, fill=sitter.skin)
    for side in (-1, 1):
        cheek = x + side * 84 + sitter.looks * 12
        draw.ellipse((cheek - 32, y + 26, cheek + 32, y + 76), fill=mix(sitter.skin, (226, 110, 96), 0.16))
    if sitter.beard:
        draw.chord((x - 146, y - 60, x + 146, y + 232), 8, 172, fill=sitter.hair)
        draw.ellipse((x - 84, y + 66, x + 84, y + 132), fill=sitter.hair)
    _draw_hairline(draw, sitter, head)
    _draw_eyes(draw, sitter, head, seconds)
    nose = x + sitter.looks * 16
    draw.line(
        [
            (nose - sitter.looks * 6, y - 20),
            (nose + sitter.looks * 16, y + 54),
            (nose - sitter.looks * 10, y + 60),
        ],
        fill=dark,
        width=9,
        joint="curve",
    )
    draw.ellipse((nose - 10, y - 10, nose + 10, y + 34), fill=light)
    opening = 6 + 22 * abs(math.sin(seconds * 7.3)) * (0.55 + 0.45 * math.sin(seconds * 2.9))
    mouth = x + sitter.looks * 8
    draw.ellipse(
        (mouth - 52, y + 106 - opening * 0.4 - 8, mouth + 52, y + 106 + opening + 8),
        fill=mix(dark, (168, 62, 62), 0.6),
    )
    draw.ellipse((mouth - 42, y + 106 - opening * 0.3, mouth + 42, y + 106 + opening), fill=(74, 24, 28))


def _draw_hairline(draw: ImageDraw.ImageDraw, sitter: Sitter, head: Point) -> None:
    x, y = head
    if sitter.hat is not None:
        brim = mix(sitter.hat, (0, 0, 0), 0.3)
        draw.pieslice((x - 172, y - 270, x + 172, y + 70), 180, 360, fill=sitter.hat)
        draw.rounded_rectangle((x - 178, y - 128, x + 178, y - 84), 20, fill=brim)
        for rib in range(-150, 151, 30):
            draw.line([(x + rib, y - 124), (x + rib, y - 88)], fill=sitter.hat, width=5)
        return
    draw.chord((x - 160, y - 224, x + 160, y + 60), 196, 344, fill=sitter.hair)
    draw.polygon(
        [(x - 150, y - 110), (x - 40 * sitter.looks, y - 150), (x + 150, y - 110), (x, y - 200)],
        fill=sitter.hair,
    )


def _draw_eyes(draw: ImageDraw.ImageDraw, sitter: Sitter, head: Point, seconds: float) -> None:
    x, y = head
    closed = seconds % 1.7 > 1.56
    brow = mix(sitter.hair, (40, 26, 22), 0.3)
    for side in (-1, 1):
        eye = x + side * 62 + sitter.looks * 10
        draw.line([(eye - 36, y - 58), (eye, y - 70), (eye + 36, y - 58)], fill=brow, width=13, joint="curve")
        if closed:
            draw.arc((eye - 30, y - 34, eye + 30, y - 6), 10, 170, fill=brow, width=7)
            continue
        draw.ellipse((eye - 31, y - 38, eye + 31, y + 2), fill=(246, 242, 236))
        pupil = eye + sitter.looks * 9
        draw.ellipse((pupil - 17, y - 36, pupil + 17, y - 1), fill=(70, 92, 98))
        draw.ellipse((pupil - 9, y - 28, pupil + 9, y - 9), fill=(20, 18, 20))
        draw.ellipse((pupil + 2, y - 28, pupil + 9, y - 21), fill=(255, 255, 255))
        draw.arc((eye - 33, y - 40, eye + 33, y + 6), 190, 350, fill=brow, width=6)
