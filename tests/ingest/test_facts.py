"""Facts against other readers of the same files (ffprobe and PyAV) and against published layouts."""

from __future__ import annotations

import dataclasses
import json
import os
import random
from fractions import Fraction
from pathlib import Path

import av
import pytest
from PIL import ExifTags, Image
from pymediainfo import MediaInfo

from ingest.media.describe import read
from ingest.media.facts import Facts, Noticed
from shared.timecode import Rate, Timecode
from tests.ingest.media_support import (
    as_rate,
    ffprobe,
    first_stream,
    make_counter,
    needs_ffmpeg,
    run_ffmpeg,
    stamp_movie,
    turn_movie,
    wave_bytes,
)

RATES = {
    "24000/1001": ("01:02:03:04", False),
    "24": ("09:59:59:23", False),
    "25": ("10:00:00:00", False),
    "30": ("01:02:03:29", False),
    "60": ("11:22:33:59", False),
    "30000/1001": ("01:02:03;04", True),
    "30000/1001 non-drop": ("01:02:03:04", False),
    "50": ("23:59:59:49", False),
    "60000/1001": ("00:59:59;58", True),
    "60000/1001 non-drop": ("00:59:59:58", False),
    "48": ("01:02:03:04", False),
    "100": ("01:02:03:99", False),
    "120": ("01:02:03:119", False),
}
# Left out: beyond 50 and 60 FFmpeg's MXF writes labels that no longer agree with each other (5.1).
UNWRITTEN = frozenset((("mxf", "48"), ("mxf", "100"), ("mxf", "120")))
X264 = ("-c:v", "libx264", "-preset", "ultrafast")
CONTAINERS = {
    "mov": ((*X264, "-bf", "2", "-c:a", "pcm_s24le"), "MPEG-4", "AVC", "PCM"),
    "mp4": ((*X264, "-bf", "2", "-c:a", "aac"), "MPEG-4", "AVC", "AAC"),
    "mxf": (("-c:v", "mpeg2video", "-b:v", "4M", "-c:a", "pcm_s16le"), "MXF", "MPEG Video", "PCM"),
    "mts": ((*X264, "-bf", "2", "-c:a", "ac3", "-f", "mpegts"), "MPEG-TS", "AVC", "AC-3"),
    "mkv": ((*X264, "-bf", "2", "-c:a", "flac"), "Matroska", "AVC", "FLAC"),
}
STAMP = "2026-05-12T09:41:07Z"


def read_facts(path: Path) -> tuple[Facts, list[Noticed]]:
    facts, noticed = read(path)
    assert facts is not None, noticed
    return facts, noticed


@needs_ffmpeg
@pytest.mark.parametrize(
    ("suffix", "name"),
    [(suffix, name) for suffix in CONTAINERS for name in RATES if (suffix, name) not in UNWRITTEN],
)
def test_facts_equal_what_two_other_readers_say(tmp_path: Path, suffix: str, name: str) -> None:
    codec, container, video_codec, audio_codec = CONTAINERS[suffix]
    timecode, drop = RATES[name]
    rate = name.split()[0]
    path = tmp_path / f"clip.{suffix}"
    run_ffmpeg(
        *("-f", "lavfi", "-i", f"testsrc2=s=160x96:r={rate}", "-f", "lavfi", "-i", "sine=r=48000"),
        *("-t", "0.8", "-timecode", timecode, "-metadata", f"creation_time={STAMP}", "-ac", "2"),
        *codec,
        path,
    )
    facts, _ = read_facts(path)

    report = ffprobe(path, "-count_packets")
    video, audio = first_stream(report, "video"), first_stream(report, "audio")
    assert (facts.rate_num, facts.rate_den) == as_rate(rate)
    if suffix != "mkv":  # whose time stamps are milliseconds, so that FFmpeg's average is only near
        assert as_rate(video["avg_frame_rate"]) == as_rate(rate)
    assert facts.frames == int(video["nb_read_packets"])
    assert (facts.width, facts.height) == (video["width"], video["height"])
    assert facts.pixel_aspect == video["sample_aspect_ratio"].replace(":", "/")
    assert (facts.bit_depth, facts.chroma) == (8, "4:2:0") and video["pix_fmt"] == "yuv420p"
    assert facts.audio_channels == audio["channels"]
    assert facts.audio_rate == int(audio["sample_rate"])
    assert facts.audio_tracks == 1
    assert (facts.container, facts.video_codec, facts.audio_codec) == (container, video_codec, audio_codec)
    assert facts.rate_mode == "constant"
    proved = facts.more["rate"]
    assert (proved["actual"], proved["pictures"], proved["whole"]) == (rate, facts.frames, True)
    assert (proved["minimum"], proved["maximum"], proved["off_nominal"]) == (rate, rate, "0")

    with av.open(str(path)) as other:
        stream = other.streams.video[0]
        assert stream.guessed_rate == Fraction(rate) or suffix == "mkv"
        assert facts.frames == sum(1 for _ in other.decode(stream))
        assert facts.audio_channels == other.streams.audio[0].codec_context.channels

    if suffix == "mts":  # FFmpeg writes none there, and none must be made up
        assert (facts.start_timecode, facts.start_frame, facts.drop_frame) == (None, None, None)
    else:
        tags = [report["format"].get("tags", {}), *(s.get("tags", {}) for s in report["streams"])]
        theirs = {value for tag in tags for key, value in tag.items() if key.lower() == "timecode"}
        assert theirs == {timecode}
        assert (facts.start_timecode, facts.drop_frame) == (timecode, drop)
        assert facts.start_frame == Timecode.parse(timecode, Rate.parse(rate)).frames


@needs_ffmpeg
@pytest.mark.parametrize("kilobytes", [9, 40, 63, 65, 80, 129, 300, 900])
def test_reading_by_buffer_finds_what_reading_by_name_finds(tmp_path: Path, kilobytes: int) -> None:
    """The parser is handed a buffer, for safety; at no size may it miss what it would find by the name."""
    path = tmp_path / "clip.mp4"
    run_ffmpeg(
        *("-f", "lavfi", "-i", "testsrc2=s=64x64:r=25", "-t", "0.4", "-timecode", "10:00:00:00"),
        *(*X264, "-metadata", "comment=" + "x" * 500),
        path,
    )
    data = bytearray(path.read_bytes())
    # ISO/IEC 14496-12, 8.1.1: grow the media data box, behind its content, and leave the index last
    start, end = data.find(b"mdat") - 4, data.rfind(b"moov") - 4
    assert int.from_bytes(data[start : start + 4], "big") == end - start
    more = bytes(max(0, kilobytes * 1024 - len(data)))
    data[start : start + 4] = (end - start + len(more)).to_bytes(4, "big")
    path.write_bytes(data[:end] + more + data[end:])
    report = MediaInfo.parse(str(path), output="JSON", full=False)
    named = next(track for track in json.loads(report)["media"]["track"] if track["@type"] == "Other")
    assert read_facts(path)[0].start_timecode == named["TimeCode_FirstFrame"] == "10:00:00:00"


@needs_ffmpeg
@pytest.mark.parametrize(
    ("suffix", "zone", "field"),
    [
        ("mov", "assumed-utc", "movie header"),
        ("mp4", "assumed-utc", "movie header"),
        ("mkv", "stated", "DateUTC"),
        ("mxf", "unknown", "General Encoded_Date"),
        ("mts", None, None),
    ],
)
def test_a_stamp_keeps_its_field_and_what_is_known_of_its_zone(
    tmp_path: Path, suffix: str, zone: str | None, field: str | None
) -> None:
    path = tmp_path / f"clip.{suffix}"
    codec = CONTAINERS[suffix][0]
    run_ffmpeg(
        *("-f", "lavfi", "-i", "testsrc2=s=160x96:r=25", "-f", "lavfi", "-i", "sine=r=48000", "-t", "0.4"),
        *("-metadata", f"creation_time={STAMP}", *codec),
        path,
    )
    facts, noticed = read_facts(path)
    assert (facts.recorded_zone, facts.recorded_field) == (zone, field)
    if zone is not None:
        assert facts.recorded_raw is not None and facts.recorded_raw.startswith("2026-05-12 09:41:07")
    assert "recorded-date-unset" not in [one.code for one in noticed]


@needs_ffmpeg
def test_a_stamp_with_its_own_offset_comes_before_the_header(tmp_path: Path) -> None:
    path = tmp_path / "clip.mov"
    run_ffmpeg(
        *("-f", "lavfi", "-i", "testsrc2=s=64x64:r=25", "-t", "0.2", "-c:v", "libx264"),
        *("-metadata", f"creation_time={STAMP}", "-movflags", "use_metadata_tags"),
        *("-metadata", "org.example.creationdate=2026-05-12T10:41:07+0100"),
        *("-metadata", "org.example.lens=Prime 35"),
        path,
    )
    facts, _ = read_facts(path)
    assert (facts.recorded_raw, facts.recorded_zone) == ("2026-05-12T10:41:07+0100", "stated")
    assert facts.more["declared"]["org_example_lens"] == "Prime 35"


# ISO/IEC 14496-12: seconds since 1904-01-01; 2,082,844,800 of them lie before 1970-01-01.
@needs_ffmpeg
@pytest.mark.parametrize(
    "seconds", [0, 1, 2_082_844_800, 2_398_377_600], ids=["1904", "1904+1", "1970", "1980"]
)
def test_a_date_at_an_epoch_is_no_date_but_a_finding(tmp_path: Path, seconds: int) -> None:
    path = tmp_path / "clip.mp4"
    run_ffmpeg("-f", "lavfi", "-i", "color=s=64x64:r=25", "-t", "0.2", "-c:v", "libx264", path)
    stamp_movie(path, seconds)
    facts, noticed = read_facts(path)
    assert facts.recorded_raw is facts.recorded_field is facts.recorded_zone is None
    assert [one.code for one in noticed] == ["recorded-date-unset"]
    stamp_movie(path, 3_861_510_000)  # 2026-05-12
    facts, noticed = read_facts(path)
    assert facts.recorded_raw is not None and facts.recorded_raw.startswith("2026-05-1") and noticed == []


@pytest.mark.parametrize("form", [b"RIFF", b"RF64"])
@pytest.mark.parametrize("reference", [0, 47_999, 48_000 * 3600 * 23 + 17, 2**32 + 12_345])
def test_bext_time_reference_is_exact_in_samples(tmp_path: Path, form: bytes, reference: int) -> None:
    path = tmp_path / "take.wav"
    rng = random.Random(5)
    samples = [rng.randrange(-9000, 9000) for _ in range(4801)]
    path.write_bytes(
        wave_bytes(samples, 48_000, date="2026-05-12", time="14:03:10", reference=reference, form=form)
    )
    facts, noticed = read_facts(path)
    assert facts.more["time_reference_samples"] == reference
    assert (facts.samples, facts.audio_rate, facts.audio_bits, facts.audio_channels) == (4801, 48_000, 16, 1)
    assert (facts.recorded_raw, facts.recorded_field) == ("2026-05-12 14:03:10", "bext origination")
    assert facts.recorded_zone == "local"
    assert facts.more["declared"]["Description"] == "Take 7, wheelhouse"
    assert facts.start_timecode is None and facts.frames is None and noticed == []


@needs_ffmpeg
def test_wave_with_24_bits_equals_ffprobe(tmp_path: Path) -> None:
    path = tmp_path / "take.wav"
    run_ffmpeg("-f", "lavfi", "-i", "sine=r=96000", "-t", "1", "-ac", "4", "-c:a", "pcm_s24le", path)
    facts, _ = read_facts(path)
    audio = first_stream(ffprobe(path), "audio")
    assert facts.audio_bits == audio["bits_per_sample"] == 24
    assert facts.audio_channels == audio["channels"] == 4
    assert facts.samples == audio["duration_ts"]
    assert facts.audio_rate == int(audio["sample_rate"]) == 96_000
    assert facts.recorded_raw is None


@needs_ffmpeg
@pytest.mark.parametrize("degrees", [90, 180, 270])
def test_rotation_is_the_clockwise_turn_to_upright(tmp_path: Path, degrees: int) -> None:
    path = make_counter(tmp_path / "clip.mp4", "25", 0.4, "-c:v", "libx264")
    turn_movie(path, degrees)
    side = first_stream(ffprobe(path), "video")["side_data_list"][0]
    assert -side["rotation"] % 360 == degrees  # ffprobe counts anticlockwise
    assert read_facts(path)[0].rotation == degrees


@needs_ffmpeg
@pytest.mark.parametrize("shape", ["64/45", "16/15", "32/27", "40/33", "4/3", "1/1"])
@pytest.mark.parametrize("suffix", ["mov", "mkv", "mts"])
def test_pixel_shape_is_the_fraction_in_the_file(tmp_path: Path, shape: str, suffix: str) -> None:
    path = tmp_path / f"clip.{suffix}"
    codec = CONTAINERS[suffix][0]
    codec = codec[: codec.index("-c:a")] + codec[codec.index("-c:a") + 2 :]
    run_ffmpeg(
        "-f", "lavfi", "-i", "color=s=720x576:r=25", "-t", "0.3", "-vf", f"setsar={shape}", *codec, path
    )
    theirs = first_stream(ffprobe(path), "video")["sample_aspect_ratio"].replace(":", "/")
    assert read_facts(path)[0].pixel_aspect == theirs == shape


@needs_ffmpeg
@pytest.mark.parametrize(
    ("codec", "pixels", "depth", "chroma"),
    [
        (("-c:v", "prores_ks"), "yuv422p10le", 10, "4:2:2"),
        (("-c:v", "libx264"), "yuv420p10le", 10, "4:2:0"),
        (("-c:v", "libx265", "-x265-params", "log-level=none"), "yuv422p10le", 10, "4:2:2"),
        (("-c:v", "libx264"), "yuv444p", 8, "4:4:4"),
    ],
)
def test_depth_and_chroma(
    tmp_path: Path, codec: tuple[str, ...], pixels: str, depth: int, chroma: str
) -> None:
    path = tmp_path / "clip.mov"
    run_ffmpeg("-f", "lavfi", "-i", "testsrc2=s=96x64:r=25", "-t", "0.3", "-pix_fmt", pixels, *codec, path)
    assert first_stream(ffprobe(path), "video")["pix_fmt"] == pixels
    facts, _ = read_facts(path)
    assert (facts.bit_depth, facts.chroma) == (depth, chroma)


@needs_ffmpeg
def test_colour_scan_and_tracks(tmp_path: Path) -> None:
    path = tmp_path / "clip.mov"
    run_ffmpeg(
        *("-f", "lavfi", "-i", "testsrc2=s=720x576:r=25", "-f", "lavfi", "-i", "sine=r=48000"),
        *("-f", "lavfi", "-i", "sine=r=48000", "-map", "0", "-map", "1", "-map", "2", "-t", "0.4"),
        *("-color_primaries", "bt2020", "-color_trc", "arib-std-b67", "-colorspace", "bt2020nc"),
        *("-color_range", "pc", "-flags", "+ilme+ildct", "-c:v", "libx264", "-c:a", "pcm_s24le"),
        path,
    )
    facts, _ = read_facts(path)
    assert (facts.colour_primaries, facts.transfer) == ("BT.2020", "HLG")
    assert (facts.matrix, facts.colour_range) == ("BT.2020 non-constant", "Full")
    assert facts.scan == "MBAFF" and facts.more["scan_order"] == "TFF"
    assert (facts.audio_tracks, facts.audio_channels, facts.audio_bits) == (2, 2, 24)


@needs_ffmpeg
def test_a_varying_rate_is_an_exact_average_and_a_finding(tmp_path: Path) -> None:
    path = tmp_path / "phone.mp4"
    run_ffmpeg(
        *("-f", "lavfi", "-i", "testsrc2=s=96x64:r=30", "-t", "4", "-vf", "select='not(eq(mod(n,7),3))'"),
        *("-fps_mode", "vfr", "-c:v", "libx264", "-bf", "2"),
        path,
    )
    facts, noticed = read_facts(path)
    video = first_stream(ffprobe(path), "video")
    assert (facts.rate_num, facts.rate_den) == as_rate(video["avg_frame_rate"]) == (103, 4)
    assert (facts.rate_mode, facts.frames) == ("variable", int(video["nb_frames"]))
    found = next(one for one in noticed if one.code == "rate-variable")
    assert found.value == 25.75 and found.unit == "fps"


@needs_ffmpeg
def test_one_frame_and_no_sound(tmp_path: Path) -> None:
    path = tmp_path / "one.mov"
    run_ffmpeg("-f", "lavfi", "-i", "testsrc2=s=96x64:r=25", "-frames:v", "1", "-c:v", "libx264", path)
    facts, _ = read_facts(path)
    assert (facts.frames, facts.rate_num, facts.rate_den) == (1, 25, 1)
    assert (facts.audio_codec, facts.audio_channels, facts.samples, facts.audio_tracks) == (None,) * 4


@needs_ffmpeg
def test_truncated_files_keep_their_facts_and_say_how_much_is_missing(tmp_path: Path) -> None:
    path = make_counter(
        tmp_path / "clip.mp4", "25", 4, "-c:v", "libx264", "-movflags", "+faststart", size="320x180"
    )
    whole = path.stat().st_size
    path.write_bytes(path.read_bytes()[: whole // 2])
    facts, noticed = read_facts(path)
    assert (facts.frames, facts.width) == (100, 320)
    found = next(one for one in noticed if one.code == "file-truncated")
    assert (found.severity, found.value, found.unit) == ("fault", whole - whole // 2, "bytes")


@needs_ffmpeg
def test_a_movie_without_its_index_has_no_facts_made_up(tmp_path: Path) -> None:
    path = make_counter(tmp_path / "clip.mov", "25", 2, "-c:v", "libx264")
    data = path.read_bytes()
    path.write_bytes(data[: data.rfind(b"moov") - 4])
    facts, noticed = read_facts(path)
    assert facts.container == "MPEG-4"
    unknown = dataclasses.replace(facts, container=None, more={})
    assert unknown == Facts()
    assert "recorded-date-unset" not in [one.code for one in noticed], "there is no header to hold a date"


@pytest.mark.parametrize(
    ("content", "words_of_it"),
    [
        (b"", "empty"),
        (b"#EXTM3U\n#EXTINF:1,\n/etc/passwd\n", "no format"),
        (b"\0" * 5000, "no format"),
        (b"just text, renamed", "no format"),
    ],
)
def test_what_is_no_container_gives_no_facts_and_a_reason(
    tmp_path: Path, content: bytes, words_of_it: str
) -> None:
    path = tmp_path / "clip.mp4"
    path.write_bytes(content)
    facts, noticed = read(path)
    assert facts is None
    assert [one.code for one in noticed] == ["media-unreadable"] and words_of_it in noticed[0].message


def test_a_link_and_a_pipe_are_not_followed(tmp_path: Path) -> None:
    target = tmp_path / "real.wav"
    target.write_bytes(wave_bytes([0] * 100, 48_000, date="2026-05-12", time="10:00:00", reference=0))
    link, pipe = tmp_path / "link.wav", tmp_path / "pipe.wav"
    link.symlink_to(target)
    os.mkfifo(pipe)
    assert read(target)[0] is not None
    assert read(link)[0] is None and read(pipe)[0] is None


def test_exif_of_a_photograph(tmp_path: Path) -> None:
    path = tmp_path / "photo.jpg"
    image = Image.new("RGB", (300, 200), (200, 90, 30))
    exif = image.getexif()
    exif[ExifTags.Base.Orientation] = 6  # Exif 2.32: turn by 90° clockwise
    inner = exif.get_ifd(ExifTags.IFD.Exif)
    inner[ExifTags.Base.DateTimeOriginal] = "2026:05:12 10:11:12"
    inner[ExifTags.Base.LensModel] = "Prime 35"
    inner[ExifTags.Base.ExposureTime] = 1 / 50
    image.save(path, exif=exif)
    facts, _ = read_facts(path)
    assert (facts.width, facts.height, facts.rotation) == (300, 200, 90)
    assert (facts.recorded_raw, facts.recorded_zone) == ("2026:05:12 10:11:12", "local")
    assert facts.more["exif"] == {"LensModel": "Prime 35", "ExposureTime": "1/50"}
    inner[ExifTags.Base.OffsetTimeOriginal] = "+01:00"
    image.save(path, exif=exif)
    facts, _ = read_facts(path)
    assert (facts.recorded_raw, facts.recorded_zone) == ("2026:05:12 10:11:12+01:00", "stated")
