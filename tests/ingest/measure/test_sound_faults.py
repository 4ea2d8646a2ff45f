"""Faults that are put into sound are found where they are; what is no fault is not called one."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import resample_poly

from ingest.measure.sound_clipping import measure_clipping
from ingest.measure.sound_dropouts import measure_dropouts
from ingest.measure.sound_hum import measure_hum
from ingest.measure.sound_level import level_reached, measure_levels, share_below
from ingest.measure.sound_numbers import FLOOR_DB, Timing
from ingest.measure.sound_pairs import measure_pairs
from ingest.measure.sound_rate import mistaken_rate
from ingest.measure.sound_speech import measure_speech
from ingest.measure.sound_wind import measure_wind
from ingest.measure.sound_zero import measure_zeros
from sample_media.sound import SOURCES, Words, hear
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

CLEAN = {
    "speech": speech(11, 1),
    "faint speech": speech(11, 2, 12),
    "music": music(11, 1),
    "room tone": noise(11, -60, 1),
    "low tone": sine(41, 11, -3),
    "tone": sine(997, 11, -12),
}


def level_of(signal: Signal) -> float:
    return float(20 * np.log10(np.sqrt(np.mean(signal**2))))


# -- level and zeros ----------------------------------------------------------------------------------


def test_levels_of_known_signals() -> None:
    full, quiet = measure_levels(stereo(sine(1000, 5, 0), noise(5, -82, 2)), RATE)
    assert full.peak_db == pytest.approx(0, abs=0.01) and full.rms_db == pytest.approx(-3.01, abs=0.01)
    assert quiet.rms_db == pytest.approx(-82, abs=0.1)
    assert share_below(quiet, -70) == 1.0 and share_below(full, -70) == 0.0
    assert sum(full.histogram) == 50
    assert level_reached(full, 0.5) == -3.0


def test_an_offset_is_no_level() -> None:
    """An input that is stuck, with the noise of a converter on it."""
    (stuck,) = measure_levels(stereo(0.5 + noise(5, -85, 3)), RATE)
    assert stuck.dc == pytest.approx(0.5, abs=1e-4)
    assert share_below(stuck, -70) == 1.0
    assert stuck.rms_db < -75


def test_the_share_of_time_follows_the_signal() -> None:
    signal = np.concatenate([noise(6, -90, 1), noise(4, -30, 2)])
    (levels,) = measure_levels(stereo(signal), RATE)
    assert share_below(levels, -70) == pytest.approx(0.6, abs=0.02)


@settings(max_examples=15, deadline=None)
@given(first=st.integers(0, 3 * RATE), length=st.integers(0, 4 * RATE))
def test_zeros_are_found_where_they_are(first: int, length: int) -> None:
    signal = 0.1 * np.random.default_rng(4).uniform(0.1, 1, 6 * RATE)
    signal[first : first + length] = 0
    count = len(signal) - np.count_nonzero(signal)
    (found,) = measure_zeros(stereo(signal), RATE)
    assert found.share == pytest.approx(count / len(signal), abs=1e-6)
    if count >= 1.002 * RATE:
        (run,) = found.runs.kept
        assert run.first == pytest.approx(first / RATE, abs=0.0011)
        assert run.last == pytest.approx((first + count) / RATE, abs=0.0011)
    elif count < RATE - 2:
        assert found.runs.count == 0


# -- clipping -------------------------------------------------------------------------------------------


def pcm(signal: Signal, bits: int) -> Signal:
    scale = 2 ** (bits - 1)
    clipped: Signal = np.clip(np.round(signal * scale), -scale, scale - 1) / scale
    return clipped


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("at_db", [0.0, -9.0])
def test_clipped_speech_is_found_at_whatever_level(bits: int, at_db: float) -> None:
    """Flattened at its own 99.5th percentile, then brought to `at_db`: preamplifiers flatten below 0 dBFS."""
    signal = speech(12, 4).copy()
    top = np.quantile(np.abs(signal), 0.995)
    flat = np.clip(signal, -top, top)
    flat[: 6 * RATE] = signal[: 6 * RATE] * 0.15  # the first half is quiet and whole
    made = pcm(flat / top * 10 ** (at_db / 20), bits)
    (found,) = measure_clipping(stereo(made), RATE)
    assert found.tops.count > 50
    assert all(span.first >= 6 for span in found.tops.kept)
    assert found.tops.kept[-1].level == pytest.approx(at_db, abs=0.02)
    assert (found.over > 0) is (at_db == 0)


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("name", CLEAN)
def test_what_is_not_clipped_is_not_called_so(name: str, bits: int) -> None:
    (found,) = measure_clipping(stereo(pcm(CLEAN[name], bits)), RATE)
    assert found.tops.count == 0 and found.over == 0


@settings(max_examples=12, deadline=None)
@given(hertz=st.floats(20, 2000), db=st.floats(-30, 0))
def test_no_pure_tone_is_clipped(hertz: float, db: float) -> None:
    (found,) = measure_clipping(stereo(pcm(sine(hertz, 2, db) * 0.9999, 16)), RATE)
    assert found.tops.count == 0


@settings(max_examples=12, deadline=None)
@given(hertz=st.floats(100, 1500), over_db=st.floats(1.5, 20))
def test_an_overdriven_tone_is(hertz: float, over_db: float) -> None:
    made = pcm(np.clip(sine(hertz, 2, over_db), -1, 1) * 0.4, 16)
    (found,) = measure_clipping(stereo(made), RATE)
    # Two flat tops a period, but for those at the borders of blocks.
    assert found.tops.count == pytest.approx(4 * hertz, rel=0.05, abs=8)


# -- dropouts -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("milliseconds", [3, 10, 80, 600])
@pytest.mark.parametrize("stuck", [False, True])
def test_dropouts_are_found_to_a_millisecond(milliseconds: int, stuck: bool) -> None:
    signal = CLEAN["music"].copy()
    rng, places = np.random.default_rng(5), []
    for second in range(1, 10, 2):
        first = second * RATE + int(rng.integers(0, RATE // 2))
        length = milliseconds * RATE // 1000
        signal[first : first + length] = signal[first] if stuck else 0
        places.append((first / RATE, (first + length) / RATE))
    (found,) = measure_dropouts(stereo(signal), RATE)
    assert found.count == len(places)
    for span, (begin, end) in zip(found.kept, places, strict=True):
        assert span.first == pytest.approx(begin, abs=0.0021) and span.last == pytest.approx(end, abs=0.0021)
        assert span.level >= 40


@pytest.mark.parametrize("name", CLEAN)
def test_music_speech_and_pauses_are_no_dropouts(name: str) -> None:
    (found,) = measure_dropouts(stereo(CLEAN[name]), RATE)
    assert found.count == 0


def test_silence_before_between_and_behind_is_no_dropout() -> None:
    """Fades to digital silence, a start from zeros, an end in zeros, a pause of two seconds, clicks."""
    time = seconds_of(4)
    piece = sine(300, 4, -10) * np.minimum(np.minimum(time, 4 - time) / 0.02, 1)
    clicks = np.zeros(2 * RATE)
    clicks[[9000, 9050, 30_000, 70_000]] = 0.5
    signal = np.concatenate(
        [np.zeros(4000), piece, np.zeros(20_000), piece, clicks, sine(500, 1, -10), np.zeros(96_000)]
    )
    (found,) = measure_dropouts(stereo(signal), RATE)
    assert found.count == 0


# -- channels that belong together ----------------------------------------------------------------------


@pytest.mark.parametrize("gain_db", [0.0, -6.0, -12.0, -20.0])
@pytest.mark.parametrize("sign", [1, -1])
def test_a_copy_is_told_with_its_gain(gain_db: float, sign: int) -> None:
    voice = speech(12, 4)
    copy = sign * 10 ** (gain_db / 20) * voice + noise(12, -80, 9)
    (pair,) = measure_pairs(stereo(voice, copy), RATE)
    assert pair.gain_db == pytest.approx(gain_db, abs=0.15)
    assert pair.residual_db < -25 and pair.inverted is (sign < 0)


def test_an_exact_copy_leaves_nothing() -> None:
    voice = speech(12, 4)
    (pair,) = measure_pairs(stereo(voice, voice), RATE)
    assert (pair.gain_db, pair.residual_db, pair.inverted) == (0.0, FLOOR_DB, False)


def test_a_safety_track_is_known_though_the_main_track_is_clipped() -> None:
    voice = speech(12, 4)
    loud = np.clip(voice * 4, -0.5, 0.5)
    (pair,) = measure_pairs(stereo(loud, voice * 4 * 10 ** (-12 / 20)), RATE)
    assert pair.gain_db == pytest.approx(-12, abs=2.0) and pair.residual_db < -10


def test_two_microphones_in_one_room_are_not_the_same() -> None:
    near = hear("engineer", 36_000 * RATE, 6 * RATE, ["lav", "shotgun"])
    (pair,) = measure_pairs(near, RATE)
    assert pair.residual_db > -17
    assert measure_pairs(stereo(noise(3, -90, 1), noise(3, -90, 1)), RATE) == ()


# -- hum ------------------------------------------------------------------------------------------------


def hum(mains: float, seconds: float, dbfs: float) -> Signal:
    parts = ((1, 1.0), (2, 0.6), (3, 0.5), (4, 0.2), (5, 0.25))
    time = seconds_of(seconds)
    return at_level(np.sum([a * np.sin(2 * np.pi * mains * k * time + k) for k, a in parts], axis=0), dbfs)


@pytest.mark.parametrize("mains", [50, 60])
@pytest.mark.parametrize("off", [-0.1, 0.15])
@pytest.mark.parametrize("name", ["speech", "room tone", "music"])
def test_hum_is_found_under_sound(mains: int, off: float, name: str) -> None:
    level = {"speech": -48, "room tone": -60, "music": -42}[name]
    signal = CLEAN[name] + hum(mains + off, 11, level)
    (found,) = measure_hum(stereo(signal), RATE)
    mine, other = sorted(found, key=lambda lines: lines.hertz != mains)
    assert sum(one >= 12 for one in mine.prominence[:5]) >= 2
    assert sum(one >= 12 for k, one in enumerate(other.prominence, 1) if k * other.hertz % 300) == 0
    assert mine.level_db == pytest.approx(level, abs=3)


@pytest.mark.parametrize("name", [*CLEAN, "wind", "engine"])
def test_what_is_not_mains_does_not_hum(name: str) -> None:
    other = {"wind": lambda: wind(11, 1), "engine": lambda: hear("engine", 0, 6 * RATE, ["lav"])[:, 0]}
    signal = CLEAN[name] if name in CLEAN else other[name]()
    (found,) = measure_hum(stereo(signal), RATE)
    for lines in found:
        assert sum(one >= 12 for k, one in enumerate(lines.prominence, 1) if k * lines.hertz % 300) < 2, name


# -- wind, speech, rate ---------------------------------------------------------------------------------


def gusty(signal: Signal) -> float:
    (found,) = measure_wind(stereo(signal), RATE)
    points = zip(found.share, found.level, found.jitter, strict=True)
    return sum(s >= 60 and level >= -45 and j >= 2 for s, level, j in points) / len(found.share)


def test_wind_gusts_and_nothing_else_does() -> None:
    assert gusty(wind(11, 2)) > 0.6
    assert gusty(wind(11, 3) + CLEAN["speech"] * 0.3) > 0.5
    for name, signal in CLEAN.items():
        assert gusty(signal) == 0, name
    assert gusty(hear("engine", 0, 6 * RATE, ["lav"])[:, 0]) == 0


def test_thuds_are_counted_where_they_are() -> None:
    signal = noise(16, -55, 4)
    time = seconds_of(0.3)
    for second in (4, 9, 13):
        place = round(second * RATE)
        signal[place : place + len(time)] += 0.4 * np.exp(-time / 0.08) * np.sin(2 * np.pi * 35 * time)
    (found,) = measure_wind(stereo(signal), RATE)
    assert [span.first for span in found.bumps.kept] == [pytest.approx(s, abs=0.3) for s in (4, 9, 13)]
    for name in ("speech", "music", "room tone"):
        assert measure_wind(stereo(CLEAN[name]), RATE)[0].bumps.count == 0, name


def test_speech_is_told_from_what_is_none() -> None:
    for seed in (1, 4):
        assert measure_speech(stereo(speech(12, seed, 15)), RATE)[0].share > 0.6
    for kind in ("ferrywoman", "engineer"):  # words of a synthesiser, and where they begin
        words = SOURCES[kind].voice
        assert isinstance(words, Words)
        heard = hear(kind, words.first, 5 * RATE, ["lav"])
        assert measure_speech(heard, RATE)[0].share > 0.7
    others = {name: CLEAN[name] for name in ("music", "room tone", "low tone", "tone")}
    others |= {name: hear(name, 0, 5 * RATE, ["shotgun"])[:, 0] for name in ("river", "winch")}
    for name, signal in (others | {"wind": wind(11, 5)}).items():
        assert measure_speech(stereo(signal), RATE)[0].share <= 0.05, name


def test_the_share_of_speech_follows_the_time() -> None:
    silent = noise(12, -60, 8)
    (whole,) = measure_speech(stereo(speech(12, 1)), RATE)
    (found,) = measure_speech(stereo(np.concatenate([silent, speech(12, 1)])), RATE)
    assert found.share == pytest.approx(whole.share / 2, abs=0.06) and whole.share > 0.6
    assert max(found.present[:10]) < 50


def taken_at(rate: int, stated: int, seconds: float) -> Timing:
    samples = round(rate * seconds)
    return Timing(0, stated, samples, samples / stated, None, 0, 0.0)


@pytest.mark.parametrize("rate", [44_100, 47_952, 48_048, 96_000])
def test_a_mistaken_rate_is_named(rate: int) -> None:
    assert mistaken_rate(taken_at(rate, 48_000, 600), 600) == rate


@settings(max_examples=40, deadline=None)
@given(seconds=st.floats(0.5, 4000), off=st.floats(-0.09, 0.09), ppm=st.floats(-50, 50))
def test_an_honest_rate_is_left_alone(seconds: float, off: float, ppm: float) -> None:
    """Ends that are cut 90 ms apart, and a crystal as bad as they come."""
    timing = taken_at(48_000, 48_000, seconds)
    assert mistaken_rate(timing, (seconds + off) * (1 + ppm / 1e6)) is None
    assert mistaken_rate(timing, None) is None


@pytest.mark.parametrize("rate", [16_000, 44_100])
def test_other_rates_are_measured_alike(rate: int) -> None:
    voice = resample_poly(CLEAN["speech"] + hum(50, 11, -45), rate // 100, RATE // 100)
    samples = stereo(voice)
    assert measure_levels(samples, rate)[0].rms_db == pytest.approx(level_of(voice), abs=0.1)
    assert measure_speech(samples, rate)[0].share > 0.5
    assert sum(one >= 12 for one in measure_hum(samples, rate)[0][0].prominence[:5]) >= 2
    assert measure_dropouts(samples, rate)[0].count == measure_clipping(samples, rate)[0].tops.count == 0
