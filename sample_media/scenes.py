"""Scenes: every picture by name, the camera's move over it, and the burnt-in name and timecode."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from PIL import Image, ImageDraw, ImageFont

from sample_media.faces import Sitter, paint_interview
from sample_media.journeys import paint_approach, paint_deck, paint_valley, paint_wheelhouse
from sample_media.landscapes import (
    EVENING,
    MORNING,
    Painter,
    paint_ferry,
    paint_night,
    paint_passengers,
    paint_river,
)
from sample_media.machines import paint_chain, paint_gears, paint_hands, paint_tide_board
from sample_media.paint import CANVAS, FRAME, WINDOW

Box = tuple[float, float, float, float]

FERRYWOMAN = Sitter((226, 178, 150), (176, 172, 168), (40, 58, 92), (222, 216, 200), long_hair=True, looks=1)
ENGINEER = Sitter(
    (206, 158, 130), (112, 76, 50), (214, 112, 40), (60, 62, 66), hat=(44, 66, 92), beard=True, looks=-1
)
PASSENGER = Sitter((138, 92, 68), (32, 26, 26), (206, 176, 60), (240, 238, 228), looks=1, indoors=False)

PICTURES: Mapping[str, Callable[[], Painter]] = {
    "dawn": lambda: paint_river(MORNING, 1),
    "evening": lambda: paint_river(EVENING, 5, mud=True),
    "ferry": paint_ferry,
    "night": paint_night,
    "passengers": paint_passengers,
    "ferrywoman": lambda: paint_interview(FERRYWOMAN, 1),
    "engineer": lambda: paint_interview(ENGINEER, 2),
    "passenger": lambda: paint_interview(PASSENGER, 3),
    "hands": paint_hands,
    "chain": paint_chain,
    "gears": paint_gears,
    "tide-board": paint_tide_board,
    "deck": paint_deck,
    "approach": paint_approach,
    "wheelhouse": paint_wheelhouse,
    "valley-fly-over": lambda: paint_valley(low_tide=False, drift=90),
    "valley": lambda: paint_valley(low_tide=False, drift=0),
    "valley-low-tide": lambda: paint_valley(low_tide=True, drift=0),
}


@dataclass(frozen=True)
class Move:
    """How the camera moves during a clip: the log's codes for movement and support."""

    movement: str
    support: str


def place_window(move: Move, share: float, seconds: float) -> Box:
    """The part of the canvas in view after `share` (0..1) of the clip, as left, top, right, bottom."""
    room_x, room_y = CANVAS[0] - WINDOW[0], CANVAS[1] - WINDOW[1]
    ease = share * share * (3 - 2 * share)
    across, down, size = 0.5, 0.5, 1.0
    if move.movement == "pan":
        across = 0.08 + 0.84 * ease
    elif move.movement == "tilt":
        down = 0.92 - 0.84 * ease
    elif move.movement == "push-in":
        size = 1.08 - 0.18 * ease
    elif move.movement in ("pull-out", "rise"):
        size = 0.90 + 0.18 * ease
    sway = {"handheld": 5.0, "shoulder": 4.0, "gimbal": 2.5, "drone": 1.5}.get(move.support, 0.0)
    left = room_x * across + sway * math.sin(seconds * 4.1) + WINDOW[0] * (1 - size) / 2
    top = room_y * down + sway * math.sin(seconds * 5.3 + 1) + WINDOW[1] * (1 - size) / 2
    left = min(max(left, 0.0), CANVAS[0] - WINDOW[0] * size)
    top = min(max(top, 0.0), CANVAS[1] - WINDOW[1] * size)
    return left, top, left + WINDOW[0] * size, top + WINDOW[1] * size


def frame_picture(canvas: Image.Image, box: Box) -> Image.Image:
    """The window `box` of the canvas at frame size."""
    left, top, right, _ = box
    if round(right - left) != WINDOW[0]:
        return canvas.resize(FRAME, Image.Resampling.BOX, box=box)
    # At the plain size each frame pixel is the mean of two by two, which is several times faster to work out.
    corner = round(left), round(top)
    return canvas.reduce(WINDOW[0] // FRAME[0], (*corner, corner[0] + WINDOW[0], corner[1] + WINDOW[1]))


@dataclass(frozen=True)
class BurnIn:
    """The strip at the foot of the frame: the clip's name on the left, the running time on the right."""

    name: str
    font: ImageFont.FreeTypeFont | ImageFont.ImageFont

    @classmethod
    def with_name(cls, name: str) -> BurnIn:
        return cls(name, ImageFont.load_default(size=24))

    def draw(self, frame: Image.Image, running: str) -> None:
        strip = (0, FRAME[1] - 34, FRAME[0], FRAME[1])
        frame.paste(frame.crop(strip).point(lambda value: value * 0.3), strip)
        draw = ImageDraw.Draw(frame)
        draw.text((12, FRAME[1] - 17), self.name, font=self.font, fill=(255, 255, 255), anchor="lm")
        draw.text((FRAME[0] - 12, FRAME[1] - 17), running, font=self.font, fill=(255, 232, 170), anchor="rm")
