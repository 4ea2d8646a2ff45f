"""Lens, exposure, position and capture rate, where open standards carry them; each with its source."""

from __future__ import annotations

import struct
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import ExifTags, Image

from ingest.media.describe import describe, read
from ingest.media.facts import Described, Facts
from ingest.media.sidecar import MOST_BYTES, read_sidecar
from ingest.media.taken import parse_iso_6709, parse_rate, suggested_by_stream, taken_facts
from shared.capture import capture_of
from shared.when import duration, real_duration
from tests.ingest.media_support import needs_ffmpeg, run_ffmpeg

X264 = ("-c:v", "libx264", "-preset", "ultrafast")


def facts_of(path: Path) -> Facts:
    facts, noticed = read(path)
    assert facts is not None, noticed
    return facts


def local_set(kind: str, items: list[tuple[int, bytes]]) -> bytes:
    """A metadata set of SMPTE RDD 18 (KLV, SMPTE ST 336; tags and lengths of two bytes)."""
    body = b"".join(struct.pack(">HH", tag, len(value)) + value for tag, value in items)
    key = bytes.fromhex(f"060e2b34025301010c020101{kind}0000")
    return key + b"\x83" + len(body).to_bytes(3, "big") + body


def distance(metres_milli: int) -> bytes:
    """RDD 18's short float: a decimal exponent of 4 bits, and 12 bits of digits."""
    return struct.pack(">H", (-3 & 0xF) << 12 | metres_milli)


def add_acquisition(path: Path, *sets: bytes) -> None:
    """Put the sets where the file has filler before its first picture, so that nothing moves."""
    data = path.read_bytes()
    filler = bytes.fromhex("060e2b34010101020301021001000000")
    picture = data.find(bytes.fromhex("060e2b34010201010d010301"))
    at = data.rfind(filler, 0, picture)
    room, content = picture - at, b"".join(sets)
    left = room - len(content) - 20
    assert at > 0 and left >= 0, f"{room} bytes of filler"
    rest = filler + b"\x83" + left.to_bytes(3, "big") + bytes(left)
    path.write_bytes(data[:at] + content + rest + data[picture:])


@needs_ffmpeg
def test_acquisition_metadata_of_mxf(tmp_path: Path) -> None:
    path = tmp_path / "a.mxf"
    run_ffmpeg("-f", "lavfi", "-i", "testsrc2=s=96x64:r=25", "-t", "1", "-c:v", "mpeg2video", path)
    lens = local_set(
        "0101",
        [
            (0x8000, struct.pack(">H", round((1 - 3 / 8) * 65536))),  # 2 ** (8 * (1 - v / 65536)) = f/8
            (0x8005, distance(35)),
            (0x8007, b"Prime 35"),
        ],
    )
    camera = local_set(
        "0201",
        [
            (0x8106, struct.pack(">II", 120, 1)),
            (0x8108, struct.pack(">I", 180 * 60)),  # minutes of arc
            (0x810B, struct.pack(">H", 800)),
            (0x810E, struct.pack(">H", 5600)),
        ],
    )
    add_acquisition(path, lens, camera)
    facts = facts_of(path)
    source = "acquisition metadata (SMPTE RDD 18)"
    assert facts.more["lens"] == {"source": source, "lens_model": "Prime 35", "focal_length": "35"}
    assert facts.more["exposure"] == {
        "source": source, "f_number": "8", "shutter_angle": "180", "iso": "800", "white_balance": "5600",
    }  # fmt: skip
    capture = capture_of(facts.more)
    assert capture is not None and (capture.rate, capture.certainty) == (Fraction(120), "stated")
    assert (facts.rate_num, facts.rate_mode, facts.frames) == (25, "constant", 25)
    assert duration(facts) == 1 and real_duration(facts) == Fraction(25, 120), "plays 1 s, took 5/24 of it"


# Documented QuickTime metadata keys, of an owner that is nobody: what they end with is what counts.
@needs_ffmpeg
def test_quicktime_metadata_keys(tmp_path: Path) -> None:
    path = tmp_path / "a.mov"
    words = {
        "org.example.camera.lens_model": "Prime 35",
        "org.example.camera.focal_length.35mm_equivalent": "26",
        "org.example.location.ISO6709": "+55.6761-012.5683+010.5/",
        "org.example.capture.fps": "119.88",
    }
    metadata = [part for name, value in words.items() for part in ("-metadata", f"{name}={value}")]
    run_ffmpeg(
        *("-f", "lavfi", "-i", "testsrc2=s=96x64:r=24000/1001", "-t", "1", *X264),
        *("-movflags", "use_metadata_tags", *metadata),
        path,
    )
    facts = facts_of(path)
    assert facts.more["lens"] == {
        "source": "QuickTime metadata", "lens_model": "Prime 35", "focal_length_35mm": "26",
    }  # fmt: skip
    assert facts.more["position"] == {
        "latitude": "55.6761", "longitude": "-12.5683", "altitude_m": "10.5",
        "source": "QuickTime metadata, ISO 6709",
    }  # fmt: skip
    capture = capture_of(facts.more)
    assert capture is not None and capture.rate == Fraction(120_000, 1001)
    assert real_duration(facts) == duration(facts) / 5  # type: ignore[operator]


@needs_ffmpeg
def test_a_position_in_the_user_data(tmp_path: Path) -> None:
    path = tmp_path / "a.mov"
    run_ffmpeg(
        *("-f", "lavfi", "-i", "color=s=64x64:r=25", "-t", "0.2", *X264),
        *("-metadata", "location=-33.8568+151.2153/"),
        path,
    )
    place = facts_of(path).more["position"]
    assert (place["latitude"], place["longitude"]) == ("-33.8568", "151.2153") and "altitude_m" not in place


def test_exif_lens_exposure_and_position(tmp_path: Path) -> None:
    """Exif 2.32: tags of the Exif and the GPS directory."""
    path = tmp_path / "photo.jpg"
    image = Image.new("RGB", (30, 20), (200, 90, 30))
    exif = image.getexif()
    inner = exif.get_ifd(ExifTags.IFD.Exif)
    inner[ExifTags.Base.LensModel] = "Prime 35"
    inner[ExifTags.Base.FocalLength] = 35.0
    inner[ExifTags.Base.FNumber] = 2.8
    inner[ExifTags.Base.ExposureTime] = 1 / 50
    inner[ExifTags.Base.ISOSpeedRatings] = 400
    where = exif.get_ifd(ExifTags.IFD.GPSInfo)
    where[ExifTags.GPS.GPSLatitudeRef], where[ExifTags.GPS.GPSLatitude] = "S", (55.0, 40.0, 33.96)
    where[ExifTags.GPS.GPSLongitudeRef], where[ExifTags.GPS.GPSLongitude] = "E", (12.0, 34.0, 5.88)
    where[ExifTags.GPS.GPSAltitudeRef], where[ExifTags.GPS.GPSAltitude] = b"\x01", 2.5
    image.save(path, exif=exif)
    more = facts_of(path).more
    assert more["lens"] == {"source": "Exif", "lens_model": "Prime 35", "focal_length": "35"}
    assert more["exposure"] == {"source": "Exif", "f_number": "14/5", "exposure_time": "1/50", "iso": "400"}
    assert more["position"] == {
        "latitude": "-55.6761", "longitude": "12.5683", "altitude_m": "-2.5", "source": "Exif GPS",
    }  # fmt: skip


# ISO 6709, Annex H: the same place in degrees, in degrees and minutes, and with seconds.
@pytest.mark.parametrize(
    ("text", "place"),
    [
        ("+40.75-074.00/", ("40.75", "-74", None)),
        ("+4045-07400/", ("40.75", "-74", None)),
        ("+404500-0740000/", ("40.75", "-74", None)),
        ("+40.75-074.00+8850CRSWGS_84/", ("40.75", "-74", "8850")),
        ("-90+000/", ("-90", "0", None)),
        ("+27.5916+086.5640-010/", ("27.5916", "86.564", "-10")),
        ("+91.00+000.00/", None),
        ("+40.75+181.00/", None),
        ("+00.0000+000.0000/", None),
        ("40.75-074.00/", None),
        ("somewhere", None),
        ("", None),
    ],
)
def test_positions_as_iso_6709_writes_them(text: str, place: tuple[str, str, str | None] | None) -> None:
    found = parse_iso_6709(text)
    known = found and (found["latitude"], found["longitude"], found.get("altitude_m"))
    assert known == place


@given(st.text(max_size=60))
def test_no_text_breaks_the_readers(text: str) -> None:
    parse_iso_6709(text)
    parse_rate(text)
    taken_facts({text: text, "capture_fps": text, "location.ISO6709": text, "lens_model": text})


@pytest.mark.parametrize(
    ("text", "rate"),
    [
        ("120", Fraction(120)),
        ("120p", Fraction(120)),
        ("119.88p", Fraction(120_000, 1001)),
        ("100.000 fps", Fraction(100)),
        ("120000/1001", Fraction(120_000, 1001)),
        ("0", None),
        ("1/0", None),
        ("fast", None),
        ("-25", None),
        ("999999", None),
    ],
)
def test_rates_as_files_write_them(text: str, rate: Fraction | None) -> None:
    assert parse_rate(text) == rate


def test_what_is_not_set_is_left_out() -> None:
    assert taken_facts({"LensZoomActualFocalLength_FirstFrame": "0.000", "lens_model": " "}) == {}


def test_a_streams_own_header_suggests_a_capture_rate() -> None:
    track = {"FrameRate_Original": "100.000"}
    found = suggested_by_stream(track, Fraction(25))
    assert found is not None and (found.rate, found.certainty) == (Fraction(100), "suggested")
    assert suggested_by_stream({"FrameRate_Original": "50.000"}, Fraction(25)) is None, "it may count fields"
    assert suggested_by_stream({"FrameRate_Original": "25.000"}, Fraction(25)) is None
    assert suggested_by_stream({}, Fraction(25)) is None


SIDECAR = """<?xml version="1.0" encoding="UTF-8"?>
<Take xmlns="urn:org.example.take"><Video formatFps="25p" captureFps="100.00p"/><!-- x --></Take>"""


def test_a_sidecar_states_the_capture_rate(tmp_path: Path) -> None:
    path = tmp_path / "C0001M01.XML"
    path.write_text(SIDECAR)
    heard: list[Described] = []
    described = describe(path, tmp_path / "stills", "s", 3, 640, heard.append)
    assert described.facts is not None and described.stills == () and described.noticed == ()
    capture = capture_of(described.facts.more)
    assert capture is not None and (capture.rate, capture.certainty) == (Fraction(100), "stated")
    path.write_text(SIDECAR.replace("captureFps", "other"))
    assert read_sidecar(path) == (Facts(container="XML"), [])


def billion_laughs() -> str:
    rows = "".join(f'<!ENTITY a{n} "{f"&a{n - 1};" * 10}">' for n in range(1, 10))
    return f'<!DOCTYPE x [<!ENTITY a0 "ha">{rows}]><x captureFps="100">&a9;</x>'


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"no XML",
        b"<x",
        billion_laughs().encode(),
        b'<!DOCTYPE x [<!ENTITY e SYSTEM "file:///etc/hostname">]><x captureFps="100">&e;</x>',
        b'<!DOCTYPE x SYSTEM "http://localhost:1/x.dtd"><x captureFps="100"/>',
        b"<x>" * 100_000,
        b"<x>" + b"y" * (MOST_BYTES + 1) + b"</x>",
        "<x/>".encode("utf-16")[:-3],
    ],
)
def test_a_hostile_sidecar_is_a_note_and_nothing_else_is_read(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "C0001.XML"
    path.write_bytes(content)
    facts, noticed = read_sidecar(path)
    assert facts is None and [one.code for one in noticed] == ["sidecar-unreadable"]
