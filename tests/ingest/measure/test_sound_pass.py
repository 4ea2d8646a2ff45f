"""The pass over files: what is in them comes out, however they are cut, packed and broken."""

from __future__ import annotations

import dataclasses
import json
import wave
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ingest.measure.sound_blocks import Curve, Keeping, run
from ingest.measure.sound_loudness import LoudnessMeter
from ingest.measure.sound_numbers import MOST_POINTS, MOST_SPANS, SoundMeasured
from ingest.measure.sound_pass import measure_sound
from ingest.measure.sound_rules import find_in_sound
from ingest.measure.sound_track import Clock, TrackMeter
from ingest.media.pool import MediaPool, _Child, _Limits
from sample_media.sound import pack_pcm24
from shared.errors import MediaError
from shared.settings import load_settings
from tests.ingest.measure.sound_support import RATE, noise, sine, speech, stereo
from tests.ingest.media_support import needs_ffmpeg, run_ffmpeg

Samples = npt.NDArray[np.float32]


def write_wave(path: Path, samples: Samples, rate: int = RATE) -> Path:
    """24 bit."""
    with wave.open(str(path), "wb") as file:
        file.setnchannels(samples.shape[1])
        file.setsampwidth(3)
        file.setframerate(rate)
        file.writeframes(pack_pcm24(samples.clip(-1, 1 - 2**-23).astype(np.float64)))
    return path


@pytest.fixture(scope="module")
def take() -> Samples:
    """A lavalier with a dropout, its safety track, an empty input and a channel nobody recorded."""
    voice = speech(12, 7).copy()
    loudest = np.convolve(np.square(voice), np.ones(4800), "same")[4 * RATE : 8 * RATE].argmax()
    voice[4 * RATE + loudest - 2400 : 4 * RATE + loudest + 2400] = 0
    return stereo(voice, voice * 10 ** (-12 / 20), noise(12, -88, 1), np.zeros(12 * RATE))


@pytest.fixture(scope="module")
def file(take: Samples, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_wave(tmp_path_factory.mktemp("sound") / "take.wav", take)


@pytest.fixture(scope="module")
def measured(file: Path) -> SoundMeasured:
    return measure_sound(file)


@pytest.fixture
def pool(tmp_path: Path) -> Iterator[MediaPool]:
    with MediaPool(load_settings(home=tmp_path)) as pool:
        yield pool


def through_meter(samples: Samples, cuts: list[int]) -> Any:
    meter = TrackMeter(RATE, samples.shape[1], (1.0,) * samples.shape[1], lambda _: None)
    for piece in np.split(samples, sorted(cuts)):
        meter.add(piece.T)
    meter.finish()
    return meter.result(0, 0)


def test_a_take_is_measured_as_it_is(measured: SoundMeasured) -> None:
    voice, safety, empty, nothing = measured.channels
    assert [one.number for one in measured.channels] == [0, 1, 2, 3]
    assert voice.dropouts.count == 1
    assert voice.dropouts.seconds == pytest.approx(0.1, abs=0.003)
    assert voice.speech.share > 0.6
    assert safety.levels.rms_db == pytest.approx(voice.levels.rms_db - 12, abs=0.1)
    assert empty.zeros.share < 0.1 and nothing.zeros.share == 1.0
    assert nothing.loudness.integrated is None and empty.loudness.integrated is None
    pairs = {(pair.one, pair.other): pair for pair in measured.pairs}
    assert set(pairs) == {(0, 1)}, "nothing follows an input without sound"
    assert pairs[0, 1].gain_db == pytest.approx(-12, abs=0.1) and pairs[0, 1].residual_db < -60
    assert len(voice.rms_curve) == len(voice.speech.present) == 12
    (timing,) = measured.timing
    assert (timing.rate, timing.samples, timing.gaps) == (RATE, 12 * RATE, 0)
    assert timing.stamped == pytest.approx(12, abs=0.01)
    assert measured.problem is None and measured.errors == measured.left_out == 0


def test_the_numbers_are_those_of_the_pure_functions(take: Samples, measured: SoundMeasured) -> None:
    """A file of 24 bit, in packets, against the whole array at once."""
    alone, together = run(LoudnessMeter(RATE, 4), take, RATE)
    assert measured.programmes[0].integrated == pytest.approx(together.integrated, abs=0.011)
    assert measured.channels[1].loudness.range == pytest.approx(alone[1].range, abs=0.02)


@settings(max_examples=4, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(cuts=st.lists(st.integers(0, 3 * RATE), max_size=6))
def test_how_a_stream_is_cut_changes_nothing(take: Samples, cuts: list[int]) -> None:
    part = take[4 * RATE : 7 * RATE, :2]
    assert through_meter(part, cuts) == through_meter(part, [])


def test_what_travels_arrives(measured: SoundMeasured) -> None:
    text = json.dumps(measured.to_json(), allow_nan=False)
    assert SoundMeasured.from_json(json.loads(text)) == measured


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("errors", "1"),
        ("errors", True),
        ("channels", None),
        ("channels", [{}]),
        ("picture_seconds", float("nan")),
        ("problem", "x" * 501),
        ("problem", "\x1b[2J"),
        ("extra", 1),
    ],
)
def test_what_no_child_would_say_is_refused(measured: SoundMeasured, field: str, value: object) -> None:
    with pytest.raises(ValueError):
        SoundMeasured.from_json({**measured.to_json(), field: value})


def test_a_child_measures_and_goes_on(pool: MediaPool, file: Path, measured: SoundMeasured) -> None:
    assert pool.measure_sound(file, 12).result(60) == measured
    broken = file.with_name("broken.wav")
    broken.write_bytes(b"RIFF\x00\x00\x00\x00WAVEnothing")
    again, bad, gone = (pool.measure_sound(p) for p in (file, broken, file.with_name("gone.wav")))
    assert again.result(60) == measured
    assert bad.result(60).problem is not None and bad.result().channels == ()
    assert "opened" in (gone.result(60).problem or "")
    described = pool.describe(file, file.parent, "still").result(60)
    assert described.facts is not None and described.facts.audio_channels == 4
    assert len(pool.child_pids()) == 1, "none of it cost a child its life"


def test_time_that_runs_out_is_said(file: Path) -> None:
    child = _Child(_Limits(2048, 60))
    try:
        child.wait_until_ready()
        request = {"task": "sound", "path": str(file).encode().hex(), "seconds": 60}
        answer = child.ask_numbers(request, 0.0, SoundMeasured.from_json)
        assert answer.timed_out and "longer than 0 s" in (answer.problem or "")
    finally:
        child.stop()


def test_a_sound_file_without_a_sample_is_refused(tmp_path: Path) -> None:
    empty = write_wave(tmp_path / "empty.wav", np.zeros((0, 2), np.float32))
    with pytest.raises(MediaError, match="sound"):
        measure_sound(empty)


def test_a_truncated_file_gives_what_it_has(file: Path, tmp_path: Path) -> None:
    cut = tmp_path / "cut.wav"
    cut.write_bytes(file.read_bytes()[: 4 * 3 * RATE * 6 + 1000])
    found = measure_sound(cut)
    assert found.channels[0].seconds == pytest.approx(6, abs=0.01)


def test_garbage_in_floating_point_is_survived(take: Samples) -> None:
    wild = take[: 3 * RATE, :2].copy()
    wild[1000:1010, 0] = np.nan
    wild[60_000, 0], wild[60_001, 1] = np.inf, 1e30
    channels, programme = through_meter(wild, [])
    measured = SoundMeasured(tuple(channels), (), (programme,))
    json.dumps(measured.to_json(), allow_nan=False)
    assert channels[0].levels.rms_db > -40


@needs_ffmpeg
def test_a_picture_without_sound_is_no_fault(tmp_path: Path) -> None:
    path = tmp_path / "mute.mp4"
    run_ffmpeg("-f", "lavfi", "-i", "testsrc=s=96x64:r=25:d=0.4", "-c:v", "mpeg4", path)
    found = measure_sound(path)
    assert found.picture_seconds == pytest.approx(0.4)
    assert found == SoundMeasured(picture_seconds=found.picture_seconds)
    assert find_in_sound(found) == []


@needs_ffmpeg
def test_tracks_beside_a_picture(file: Path, tmp_path: Path) -> None:
    """Two mono tracks and a stereo one in AAC, with a picture that begins half a second before the sound."""
    path = tmp_path / "take.mov"
    run_ffmpeg(
        *("-f", "lavfi", "-i", "testsrc=s=96x64:r=25:d=12.5", "-itsoffset", "0.5", "-i", file),
        *(
            "-filter_complex",
            "[1:a]asplit=3[x][y][z];[x]pan=mono|c0=c0[a];[y]pan=mono|c0=c1[b];[z]pan=stereo|c0=c2|c1=c3[e]",
        ),
        *("-map", "0:v", "-map", "[a]", "-map", "[b]", "-map", "[e]"),
        *("-c:v", "mpeg4", "-c:a", "aac", "-b:a", "192k", path),
    )
    found = measure_sound(path)
    assert [one.track for one in found.channels] == [0, 1, 2, 2]
    assert len(found.programmes) == len(found.timing) == 3
    assert found.picture_seconds == pytest.approx(12.5, abs=0.05)
    voice = found.channels[0]
    assert voice.start == pytest.approx(0.5, abs=0.03)
    pair = next(one for one in found.pairs if (one.one, one.other) == (0, 1))
    assert pair.gain_db == pytest.approx(-12, abs=0.2) and pair.residual_db < -17
    assert {one.code for one in find_in_sound(found)} >= {"sound-safety-track", "sound-digital-zero"}


def test_times_follow_start_and_holes() -> None:
    clock = Clock()
    clock.start = 0.5
    clock.add_gap(10, 2)
    clock.add_gap(20, 1)
    assert [clock.place(s) for s in (0, 9.9, 10, 15, 25)] == [0.5, 10.4, 12.5, 17.5, 28.5]
    assert (clock.gaps, clock.gap_seconds) == (2, 3)


def test_a_long_curve_is_joined_and_events_are_counted() -> None:
    peaks, means = Curve(1, mean=False), Curve(1, mean=True)
    values = np.random.default_rng(1).uniform(0, 1, 3 * MOST_POINTS + 5)
    for value in values:
        peaks.add([value])
        means.add([value])
    (top,), each = peaks.result()
    (mean,), _ = means.result()
    assert each == 4 and len(top) == -(-len(values) // 4)
    assert top[10] == values[40:44].max() and mean[10] == pytest.approx(values[40:44].mean())
    keeping = Keeping(join=0.5)
    for event in range(400):
        keeping.add(event, event + 0.1, -float(event))
    found = keeping.spans()
    assert (found.count, len(found.kept)) == (400, MOST_SPANS)
    assert found.seconds == pytest.approx(40)


def test_memory_does_not_grow_with_the_length() -> None:
    """What the meters hold after 24 seconds is what they hold after 12."""
    meter = TrackMeter(RATE, 1, (1.0,), lambda _: None)
    sizes = []
    piece = stereo(sine(300, 1, -12) + noise(1, -40, 1)).T
    for second in range(24):
        meter.add(piece)
        if second in (11, 23):
            sizes.append(_held(meter))
    assert abs(sizes[0] - sizes[1]) < 50_000, "less than a second of samples"


def _held(thing: Any) -> int:
    """Bytes of all arrays that an object holds, to any depth."""
    if isinstance(thing, np.ndarray):
        return thing.nbytes
    if isinstance(thing, dict):
        return sum(map(_held, thing.values()))
    if isinstance(thing, list | tuple):
        return sum(map(_held, thing))
    if dataclasses.is_dataclass(thing) or type(thing).__module__.startswith("ingest."):
        names = getattr(thing, "__slots__", None) or vars(thing)
        return sum(_held(getattr(thing, name)) for name in names)
    return 0
