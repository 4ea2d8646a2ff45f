"""Each measure of the picture on small pictures made for it, with the cases it must not fall for."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import numpy.typing as npt
import pytest

from ingest.measure.picture_flicker import ROWS, beat_of, measure_flicker
from ingest.measure.picture_levels import (
    CodeRange,
    count_codes,
    measure_flat_top,
    measure_levels,
    measure_structure,
)
from ingest.measure.picture_motion import STILL, MotionTrack, block_spectra, measure_motion
from ingest.measure.picture_plane import Plane, plane_size, reduce_plane
from ingest.measure.picture_repeats import find_repeats
from ingest.measure.picture_shake import measure_shake
from ingest.measure.picture_tilt import measure_tilt

LIMITED, FULL = CodeRange.of(8, False), CodeRange.of(8, True)


def cloudy(height: int = 270, width: int = 480, seed: int = 1) -> Plane:
    """Detail of all sizes, mean 110: what a photograph's spectrum is like."""
    random = np.random.default_rng(seed)
    down, across = np.fft.fftfreq(height)[:, None], np.fft.rfftfreq(width)[None, :]
    size = np.maximum(np.hypot(down, across), 1 / width)
    picture = np.fft.irfft2(np.fft.rfft2(random.normal(0, 1, (height, width))) / size, s=(height, width))
    return np.asarray(110 + 35 * (picture - picture.mean()) / picture.std(), np.float32)


def shifted(plane: Plane, right: float, down: float) -> Plane:
    height, width = plane.shape
    turn = np.exp(
        -2j * np.pi * (np.fft.rfftfreq(width)[None, :] * right + np.fft.fftfreq(height)[:, None] * down)
    )
    return np.asarray(np.fft.irfft2(np.fft.rfft2(plane) * turn, s=plane.shape), np.float32)


def motion_of(planes: list[Plane]) -> MotionTrack:
    spectra = [block_spectra(one) for one in planes]
    pairs = pairwise(spectra)
    return MotionTrack.of([STILL, *(measure_motion(a, b, *planes[0].shape) for a, b in pairs)])


@pytest.mark.parametrize(("lines", "factor"), [(270, 1), (1080, 4), (2160, 8)])
def test_a_reduced_picture_has_270_lines_and_the_same_light(lines: int, factor: int) -> None:
    luma = np.random.default_rng(1).integers(0, 255, (lines, lines * 16 // 9), np.uint8)
    plane = reduce_plane(luma)
    assert plane.shape == (270, lines * 16 // 9 // factor)
    assert plane_size(lines * 16 // 9, lines) == (480, 270)
    assert plane[3, 5] == pytest.approx(
        luma[3 * factor : 4 * factor, 5 * factor : 6 * factor].mean(), abs=1e-3
    )


def test_shares_at_the_ends_are_counted_by_the_range() -> None:
    luma = np.full((100, 100), 120, np.uint8)
    luma[:10], luma[10:30], luma[30:35], luma[35:37] = 255, 240, 16, 0
    limited = measure_levels(count_codes(luma, 8), LIMITED)
    full = measure_levels(count_codes(luma, 8), FULL)
    assert (limited.at_peak, limited.at_top, limited.at_black, limited.at_bottom) == (0.3, 0.1, 0.07, 0.02)
    assert (full.at_peak, full.at_top, full.at_black, full.at_bottom) == (0.1, 0.1, 0.02, 0.02)


def test_ten_bits_mean_the_same_as_eight() -> None:
    luma = np.random.default_rng(2).integers(16, 236, (90, 160), np.uint8)
    eight = measure_levels(count_codes(luma, 8), LIMITED)
    ten = measure_levels(count_codes(luma.astype(np.uint16) * 4, 10), CodeRange.of(10, False))
    assert ten.mean == pytest.approx(eight.mean) and ten.high == pytest.approx(eight.high)
    assert (ten.at_peak, ten.at_black) == (eight.at_peak, eight.at_black)
    with pytest.raises(ValueError, match="7 bits"):
        CodeRange.of(7, False)


def test_a_sensor_that_clips_low_has_a_flat_top_and_a_fading_one_has_none() -> None:
    light = cloudy() * 1.4
    flat = measure_flat_top(count_codes(np.clip(light, 0, 200).astype(np.uint8), 8), FULL)
    fading = measure_flat_top(count_codes(np.clip(light * 0.7, 0, 255).astype(np.uint8), 8), FULL)
    assert flat.share > 0.1 and flat.height == pytest.approx(200 / 255)
    assert fading.share < 0.01


def test_a_covered_lens_has_noise_and_no_contrast_and_a_night_has_contrast() -> None:
    noise = np.random.default_rng(3).normal(20, 2, (270, 480)).astype(np.float32)
    night = noise.copy()
    night[40:70, 60:90] = 120
    assert measure_structure(noise).contrast < 0.5 and measure_structure(noise).noise == pytest.approx(
        2, rel=0.1
    )
    assert measure_structure(night).contrast > 3


def noisy_differences(frames: int) -> npt.NDArray[np.float64]:
    return np.random.default_rng(4).uniform(0.25, 0.35, frames)


def test_repeats_are_told_from_a_frozen_stretch_and_their_beat_is_found() -> None:
    differences = noisy_differences(150)
    differences[[5, 10, 15, 20, 25]] = 0.0
    differences[60:90] = 0.0
    found = find_repeats(differences)
    assert found.singles == (5, 10, 15, 20, 25) and found.every == 5.0
    assert found.frozen == ((59, 89),)


def test_a_still_scene_a_drawn_card_and_a_sudden_cut_repeat_nothing() -> None:
    cut = noisy_differences(100)
    cut[50] = 40.0
    for differences in (noisy_differences(100), np.zeros(100), cut):
        found = find_repeats(differences)
        assert (found.singles, found.frozen) == ((), ())


def lit(
    per_second: float, supply: int, depth: float, turns: float, seconds: float = 3
) -> npt.NDArray[np.float64]:
    """Row profiles under a lamp; `turns` of its pulse pass while the rows are read."""
    time = np.arange(round(seconds * per_second))[:, None] / per_second
    row = np.arange(ROWS)[None, :] / ROWS
    lamp = 1 + depth * np.sin(2 * np.pi * (2 * supply * time + turns * row))
    scene = 100 + 10 * np.sin(2 * np.pi * 0.4 * time + 3 * row) + 6 * time
    grain = np.random.default_rng(5).normal(0, 0.05, (len(time), ROWS))
    return np.asarray(scene * lamp + grain, np.float64)


@pytest.mark.parametrize(
    ("per_second", "supply", "beat"),
    [
        (25.0, 60, 5.0),
        (24.0, 50, 4.0),
        (30_000 / 1001, 50, 10.09),
        (50.0, 60, 20.0),
        (24_000 / 1001, 50, 4.096),
    ],
)
@pytest.mark.parametrize("turns", [0.0, 1.6])
def test_the_supply_of_a_lamp_is_named(per_second: float, supply: int, beat: float, turns: float) -> None:
    assert beat_of(supply, per_second) == pytest.approx(beat, abs=0.01)
    found = {one.supply: one for one in measure_flicker(lit(per_second, supply, 0.04, turns), per_second)}
    assert found[supply].depth == pytest.approx(0.04, rel=0.15) and found[supply].above > 10
    assert found[supply].bands == pytest.approx(turns, abs=0.2)
    assert all(one.above < 3 for one in found.values() if one.supply != supply)


def test_a_beat_that_stands_still_and_a_lamp_that_is_not_on_the_mains_are_no_flicker() -> None:
    assert [one.supply for one in measure_flicker(lit(25, 50, 0.04, 0), 25)] == [60]
    assert all(one.above < 5 for one in measure_flicker(lit(25, 50, 0.04, 0), 25))
    time = np.arange(75)[:, None] / 25
    pulsing = 100 * (1 + 0.1 * np.sin(2 * np.pi * 3.1 * time)) * np.ones(ROWS)
    assert all(one.above < 5 for one in measure_flicker(pulsing, 25))


@pytest.mark.parametrize(("right", "down"), [(0.0, 0.0), (0.4, -0.3), (3.3, 1.1), (-14.0, 6.5)])
def test_a_shift_is_measured_to_a_tenth_of_a_pixel(right: float, down: float) -> None:
    plane = cloudy()
    motion = motion_of([plane, shifted(plane, right, down)])
    assert motion.right[1] * 270 == pytest.approx(right, abs=0.1)
    assert motion.down[1] * 270 == pytest.approx(down, abs=0.1)
    assert abs(motion.scale[1]) < 0.001 and motion.sure[1] == 1


def test_a_picture_without_detail_has_no_motion() -> None:
    random = np.random.default_rng(6)
    grey = [(100 + random.normal(0, 1, (270, 480))).astype(np.float32) for _ in range(2)]
    assert motion_of(grey).sure[1] == 0


def test_shake_is_told_from_a_tripod_and_from_a_steady_pan() -> None:
    plane, random = cloudy(), np.random.default_rng(7)
    places = np.cumsum(random.normal(0, 1.5, (30, 2)), axis=0)
    places -= np.linspace(0, 1, 30)[:, None] * places[-1]
    shaky = measure_shake(motion_of([shifted(plane, x, y) for x, y in places]), 12.5)
    tripod = measure_shake(motion_of([plane] * 30), 12.5)
    pan = measure_shake(motion_of([shifted(plane, 2.5 * n, 0) for n in range(30)]), 12.5)
    assert tripod.shake < 0.0002 and pan.shake < 0.001 < 0.003 < shaky.shake
    assert pan.speed == pytest.approx(2.5 * 12.5 / 270, rel=0.05)
    assert tripod.steady == 1 and tripod.longest_steady > 2


def test_a_camera_that_is_carried_is_never_steady() -> None:
    plane, random = cloudy(), np.random.default_rng(8)
    places = np.cumsum(random.normal(0, 15, (30, 2)), axis=0)
    carried = measure_shake(motion_of([shifted(plane, x, y) for x, y in places]), 12.5)
    assert carried.steady < 0.2 and carried.longest_steady < 1


@pytest.mark.parametrize("degrees", [-6.0, -2.0, 0.0, 3.0])
def test_the_lean_of_a_horizon_is_measured(degrees: float) -> None:
    y, x = np.mgrid[0:270, 0:480]
    edge = 120 + np.tan(np.radians(degrees)) * (x - 239.5)
    plane = np.where(y < edge, 180, 80).astype(np.float32) + cloudy(seed=9) * 0.1
    tilt = measure_tilt(plane.astype(np.float32))
    assert tilt.degrees == pytest.approx(degrees, abs=0.5)
    assert tilt.support > 0.9 and tilt.stands_out > 5


def test_a_picture_without_a_long_edge_has_no_horizon() -> None:
    tilts = [measure_tilt(cloudy(seed=seed)) for seed in range(5)]
    assert not any(one.support >= 0.8 and one.stands_out >= 4 for one in tilts)
