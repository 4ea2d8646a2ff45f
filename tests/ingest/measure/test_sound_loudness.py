"""Loudness and true peak against the minimum requirements of EBU Tech 3341 (v4, 2023) and Tech 3342.

The signals are made here from the tables; each expected value and tolerance is the table's.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import freqz_sos, resample, resample_poly, upfirdn

from ingest.measure.sound_blocks import Cutting
from ingest.measure.sound_loudness import (
    SURROUND_WEIGHT,
    LoudnessMeter,
    k_weighting,
    measure_loudness,
    weights_of,
)
from ingest.measure.sound_true_peak import PHASES, measure_true_peak
from tests.ingest.measure.sound_support import RATE, noise, seconds_of, sine, speech, steps, stereo

TOLERANCE = 0.1  # LU, Tech 3341
# Tech 3341, cases 1-5: (seconds, dBFS) of a stereo sine of 1 kHz, and the integrated loudness.
INTEGRATED = {
    1: (((20, -23.0),), -23.0),
    2: (((20, -33.0),), -33.0),
    3: (((10, -36.0), (60, -23.0), (10, -36.0)), -23.0),
    4: (((10, -72.0), (10, -36.0), (60, -23.0), (10, -36.0), (10, -72.0)), -23.0),
    5: (((20, -26.0), (20.1, -20.0), (20, -26.0)), -23.0),
}
# Tech 3342, cases 1-4, and the loudness range, ±1 LU.
RANGES = {
    1: (((20, -20.0), (20, -30.0)), 10.0),
    2: (((20, -20.0), (20, -15.0)), 5.0),
    3: (((20, -40.0), (20, -20.0)), 20.0),
    4: (((20, -50.0), (20, -35.0), (20, -20.0), (20, -35.0), (20, -50.0)), 15.0),
}
# Tech 3341, cases 15-19: frequency as a part of the rate, phase, amplitude, dBTP (+0.2/-0.4).
PEAKS = {15: (4, 0, 0.5, -6.0), 16: (4, 45, 0.5, -6.0), 17: (6, 60, 0.5, -6.0), 18: (8, 67.5, 0.5, -6.0)} | {
    19: (4, 45, 1.41, 3.0)
}


@pytest.mark.parametrize("case", INTEGRATED)
def test_integrated_loudness(case: int) -> None:
    segments, expected = INTEGRATED[case]
    signal = steps(1000, segments)
    each, programme = measure_loudness(stereo(signal, signal), RATE)
    assert programme.integrated == pytest.approx(expected, abs=TOLERANCE)
    if len(segments) == 1:
        assert programme.momentary_max == pytest.approx(expected, abs=TOLERANCE)
        assert programme.short_term_max == pytest.approx(expected, abs=TOLERANCE)
    # A channel alone is half of the two together.
    assert each[0] == each[1]
    assert each[0].momentary_max == pytest.approx((programme.momentary_max or 0) - 3.01, abs=0.02)


def test_case_6_weighs_the_channels_of_surround() -> None:
    levels = (-28.0, -28.0, -24.0, -30.0, -30.0)
    samples = stereo(*(sine(1000, 20, level) for level in levels))
    _, programme = measure_loudness(samples, RATE, weights_of(("FL", "FR", "FC", "SL", "SR")))
    assert programme.integrated == pytest.approx(-23.0, abs=TOLERANCE)
    assert weights_of(("FL", "LFE", "BL", "whatever")) == (1.0, 0.0, SURROUND_WEIGHT, 1.0)


def windows(segments: tuple[tuple[float, float], ...], which: str) -> list[float]:
    """Largest momentary or short-term loudness as the programme goes on, a second at a time."""
    signal = steps(1000, segments)
    meter, cutting = LoudnessMeter(RATE, 2), Cutting(2, RATE)
    seen = []
    for block in cutting.add(stereo(signal, signal).T):
        meter.add(block)
        seen.append(getattr(meter.result()[1], which))
    return seen


def test_case_9_short_term_is_constant() -> None:
    seen = windows(((1.34, -20.0), (1.66, -30.0)) * 5, "short_term_max")
    assert seen[:2] == [None, None]
    assert seen[2:] == [pytest.approx(-23.0, abs=TOLERANCE)] * 13


def test_case_12_momentary_is_constant() -> None:
    seen = windows(((0.18, -20.0), (0.22, -30.0)) * 25, "momentary_max")
    assert seen == [pytest.approx(-23.0, abs=TOLERANCE)] * 10


@pytest.mark.parametrize("k", (0, 1, 4, 7, 10, 13, 16, 19))
def test_case_10_the_largest_short_term_loudness_is_found_wherever_it_lies(k: int) -> None:
    signal = steps(1000, ((k * 0.15, -200.0), (3, -23.0), (1, -200.0)))
    _, programme = measure_loudness(stereo(signal, signal), RATE)
    assert programme.short_term_max == pytest.approx(-23.0, abs=TOLERANCE)


@pytest.mark.parametrize("k", range(20))
def test_case_13_the_largest_momentary_loudness_is_found_wherever_it_lies(k: int) -> None:
    signal = steps(1000, ((k * 0.02, -200.0), (0.4, -23.0), (1, -200.0)))
    _, programme = measure_loudness(stereo(signal, signal), RATE)
    assert programme.momentary_max == pytest.approx(-23.0, abs=TOLERANCE)


@pytest.mark.parametrize("case", RANGES)
def test_loudness_range(case: int) -> None:
    segments, expected = RANGES[case]
    signal = steps(1000, segments)
    _, programme = measure_loudness(stereo(signal, signal), RATE)
    assert programme.range == pytest.approx(expected, abs=1.0)


@pytest.mark.parametrize("case", PEAKS)
def test_true_peak(case: int) -> None:
    divisor, phase, amplitude, expected = PEAKS[case]
    signal = sine(RATE / divisor, 3, 20 * np.log10(amplitude), phase)
    time = seconds_of(3)
    signal *= np.minimum(np.minimum(time, 3 - time) / 0.05, 1)  # a hard onset overshoots
    for peak in measure_true_peak(stereo(signal, signal), RATE):
        assert expected - 0.4 <= peak.dbtp <= expected + 0.2


def test_true_peak_leaves_nothing_out_that_matters() -> None:
    """What is skipped to save time changes nothing: all of it, through SciPy's own filter, gives the same."""
    signal = speech(4, 3) * np.linspace(0.2, 1, 4 * RATE)
    interleaved = PHASES.T.reshape(-1)
    whole = np.abs(upfirdn(interleaved, signal, up=4))
    found = measure_true_peak(stereo(signal), RATE)[0]
    assert found.dbtp == pytest.approx(20 * np.log10(whole.max()), abs=0.011)
    assert found.second == pytest.approx(whole.argmax() / 4 / RATE, abs=0.001)


def test_true_peak_agrees_with_an_exact_interpolation_of_speech() -> None:
    signal = speech(3, 5)
    exact = np.abs(resample(signal, 16 * len(signal))).max()
    assert measure_true_peak(stereo(signal), RATE)[0].dbtp == pytest.approx(20 * np.log10(exact), abs=0.2)


def test_the_weighting_is_the_recommendations_table() -> None:
    """ITU-R BS.1770-5, tables 1 and 2, at 48 kHz."""
    shelf = (1.53512485958697, -2.69169618940638, 1.19839281085285, 1, -1.69065929318241, 0.73248077421585)
    pass_ = (1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621)
    assert k_weighting(48_000) == pytest.approx(np.array([shelf, pass_]), abs=1e-9)


@pytest.mark.parametrize("rate", [16_000, 32_000, 44_100, 96_000])
def test_other_rates_weigh_alike(rate: int) -> None:
    """To 0.1 dB up to a sixth of the rate; beyond, the bilinear transform bends."""
    hertz = np.geomspace(20, rate / 6, 60)
    _, here = freqz_sos(k_weighting(rate), hertz, fs=rate)
    _, there = freqz_sos(k_weighting(48_000), hertz, fs=48_000)
    apart = 20 * np.log10(np.abs(here / there))
    assert np.abs(apart).max() < (0.1 if rate > 16_000 else 0.3)


@pytest.mark.parametrize("rate", [44_100, 96_000])
def test_loudness_does_not_depend_on_the_rate(rate: int) -> None:
    signal = speech(6, 4)
    wanted = measure_loudness(stereo(signal), RATE)[1]
    other = resample_poly(signal, rate // 300, RATE // 300)
    found = measure_loudness(stereo(other), rate)[1]
    assert found.integrated == pytest.approx(wanted.integrated, abs=0.1)
    assert found.short_term_max == pytest.approx(wanted.short_term_max, abs=0.1)


def test_what_cannot_be_heard_has_no_loudness() -> None:
    for signal in (np.zeros(5 * RATE), noise(5, -90, 1), sine(1000, 0.3, -20)):
        _, programme = measure_loudness(stereo(signal), RATE)
        assert programme.integrated is None and programme.range is None


@settings(max_examples=6, deadline=None)
@given(gain=st.floats(-20, 6), seed=st.integers(0, 50))
def test_gain_moves_loudness_and_peak_alike(gain: float, seed: int) -> None:
    signal = noise(4, -26, seed)
    louder = signal * 10 ** (gain / 20)
    before, after = (measure_loudness(stereo(one), RATE)[1].integrated for one in (signal, louder))
    assert before is not None and after == pytest.approx(before + gain, abs=0.02)
    peaks = [measure_true_peak(stereo(one), RATE)[0].dbtp for one in (signal, louder)]
    assert peaks[1] == pytest.approx(peaks[0] + gain, abs=0.02)
