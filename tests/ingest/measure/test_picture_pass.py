"""One pass over small coded clips: what it finds, what it leaves alone, and what it refuses."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from ingest.measure.picture_numbers import PictureNumbers
from ingest.measure.picture_pass import measure_file
from ingest.measure.picture_rules import judge_picture
from ingest.media.describe import read
from shared.errors import MediaError
from shared.finding_limits import PictureLimits
from tests.calibrate.faces import place_face
from tests.ingest.measure.test_picture_looks import needs_faces
from tests.ingest.measure.test_picture_measures import cloudy
from tests.ingest.media_support import needs_ffmpeg, run_ffmpeg

X264 = ("-c:v", "libx264", "-preset", "ultrafast", "-g", "12", "-pix_fmt", "yuv420p")
NOISE = "noise=alls=12:allf=t"


def made(path: Path, source: str, seconds: float = 4, *more: str) -> PictureNumbers:
    run_ffmpeg("-f", "lavfi", "-i", source, "-t", str(seconds), *X264, *more, path)
    facts, _ = read(path)
    assert facts is not None
    return measure_file(path, facts)


def codes(numbers: PictureNumbers) -> set[str]:
    return {one.code for one in judge_picture(numbers, PictureLimits())}


@needs_ffmpeg
def test_a_good_clip_gives_numbers_and_no_finding(tmp_path: Path) -> None:
    numbers = made(tmp_path / "a.mp4", f"testsrc2=s=320x180:r=25,{NOISE},eq=brightness=-0.1:contrast=0.6")
    assert numbers.seconds == 4 and numbers.per_second == 25 and not numbers.is_full_range
    assert [round(one.time) for one in numbers.samples] == [0, 1, 2, 3, 4]
    assert sum(one.frames for one in numbers.stretches) >= 70 and numbers.errors == 0
    assert codes(numbers).isdisjoint({"focus-hunting", "black", "lens-covered", "frozen", "mains-flicker"})


@needs_ffmpeg
@needs_faces
def test_a_clip_is_looked_at_for_faces(tmp_path: Path) -> None:
    plane = place_face(cloudy(), 0.4, np.random.default_rng(2))
    Image.fromarray(plane.clip(0, 255).astype(np.uint8)).save(tmp_path / "face.png")
    run_ffmpeg("-loop", "1", "-i", tmp_path / "face.png", "-t", "4", "-r", "25", *X264, tmp_path / "a.mp4")
    facts, _ = read(tmp_path / "a.mp4")
    assert facts is not None
    numbers = measure_file(tmp_path / "a.mp4", facts)
    assert numbers.sought_faces and len(numbers.looks) == 3
    assert [one.faces[0] for one in numbers.looks] == [pytest.approx(0.87 * 0.4, rel=0.1)] * 3


@needs_ffmpeg
def test_a_covered_lens_is_found(tmp_path: Path) -> None:
    assert "lens-covered" in codes(made(tmp_path / "a.mp4", f"color=c=0x0a0a0a:s=320x180:r=25,{NOISE}"))


@needs_ffmpeg
def test_a_frozen_stretch_is_found(tmp_path: Path) -> None:
    source = f"testsrc2=s=320x180:r=25:d=4,{NOISE},loop=loop=25:size=1:start=40"
    # Without loss: a mean encoding goes on refining a picture that stands, and that part is not seen.
    found = judge_picture(made(tmp_path / "a.mp4", source, 4, "-qp", "0"), PictureLimits())
    (frozen,) = [one for one in found if one.code == "frozen"]
    assert frozen.start == pytest.approx(1.6, abs=0.1) and frozen.value == pytest.approx(0.96, abs=0.1)


@needs_ffmpeg
def test_flicker_names_its_supply(tmp_path: Path) -> None:
    lamp = "geq=lum='lum(X,Y)*(0.8+0.05*sin(2*PI*(5*N/25+1.5*Y/H)))':cb=128:cr=128"
    source = f"testsrc2=s=320x180:r=25,{NOISE},{lamp}"
    found = {one.code: one for one in judge_picture(made(tmp_path / "a.mp4", source), PictureLimits())}
    assert found["mains-flicker"].value == 60


@needs_ffmpeg
def test_numbers_come_back_from_json_and_nothing_else_does(tmp_path: Path) -> None:
    numbers = made(tmp_path / "a.mp4", "testsrc2=s=320x180:r=25", 2)
    words = numbers.to_json()
    assert PictureNumbers.from_json(words).to_json() == words
    assert PictureNumbers.from_json(words).levels.mean == pytest.approx(numbers.levels.mean, abs=1e-6)
    for field, wrong in (("seconds", float("nan")), ("bits", "8"), ("samples", None), ("levels", {})):
        with pytest.raises(ValueError, match=field if field != "levels" else "FrameLevels"):
            PictureNumbers.from_json({**words, field: wrong})


@needs_ffmpeg
def test_sound_alone_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    run_ffmpeg("-f", "lavfi", "-i", "sine", "-t", "1", path)
    facts, _ = read(path)
    assert facts is not None
    with pytest.raises(MediaError, match="no moving picture"):
        measure_file(path, facts)
