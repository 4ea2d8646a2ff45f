"""Decoding for sync: every sample in its true place, whatever the container, the rate and the start."""

from __future__ import annotations

import os
import resource
import struct
import wave
from pathlib import Path

import numpy as np
import pytest

from ingest.sound.decode import Part, decode_parts, trimmed
from shared.errors import MediaError
from tests.ingest.media_support import needs_ffmpeg, run_ffmpeg

RATE = 8000
CLICKS = (3.25, 11.75)


def clicks(rate: int, seconds: float = 14) -> np.ndarray:
    """Short sounds without edges, at exact moments."""
    time = np.arange(round(seconds * rate)) / rate
    return np.asarray(sum(0.5 * np.sinc((time - at) * 3000) for at in CLICKS))


def write_wave(path: Path, rate: int, *channels: np.ndarray) -> Path:
    samples = np.stack(channels, axis=1)
    with wave.open(str(path), "wb") as file:
        file.setnchannels(len(channels))
        file.setsampwidth(2)
        file.setframerate(rate)
        file.writeframes((samples * 32000).astype("<i2").tobytes())
    return path


def peak_near(signal: np.ndarray, second: float) -> float:
    """The second of the highest sample within 50 ms."""
    low = round((second - 0.05) * RATE)
    return (low + int(np.argmax(signal[low : low + round(0.1 * RATE)]))) / RATE


@pytest.mark.parametrize("rate", [8000, 22_050, 44_100, 48_000, 96_000])
@pytest.mark.parametrize("first", [0.0, 10.0])
def test_a_sample_keeps_its_place(tmp_path: Path, rate: int, first: float) -> None:
    path = write_wave(tmp_path / "a.wav", rate, clicks(rate))
    decoded = decode_parts([Part(path, 0.0)], RATE, first, 14)
    assert len(decoded) == round((14 - first) * RATE)
    for at in CLICKS:
        if at > first:
            assert peak_near(decoded, at - first) == pytest.approx(at - first, abs=1 / RATE)


@needs_ffmpeg
@pytest.mark.parametrize("name", ["a.mov", "a.mp4", "a.mxf", "a.ts", "a.m4a", "a.flac"])
@pytest.mark.parametrize("first", [0.0, 10.0])
def test_it_does_in_every_container(tmp_path: Path, name: str, first: float) -> None:
    """The place counts from the picture's first frame: an encoder's priming is not heard."""
    source = write_wave(tmp_path / "source.wav", 48_000, clicks(48_000))
    path = tmp_path / name
    picture = ("-f", "lavfi", "-i", "color=c=black:s=64x64:r=25:d=14", "-map", "1:v", "-map", "0:a")
    if path.suffix in (".mov", ".mp4", ".mxf", ".ts"):
        codec = "pcm_s16le" if path.suffix == ".mxf" else "aac"
        run_ffmpeg("-i", source, *picture, "-c:v", "mpeg2video", "-bf", "2", "-c:a", codec, path)
    else:
        run_ffmpeg("-i", source, path)
    decoded = decode_parts([Part(path, 0.0)], RATE, first, 14)
    for at in CLICKS:
        if at > first:
            assert peak_near(decoded, at - first) == pytest.approx(at - first, abs=0.0005)


@needs_ffmpeg
def test_sound_that_begins_after_the_picture_is_put_behind_its_start(tmp_path: Path) -> None:
    source = write_wave(tmp_path / "source.wav", 48_000, clicks(48_000))
    path = tmp_path / "a.mov"
    picture = ("-f", "lavfi", "-i", "color=c=black:s=64x64:r=25:d=16")
    run_ffmpeg(*picture, "-itsoffset", "1.5", "-i", source, "-c:v", "mpeg4", "-c:a", "pcm_s16le", path)
    decoded = decode_parts([Part(path, 0.0)], RATE, 0, 16)
    assert peak_near(decoded, 1.5 + CLICKS[0]) == pytest.approx(1.5 + CLICKS[0], abs=0.0005)


def test_the_files_of_a_clip_stand_one_behind_the_other(tmp_path: Path) -> None:
    whole = clicks(48_000)
    parts = [
        Part(write_wave(tmp_path / f"{number}.wav", 48_000, whole[start : start + 240_000]), start / 48_000)
        for number, start in enumerate((0, 240_000, 480_000))
    ]
    decoded = decode_parts(parts, RATE, 1.0, 14)
    for at in CLICKS:
        assert peak_near(decoded, at - 1) == pytest.approx(at - 1, abs=1 / RATE)


def test_channels_of_opposite_polarity_do_not_cancel(tmp_path: Path) -> None:
    path = write_wave(tmp_path / "a.wav", 48_000, clicks(48_000), -clicks(48_000))
    assert np.abs(decode_parts([Part(path, 0.0)], RATE, 0, 14)).max() > 0.1


def test_a_dead_first_channel_does_not_silence_the_second(tmp_path: Path) -> None:
    path = write_wave(tmp_path / "a.wav", 48_000, 0 * clicks(48_000), clicks(48_000))
    assert peak_near(decode_parts([Part(path, 0.0)], RATE, 0, 14), CLICKS[0]) == pytest.approx(
        CLICKS[0], abs=1e-3
    )


def test_what_is_no_number_becomes_silence(tmp_path: Path) -> None:
    samples = clicks(48_000).astype("<f4")
    samples[1000:2000], samples[2000:3000] = np.nan, np.inf
    data = samples.tobytes()
    form = struct.pack("<HHIIHH", 3, 1, 48_000, 192_000, 4, 32)
    body = b"WAVEfmt " + struct.pack("<I", 16) + form + b"data" + struct.pack("<I", len(data)) + data
    path = tmp_path / "a.wav"
    path.write_bytes(b"RIFF" + struct.pack("<I", len(body)) + body)
    decoded = decode_parts([Part(path, 0.0)], RATE, 0, 14)
    assert np.isfinite(decoded).all()
    assert peak_near(decoded, CLICKS[1]) == pytest.approx(CLICKS[1], abs=1e-3)


def test_what_a_header_promises_and_the_file_lacks_is_trimmed(tmp_path: Path) -> None:
    path = write_wave(tmp_path / "a.wav", 48_000, clicks(48_000) + 0.1)
    os.truncate(path, path.stat().st_size // 2)
    decoded = decode_parts([Part(path, 0.0)], RATE, 0, 14)
    assert len(decoded) == 14 * RATE
    assert len(trimmed(decoded)) == pytest.approx(7 * RATE, abs=RATE / 100)


@pytest.mark.parametrize("content", [b"", b"RIFF\0\0\0\0WAVE", b"no sound at all " * 100])
def test_a_file_without_sound_says_so(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(content)
    with pytest.raises(MediaError):
        decode_parts([Part(path, 0.0)], RATE, 0, 14)


def test_memory_is_that_of_what_was_asked_for(tmp_path: Path) -> None:
    """Ten seconds out of a file of twenty minutes, and the file is never held whole."""
    noise = np.random.default_rng(1).uniform(-0.5, 0.5, 48_000 * 60)
    path = tmp_path / "long.wav"
    write_wave(path, 48_000, np.tile(noise, 20))
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    decoded = decode_parts([Part(path, 0.0)], RATE, 600, 610)
    assert len(decoded) == 10 * RATE and np.count_nonzero(decoded) > 9 * RATE
    assert (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) < 32 * 1024, "KiB"
