"""Chunks of wave files: `bext` by the table of EBU Tech 3285, iXML as recorders write it, sizes that lie.

The layout of the oracle below is written out field by field from the published table, offsets included, and
does not use the code under test; FFmpeg's command and MediaInfo read and write the same files.
"""

from __future__ import annotations

import random
import struct
from pathlib import Path

import pytest
from pymediainfo import MediaInfo

from ingest.media.describe import read
from ingest.media.facts import Facts
from ingest.sound.chunks import add_chunks, parse_bext, read_chunks
from ingest.sound.ixml import MOST_BYTES, read_ixml
from sample_media.sound import Take, make_bext, make_ixml
from shared.errors import MediaError
from tests.ingest.media_support import ffprobe, needs_ffmpeg, run_ffmpeg

UMID = bytes(range(1, 65))
# EBU Tech 3285 v2 (2011), table of the broadcast_audio_extension: offset and content of each field.
FIELDS: tuple[tuple[int, bytes], ...] = (
    (0, b"Take 7, wheelhouse".ljust(256, b"\0")),
    (256, b"Sound recorder".ljust(32, b"\0")),
    (288, b"S001T07".ljust(32, b"\0")),
    (320, b"2026-05-12"),
    (330, b"10:31:06"),
    (338, (0x1_2345_6789 & 0xFFFF_FFFF).to_bytes(4, "little")),
    (342, (0x1_2345_6789 >> 32).to_bytes(4, "little")),
    (346, (2).to_bytes(2, "little")),
    (348, UMID),
    (412, (-2300).to_bytes(2, "little", signed=True)),
    (414, (720).to_bytes(2, "little", signed=True)),
    (416, (-105).to_bytes(2, "little", signed=True)),
    (418, (0x7FFF).to_bytes(2, "little", signed=True)),
    (420, (-5).to_bytes(2, "little", signed=True)),
    (422, bytes(180)),
    (602, b"A=PCM,F=48000,W=24,M=stereo,T=recorder\r\n"),
)


def bext(version: int = 2) -> bytes:
    content = bytearray()
    for offset, field in FIELDS:
        assert len(content) == offset, "the table leaves no gap"
        content += field
    content[346:348] = version.to_bytes(2, "little")
    return bytes(content)


def wave_file(
    path: Path, *chunks: tuple[bytes, bytes], form: bytes = b"RIFF", sound: bytes = bytes(480)
) -> Path:
    """A mono 16-bit wave file with these chunks before its sound; RF64 and BW64 keep their sizes in ds64."""
    large = form != b"RIFF"
    format_chunk = struct.pack("<HHIIHH", 1, 1, 48_000, 96_000, 2, 16)
    body = b"".join(
        name
        + struct.pack("<I", 0xFFFFFFFF if large and name == b"data" else len(content))
        + content
        + b"\0" * (len(content) % 2)
        for name, content in ((b"fmt ", format_chunk), (b"data", sound), *chunks)
    )  # the chunks stand behind the sound, where its size alone leads to
    if large:
        sizes = struct.pack("<QQQI", 4 + 36 + len(body), len(sound), len(sound) // 2, 0)
        body = b"ds64" + struct.pack("<I", len(sizes)) + sizes + body
    path.write_bytes(form + struct.pack("<I", 0xFFFFFFFF if large else 4 + len(body)) + b"WAVE" + body)
    return path


def chunk_facts(path: Path) -> Facts:
    with path.open("rb") as file:
        return add_chunks(file, Facts())


# -- bext ---------------------------------------------------------------------------------------------


def test_every_field_is_read_from_its_place_in_the_table() -> None:
    found = parse_bext(bext())
    assert found is not None
    assert found.to_json() == {
        "version": 2,
        "description": "Take 7, wheelhouse",
        "originator": "Sound recorder",
        "originator_reference": "S001T07",
        "origination_date": "2026-05-12",
        "origination_time": "10:31:06",
        "time_reference": 0x1_2345_6789,
        "umid": UMID.hex(),
        "loudness_lufs": "-23.00",
        "loudness_range_lu": "7.20",
        "true_peak_dbtp": "-1.05",
        "short_term_lufs": "-0.05",  # 7FFF hex, the momentary one: not used
        "coding_history": "A=PCM,F=48000,W=24,M=stereo,T=recorder",
    }


@pytest.mark.parametrize(
    ("version", "umid", "loudness"), [(0, False, False), (1, True, False), (2, True, True)]
)
def test_a_version_has_only_the_fields_it_knows(version: int, umid: bool, loudness: bool) -> None:
    """Version 0 leaves everything from the UMID on reserved, version 1 the loudness."""
    found = parse_bext(bext(version))
    assert found is not None and found.time_reference == 0x1_2345_6789
    assert ("umid" in found.to_json(), "loudness_lufs" in found.to_json()) == (umid, loudness)


@pytest.mark.parametrize("length", [0, 1, 337, 347, 601])
def test_too_few_bytes_are_no_extension(length: int) -> None:
    assert parse_bext(bext()[:length]) is None
    assert parse_bext(bext()[:602]) is not None


def test_text_is_kept_whatever_its_encoding() -> None:
    for raw, text in (
        ("Jürgen".encode(), "Jürgen"),
        ("Jürgen".encode("latin-1"), "Jürgen"),
        (b"a\x1b[2J", "a[2J"),
    ):
        found = parse_bext(raw.ljust(256, b"\0") + bext()[256:])
        assert found is not None and found.description == text


@pytest.mark.parametrize("form", [b"RIFF", b"RF64", b"BW64"])
def test_the_chunks_of_each_form_are_found_behind_the_sound(tmp_path: Path, form: bytes) -> None:
    """EBU Tech 3306 and ITU-R BS.2088: the data chunk's true size stands in ds64."""
    ixml = make_ixml(
        Take("Ferry", "S001", 7, "note", __import__("datetime").datetime(2026, 5, 12), 5, ("lav", "boom"))
    )
    path = wave_file(tmp_path / "a.wav", (b"bext", bext()), (b"iXML", ixml), form=form)
    with path.open("rb") as file:
        chunks = list(read_chunks(file))
    assert [c.name for c in chunks if c.name != b"ds64"] == [b"fmt ", b"data", b"bext", b"iXML"]
    assert all(c.size == c.there for c in chunks)
    more = chunk_facts(path).more
    assert more["time_reference_samples"] == 0x1_2345_6789
    assert more["tracks"] == [
        {"channel": 1, "name": "lav", "function": ""},
        {"channel": 2, "name": "boom", "function": ""},
    ]


def test_the_sample_recorder_s_extension_is_read_back() -> None:
    import datetime as dt

    take = Take(
        "Ferry", "S001", 7, "wheelhouse", dt.datetime(2026, 5, 12, 10, 31, 6), 1 << 33, ("lav", "boom")
    )
    found = parse_bext(make_bext(take))
    assert found is not None
    assert (found.version, found.time_reference, found.origination_time) == (1, 1 << 33, "10:31:06")


# -- against other readers and writers -----------------------------------------------------------------


@needs_ffmpeg
@pytest.mark.parametrize("form", ["never", "always"])
def test_ffmpeg_writes_what_is_read(tmp_path: Path, form: str) -> None:
    path = tmp_path / "a.wav"
    run_ffmpeg(
        *("-f", "lavfi", "-i", "sine=d=1:r=48000", "-write_bext", "1", "-rf64", form),
        *("-metadata", "time_reference=6234567890", "-metadata", "description=Take 7"),
        *("-metadata", "originator=recorder", "-metadata", "origination_date=2026-05-12"),
        *("-metadata", "origination_time=10:31:06", path),
    )
    assert path.read_bytes()[:4] == (b"RF64" if form == "always" else b"RIFF")
    said = chunk_facts(path).more["bext"]
    assert said["time_reference"] == 6_234_567_890
    assert (said["description"], said["originator"]) == ("Take 7", "recorder")
    assert (said["origination_date"], said["origination_time"]) == ("2026-05-12", "10:31:06")


@needs_ffmpeg
@pytest.mark.parametrize("form", [b"RIFF", b"RF64"])
def test_ffprobe_and_mediainfo_read_the_same(tmp_path: Path, form: bytes) -> None:
    path = wave_file(tmp_path / "a.wav", (b"bext", bext()), form=form)
    ours = chunk_facts(path).more["bext"]
    tags = ffprobe(path)["format"]["tags"]
    assert int(tags["time_reference"]) == ours["time_reference"]
    # FFmpeg's own names of tags; its creation_time is the origination time (libavformat/wavdec.c).
    assert tags["comment"] == ours["description"] and tags["encoded_by"] == ours["originator"]
    assert tags["originator_reference"] == ours["originator_reference"]
    assert tags["date"] == ours["origination_date"] and tags["creation_time"] == ours["origination_time"]
    assert tags["umid"].lower().removeprefix("0x") == ours["umid"]
    assert tags["coding_history"].strip() == ours["coding_history"]
    track = next(t for t in MediaInfo.parse(path).tracks if t.track_type == "Audio")
    assert round(float(track.delay) / 1000 * 48_000) == pytest.approx(ours["time_reference"], abs=24)


def test_the_facts_of_a_file_carry_them(tmp_path: Path) -> None:
    facts, _ = read(wave_file(tmp_path / "a.wav", (b"bext", bext()), sound=bytes(96_000)))
    assert facts is not None
    assert facts.more["bext"]["umid"] == UMID.hex()
    assert facts.more["time_reference_samples"] == 0x1_2345_6789
    assert Facts.from_json(facts.to_json()) == facts


# -- iXML ---------------------------------------------------------------------------------------------

IXML = (
    "<BWFXML><IXML_VERSION>1.61</IXML_VERSION><SCENE>12A</SCENE><TAKE>3</TAKE><TRACK_LIST>"
    "<TRACK_COUNT>2</TRACK_COUNT>"
    "<TRACK><CHANNEL_INDEX>5</CHANNEL_INDEX><INTERLEAVE_INDEX>2</INTERLEAVE_INDEX><NAME>Jürgen</NAME>"
    "<FUNCTION>LAV</FUNCTION></TRACK>"
    "<TRACK><CHANNEL_INDEX>1</CHANNEL_INDEX><INTERLEAVE_INDEX>1</INTERLEAVE_INDEX><NAME>Boom</NAME></TRACK>"
    "</TRACK_LIST></BWFXML>"
)
HEAD = '<?xml version="1.0" encoding="UTF-8"?>\n'


@pytest.mark.parametrize(
    "raw",
    [
        (HEAD + IXML).encode(),
        IXML.encode(),
        (HEAD + IXML).encode() + bytes(4096),
        b"\xef\xbb\xbf" + (HEAD + IXML).encode() + b"\0",
        b"\0\0  " + (HEAD + IXML).encode() + b"\r\n\0junk\x01",
        (HEAD + IXML).encode("latin-1"),
        (HEAD.replace("UTF-8", "UTF-16") + IXML).encode("utf-16"),
        (HEAD.replace("UTF-8", "nothing-known") + IXML).encode(),
    ],
    ids=["plain", "no head", "NUL bytes", "mark", "junk", "wrong encoding", "UTF-16", "unknown encoding"],
)
def test_ixml_is_read_as_recorders_write_it(raw: bytes) -> None:
    found = read_ixml(raw)
    assert found is not None
    assert [(t.channel, t.name, t.function) for t in found.tracks] == [(1, "Boom", ""), (2, "Jürgen", "LAV")]
    assert found.said == {"scene": "12A", "take": "3"}


@pytest.mark.parametrize(
    "raw",
    [
        b"",
        b"\0" * 100,
        b"no markup",
        b'<!DOCTYPE a [<!ENTITY x SYSTEM "file:///etc/hostname">]>' + IXML.replace("12A", "&x;").encode(),
        ('<!DOCTYPE a [<!ENTITY x "y">]>' + IXML).encode("utf-16"),
        b"<BWFXML>" + b" " * MOST_BYTES + b"</BWFXML>",
    ],
    ids=["nothing", "NUL bytes", "text", "entity", "entity in UTF-16", "too large"],
)
def test_ixml_that_is_none_says_nothing(raw: bytes) -> None:
    assert read_ixml(raw) is None


def test_an_entity_nobody_declared_reads_no_file() -> None:
    found = read_ixml(IXML.replace("12A", "&x;<xi:include href='/etc/hostname'/>").encode())
    assert found is None or not found.said.get("scene")


def test_tracks_with_absurd_numbers_take_their_place() -> None:
    tracks = "".join(
        f"<TRACK><INTERLEAVE_INDEX>{n}</INTERLEAVE_INDEX><NAME>{n}</NAME></TRACK>"
        for n in ("9" * 400, "-1", "x", "0")
    )
    found = read_ixml(f"<BWFXML><TRACK_LIST>{tracks}</TRACK_LIST></BWFXML>".encode())
    assert found is not None and [track.channel for track in found.tracks] == [1, 2, 3, 4]
    assert all(len(track.name) <= 300 for track in found.tracks)


# -- files that lie -----------------------------------------------------------------------------------


@pytest.mark.parametrize("raw", [b"", b"RIFF", b"RIFF\0\0\0\0AVI ", b"RIFX\0\0\0\0WAVE"])
def test_what_is_no_wave_file_is_refused(tmp_path: Path, raw: bytes) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(raw)
    with path.open("rb") as file, pytest.raises(MediaError):
        list(read_chunks(file))
    assert chunk_facts(path) == Facts()


def test_a_recording_that_was_never_closed_keeps_what_stands_before_the_sound(tmp_path: Path) -> None:
    """Its sizes are still zero, and behind them stands sound that is no chunk."""
    extension = b"bext" + struct.pack("<I", len(bext())) + bext()
    path = tmp_path / "a.wav"
    path.write_bytes(b"RIFF\0\0\0\0WAVE" + extension + b"\0" + b"data\0\0\0\0" + bytes(range(256)) * 100)
    assert chunk_facts(path).more["time_reference_samples"] == 0x1_2345_6789


def test_sizes_are_held_against_the_bytes_that_are_there(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(b"RIFF\xff\xff\xff\x7fWAVEbext\xf0\xff\xff\x7f" + b"x" * 100)
    with path.open("rb") as file:
        (chunk,) = read_chunks(file)
    assert (chunk.size, chunk.there) == (0x7FFFFFF0, 100)
    assert chunk_facts(path) == Facts()


def test_no_mutation_of_a_file_raises_or_reads_on_for_ever(tmp_path: Path) -> None:
    """Flipped, cut, repeated and overwritten bytes: facts or none, and never more than what is there."""
    rng = random.Random(20260512)
    seeds = [
        wave_file(
            tmp_path / "seed.wav", (b"bext", bext()), (b"iXML", (HEAD + IXML).encode()), form=form
        ).read_bytes()
        for form in (b"RIFF", b"RF64")
    ]
    path = tmp_path / "mutated.wav"
    kept = 0
    for _ in range(3000):
        data = bytearray(rng.choice(seeds))
        for _ in range(rng.randint(1, 12)):
            place = rng.randrange(len(data))
            match rng.randrange(4):
                case 0:
                    data[place] ^= 1 << rng.randrange(8)
                case 1:
                    data[place : place + 4] = rng.choice(
                        (b"\xff\xff\xff\xff", b"\0\0\0\0", b"\xff\xff\xff\x7f")
                    )
                case 2:
                    del data[place : place + rng.randrange(64)]
                case _:
                    data[place:place] = data[max(0, place - 64) : place]
        path.write_bytes(data)
        facts = chunk_facts(path)
        assert Facts.from_json(facts.to_json()) == facts
        kept += bool(facts.more)
    assert kept > 500, "most mutations leave something to read"
