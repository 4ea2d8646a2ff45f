"""Measurements and suggestions for the seeded catalogue: numbers as a measuring child would send them."""

from __future__ import annotations

import math

import numpy as np
from sqlalchemy.orm import Session

from ingest.measure.picture_levels import CodeRange, count_codes, measure_flat_top, measure_levels
from ingest.measure.picture_numbers import (
    VERSION,
    PictureNumbers,
    Repeats,
    Sample,
    Stretch,
    Structure,
    Tilt,
)
from ingest.measure.sound_numbers import VERSION as SOUND_VERSION
from ingest.measure.sound_numbers import SoundMeasured
from ingest.measure.sound_track import TrackMeter
from shared.models import Clip, MeasureKind, Measurement, Suggestion
from tests.factories import make_finding

SECONDS = 11.0  # the seeded clip's 275 frames at 25 a second


def picture_numbers() -> PictureNumbers:
    """Eleven seconds that swing in focus from second 4 to 8, where they were looked at whole."""
    counts = count_codes(np.arange(16, 235, dtype=np.uint8).repeat(4).reshape(4, -1), 8)
    levels = measure_levels(counts, CodeRange.of(8, is_full=False))
    times = [float(second) for second in range(0, 11, 2)]
    samples = tuple(
        Sample(time, -2.0, -1.5, levels, Structure(20.0, 1.0), Tilt(0.0, 0.2, 1.0), 0.0, 0.5)
        for time in times
    )
    swing = tuple((round(-2.0 + 0.2 * math.sin(number / 2), 4), -1.5) for number in range(50))
    stretch = Stretch(
        *(4.0, 7.92, 99, None, None, (), (), (), (), Repeats((), None, ())),
        sharpness_step=0.08,
        sharpness=swing,
    )
    flat = measure_flat_top(counts, CodeRange.of(8, is_full=False))
    return PictureNumbers(SECONDS, 25.0, 8, False, levels, flat, samples, (), False, (stretch,), (), 0)


def sound_numbers(amplitude: float = 0.1) -> SoundMeasured:
    """A tone on the first channel, -20 dBFS unless said otherwise, and nothing on the second."""
    meter = TrackMeter(48_000, 2, (1.0, 1.0), lambda _: None)
    tone = amplitude * np.sin(2 * np.pi * 440 * np.arange(round(SECONDS * 48_000)) / 48_000)
    meter.add(np.stack([tone, np.zeros_like(tone)]).astype(np.float32))
    meter.finish()
    channels, programme = meter.result(0, 0)
    return SoundMeasured(tuple(channels), (), (programme,), ())


def measure_clip(session: Session, clip: Clip) -> None:
    """Rows as an offload leaves them for one clip."""
    file_id = clip.files[0].file_id
    numbers = {
        MeasureKind.PICTURE: (VERSION, picture_numbers().to_json()),
        MeasureKind.SOUND: (SOUND_VERSION, sound_numbers().to_json()),
    }
    for kind, (version, values) in numbers.items():
        session.add(Measurement(file_id=file_id, kind=kind, version=version, numbers=values, problem=""))
    make_finding(
        session,
        clip,
        file_id=file_id,
        code="focus-hunting",
        message="Focus hunts in the middle: sharp and soft by turns, 1.0 times a second, 0:04.0 to 0:07.9.",
        value=1.0,
        unit="Hz",
        rule="Sharpness goes up and down in a rhythm of 0.3 to 4 Hz while framing and light stay.",
        in_frame=100,
        out_frame=198,
    )
    session.add(
        Suggestion(clip_id=clip.id, field="movement", value="static", confidence=0.9, reason="Nothing moves.")
    )
    session.flush()
