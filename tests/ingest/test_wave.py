"""Large wave files, whose sizes stand elsewhere, and start times that two chunks of one file state."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest

from ingest.media.describe import read
from ingest.media.facts import Facts, Noticed
from tests.ingest.media_support import ffprobe, first_stream, needs_ffmpeg, run_ffmpeg, wave_bytes


def facts_of(path: Path, *, careful: bool = False) -> tuple[Facts, list[Noticed]]:
    facts, noticed = read(path, careful=careful)
    assert facts is not None, noticed
    return facts, noticed


def make_rf64(path: Path, reference: int) -> Path:
    """FFmpeg's RF64 (EBU Tech 3306) with `bext`, whatever the size."""
    run_ffmpeg(
        *("-f", "lavfi", "-i", "sine=r=48000", "-t", "1", "-ac", "2", "-c:a", "pcm_s24le"),
        *("-rf64", "always", "-write_bext", "1", "-metadata", f"time_reference={reference}"),
        *("-metadata", "origination_date=2026-05-12", "-metadata", "origination_time=14:03:10"),
        path,
    )
    return path


@needs_ffmpeg
@pytest.mark.parametrize("form", [b"RF64", b"BW64"])
@pytest.mark.parametrize("careful", [False, True])
def test_a_large_wave_file_is_read_by_its_true_sizes(tmp_path: Path, form: bytes, careful: bool) -> None:
    reference = 48_000 * 3600 * 23 + 12_345
    path = make_rf64(tmp_path / "take.wav", reference)
    theirs = ffprobe(path)
    path.write_bytes(form + path.read_bytes()[4:])
    facts, noticed = facts_of(path, careful=careful)
    audio = first_stream(theirs, "audio")
    assert (facts.audio_rate, facts.audio_channels) == (int(audio["sample_rate"]), audio["channels"])
    if not careful:
        assert facts.audio_bits == audio["bits_per_sample"] == 24
        assert facts.samples == audio["duration_ts"] == 48_000
    assert facts.more["time_reference_samples"] == reference
    assert int(theirs["format"]["tags"]["time_reference"]) == reference
    assert (facts.recorded_raw, facts.recorded_zone) == ("2026-05-12 14:03:10", "local")
    assert "file-truncated" not in [one.code for one in noticed], "a whole file"


@needs_ffmpeg
@pytest.mark.parametrize("form", [b"RF64", b"BW64"])
def test_a_large_wave_file_that_is_cut_says_how_much_is_missing(tmp_path: Path, form: bytes) -> None:
    path = make_rf64(tmp_path / "take.wav", 0)
    whole = path.read_bytes()
    path.write_bytes(form + whole[4:-100_000])
    _, noticed = facts_of(path)
    found = [one for one in noticed if one.code == "file-truncated"]
    assert [(one.severity, one.value, one.unit) for one in found] == [("fault", 100_000, "bytes")]


@pytest.mark.parametrize(("other", "codes"), [(48_000, []), (48_001, ["timecode-conflict"])])
def test_two_chunks_that_state_another_start_are_a_finding(
    tmp_path: Path, other: int, codes: list[str]
) -> None:
    path = tmp_path / "take.wav"
    plain = wave_bytes([5, -5] * 500, 48_000, date="2026-05-12", time="00:00:01", reference=48_000)
    ixml = (
        "<BWFXML><SPEED><TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>0</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI>"
        f"<TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO>{other}</TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO></SPEED></BWFXML>"
    ).encode()
    ixml += b" " * (len(ixml) % 2)
    body = plain[8:] + b"iXML" + struct.pack("<I", len(ixml)) + ixml
    path.write_bytes(b"RIFF" + struct.pack("<I", len(body)) + body)
    facts, noticed = facts_of(path)
    assert facts.more["time_reference_samples"] == 48_000
    found = [one for one in noticed if one.code.startswith("timecode")]
    assert [one.code for one in found] == codes
    assert all("48000" in one.message and str(other) in one.message for one in found)


@needs_ffmpeg
@pytest.mark.parametrize("form", [b"RIFF", b"RF64", b"BW64"])
@pytest.mark.parametrize(
    ("hertz", "codec", "channels"),
    [(44_100, "pcm_s16le", 1), (48_000, "pcm_s24le", 2), (96_000, "pcm_f32le", 8), (192_000, "pcm_s32le", 4)],
)
def test_sound_files_equal_ffprobe_field_by_field(
    tmp_path: Path, form: bytes, hertz: int, codec: str, channels: int
) -> None:
    path, reference = tmp_path / "take.wav", hertz * 3600 * 23 + 17
    run_ffmpeg(
        *("-f", "lavfi", "-i", f"anoisesrc=r={hertz}", "-t", "0.3", "-ac", str(channels), "-c:a", codec),
        *("-rf64", "never" if form == b"RIFF" else "always", "-write_bext", "1"),
        *("-metadata", f"time_reference={reference}", "-metadata", "origination_date=2026-05-12"),
        *("-metadata", "origination_time=14:03:10", path),
    )
    path.write_bytes(form + path.read_bytes()[4:])  # ITU-R BS.2088: BW64 is laid out as RF64 is
    facts, noticed = facts_of(path)
    report = ffprobe(path)
    audio, tags = first_stream(report, "audio"), report["format"]["tags"]
    assert noticed == [] and (facts.audio_codec, facts.audio_tracks) == ("PCM", 1)
    assert facts.audio_rate == int(audio["sample_rate"]) == hertz
    assert facts.audio_channels == audio["channels"] == channels
    assert facts.audio_bits == audio["bits_per_sample"]
    assert facts.samples == audio["duration_ts"]
    assert facts.more["time_reference_samples"] == int(tags["time_reference"]) == reference
    assert facts.recorded_raw == f"{tags['date']} {tags['creation_time']}"
