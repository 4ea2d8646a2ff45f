"""Media made for the tests with FFmpeg's command, and byte-exact edits that no encoder makes."""

from __future__ import annotations

import json
import shutil
import struct
import subprocess
from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

needs_ffmpeg = pytest.mark.skipif(
    shutil.which("ffmpeg") is None or shutil.which("ffprobe") is None,
    reason="the commands ffmpeg and ffprobe are not installed: no independent maker and reader of media",
)

# Three patches, each a decimal digit of the frame's number as a grey level 20 apart: 16 + 20 × digit.
COUNTER = (
    "geq=lum='16+20*if(lt(X,W/3),floor(N/100),if(lt(X,2*W/3),mod(floor(N/10),10),mod(N,10)))':cb=128:cr=128"
)


def run_ffmpeg(*arguments: str | Path) -> None:
    command = ["ffmpeg", "-v", "error", "-nostdin", "-y", *map(str, arguments)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, f"{' '.join(command)}\n{done.stderr}"


def make_counter(path: Path, rate: str, seconds: float, *codec: str, size: str = "96x64") -> Path:
    """A clip whose every frame shows its own number, see COUNTER."""
    source = f"color=c=black:s={size}:r={rate},format=yuv420p,{COUNTER}"
    run_ffmpeg("-f", "lavfi", "-i", source, "-t", str(seconds), *codec, path)
    return path


def read_counter(path: Path) -> int:
    """The number that a still of such a clip shows."""
    with Image.open(path) as image:
        grey = image.convert("L")
    digits = []
    for patch in range(3):
        left, right = (grey.width * edge // 3 for edge in (patch, patch + 1))
        inner = (right - left) // 4
        box = grey.crop((left + inner, grey.height // 4, right - inner, grey.height * 3 // 4))
        level = sum(box.tobytes()) / (box.width * box.height)
        digits.append(round(level * 219 / 255 / 20))  # BT.601/709 narrow range: 219 steps from black to white
    return digits[0] * 100 + digits[1] * 10 + digits[2]


def ffprobe(path: Path, *more: str) -> dict[str, Any]:
    command = ["ffprobe", "-v", "error", "-of", "json", "-show_format", "-show_streams", *more, str(path)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=True)
    report: dict[str, Any] = json.loads(done.stdout)
    return report


def first_stream(report: dict[str, Any], kind: str) -> dict[str, Any]:
    return next(stream for stream in report["streams"] if stream["codec_type"] == kind)


def as_rate(text: str) -> tuple[int, int]:
    return Fraction(text).numerator, Fraction(text).denominator


def turn_movie(path: Path, degrees: int) -> None:
    """Set the display matrix of the first track (ISO/IEC 14496-12, 8.3.2 Track Header Box)."""
    one = 1 << 16
    matrix = {90: (0, one, -one, 0), 180: (-one, 0, 0, -one), 270: (0, -one, one, 0)}[degrees]
    data = bytearray(path.read_bytes())
    start = data.find(b"tkhd") + 4
    assert start > 3 and data[start] == 0, "a version 0 track header"
    # version and flags 4, times, id and duration 20, reserved 8, layer to volume and reserved 8
    a, b, c, d = matrix
    struct.pack_into(">9i", data, start + 40, a, b, 0, c, d, 0, 0, 0, 1 << 30)
    path.write_bytes(data)


def stamp_movie(path: Path, seconds_since_1904: int) -> None:
    """Set the creation time of the movie header (ISO/IEC 14496-12, 8.2.2 Movie Header Box)."""
    data = bytearray(path.read_bytes())
    start = data.find(b"mvhd") + 4
    assert start > 3 and data[start] == 0, "a version 0 movie header"
    struct.pack_into(">I", data, start + 4, seconds_since_1904)
    path.write_bytes(data)


def wave_bytes(
    samples: Sequence[int], rate: int, *, date: str, time: str, reference: int, form: bytes = b"RIFF"
) -> bytes:
    """A mono 16-bit Broadcast Wave file, laid out as EBU Tech 3285 says; RF64 as EBU Tech 3306 says."""
    bext = struct.pack(
        "<256s32s32s10s8sIIH64s190s",
        *(b"Take 7, wheelhouse", b"", b"", date.encode(), time.encode()),
        *(reference & 0xFFFFFFFF, reference >> 32, 1, b"", b""),
    )
    data = struct.pack(f"<{len(samples)}h", *samples)
    chunks = [
        (b"bext", bext),
        (b"fmt ", struct.pack("<HHIIHH", 1, 1, rate, rate * 2, 2, 16)),
        (b"data", data),
    ]
    elsewhere = 0xFFFFFFFF if form == b"RF64" else None  # the true sizes then stand in the ds64 chunk
    body = b"".join(
        name + struct.pack("<I", elsewhere if elsewhere and name == b"data" else len(chunk)) + chunk
        for name, chunk in chunks
    )
    if elsewhere:
        size64 = struct.pack("<QQQI", len(body) + 40, len(data), len(samples), 0)
        body = b"ds64" + struct.pack("<I", len(size64)) + size64 + body
    return form + struct.pack("<I", elsewhere or len(body) + 4) + b"WAVE" + body
