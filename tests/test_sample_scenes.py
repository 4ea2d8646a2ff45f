"""The drawn scenes of the sample cards: they move, they differ, and they name themselves."""

from __future__ import annotations

from datetime import datetime
from itertools import combinations
from typing import Any

import numpy as np
import pytest
from PIL import Image

from sample_media.clips import Recording, render_frames
from sample_media.paint import CANVAS, FRAME
from sample_media.scenes import PICTURES, Move, frame_picture, place_window
from shared.timecode import Rate, Timecode
from shared.vocabulary import load_vocabulary


def test_frames_move_and_scenes_differ() -> None:
    """Thumbnails of any two scenes differ clearly; the two at one place at one tide are let off."""
    whole = Move("static", "tripod")
    box = place_window(whole, 0.5, 0.0)

    def shrink(picture: str, seconds: float) -> np.ndarray[Any, np.dtype[np.float64]]:
        canvas = PICTURES[picture]()(seconds)
        return np.asarray(frame_picture(canvas, box).resize((32, 18)), dtype=np.float64)

    small = {name: shrink(name, 0.8) for name in PICTURES}
    for name in PICTURES:
        assert np.abs(small[name] - shrink(name, 1.6)).max() > 4, name
    for one, other in combinations(PICTURES, 2):
        if {one, other} != {"valley", "valley-fly-over"}:
            assert np.abs(small[one] - small[other]).mean() > 6, (one, other)


def test_every_move_stays_on_the_canvas_and_a_pan_goes_right() -> None:
    vocabulary = load_vocabulary()
    for movement in ("", *(term.code for term in vocabulary.terms("movement"))):
        for support in ("", *(term.code for term in vocabulary.terms("support"))):
            for step in range(11):
                left, top, right, bottom = place_window(Move(movement, support), step / 10, step / 5)
                assert 0 <= left < right <= CANVAS[0] + 1e-9 and 0 <= top < bottom <= CANVAS[1] + 1e-9
                assert (right - left) / (bottom - top) == pytest.approx(16 / 9)
    pan = [place_window(Move("pan", "tripod"), share, 0)[0] for share in (0.0, 0.5, 1.0)]
    assert pan == sorted(pan) and pan[2] - pan[0] > 100


def test_name_and_running_timecode_are_burnt_in() -> None:
    plain = Recording(
        name="ONE.MOV",
        painter=lambda _: Image.new("RGB", CANVAS, (90, 120, 140)),
        move=Move("static", "tripod"),
        sound="river",
        microphones=(),
        first_sample=0,
        timecode=Timecode.parse("10:00:00:24", Rate(25)),
        first_frame=0,
        frames=2,
        take_frames=2,
        stamp=datetime(2026, 5, 12),
    )
    first, second = (np.asarray(frame) for frame in render_frames(plain, Rate(25)))
    changed = np.argwhere((first != second).any(axis=2))
    assert changed[:, 0].min() > FRAME[1] - 40 and changed[:, 1].min() > FRAME[0] / 2
    left = first[-34:, : FRAME[0] // 2]
    assert left.max() > 200 and left.min() < 60
