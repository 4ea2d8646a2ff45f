"""Which parts of a clip are decoded whole."""

from __future__ import annotations

from dataclasses import replace

import pytest

from ingest.measure.picture_numbers import FrameLevels, Sample, Structure, Tilt
from ingest.measure.picture_windows import CHEAP, Effort, choose_windows

LEVELS = FrameLevels(0, 0, 0, 0, 0.5, 0.1, 0.9)


def samples(seconds: int, swing: float = 0.0, first: int = 0, last: int = 0, **more: float) -> list[Sample]:
    """One picture every two seconds; from `first` to `last` its sharpness goes up and down by `swing`."""
    return [
        Sample(
            float(time),
            -2.0 + (swing * (-1) ** (time // 2) if first <= time <= last else 0.0),
            -1.0,
            LEVELS,
            Structure(20.0, 1.0),
            Tilt(0.0, 0.0, 1.0),
            None if time == 0 else more.get("moved", 0.001),
            None if time == 0 else 0.5,
        )
        for time in range(0, seconds + 1, 2)
    ]


def length(windows: tuple[tuple[float, float], ...]) -> float:
    return sum(last - first for first, last in windows)


def test_a_take_that_is_evenly_sharp_is_looked_at_in_its_middle_alone() -> None:
    assert choose_windows(samples(120), 120, Effort()) == ((58, 61),)


def test_the_first_key_frame_of_a_long_take_makes_nothing_worth_a_look() -> None:
    """It is coded before the encoder knows what it will need; of a short take each picture counts."""
    first, *others = samples(120)
    assert choose_windows([replace(first, subject=-1.9), *others], 120, Effort()) == ((58, 61),)
    short = [replace(first, subject=-1.9), *others[:6]]
    assert length(choose_windows(short, 12, Effort())) > 3


def test_where_sharpness_differs_is_looked_at_whole() -> None:
    windows = choose_windows(samples(600, 0.1, 400, 440), 600, Effort())
    looked = [window for window in windows if window[0] > 310]
    assert looked and all(first >= 380 and last <= 460 for first, last in looked)
    assert length(windows) <= 3 + 0.06 * 600 + 1e-9


def test_a_camera_that_moves_is_no_take_to_hunt_in() -> None:
    assert length(choose_windows(samples(120, 0.1, 0, 120, moved=0.2), 120, Effort())) == 3


@pytest.mark.parametrize(("effort", "most"), [(Effort(), 6.0), (CHEAP, 12.0)])
def test_a_short_take_gets_some_seconds_in_any_case(effort: Effort, most: float) -> None:
    windows = choose_windows(samples(30, 0.1, 0, 30), 30, effort)
    assert 3 < length(windows) <= 3 + most


def test_all_of_it_where_that_is_asked_for() -> None:
    assert choose_windows(samples(30), 30, replace(CHEAP, dense_share=1)) == ((0.0, 30),)
