"""Tones to line levels up, and claps: made signals whose truth is known."""

from __future__ import annotations

import numpy as np
import pytest

from ingest.measure.sound_claps import measure_claps
from ingest.measure.sound_tone import measure_tone
from tests.calibrate.slates import clap
from tests.ingest.measure.sound_support import RATE, music, noise, sine, speech, stereo


@pytest.mark.parametrize("hertz", [440.0, 997.0, 1000.0])
@pytest.mark.parametrize("level", [-18.0, -20.0])
def test_a_tone_is_told_with_its_frequency_level_and_length(hertz: float, level: float) -> None:
    """997 Hz: AES17; -18 dBFS: EBU R 68; -20 dBFS: SMPTE RP 155; all from memory."""
    room = noise(2, -60, 1)
    (tone,) = measure_tone(stereo(np.concatenate([room, sine(hertz, 6, level), room])), RATE)
    assert tone.hertz == pytest.approx(hertz, rel=0.001)
    assert tone.level_db == pytest.approx(level, abs=0.1) and tone.seconds == pytest.approx(6, abs=1)


def test_speech_music_and_a_room_hold_no_tone() -> None:
    sounds = stereo(speech(10, 1), music(10, 1), noise(10, -30, 1))
    assert max(one.seconds for one in measure_tone(sounds, RATE)) <= 1


def test_a_tone_that_changes_its_level_is_two() -> None:
    (tone,) = measure_tone(stereo(np.concatenate([sine(1000, 4, -18), sine(1000, 6, -24)])), RATE)
    assert tone.level_db == pytest.approx(-24, abs=0.1) and tone.seconds == pytest.approx(6, abs=0.5)


@pytest.mark.parametrize("place", [0.9, 0.998, 1.0, 3.4])  # at the seams of blocks of a second as well
def test_a_clap_is_found_where_it_is(place: float) -> None:
    (found,) = measure_claps(stereo(clap(6, (place,), 3)), RATE)
    assert found.count == 1 and found.kept[0].first == pytest.approx(place, abs=0.005)


def test_claps_are_counted_one_by_one() -> None:
    (found,) = measure_claps(stereo(clap(8, (1.0, 1.5, 2.0, 5.0), 4)), RATE)
    assert found.count == 4


def test_speech_music_and_tones_hold_no_clap() -> None:
    beep = noise(10, -60, 5)
    beep[4 * RATE : 6 * RATE] += sine(1000, 2, -12)
    counts = [one.count for one in measure_claps(stereo(speech(10, 1), music(10, 1), beep), RATE)]
    assert counts == [0, 0, 0]
