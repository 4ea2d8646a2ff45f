"""Sharpness and hunting on small made pictures; the labelled clips of photographs are in tests/calibrate."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from ingest.measure.focus_hunting import find_swings
from ingest.measure.focus_limits import HuntingLimits, is_hunting
from ingest.measure.focus_rack import find_racks
from ingest.measure.focus_sharpness import CENTRE, DetailTrack, measure_detail, sharpness
from ingest.measure.focus_tracks import Following, Tracks
from ingest.measure.picture_numbers import Swings
from ingest.measure.picture_plane import Plane
from tests.calibrate.optics import Layer, View, photographed
from tests.ingest.measure.test_picture_measures import cloudy

PER_SECOND, SECONDS = 12.5, 7.0


def tracks(draw: Callable[[float], Plane]) -> Tracks:
    random, following = np.random.default_rng(1), Following()
    for time in np.arange(round(SECONDS * PER_SECOND)) / PER_SECOND:
        following.see(float(time), photographed(draw(float(time)), 0.8, random))
    return following.tracks()


def hunting(draw: Callable[[float], Plane]) -> list[Swings]:
    found = find_swings(tracks(draw), CENTRE.tiles())
    return [one for one in found if is_hunting(one, HuntingLimits())]


def test_blur_lowers_sharpness_and_light_does_not() -> None:
    layer, everywhere = Layer(cloudy()), np.ones((6, 8), np.bool_)
    planes = [layer.seen(View(0.5)), layer.seen(View(0.9)), layer.seen(View(0.5)) * np.float32(0.8)]
    level = sharpness(DetailTrack.of([measure_detail(one) for one in planes]), everywhere).mean(axis=1)
    assert level[1] < level[0] - 0.05 and level[2] == pytest.approx(level[0], abs=0.01)
    with pytest.raises(ValueError, match="too small"):
        measure_detail(cloudy(60, 90))


@pytest.mark.parametrize("frequency", [0.6, 2.3])
def test_hunting_is_found_with_its_place_and_frequency(frequency: float) -> None:
    layer = Layer(cloudy())

    def draw(time: float) -> Plane:
        wave = 0.5 - 0.5 * math.cos(2 * math.pi * frequency * (time - 1)) if 1 <= time <= 6 else 0.0
        return layer.seen(View(0.6 + 0.375 * wave))

    (found,) = hunting(draw)
    assert found.frequency == pytest.approx(frequency, rel=0.1)
    assert found.start == pytest.approx(1, abs=0.4) and found.end == pytest.approx(6, abs=0.4)


def test_a_rack_a_pulse_of_light_and_a_still_scene_are_no_hunting() -> None:
    layer = Layer(cloudy())

    def rack(time: float) -> Plane:
        return layer.seen(View(0.5 + 3 * min(1.0, max(0.0, time - 3))))

    def pulse(time: float) -> Plane:
        return layer.seen(View(0.6)) * np.float32(0.8 + 0.15 * math.sin(2 * math.pi * 1.2 * time))

    for draw in (rack, pulse, lambda _: layer.seen(View(0.6))):
        assert hunting(draw) == []
    racked = tracks(rack)
    (found,) = find_racks(racked.times, sharpness(racked.detail, CENTRE.tiles()).mean(axis=1))
    assert found.change < -0.5 and 2.8 < found.start < found.end < 4.2 and found.start < 3.3
