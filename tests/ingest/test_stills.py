"""Stills: the very frame that was wanted, in the colours, shape and orientation that it was meant to have."""

from __future__ import annotations

import subprocess
from pathlib import Path
from typing import BinaryIO

import pytest

from ingest.media import frames, stills
from ingest.media.describe import read
from ingest.media.frames import wanted_frames
from ingest.media.limits import view_of
from ingest.media.upright import still_size
from tests.ingest.media_support import (
    make_counter,
    needs_ffmpeg,
    read_counter,
    run_ffmpeg,
    turn_movie,
)
from tests.ingest.stills_support import X264, colour_at, is_near, open_still, take


def test_places_are_at_10_50_and_90_percent() -> None:
    assert wanted_frames(100, 3) == [10, 50, 90]
    assert wanted_frames(1000, 5) == [100, 300, 500, 700, 900]
    assert wanted_frames(100, 1) == [50]
    assert wanted_frames(1, 3) == [0]
    assert wanted_frames(2, 3) == [0, 1]
    for length in range(1, 40):
        for count in range(1, 25):
            places = wanted_frames(length, count)
            assert places == sorted(set(places)) and places[0] >= 0 and places[-1] < length
            assert len(places) <= count


CODECS: dict[str, tuple[str, str, tuple[str, ...]]] = {
    "long groups with B-frames": ("mp4", "25", (*X264, "-bf", "3", "-g", "250")),
    "open groups": ("mp4", "25", (*X264, "-bf", "3", "-g", "24", "-x264-params", "open-gop=1")),
    "open groups in a transport stream": (
        *("mts", "25"),
        (*X264, "-bf", "3", "-g", "24", "-x264-params", "open-gop=1", "-f", "mpegts"),
    ),
    "one group in a transport stream": ("mts", "24000/1001", (*X264, "-g", "500", "-f", "mpegts")),
    "MOV 23.976": ("mov", "24000/1001", (*X264, "-bf", "2", "-g", "48")),
    "MP4 59.94": ("mp4", "60000/1001", (*X264, "-bf", "3", "-g", "120")),
    "HEVC 29.97": ("mp4", "30000/1001", ("-c:v", "libx265", "-x265-params", "log-level=none:keyint=60")),
    "HEVC in Matroska": (
        "mkv",
        "30000/1001",
        ("-c:v", "libx265", "-x265-params", "log-level=none:keyint=60"),
    ),
    "MPEG-2 in MXF": ("mxf", "25", ("-c:v", "mpeg2video", "-bf", "2", "-g", "12", "-b:v", "4M")),
    "MPEG-2 in a programme stream": (
        "mpg",
        "25",
        ("-c:v", "mpeg2video", "-bf", "2", "-g", "12", "-b:v", "4M"),
    ),
    "each frame by itself": ("mov", "50", ("-c:v", "prores_ks")),
    "MPEG-4 part 2 in AVI": ("avi", "25", ("-c:v", "mpeg4", "-bf", "2", "-g", "30", "-q:v", "2")),
    "Matroska 23.976": ("mkv", "24000/1001", (*X264, "-bf", "3", "-g", "96")),
}


@needs_ffmpeg
@pytest.mark.parametrize("name", CODECS)
def test_each_still_is_the_frame_it_claims(tmp_path: Path, name: str) -> None:
    """Three lie apart, and two decoders take them; seven lie close together, and are reached by going on."""
    suffix, rate, codec = CODECS[name]
    path = make_counter(tmp_path / f"clip.{suffix}", rate, 6, *codec)
    for count in (3, 7):
        described = take(path, count=count)
        assert described.facts is not None and described.facts.frames is not None
        wanted = wanted_frames(described.facts.frames, count)
        assert [still.frame for still in described.stills] == wanted
        shown = [read_counter(path.parent / "stills" / still.path) for still in described.stills]
        assert shown == wanted
        assert [one.code for one in described.noticed if one.severity != "note"] == []


@needs_ffmpeg
def test_stills_that_lie_apart_are_taken_by_two_decoders(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = make_counter(tmp_path / "clip.mp4", "25", 6, *X264, "-g", "25")
    facts, _ = read(path)
    assert facts is not None
    opened: list[str] = []

    def take_while(opening: str, count: int) -> None:
        def view(file: BinaryIO) -> BinaryIO:
            opened.append(opening)
            return view_of(file)

        monkeypatch.setattr(stills, "view_of", view)
        assert len(stills.take_stills(path, facts, tmp_path / "stills", opening, count, 640)[0]) == count

    take_while("close together", 7)
    take_while("apart", 3)
    monkeypatch.setattr(frames, "_MAX_PIXELS_TWICE", 1000)
    take_while("too large for two", 3)
    assert opened == ["apart"]


@needs_ffmpeg
def test_in_a_varying_rate_pictures_are_counted_not_times(tmp_path: Path) -> None:
    path = tmp_path / "phone.mp4"
    run_ffmpeg(
        *("-i", make_counter(tmp_path / "all.mkv", "30", 6, "-c:v", "ffv1"), "-fps_mode", "vfr"),
        *("-vf", "select='not(eq(mod(n,7),3))'", *X264, "-bf", "3", "-g", "48"),
        path,
    )
    kept = [number for number in range(180) if number % 7 != 3]
    described = take(path, count=5)
    assert [still.frame for still in described.stills] == wanted_frames(len(kept), 5)
    for still in described.stills:
        assert still.frame is not None
        assert read_counter(path.parent / "stills" / still.path) == kept[still.frame]


@needs_ffmpeg
@pytest.mark.parametrize(("frames", "expected"), [(1, [0]), (2, [0, 1]), (3, [0, 1, 2]), (5, [0, 2, 4])])
def test_very_short_clips_give_no_still_twice(tmp_path: Path, frames: int, expected: list[int]) -> None:
    path = make_counter(tmp_path / "short.mp4", "25", frames / 25, *X264)
    described = take(path)
    assert [still.frame for still in described.stills] == expected
    shown = [read_counter(path.parent / "stills" / still.path) for still in described.stills]
    assert shown == expected


@needs_ffmpeg
@pytest.mark.parametrize(
    ("degrees", "red_corner"), [(0, (0.2, 0.2)), (90, (0.8, 0.2)), (180, (0.8, 0.8)), (270, (0.2, 0.8))]
)
def test_a_turned_camera_gives_upright_stills(
    tmp_path: Path, degrees: int, red_corner: tuple[float, float]
) -> None:
    path = tmp_path / "turned.mp4"
    corner = "color=black:s=320x180:r=25,drawbox=x=0:y=0:w=160:h=90:color=red:t=fill"
    run_ffmpeg("-f", "lavfi", "-i", corner, "-frames:v", "3", *X264, "-qp", "1", path)
    if degrees:
        turn_movie(path, degrees)
    still = take(path, count=1).stills[0]
    upright = (180, 320) if degrees in (90, 270) else (320, 180)
    assert (still.width, still.height) == upright
    image = open_still(path)
    for corner_at in ((0.2, 0.2), (0.8, 0.2), (0.8, 0.8), (0.2, 0.8)):
        red = colour_at(image, *corner_at)[0] > 150
        assert red == (corner_at == red_corner)


@needs_ffmpeg
@pytest.mark.parametrize(
    ("size", "shape", "turn", "expected"),
    [
        ("720x576", "64/45", 0, (640, 360)),  # ITU-R BT.601 stored anamorphic: shown as 16:9
        ("720x576", "16/15", 0, (640, 480)),  # and as 4:3
        ("720x480", "8/9", 0, (640, 480)),
        ("1440x1080", "4/3", 0, (640, 360)),
        ("1920x1080", "1/1", 90, (640, 1138)),
        ("720x576", "64/45", 90, (576, 1024)),  # never enlarged
        ("320x180", "1/1", 0, (320, 180)),
    ],
)
def test_stills_have_square_pixels(
    tmp_path: Path, size: str, shape: str, turn: int, expected: tuple[int, int]
) -> None:
    path = tmp_path / "clip.mp4"
    source = f"color=gray:s={size}:r=25,setsar={shape}"
    run_ffmpeg("-f", "lavfi", "-i", source, "-frames:v", "2", *X264, path)
    if turn:
        turn_movie(path, turn)
    still = take(path, count=1).stills[0]
    assert (still.width, still.height) == expected


def test_an_absurd_shape_is_bounded() -> None:
    assert still_size(16_000, 2, None, 0, 640) == (640, 80)
    assert still_size(2, 16_000, None, 0, 640) == (2, 16)


COLOURS = {
    "narrow 709": ("bt709", "tv", "yuv420p", X264, "mp4"),
    "full 709": ("bt709", "pc", "yuv420p", X264, "mp4"),
    "narrow 601": ("smpte170m", "tv", "yuv420p", X264, "mp4"),
    "full 601": ("smpte170m", "pc", "yuvj420p", ("-c:v", "mjpeg", "-q:v", "1"), "mov"),
    "narrow 2020, 10 bits": ("bt2020nc", "tv", "yuv420p10le", X264, "mp4"),
    "full 709, 10 bits 4:2:2": ("bt709", "pc", "yuv422p10le", X264, "mp4"),
    "RGB": ("rgb", "pc", "rgb24", ("-c:v", "qtrle"), "mov"),
}
MATRICES = {"bt709": "bt709", "smpte170m": "bt601", "bt2020nc": "bt2020", "rgb": "bt601"}


@needs_ffmpeg
@pytest.mark.parametrize("name", COLOURS)
def test_colours_equal_the_intended_ones_and_ffmpegs(tmp_path: Path, name: str) -> None:
    matrix, swing, pixels, codec, suffix = COLOURS[name]
    path = tmp_path / f"clip.{suffix}"
    tags = () if matrix == "rgb" else ("-colorspace", matrix, "-color_range", swing)
    quality = ("-qp", "1") if codec is X264 else ()
    patches = ["000000", "FFFFFF", "2040B0", "C86432"]
    for index, patch in enumerate(patches):
        convert = (
            f"scale=out_color_matrix={MATRICES[matrix]}:out_range={swing}:flags=accurate_rnd,format={pixels}"
        )
        run_ffmpeg(
            *("-f", "lavfi", "-i", f"color=0x{patch}:s=96x64:r=25,format=rgb24,{convert}"),
            *("-frames:v", "2", *codec, *quality, *tags),
            path,
        )
        take(path, count=1)
        intended = tuple(bytes.fromhex(patch))
        # 4:2:0 JPEG and 8-bit YUV on the way: a few steps, where a wrong range or matrix is off by 15 or more
        assert is_near(colour_at(open_still(path), 0.5, 0.5), intended, 5), (index, patch)
    decoded = subprocess.run(
        [
            "ffmpeg",
            "-v",
            "error",
            "-i",
            str(path),
            "-frames:v",
            "1",
            "-f",
            "rawvideo",
            "-pix_fmt",
            "rgb24",
            "-",
        ],
        capture_output=True,
        check=True,
    ).stdout
    assert is_near(colour_at(open_still(path), 0.5, 0.5), tuple(decoded[:3]), 5)


@needs_ffmpeg
@pytest.mark.parametrize(("size", "matrix"), [("1280x720", "bt709"), ("720x576", "bt601")])
def test_where_no_matrix_is_stated_the_size_decides(tmp_path: Path, size: str, matrix: str) -> None:
    """BT.709 for high definition, BT.601 below: common practice, no source."""
    path = tmp_path / "clip.mp4"
    convert = f"scale=out_color_matrix={matrix}:out_range=tv,format=yuv420p"
    source = f"color=0x20C040:s={size}:r=25,format=rgb24,{convert}"
    run_ffmpeg("-f", "lavfi", "-i", source, "-frames:v", "2", *X264, "-qp", "1", path)
    take(path, count=1)
    assert is_near(colour_at(open_still(path), 0.5, 0.5), (0x20, 0xC0, 0x40), 5)
