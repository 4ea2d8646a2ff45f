"""From numbers to findings: each rule says its channel, place, number and remedy, and only when it must."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from pydantic import BaseModel

from ingest.measure.sound_numbers import Pair, SoundMeasured, Timing
from ingest.measure.sound_pairs import measure_pairs
from ingest.measure.sound_rules import CODES, SoundFinding, find_in_sound
from ingest.measure.sound_track import TrackMeter
from ingest.media.facts import FAULT, NOTE, WARNING
from shared.finding_limits import CALIBRATED, PRACTICE, PUBLISHED, HuntingLimits, PictureLimits, SoundLimits
from tests.ingest.measure.sound_support import (
    RATE,
    Signal,
    at_level,
    music,
    noise,
    seconds_of,
    sine,
    speech,
    stereo,
    wind,
)

VOICE = speech(14, 11)


def measure(*channels: Signal) -> SoundMeasured:
    samples = stereo(*channels)
    meter = TrackMeter(RATE, len(channels), (1.0,) * len(channels), lambda _: None)
    meter.add(samples.T)
    meter.finish()
    measured, programme = meter.result(0, 0)
    pairs = measure_pairs(samples, RATE)
    seconds = len(samples) / RATE
    timing = Timing(0, RATE, len(samples), seconds, seconds, 0, 0.0)
    return SoundMeasured(tuple(measured), pairs, (programme,), (timing,))


def holes() -> Signal:
    out = music(14, 3).copy()
    for second in (3, 6, 9):
        out[second * RATE : second * RATE + 2400] = 0
    return out


def lost() -> Signal:
    out = VOICE.copy()
    out[: 12 * RATE] = noise(12, -90, 4)
    return np.concatenate([VOICE, out])


def thuds() -> Signal:
    out = noise(14, -55, 2)
    time = seconds_of(0.3)
    for second in (5, 8, 11):
        out[second * RATE : second * RATE + len(time)] += (
            0.4 * np.exp(-time / 0.08) * np.sin(2 * np.pi * 35 * time)
        )
    return out


def humming() -> Signal:
    parts = [sine(50 * k, 14, -46 - 3 * k, 40 * k) for k in (1, 2, 3, 5)]
    return np.asarray(VOICE + np.sum(parts, axis=0))


def clipped() -> Signal:
    return np.clip(VOICE * 6, -0.4, 0.4)


def muted() -> Signal:
    out = VOICE.copy()
    out[4 * RATE : 7 * RATE] = 0
    return out


FAULTS = {
    "sound-digital-zero": (np.zeros(14 * RATE), FAULT, None),
    "sound-no-signal": (noise(14, -86, 1), FAULT, None),
    "sound-zero-stretch": (muted(), WARNING, (4, 7)),
    "sound-lost": (lost(), WARNING, (14, 26)),
    "sound-offset": (VOICE + 0.2, WARNING, None),
    "sound-clipped": (clipped(), FAULT, (0, 14)),
    "sound-low": (at_level(VOICE, -55), NOTE, None),
    "sound-hum": (humming(), WARNING, None),
    "sound-wind": (wind(14, 2), WARNING, (0, 14)),
    "sound-handling": (thuds(), NOTE, (5, 12)),
    "sound-dropout": (holes(), WARNING, (3, 9.1)),
}


@pytest.mark.parametrize("code", FAULTS)
def test_each_fault_is_found_and_no_other(code: str) -> None:
    signal, severity, within = FAULTS[code]
    found = find_in_sound(measure(signal))
    assert {one.code for one in found} == {code}
    for one in found:
        assert one.severity == severity and one.channel == 1 and one.value is not None
        assert one.message.startswith("Channel 1 ") and one.remedy.endswith(".") and one.rule.endswith(".")
        if within is None:
            assert one.first is None and one.frames(Fraction(25)) is None
        else:
            assert one.first is not None and one.last is not None
            assert within[0] - 1.1 <= one.first <= one.last <= within[1] + 1.1


@pytest.mark.parametrize(
    "signal",
    [VOICE, music(14, 5), noise(14, -58, 3), sine(1000, 14, -18)],
    ids=["speech", "music", "room", "tone"],
)
def test_sound_recordings_have_no_finding(signal: Signal) -> None:
    assert find_in_sound(measure(signal)) == []


@pytest.mark.parametrize(
    ("other", "codes"),
    [
        (VOICE, {"sound-dual-mono"}),
        (VOICE * 10 ** (-12 / 20), {"sound-safety-track"}),
        (-VOICE, {"sound-polarity"}),
        (speech(14, 12), set()),
        (np.zeros(14 * RATE), {"sound-digital-zero"}),
    ],
    ids=["same", "lower", "reversed", "another", "nothing"],
)
def test_channels_that_belong_together(other: Signal, codes: set[str]) -> None:
    found = find_in_sound(measure(VOICE, other))
    assert {one.code for one in found} == codes
    assert all(one.channel == 2 for one in found)


def test_which_of_two_is_the_safety_track() -> None:
    (found,) = find_in_sound(SoundMeasured(pairs=(Pair(0, 2, 60.0, 9.0, -40.0, False),)))
    assert found.channel == 1 and found.message == "Channel 1 is channel 3, 9 dB lower: a safety track."


def timed(rate: int, samples: int, **more: float) -> Timing:
    values = {"stamped": None, "gaps": 0, "gap_seconds": 0.0, **more}
    return Timing(0, rate, samples, samples / rate, **values)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("timing", "codes"),
    [
        (timed(48_000, 48_000 * 100), set()),
        (timed(44_100, 44_100 * 100), {"sound-rate"}),
        (timed(48_000, 44_100 * 100), {"sound-rate-mistaken"}),
        (timed(48_000, 48_000 * 100, gaps=2, gap_seconds=1.5), {"sound-gap"}),
    ],
)
def test_rates_and_holes(timing: Timing, codes: set[str]) -> None:
    found = find_in_sound(SoundMeasured(timing=(timing,), picture_seconds=100.02))
    assert {one.code for one in found} == codes


def test_what_could_not_be_measured_is_said() -> None:
    (found,) = find_in_sound(SoundMeasured(problem="The file has no sound that can be decoded."))
    assert found.code == "sound-unmeasured" and "no sound" in found.message


def test_peaks_above_the_limit() -> None:
    hot = sine(997, 3, -0.2)
    (found,) = find_in_sound(measure(hot))
    assert found.code == "sound-true-peak" and found.value == pytest.approx(-0.2, abs=0.1)


def test_limits_can_change_without_measuring_again() -> None:
    measured = measure(noise(6, -75, 1))
    assert [one.code for one in find_in_sound(measured)] == ["sound-no-signal"]
    assert find_in_sound(measured, SoundLimits(silent_db=-80)) == []


@pytest.mark.parametrize("kind", [SoundLimits, PictureLimits, HuntingLimits])
def test_every_limit_says_whose_it_is(kind: type[BaseModel]) -> None:
    for name, limit in kind.model_fields.items():
        said = limit.description or ""
        own_table = isinstance(limit.default_factory, type)
        assert own_table or any(source in said for source in (PRACTICE, PUBLISHED, CALIBRATED)), name


def test_a_finding_fits_the_catalogue() -> None:
    for code in CODES:
        assert len(code) <= 64
    found = SoundFinding("sound-dropout", WARNING, "Gone.", "Again.", "Never.", 1.0, "dropouts", 1, 2.0, 2.01)
    assert found.frames(Fraction(25)) == (50, 51)
    assert found.frames(Fraction(30_000, 1001)) == (59, 61)
    noticed = found.noticed()
    assert (noticed.code, noticed.message, noticed.value) == ("sound-dropout", "Gone. Again.", 1.0)
