"""Stills of what is no sound film: sound alone, photographs, and files that are damaged or nothing at all."""

from __future__ import annotations

import subprocess
import zlib
from pathlib import Path

import numpy as np
import pytest
from PIL import ExifTags, Image

from ingest.media.describe import describe
from ingest.media.limits import open_media
from ingest.media.opened import MAX_PIXELS, opened
from ingest.media.waveform import MAX_CHANNELS, Waveform, take_waveform
from tests.ingest.media_support import (
    make_counter,
    needs_ffmpeg,
    read_counter,
    run_ffmpeg,
    wave_bytes,
)
from tests.ingest.stills_support import X264, colour_at, is_near, open_still, take


def tone_wave(path: Path) -> None:
    """Half a second at half of full scale, then half a second of silence."""
    loud = [round(16_384 * np.sin(2 * np.pi * 440 * n / 48_000)) for n in range(24_000)]
    path.write_bytes(wave_bytes(loud + [0] * 24_000, 48_000, date="2026-05-12", time="10:00:00", reference=0))


def waveform_of(path: Path, columns: int = 100) -> Waveform:
    with open_media(path) as file, opened(file) as source:
        described = take(path)
        assert described.facts is not None
        found, noticed = take_waveform(source, described.facts, columns)
    assert found is not None and noticed == []
    return found


def test_a_sound_file_gives_one_waveform_of_its_true_levels(tmp_path: Path) -> None:
    path = tmp_path / "take.wav"
    tone_wave(path)
    described = take(path)
    assert [(still.kind, still.frame) for still in described.stills] == [("waveform", None)]
    assert (described.stills[0].width, described.stills[0].height) == (640, 360)
    wave = waveform_of(path)
    whole = wave.lows.shape[1] // 10 * 10  # a column of 64 samples is shorter than one period: look at ten
    highs = wave.highs[0, :whole].reshape(-1, 10).max(axis=1)
    lows = wave.lows[0, :whole].reshape(-1, 10).min(axis=1)
    half = len(highs) // 2
    assert np.allclose(highs[: half - 1], 0.5, atol=0.01) and np.allclose(lows[: half - 1], -0.5, atol=0.01)
    assert not highs[half + 1 :].any() and not lows[half + 1 :].any()
    image = open_still(path)
    lit = [(sum(colour_at(image, x, 0.28)) > 300) for x in (0.1, 0.25, 0.4, 0.6, 0.75, 0.9)]
    assert lit == [True] * 3 + [False] * 3, "the tone is drawn on the left, the silence is not"


@needs_ffmpeg
@pytest.mark.parametrize(
    ("codec", "suffix"),
    [
        ("pcm_u8", "wav"),
        ("pcm_s24le", "wav"),
        ("pcm_s32le", "wav"),
        ("pcm_f32le", "wav"),
        ("pcm_s16be", "aif"),
        ("flac", "flac"),
        ("aac", "m4a"),
        ("libmp3lame", "mp3"),
    ],
)
def test_levels_in_every_sample_format_equal_ffmpegs(tmp_path: Path, codec: str, suffix: str) -> None:
    path = tmp_path / f"take.{suffix}"
    levels = "aevalsrc=0.8*sin(2*PI*440*t)|0.25*sin(2*PI*440*t)+0.1:s=48000"
    run_ffmpeg("-f", "lavfi", "-i", levels, "-t", "2", "-c:a", codec, path)
    decoded = subprocess.run(
        ["ffmpeg", "-v", "error", "-i", str(path), "-f", "f32le", "-"], capture_output=True, check=True
    ).stdout
    theirs = np.frombuffer(decoded, "<f4").reshape(-1, 2)
    assert theirs[:, 0].max() > 0.75
    wave = waveform_of(path)
    ours_high, ours_low = wave.highs.max(axis=1), wave.lows.min(axis=1)
    assert np.allclose(ours_high, theirs.max(axis=0), atol=0.01)
    assert np.allclose(ours_low, theirs.min(axis=0), atol=0.01)


@needs_ffmpeg
def test_a_click_is_seen_whole_file_or_not_and_the_caption_says_which(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "long.wav"
    click = "aevalsrc='if(between(n,2400000,2400001),1,0.1*sin(2*PI*100*t))':s=48000"
    run_ffmpeg("-f", "lavfi", "-i", click, "-t", "120", "-c:a", "pcm_s16le", path)
    whole = waveform_of(path)
    at = int(whole.highs[0].argmax()) / whole.highs.shape[1]
    assert whole.highs[0].max() > 0.99 and at == pytest.approx(50 / 120, abs=0.01)
    assert "read of each" not in whole.caption
    monkeypatch.setattr("ingest.media.waveform.WHOLE_SECONDS", 30)
    partly = waveform_of(path)
    assert partly.highs.shape == (1, 100)
    assert np.allclose(partly.highs[0], 0.1, atol=0.01) and np.allclose(partly.lows[0], -0.1, atol=0.01)
    assert partly.caption == "0:02:00.0, 1 channel, 0.3 s read of each 1 s"


@needs_ffmpeg
def test_many_channels_and_tracks_are_counted_and_bounded(tmp_path: Path) -> None:
    path = tmp_path / "many.mov"
    tracks = [part for _ in range(20) for part in ("-f", "lavfi", "-i", "sine=r=48000")]
    maps = [part for index in range(20) for part in ("-map", str(index))]
    run_ffmpeg(*tracks, *maps, "-t", "0.5", "-c:a", "pcm_s16le", path)
    wave = waveform_of(path)
    assert wave.lows.shape[0] == MAX_CHANNELS
    assert wave.caption == "0:00:00.5, 20 channels, first 16 shown"
    assert (wave.highs.max(axis=1) > 0.1).all()


@needs_ffmpeg
def test_cover_art_does_not_make_a_sound_file_a_film(tmp_path: Path) -> None:
    path, art = tmp_path / "song.m4a", tmp_path / "art.png"
    Image.new("RGB", (64, 64), (250, 0, 0)).save(art)
    run_ffmpeg(
        *("-f", "lavfi", "-i", "sine=r=48000", "-i", art, "-map", "0", "-map", "1", "-t", "0.5"),
        *("-c:a", "aac", "-c:v", "copy", "-disposition:v", "attached_pic"),
        path,
    )
    assert [still.kind for still in take(path).stills] == ["waveform"]


@needs_ffmpeg
def test_a_film_cut_short_gives_what_is_there_and_says_what_is_not(tmp_path: Path) -> None:
    path = make_counter(tmp_path / "cut.mp4", "25", 6, *X264, "-g", "12", "-movflags", "+faststart")
    path.write_bytes(path.read_bytes()[: path.stat().st_size * 6 // 10])
    described = take(path)
    assert [still.kind for still in described.stills] == ["frame"] * len(described.stills)
    assert described.stills[0].frame == 15
    for still in described.stills:
        assert read_counter(path.parent / "stills" / still.path) == still.frame
    codes = {one.code: one for one in described.noticed}
    assert "file-truncated" in codes and codes["frames-missing"].severity == "fault"
    assert "135" in codes["frames-missing"].message


@needs_ffmpeg
def test_a_damaged_middle_is_counted_and_passed_over(tmp_path: Path) -> None:
    path = make_counter(tmp_path / "hurt.mov", "25", 6, "-c:v", "prores_ks", size="320x180")
    data = bytearray(path.read_bytes())
    middle = len(data) // 2
    data[middle : middle + len(data) // 20] = bytes(len(data) // 20)
    path.write_bytes(data)
    described = take(path)
    frames = [still.frame for still in described.stills]
    assert frames[0] == 15 and frames[-1] == 135
    assert "decode-errors" in [one.code for one in described.noticed]


@needs_ffmpeg
def test_a_transport_stream_that_gains_streams_midway_is_read_on(tmp_path: Path) -> None:
    parts = [
        make_counter(
            tmp_path / f"{pid}.ts", "25", 3, *X264, "-g", "12", "-f", "mpegts", "-mpegts_start_pid", pid
        )
        for pid in ("256", "512")
    ]
    path = tmp_path / "joined.mts"
    path.write_bytes(parts[0].read_bytes() + parts[1].read_bytes() + parts[0].read_bytes())
    described = take(path)
    assert described.facts is not None and described.facts.rate_num == 25
    assert described.stills[0].kind == "frame" and described.stills[0].frame is not None
    assert read_counter(path.parent / "stills" / "s-0.jpg") == described.stills[0].frame
    assert not [one for one in described.noticed if "Error" in one.message]


@needs_ffmpeg
def test_broken_files_give_a_panel_and_a_finding(tmp_path: Path) -> None:
    whole = make_counter(tmp_path / "whole.mov", "25", 2, *X264).read_bytes()
    broken = {
        "empty.mp4": b"",
        "no-index.mov": whole[: whole.rfind(b"moov") - 4],
        "zeroes.mov": bytes(40_000),
        "text.mov": b"no film at all",
        "no-media.mov": whole[: whole.find(b"mdat") + 4] + bytes(20),
    }
    for name, content in broken.items():
        path = tmp_path / name
        path.write_bytes(content)
        described = take(path)
        assert [(s.kind, s.frame, s.width) for s in described.stills] == [("placeholder", None, 640)], name
        faults = [one for one in described.noticed if one.severity == "fault"]
        assert faults and all(one.message for one in faults), name
        assert len(set(open_still(path).tobytes())) > 20, "something is written on it"


def test_photographs_are_upright_and_bounded(tmp_path: Path) -> None:
    path = tmp_path / "photo.jpg"
    image = Image.new("RGB", (1600, 1000), (10, 10, 10))
    image.paste((220, 20, 20), (0, 0, 800, 500))
    exif = image.getexif()
    exif[ExifTags.Base.Orientation] = 6  # Exif 2.32: shown turned by 90° clockwise
    image.save(path, exif=exif, quality=95)
    still = take(path).stills[0]
    assert (still.kind, still.frame, still.width, still.height) == ("frame", 0, 640, 1024)
    shown = open_still(path)
    assert colour_at(shown, 0.75, 0.25)[0] > 180 and colour_at(shown, 0.25, 0.25)[0] < 40


def test_deep_and_odd_photographs(tmp_path: Path) -> None:
    deep = tmp_path / "deep.tif"
    Image.fromarray(np.full((40, 60), 32_768, np.uint16)).save(deep)
    take(deep)
    assert is_near(colour_at(open_still(deep), 0.5, 0.5), (128, 128, 128), 2)
    for mode, colour in (("CMYK", (0, 255, 255, 0)), ("RGBA", (255, 0, 0, 255)), ("P", 1), ("L", 76)):
        path = tmp_path / f"{mode}.{'jpg' if mode == 'CMYK' else 'png'}"
        Image.new(mode, (50, 30), colour).save(path)
        described = take(path)
        assert [(one.kind, one.width) for one in described.stills] == [("frame", 50)]


def test_a_picture_that_claims_too_many_pixels_is_not_decoded(tmp_path: Path) -> None:
    path = tmp_path / "bomb.png"
    Image.new("1", (8, 8)).save(path)
    data = bytearray(path.read_bytes())
    side = 40_000
    data[16:24] = side.to_bytes(4, "big") * 2  # W3C PNG, 11.2.1 IHDR: width and height
    data[29:33] = zlib.crc32(data[12:29]).to_bytes(4, "big")
    path.write_bytes(data)
    assert side * side > MAX_PIXELS
    described = take(path)
    assert [one.kind for one in described.stills] == ["placeholder"]
    assert [one.code for one in described.noticed] == ["no-picture"]
    assert "40000 × 40000" in described.noticed[0].message


def test_a_folder_that_cannot_be_written_is_no_fault_of_the_media(tmp_path: Path) -> None:
    path = tmp_path / "take.wav"
    tone_wave(path)
    blocked = tmp_path / "blocked"
    blocked.write_text("a file where the folder should be")
    described = describe(path, blocked, "s", 3, 640, lambda _: None)
    assert described.facts is not None and described.stills == ()
    assert [(one.code, one.severity) for one in described.noticed] == [("still-unwritten", "warning")]
