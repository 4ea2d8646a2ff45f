"""Machines: the winch, its gears, the chain, and the board that tells the tide."""

from __future__ import annotations

import math

from PIL import Image, ImageDraw, ImageFont

from sample_media.landscapes import Painter
from sample_media.paint import (
    CANVAS,
    Colour,
    Point,
    Ripples,
    add_glow,
    draw_capsule,
    draw_hills,
    fill_gradient,
    mix,
    turn,
)

WIDTH, HEIGHT = CANVAS


def paint_hands() -> Painter:
    """Two hands on the rim of the winch wheel, turning it to and fro."""
    canvas = fill_gradient(CANVAS, [(0.0, (44, 58, 62)), (1.0, (22, 30, 34))])
    draw = ImageDraw.Draw(canvas)
    for column in range(0, WIDTH, 180):
        draw.line([(column, 0), (column, HEIGHT)], fill=(30, 40, 44), width=8)
        for row in range(40, HEIGHT, 90):
            draw.ellipse((column + 14, row, column + 32, row + 18), fill=(70, 86, 88))
    add_glow(canvas, (420, 120), 720, (216, 196, 150), 0.55)
    hub = (720.0, 500.0)

    def paint(seconds: float) -> Image.Image:
        image = canvas.copy()
        brush = ImageDraw.Draw(image)
        angle = 0.42 * math.sin(seconds * 1.8)
        _draw_wheel(brush, hub, 318, angle)
        for side in (-1, 1):
            _draw_grip(brush, hub, 318, angle - math.pi / 2 + side * 0.82, side)
        return image

    return paint


def _draw_wheel(draw: ImageDraw.ImageDraw, hub: Point, radius: float, angle: float) -> None:
    for offset, tint in ((10, (70, 20, 18)), (0, (178, 54, 42))):
        x, y = hub[0], hub[1] + offset
        for spoke in range(6):
            end = turn((radius - 20, 0), angle + spoke * math.pi / 3, (x, y))
            draw_capsule(draw, (x, y), end, 34, tint)
        draw.ellipse((x - radius, y - radius, x + radius, y + radius), outline=tint, width=54)
        draw.ellipse((x - 82, y - 82, x + 82, y + 82), fill=tint)
    rim = radius - 12
    draw.ellipse((hub[0] - rim, hub[1] - rim, hub[0] + rim, hub[1] + rim), outline=(220, 104, 84), width=8)
    draw.ellipse((hub[0] - 50, hub[1] - 50, hub[0] + 50, hub[1] + 50), fill=(96, 92, 88))
    for bolt in range(6):
        x, y = turn((32, 0), angle + bolt * math.pi / 3, hub)
        draw.ellipse((x - 8, y - 8, x + 8, y + 8), fill=(190, 184, 172))


def _draw_grip(draw: ImageDraw.ImageDraw, hub: Point, radius: float, angle: float, side: int) -> None:
    """One hand: forearm from the lower corner, back of the hand outside the rim, fingers over it."""
    skin, shadow = (222, 168, 134), (162, 104, 80)
    middle = radius - 27

    def place(outward: float, along: float) -> Point:
        return turn((middle + outward, along), angle, hub)

    wrist = place(118, side * 26)
    elbow = (hub[0] + side * 840, hub[1] + 60)
    draw_capsule(draw, elbow, wrist, 128, (44, 64, 98))
    cuff = (wrist[0] + (elbow[0] - wrist[0]) * 0.12, wrist[1] + (elbow[1] - wrist[1]) * 0.12)
    draw_capsule(draw, wrist, cuff, 108, (232, 226, 210))
    draw_capsule(draw, place(92, side * 20), place(58, -4), 118, skin)
    for finger in range(4):
        along = -63 + finger * 41
        draw_capsule(draw, place(56, along), place(-34 + 5 * abs(finger - 1.5), along * 0.92), 42, shadow)
        draw_capsule(
            draw, place(58, along - 3), place(-30 + 5 * abs(finger - 1.5), along * 0.92 - 3), 35, skin
        )
        tip = place(-32 + 5 * abs(finger - 1.5), along * 0.92 - 3)
        draw.ellipse((tip[0] - 10, tip[1] - 9, tip[0] + 10, tip[1] + 9), fill=(240, 202, 178))
    draw_capsule(draw, place(70, -side * 70), place(20, -side * 104), 38, shadow)
    draw_capsule(draw, place(72, -side * 70), place(24, -side * 102), 32, skin)


def paint_chain() -> Painter:
    """The chain coming out of the water, link after link, towards the ferry."""
    canvas = fill_gradient(CANVAS, [(0.0, (96, 136, 138)), (0.5, (62, 104, 110)), (1.0, (30, 64, 76))])
    ImageDraw.Draw(canvas).polygon([(900, 0), (WIDTH, 0), (WIDTH, 360)], fill=(30, 74, 72))
    ImageDraw.Draw(canvas).line([(880, 0), (WIDTH, 374)], fill=(196, 70, 48), width=26)
    waves = Ripples.scatter(-300, HEIGHT, 190, 81)
    glints = Ripples.scatter(-300, HEIGHT, 70, 82)
    foot, slope = (330.0, 640.0), -0.56
    flat, edge = _cast_link(210, 118, 30), _cast_bar(196, 40)

    def paint(seconds: float) -> Image.Image:
        image = canvas.copy()
        draw = ImageDraw.Draw(image)
        waves.draw(draw, seconds, (44, 84, 92))
        glints.draw(draw, seconds + 2, (154, 190, 188), 2)
        for ring in range(4):
            size = ((seconds * 0.6 + ring / 4) % 1.0) * 250 + 30
            tint = mix((150, 186, 186), (44, 84, 92), size / 280)
            draw.ellipse(
                (foot[0] - size, foot[1] - size * 0.34, foot[0] + size, foot[1] + size * 0.34),
                outline=tint,
                width=6,
            )
        shift = (seconds * 120) % 300
        for link in range(-1, 10):
            along = link * 150 + shift
            sprite = flat if link % 2 else edge
            x, y = turn((along, 0), slope, foot)
            if along > -40:
                image.paste(sprite, (round(x - sprite.width / 2), round(y - sprite.height / 2)), sprite)
        for drop in range(7):
            x, y = turn((130 + drop * 120, 30), slope, foot)
            fall = ((seconds * 1.3 + drop * 0.37) % 1.0) * 210
            draw.ellipse((x - 5, y + fall, x + 5, y + fall + 18), fill=(196, 220, 220))
        draw.ellipse((foot[0] - 130, foot[1] - 6, foot[0] + 100, foot[1] + 74), fill=(40, 78, 88))
        return image

    return paint


def _cast_link(length: int, breadth: int, bar: int) -> Image.Image:
    """A link seen flat, already turned to the slope of the chain."""
    sprite = Image.new("RGBA", (length + 20, length + 20), (0, 0, 0, 0))
    draw = ImageDraw.Draw(sprite)
    top = (length + 20 - breadth) / 2
    for inset, tint in ((0, (58, 44, 38, 255)), (6, (124, 96, 78, 255)), (14, (168, 138, 112, 255))):
        box = (10 + inset, top + inset, 10 + length - inset, top + breadth - inset)
        draw.rounded_rectangle(
            box, breadth / 2 - inset, outline=tint, width=bar - 2 * inset if inset < 14 else 4
        )
    return sprite.rotate(math.degrees(0.56), resample=Image.Resampling.BICUBIC)


def _cast_bar(length: int, breadth: int) -> Image.Image:
    """A link seen on edge."""
    sprite = Image.new("RGBA", (length + 20, length + 20), (0, 0, 0, 0))
    draw = ImageDraw.Draw(sprite)
    top = (length + 20 - breadth) / 2
    draw.rounded_rectangle((10, top, 10 + length, top + breadth), breadth / 2, fill=(58, 44, 38, 255))
    draw.rounded_rectangle(
        (16, top + 6, 4 + length, top + breadth - 8), breadth / 2 - 7, fill=(124, 96, 78, 255)
    )
    draw.line((30, top + 13, length - 10, top + 13), fill=(168, 138, 112, 255), width=5)
    return sprite.rotate(math.degrees(0.56), resample=Image.Resampling.BICUBIC)


def paint_gears() -> Painter:
    """Two wheels of the winch in mesh, a small one driving a big one, in lamplight."""
    canvas = fill_gradient(CANVAS, [(0.0, (58, 50, 44)), (1.0, (26, 24, 26))])
    draw = ImageDraw.Draw(canvas)
    for row in range(0, HEIGHT, 68):
        draw.line([(0, row), (WIDTH, row)], fill=(38, 34, 32), width=5)
    add_glow(canvas, (1120, 120), 760, (246, 196, 120), 0.6)
    draw = ImageDraw.Draw(canvas)
    draw.polygon([(150, HEIGHT), (420, 380), (1010, 380), (1290, HEIGHT)], fill=(34, 66, 62))
    draw.rectangle((120, 740, 1320, HEIGHT), fill=(26, 50, 48))
    big, small = (560.0, 420.0), (968.0, 372.0)

    def paint(seconds: float) -> Image.Image:
        image = canvas.copy()
        brush = ImageDraw.Draw(image)
        angle = seconds * 0.5
        _draw_gear(brush, big, 284, 28, angle, (152, 118, 62))
        _draw_gear(brush, small, 142, 14, math.pi / 14 - 0.23 - angle * 2, (176, 172, 160))
        return image

    return paint


def _draw_gear(
    draw: ImageDraw.ImageDraw, hub: Point, radius: float, teeth: int, angle: float, metal: Colour
) -> None:
    for drop, tint in ((12.0, mix(metal, (0, 0, 0), 0.6)), (0.0, metal)):
        centre = (hub[0], hub[1] + drop)
        outline = []
        for tooth in range(teeth):
            for part, reach in ((0.0, -16), (0.22, 16), (0.5, 16), (0.72, -16)):
                at = angle + (tooth + part) * 2 * math.pi / teeth
                outline.append(turn((radius + reach, 0), at, centre))
        draw.polygon(outline, fill=tint)
    dark = mix(metal, (0, 0, 0), 0.72)
    for hole in range(5):
        x, y = turn((radius * 0.56, 0), angle + hole * 2 * math.pi / 5, hub)
        size = radius * 0.21
        draw.ellipse((x - size, y - size, x + size, y + size), fill=dark)
    ring = radius * 0.88
    light = mix(metal, (255, 255, 255), 0.3)
    draw.ellipse((hub[0] - ring, hub[1] - ring, hub[0] + ring, hub[1] + ring), outline=light, width=6)
    axle = radius * 0.2
    draw.ellipse((hub[0] - axle, hub[1] - axle, hub[0] + axle, hub[1] + axle), fill=light)
    axle *= 0.55
    draw.ellipse((hub[0] - axle, hub[1] - axle, hub[0] + axle, hub[1] + axle), fill=dark)


def paint_tide_board() -> Painter:
    """The tide board on a pile of the slipway, the water falling away from it."""
    canvas = fill_gradient(CANVAS, [(0.0, (190, 208, 212)), (0.5, (226, 226, 214)), (1.0, (226, 226, 214))])
    draw_hills(canvas, 430, 70, (150, 160, 150), 91)
    draw = ImageDraw.Draw(canvas)
    draw.rectangle((0, 430, WIDTH, HEIGHT), fill=(164, 186, 186))
    for left in (170, 1130):
        draw.rectangle((left, 120, left + 130, HEIGHT), fill=(76, 60, 50))
        for grain in range(4):
            draw.line(
                [(left + 20 + grain * 30, 120), (left + 26 + grain * 30, HEIGHT)], fill=(58, 46, 40), width=5
            )
    draw.rectangle((0, 210, WIDTH, 262), fill=(90, 70, 56))
    draw.rectangle((560, 40, 880, HEIGHT), fill=(60, 48, 42))
    draw.rectangle((580, 40, 860, HEIGHT), fill=(244, 240, 228))
    font = ImageFont.load_default(size=150)
    for mark in range(6):
        top = 60 + mark * 140
        ink = (178, 48, 40) if mark % 2 else (28, 28, 32)
        draw.text((770, top + 62), str(5 - mark), font=font, fill=ink, anchor="mm")
        for notch in range(0, 140, 28):
            reach = 110 if notch == 56 else 60
            draw.rectangle((580, top + notch, 580 + reach, top + notch + 14), fill=ink)
    waves = Ripples.scatter(610, HEIGHT, 90, 92)

    def paint(seconds: float) -> Image.Image:
        image = canvas.copy()
        brush = ImageDraw.Draw(image, "RGBA")
        level = 560 + 22 * seconds
        surface = [(x, level + 7 * math.sin(x / 70 + seconds * 3.4)) for x in range(0, WIDTH + 20, 20)]
        brush.rectangle((580, level - 46, 860, level + 10), fill=(90, 104, 92, 130))
        brush.polygon(
            [(0.0, float(HEIGHT)), *surface, (float(WIDTH), float(HEIGHT))], fill=(70, 106, 112, 236)
        )
        brush.line(surface, fill=(210, 226, 222, 255), width=7)
        low = Ripples(tuple(place for place in waves.places if place[1] > level + 20))
        low.draw(brush, seconds, (112, 148, 150))
        return image

    return paint
