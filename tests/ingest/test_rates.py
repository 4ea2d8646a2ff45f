"""Rates proved from the pictures' stamps: exact arithmetic, and real files against ffprobe's frames."""

from __future__ import annotations

import json
import subprocess
from collections import Counter
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import av
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.media import rates
from ingest.media.complete import complete
from ingest.media.describe import read
from ingest.media.facts import Facts
from ingest.media.opened import opened
from ingest.media.spacing import USUAL_RATES, Spacing, fit_terms, keeps, measure
from tests.ingest.media_support import as_rate, ffprobe, first_stream, needs_ffmpeg, run_ffmpeg

X264 = ("-c:v", "libx264", "-preset", "ultrafast")
# Clocks of containers: MPEG (ISO/IEC 13818-1), Matroska (RFC 9559), and time scales that movies are given.
BASES = [Fraction(1, n) for n in (90_000, 1000, 600, 24_000, 30_000, 15_360, 1_000_000)]


def even(count: int, rate: Fraction, base: Fraction, first: Fraction = Fraction(0)) -> list[int]:
    """Stamps as a container writes them: rounded to its clock."""
    return [round(first + index / (rate * base)) for index in range(count)]


@given(
    st.sampled_from(USUAL_RATES),
    st.sampled_from(BASES),
    st.integers(3, 400),
    st.fractions(0, 1),
    st.booleans(),
)
def test_an_even_spacing_is_constant_whatever_the_clock_rounds(
    rate: Fraction, base: Fraction, count: int, first: Fraction, told: bool
) -> None:
    stamps = even(count, rate, base, first)
    if stamps[-1] == stamps[0]:
        return
    spacing = measure(stamps, base, hint=rate if told else None)
    assert spacing is not None and spacing.is_constant and keeps(stamps, base, rate)
    assert spacing.off_nominal == 0 and spacing.minimum == spacing.maximum == spacing.actual
    if told:
        assert spacing.rate == spacing.actual == rate
    elif spacing.exact is not None:
        assert spacing.exact == rate, "the only rate in use that these stamps keep"


@given(
    st.sampled_from([r for r in USUAL_RATES if r <= 120]),
    st.sampled_from(BASES[:2]),
    st.integers(10, 300),
    st.data(),
)
def test_one_picture_left_out_is_enough_to_vary(
    rate: Fraction, base: Fraction, count: int, data: st.DataObject
) -> None:
    stamps = even(count, rate, base)
    gone = data.draw(st.integers(1, count - 2))
    spacing = measure(stamps[:gone] + stamps[gone + 1 :], base, hint=rate)
    assert spacing is not None and not spacing.is_constant
    assert spacing.off_nominal == Fraction(1, count - 2)
    steps = Counter(b - a for a, b in pairwise(stamps))
    assert spacing.maximum == fit_terms(1 / (min(steps) * base))
    assert abs(spacing.minimum / rate - Fraction(1, 2)) < Fraction(1, 20)


def test_a_rate_that_only_drifts_away_is_told_from_the_stated_one() -> None:
    """25 and 25000/1001 lie one picture apart after 40 s: what a rounded header hides, the stamps show."""
    base = Fraction(1, 90_000)
    stamps = even(2000, Fraction(24_000, 1001), base)
    assert keeps(stamps, base, Fraction(24_000, 1001)) and not keeps(stamps, base, Fraction(24))
    spacing = measure(stamps, base, hint=Fraction(24))
    assert spacing is not None and spacing.is_constant and spacing.exact == Fraction(24_000, 1001)


@pytest.mark.parametrize("stamps", [[], [5], [5, 5, 5], [9, 3]])
def test_without_two_different_stamps_nothing_is_proved(stamps: list[int]) -> None:
    assert measure(stamps, Fraction(1, 1000)) is None


@given(st.lists(st.integers(-(2**53), 2**53), min_size=2, max_size=50), st.sampled_from(BASES))
def test_any_stamps_give_rates_that_a_column_holds(stamps: list[int], base: Fraction) -> None:
    spacing = measure(sorted(stamps), base)
    if spacing is not None:
        for rate in (spacing.rate, spacing.actual, spacing.minimum, spacing.maximum):
            assert 0 < rate <= 1000 and rate.numerator < 2**31 and rate.denominator < 2**31
        assert 0 <= spacing.off_nominal <= 1
        assert json.loads(json.dumps(spacing.to_json()))["pictures"] == len(stamps)


def facts_of(path: Path) -> Facts:
    facts, _ = read(path)
    assert facts is not None
    return facts


def stamps_of(path: Path) -> tuple[list[int], Fraction]:
    """What ffprobe says each packet of the picture is stamped, and of what clock."""
    command = ["ffprobe", "-v", "error", "-select_streams", "v:0", "-of", "json"]
    command += ["-show_entries", "packet=pts:stream=time_base", str(path)]
    report = json.loads(subprocess.run(command, capture_output=True, check=True, timeout=60).stdout)
    base = Fraction(report["streams"][0]["time_base"])
    return sorted(int(packet["pts"]) for packet in report["packets"]), base


@needs_ffmpeg
@pytest.mark.parametrize("suffix", ["mp4", "mov", "mkv"])
def test_a_varying_file_has_the_spacings_that_ffprobe_lists(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"phone.{suffix}"
    run_ffmpeg(
        *("-f", "lavfi", "-i", "testsrc2=s=96x64:r=30", "-t", "4", "-vf", "select='not(eq(mod(n,7),3))'"),
        *("-fps_mode", "vfr", *X264, "-bf", "2"),
        path,
    )
    facts, noticed = read(path)
    assert facts is not None
    stamps, base = stamps_of(path)
    steps = Counter(later - earlier for earlier, later in pairwise(stamps))
    proved = facts.more["rate"]
    assert facts.rate_mode == "variable" and proved["whole"] is True
    assert facts.frames == proved["pictures"] == len(stamps) == 103
    assert (facts.rate_num, facts.rate_den) == (103, 4) == as_rate(proved["actual"]), "103 pictures in 4 s"
    assert proved["exact"] == "30" and proved["nominal"] == 30
    # In decoding order, as a sample table stands, two of the long spacings may lie at the ends.
    assert abs(Fraction(proved["off_nominal"]) - Fraction(17, 102)) <= Fraction(1, 100)
    assert abs(Fraction(proved["minimum"]) - 1 / (max(steps) * base)) < Fraction(1, 4)
    assert abs(Fraction(proved["maximum"]) - 1 / (min(steps) * base)) < Fraction(1, 4)
    assert proved["proof"] == ("time stamps" if suffix == "mkv" else "sample table")
    found = next(one for one in noticed if one.code == "rate-variable")
    assert (found.value, found.unit) == (25.75, "fps") and "25.750" in found.message


@needs_ffmpeg
def test_a_header_that_calls_a_constant_rate_varying_is_not_believed(tmp_path: Path) -> None:
    path = tmp_path / "clip.webm"
    run_ffmpeg(
        *("-f", "lavfi", "-i", "testsrc2=s=96x64:r=30000/1001", "-t", "3", "-c:v", "libvpx", "-b:v", "1M"),
        path,
    )
    data = path.read_bytes()
    default = data.find(b"\x23\xe3\x83")  # Matroska DefaultDuration (RFC 9559): made a Void element
    assert default > 0 and data[default + 3] == 0x84
    path.write_bytes(data[:default] + b"\xec\x86" + bytes(6) + data[default + 8 :])
    facts, noticed = read(path)
    assert facts is not None and facts.rate_mode == "constant"
    assert "rate-variable" not in [one.code for one in noticed]
    stamps, _ = stamps_of(path)
    assert facts.more["rate"]["pictures"] == len(stamps) == 90


@needs_ffmpeg
@pytest.mark.parametrize(("stated", "codes"), [(30, ["rate-conflict"]), (25, []), (50, ["rate-conflict"])])
def test_a_stated_rate_that_the_stamps_deny_is_a_finding_and_stays(
    tmp_path: Path, stated: int, codes: list[str]
) -> None:
    path = tmp_path / "clip.mkv"
    run_ffmpeg("-f", "lavfi", "-i", "testsrc2=s=96x64:r=25", "-t", "3", *X264, path)
    claim = Facts(container="Matroska", rate_num=stated, rate_den=1, rate_mode="constant")
    with path.open("rb") as file, opened(file) as source:
        facts, noticed = complete(claim, source)
    assert (facts.rate_num, facts.rate_mode) == (stated, "constant")
    assert [one.code for one in noticed] == codes
    assert all(one.value == 25.0 and str(stated) in one.message for one in noticed)


@needs_ffmpeg
@pytest.mark.parametrize("rate", ["25", "30000/1001"])
def test_a_fragmented_movie_and_a_transport_stream_are_proved_too(tmp_path: Path, rate: str) -> None:
    source = ("-f", "lavfi", "-i", f"testsrc2=s=96x64:r={rate}", "-t", "2", *X264, "-bf", "2")
    for name, more in (("a.mp4", ("-movflags", "frag_keyframe+empty_moov")), ("a.mts", ("-f", "mpegts"))):
        path = tmp_path / name
        run_ffmpeg(*source, *more, path)
        facts = facts_of(path)
        assert facts.rate_mode == "constant" and facts.more["rate"]["actual"] == rate
        assert facts.frames == int(first_stream(ffprobe(path, "-count_packets"), "video")["nb_read_packets"])


@needs_ffmpeg
def test_a_stream_cut_between_pictures_out_of_order_is_still_constant(tmp_path: Path) -> None:
    path = tmp_path / "clip.mts"
    run_ffmpeg(
        *("-f", "lavfi", "-i", "testsrc2=s=96x64:r=25", "-t", "4", "-c:v", "libx264", "-bf", "3"),
        *("-f", "mpegts"),
        path,
    )
    whole = path.read_bytes()
    modes = set()
    for packets in range(len(whole) // 188 // 2, len(whole) // 188, 7):
        path.write_bytes(whole[: packets * 188])
        modes.add(facts_of(path).rate_mode)
    assert modes == {"constant"}


@needs_ffmpeg
def test_a_long_stream_is_read_in_part_and_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "clip.mts"
    run_ffmpeg("-f", "lavfi", "-i", "testsrc2=s=96x64:r=25", "-t", "4", *X264, "-f", "mpegts", path)
    monkeypatch.setattr(rates, "MOST_PACKETS", 40)
    facts = facts_of(path)
    assert facts.rate_mode == "constant" and facts.frames == 100
    assert (facts.more["rate"]["whole"], facts.more["rate"]["pictures"]) == (False, 40)


@needs_ffmpeg
def test_a_table_too_long_to_read_is_read_in_part(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "clip.mp4"
    run_ffmpeg("-f", "lavfi", "-i", "testsrc2=s=96x64:r=25", "-t", "4", *X264, path)
    monkeypatch.setattr(rates, "MOST_SAMPLES", 50)
    facts = facts_of(path)
    assert facts.rate_mode == "constant" and facts.frames == 100
    assert (facts.more["rate"]["whole"], facts.more["rate"]["pictures"]) == (False, 50)


@pytest.mark.parametrize("suffix", ["mov", "mp4", "mts", "mkv"])
def test_a_rate_that_the_ffmpeg_command_rounds_is_exact(tmp_path: Path, suffix: str) -> None:
    """119.88 is written by PyAV, as the command makes 120 of it; a Matroska file keeps whole milliseconds."""
    path, rate = tmp_path / f"clip.{suffix}", Fraction(120_000, 1001)
    with av.open(str(path), "w", format="mpegts" if suffix == "mts" else None) as target:
        stream = target.add_stream("libx264", rate=rate)
        stream.width, stream.height, stream.pix_fmt = 96, 64, "yuv420p"
        stream.time_base = stream.codec_context.time_base = 1 / rate
        for number in range(120):
            frame = av.VideoFrame(96, 64, "yuv420p")
            frame.pts, frame.time_base = number, 1 / rate
            target.mux(stream.encode(frame))
        target.mux(stream.encode())
    facts = facts_of(path)
    assert (facts.rate_num, facts.rate_den) == (120_000, 1001)
    assert (facts.frames, facts.rate_mode, facts.more["rate"]["exact"]) == (120, "constant", "120000/1001")


@needs_ffmpeg
def test_one_picture_proves_no_rate(tmp_path: Path) -> None:
    path = tmp_path / "one.mov"
    run_ffmpeg("-f", "lavfi", "-i", "testsrc2=s=96x64:r=25", "-frames:v", "1", *X264, path)
    facts = facts_of(path)
    assert facts.rate_mode is None and (facts.rate_num, facts.frames) == (25, 1) and "rate" not in facts.more


def test_a_spacing_names_the_whole_rate_its_labels_count() -> None:
    rate = Fraction(24_000, 1001)
    spacing = Spacing(10, True, rate, rate, rate, rate, Fraction(0), 1)
    assert spacing.to_json()["nominal"] == 24 and spacing.to_json()["exact"] == "24000/1001"
