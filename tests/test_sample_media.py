"""The sample cards, read back with ffprobe, the standard library and PyAV."""

from __future__ import annotations

import hashlib
import json
import re
import shutil
import struct
import subprocess
import sys
import time
import wave
from dataclasses import dataclass, fields
from datetime import UTC, timedelta
from fractions import Fraction
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import av
import numpy as np
import pytest
from PIL import Image

from sample_media.clips import FORMATS
from sample_media.paint import FRAME
from sample_media.production import Clip, Log, Production, load_production
from sample_media.recipe import SampleCard, make_card, make_cards
from shared.errors import ConflictError
from shared.timecode import Rate, Timecode
from shared.vocabulary import load_vocabulary

FREE = {"subject", "place", "scene", "language", "note", "people", "tags"}
CODED = [field.name for field in fields(Log) if field.name not in FREE]
pytestmark = pytest.mark.slow
needs_ffprobe = pytest.mark.skipif(shutil.which("ffprobe") is None, reason="ffprobe is not installed")


@dataclass(frozen=True)
class Made:
    cards: dict[str, SampleCard]
    cpu_seconds: float
    production: Production

    def file(self, reel: str, name: str) -> Path:
        (found,) = self.cards[reel].path.rglob(name)
        return found


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    folder = tmp_path_factory.mktemp("cards")
    started = time.process_time()
    cards = make_cards(folder)
    return Made({card.reel: card for card in cards}, time.process_time() - started, load_production())


@pytest.fixture(scope="module")
def production() -> Production:
    return load_production()


def probe(path: Path) -> dict[str, Any]:
    command = ["ffprobe", "-v", "error", "-show_format", "-show_streams", "-of", "json", str(path)]
    answer: dict[str, Any] = json.loads(subprocess.run(command, capture_output=True, check=True).stdout)
    return answer


def read_chunks(path: Path) -> dict[bytes, bytes]:
    """The RIFF chunks of a wave file by name, read independently of the writer."""
    content = path.read_bytes()
    assert content[:4] == b"RIFF" and content[8:12] == b"WAVE"
    assert struct.unpack("<I", content[4:8])[0] == len(content) - 8
    chunks, at = {}, 12
    while at < len(content):
        name, size = struct.unpack("<4sI", content[at : at + 8])
        chunks[name] = content[at + 8 : at + 8 + size]
        at += 8 + size + size % 2
    return chunks


def read_sound(path: Path) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Decoded samples as (count, channels) in -1..1, for integer formats."""
    with av.open(str(path)) as container:
        parts = [frame.to_ndarray() for frame in container.decode(audio=0)]
    whole = np.concatenate([part.reshape(-1, 2) for part in parts])
    return whole.astype(np.float64) / -float(np.iinfo(whole.dtype).min)


# --- the production's data -------------------------------------------------------------------------------


def test_every_code_of_the_log_stands_in_the_vocabulary(production: Production) -> None:
    vocabulary = load_vocabulary()
    for clip in production.clips:
        for field in CODED:
            code = getattr(clip.log, field)
            assert not code or vocabulary.resolve(field, code).code == code, (clip.key, field, code)
    for microphone in production.microphones:
        assert vocabulary.resolve("audio", microphone.kind).code == microphone.kind


def test_one_log_for_each_clip_and_each_names_what_exists(production: Production) -> None:
    keys = [clip.key for clip in production.clips]
    assert len(set(keys)) == len(keys)
    reels = [card.reel for card in production.cards]
    assert len(set(reels)) == len(reels)
    people = {person.name for person in production.people}
    lenses = {lens.name for lens in production.lenses}
    for clip in production.clips:
        assert clip.reel in reels
        assert clip.log.kind and clip.log.rating and clip.log.subject and clip.log.place
        assert set(clip.log.people) <= people
        assert not clip.lens or clip.lens in lenses
    assert {clip.reel for clip in production.clips} == set(reels)


def test_three_days_with_goals_and_every_clip_on_its_day(production: Production) -> None:
    assert [day.number for day in production.days] == [1, 2, 3]
    assert all(day.goal for day in production.days)
    dates = {day.number: day.date for day in production.days}
    days = {card.reel: card.day for card in production.cards}
    begins = timedelta(hours=production.day_starts.hour, minutes=production.day_starts.minute)
    for clip in production.clips:
        assert (clip.start - begins).date() == dates[days[clip.reel]], clip.key
    after_midnight = [clip for clip in production.clips if clip.start.time() < production.day_starts]
    assert [clip.key for clip in after_midnight] == [("A001", "FERA0006")]


def test_start_and_timecode_of_a_clip_say_the_same(production: Production) -> None:
    letters = {card.reel: card.camera for card in production.cards}
    zones = {"A": production.tz, "D": UTC}
    for clip in production.clips:
        if clip.timecode:
            letter = letters[clip.reel]
            clock = clip.start.replace(tzinfo=production.tz).astimezone(zones[letter])
            since = timedelta(hours=clock.hour, minutes=clock.minute, seconds=clock.second)
            shown = Timecode.parse(clip.timecode, FORMATS[letter].rate).elapsed
            # Drop-frame labels stray from the wall clock by up to two frames within a minute (SMPTE ST 12-1).
            slack = Fraction(0) if letter == "A" else Fraction(1, 10)
            assert abs(shown - int(since.total_seconds()) - Fraction(clock.microsecond, 10**6)) <= slack


# --- the cards -------------------------------------------------------------------------------------------


def test_recipe_is_quick_and_small(made: Made) -> None:
    # Processor time, not wall clock: other tests run beside this one.
    assert made.cpu_seconds < 30
    root = next(iter(made.cards.values())).path.parents[1]
    assert sum(path.stat().st_size for path in root.rglob("*") if path.is_file()) < 16_000_000


def test_cards_hold_exactly_what_the_production_lists(made: Made) -> None:
    companions = {"A": 0, "B": 2, "D": 1, "S": 0}
    for card in made.cards.values():
        files = [path for path in card.path.rglob("*") if path.is_file()]
        clips = sum(len(clip.files) for clip in made.production.clips_of(card.reel))
        extras = len(made.production.extras_of(card.reel))
        assert len(files) == card.file_count == clips * (1 + companions[card.camera]) + extras
    assert sum(card.junk_count for card in made.cards.values()) == 1
    assert made.file("A001", ".cardid").read_text() == "A01\n"
    assert made.file("S001", ".DS_Store").is_file()
    assert made.file("S002", "Jürgen winch room.WAV").is_file()
    labels = [card.label for card in made.cards.values() if card.camera == "A"]
    assert labels == ["A01", "A02", "A01"]


def test_camera_a_keeps_the_naming_rule_of_dcf(made: Made) -> None:
    """DCF (JEITA CP-3461): folders are three digits and five characters, files four and four digits."""
    for reel in ("A001", "A002", "A003"):
        for path in (made.cards[reel].path / "DCIM").rglob("*"):
            rule = r"[1-9][0-9]{2}[0-9A-Z_]{5}" if path.is_dir() else r"[0-9A-Z_]{4}[0-9]{4}\.MOV"
            assert re.fullmatch(rule, path.name), path


def test_same_bytes_and_times_when_made_again(made: Made, tmp_path: Path) -> None:
    def read(root: Path) -> dict[str, tuple[str, int]]:
        paths = [root, *root.rglob("*")]
        return {
            str(path.relative_to(root)): (
                hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else "",
                path.stat().st_mtime_ns,
            )
            for path in paths
        }

    for card in made.production.cards:
        if card.reel in ("B002", "D002", "S002"):
            make_card(made.production, card, tmp_path / card.reel)
            assert read(tmp_path / card.reel) == read(made.cards[card.reel].path)


def test_a_card_is_never_written_over(made: Made, tmp_path: Path) -> None:
    kept = tmp_path / "day-2" / "A02"
    kept.mkdir(parents=True)
    with pytest.raises(ConflictError, match="A02"):
        make_cards(tmp_path)
    assert [path for path in tmp_path.rglob("*") if path.is_file()] == []
    command = [sys.executable, "-m", "sample_media", str(tmp_path)]
    refused = subprocess.run(command, capture_output=True, text=True)
    assert refused.returncode == 1
    assert str(kept) in refused.stderr and "empty folder" in refused.stderr


def test_files_end_when_the_take_ends(made: Made) -> None:
    """A file's own time is the end of its take, in the two-second steps of FAT."""
    zone = made.production.tz
    for clip in made.production.clips:
        card = made.cards[clip.reel]
        length = sum(file.length for file in clip.files)
        rate = FORMATS[card.camera].rate.fraction if card.camera in FORMATS else Fraction(48_000)
        ended = clip.start.replace(tzinfo=zone).timestamp() + float(length / rate)
        stamped = made.file(clip.reel, clip.files[-1].name).stat().st_mtime
        assert stamped % 2 == 0 and 0 <= stamped - ended < 2.001, clip.key


# --- pictures --------------------------------------------------------------------------------------------


def whole_clips(production: Production) -> list[Clip]:
    return [clip for clip in production.clips if not clip.fault]


@needs_ffprobe
def test_ffprobe_agrees_on_rate_length_timecode_and_clock(made: Made) -> None:
    for clip in whole_clips(made.production):
        card = made.cards[clip.reel]
        if card.camera == "S" or not clip.picture:
            continue
        rate = FORMATS[card.camera].rate
        timecode = Timecode.parse(clip.timecode, rate) if clip.timecode else None
        done = 0
        for file in clip.files:
            answer = probe(made.file(clip.reel, file.name))
            video = next(stream for stream in answer["streams"] if stream["codec_type"] == "video")
            assert Fraction(video["r_frame_rate"]) == Fraction(video["avg_frame_rate"]) == rate.fraction
            assert int(video["nb_frames"]) == file.length
            assert abs(float(answer["format"]["duration"]) - file.length / rate.fraction) < 0.002
            assert (video["width"], video["height"]) == FRAME
            tracks = [stream for stream in answer["streams"] if stream["codec_tag_string"] == "tmcd"]
            found = [track["tags"]["timecode"] for track in tracks]
            assert found == ([str(timecode + done)] if timecode else [])
            assert (video.get("color_primaries"), video.get("color_transfer")) == ("bt709", "bt709")
            done += file.length


@needs_ffprobe
@pytest.mark.parametrize(
    ("reel", "name", "stamp"),
    [
        ("A001", "FERA0001.MOV", "2026-05-12T04:18:20.000000Z"),  # 05:18:20 in London, true UTC
        ("A001", "FERA0006.MOV", "2026-05-12T23:21:40.000000Z"),  # past midnight there, not yet in UTC
        ("B001", "GIM_0001.MP4", "2026-05-12T10:05:12.000000Z"),  # wall clock, called UTC: the fault meant
        ("D001", "DR010001.MP4", "2026-05-13T04:41:59.000000Z"),
    ],
)
def test_clocks_are_written_by_each_cameras_rule(made: Made, reel: str, name: str, stamp: str) -> None:
    assert probe(made.file(reel, name))["format"]["tags"]["creation_time"] == stamp


@needs_ffprobe
def test_interview_runs_on_from_one_file_into_the_next(made: Made) -> None:
    first, second = (probe(made.file("A001", f"FERA000{number}.MOV")) for number in (3, 4))
    rate = Rate(25)

    def start(answer: dict[str, Any]) -> Timecode:
        return Timecode.parse(answer["streams"][0]["tags"]["timecode"], rate)

    assert start(first) + int(first["streams"][0]["nb_frames"]) == start(second)


@needs_ffprobe
def test_drone_crosses_a_dropped_label(made: Made) -> None:
    """SMPTE ST 12-1: ;00 and ;01 of minute 42 do not exist, so the clip's last label is two further on."""
    (clip,) = [clip for clip in made.production.clips if clip.key == ("D001", "DR010001")]
    start = Timecode.parse(clip.timecode, Rate(30000, 1001))
    assert str(start) == "04:41:59;10"
    assert str(start + 20) == "04:42:00;02"
    assert probe(made.file("D001", "DR010001.MP4"))["streams"][0]["tags"]["timecode"] == "04:41:59;10"


def test_both_gimbal_cards_use_the_same_names_for_other_pictures(made: Made) -> None:
    first, second = (made.cards[reel].path for reel in ("B001", "B002"))
    names = sorted(path.relative_to(first) for path in first.rglob("*") if path.is_file())
    assert names == sorted(path.relative_to(second) for path in second.rglob("*") if path.is_file())
    assert len(names) == 6
    for name in names:
        assert (first / name).read_bytes() != (second / name).read_bytes()


def test_companions_belong_to_their_clip(made: Made) -> None:
    for reel in ("B001", "B002"):
        for media in made.cards[reel].path.rglob("*.MP4"):
            root = ElementTree.parse(media.with_suffix(".XML")).getroot()
            assert root.get("file") == media.name
            with Image.open(made.cards[reel].path / "THMB" / f"{media.stem}.JPG") as thumbnail:
                assert thumbnail.size == (160, 90)
    for media in made.cards["D001"].path.rglob("*.MP4"):
        times = re.findall(
            r"(\d\d):(\d\d):(\d\d),(\d{3})", media.with_suffix(".SRT").read_text(encoding="utf-8")
        )
        seconds = [int(h) * 3600 + int(m) * 60 + int(s) + int(ms) / 1000 for h, m, s, ms in times]
        assert seconds == sorted(seconds) and seconds[0] == 0
        with av.open(str(media)) as container:
            video = container.streams.video[0]
            assert abs(seconds[-1] - float(video.frames / (video.average_rate or 1))) < 0.001


def test_faulty_files_are_faulty(made: Made) -> None:
    empty = made.file("A003", "FERA0014.MOV")
    assert empty.stat().st_size == 0
    cut = made.file("A002", "FERA0010.MOV")
    content = cut.read_bytes()
    assert b"mdat" in content and b"moov" not in content
    for path in (empty, cut):
        with pytest.raises(av.error.InvalidDataError):
            av.open(str(path))
    with av.open(str(made.file("A003", "FERA0013.MOV"))) as container:
        assert not container.streams.video and len(container.streams.audio) == 1


# --- sound -----------------------------------------------------------------------------------------------


@needs_ffprobe
def test_ffprobe_reads_the_recorders_clock(made: Made) -> None:
    """EBU Tech 3285: TimeReference counts samples since midnight."""
    for reel in ("S001", "S002"):
        for clip in made.production.clips_of(reel):
            answer = probe(made.file(reel, clip.files[0].name))
            tags, (stream,) = answer["format"]["tags"], answer["streams"]
            midnight = clip.start.replace(hour=0, minute=0, second=0, microsecond=0)
            assert int(tags["time_reference"]) == (clip.start - midnight).total_seconds() * 48_000
            assert tags["date"] == f"{clip.start:%Y-%m-%d}"
            assert tags["creation_time"] == f"{clip.start:%H:%M:%S}"
            assert stream["codec_name"] == "pcm_s24le" and stream["channels"] == 2
            assert Fraction(stream["duration"]) == Fraction(clip.files[0].length, 48_000)


def test_bext_and_track_names_are_laid_out_as_published(made: Made) -> None:
    """EBU Tech 3285 version 1: 602 bytes of fixed fields, then the coding history. iXML names the tracks."""
    chunks = read_chunks(made.file("S002", "S002T01.WAV"))
    assert list(chunks) == [b"bext", b"iXML", b"fmt ", b"data"]
    bext = chunks[b"bext"]
    assert bext[320:330] == b"2026-05-13" and bext[330:338] == b"11:15:21"
    low, high, version = struct.unpack("<IIH", bext[338:348])
    assert (low, high, version) == (1_945_032_000, 0, 1)
    assert bext[602:] == b"A=PCM,F=48000,W=24,M=stereo,T=sound recorder\r\n"
    assert bext[:256].rstrip(b"\0").isascii()
    ixml = ElementTree.fromstring(chunks[b"iXML"])
    assert [name.text for name in ixml.iter("NAME")] == ["lav", "shotgun"]
    assert ixml.findtext("NOTE") == "Jürgen's interview, lav only"
    assert ixml.findtext("SPEED/TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO") == str(low)


def test_wave_files_hold_24_bits_at_48_kilohertz(made: Made) -> None:
    with wave.open(str(made.file("S001", "S001T01.WAV")), "rb") as file:
        assert (file.getframerate(), file.getsampwidth(), file.getnchannels()) == (48_000, 3, 2)
        assert file.getnframes() == 532_800


def test_second_channel_of_the_second_interview_is_dead(made: Made) -> None:
    """Under -70 dBFS is taken as no signal (common practice, no source)."""

    def level(samples: np.ndarray[Any, np.dtype[np.float64]]) -> float:
        return float(20 * np.log10(np.sqrt(np.mean(samples**2))))

    sound = read_sound(made.file("S002", "S002T01.WAV"))
    assert level(sound[:, 0]) > -30 and level(sound[:, 1]) < -70
    assert np.any(sound[:, 1] != 0)  # an input with nothing plugged in still hisses
    good = read_sound(made.file("S001", "S001T01.WAV"))
    # Words with pauses between them; the shotgun stands further off.
    assert level(good[:, 0]) > -30 and level(good[:, 1]) > -33
    assert -12 < 20 * np.log10(np.abs(good[:, 0]).max()) < -6


def test_recorder_and_camera_hear_the_same_words_at_the_same_time(made: Made) -> None:
    """Lining up by sound alone finds the offset that the two clocks claim."""
    lav = read_sound(made.file("S001", "S001T01.WAV"))[:, 0]
    camera = read_sound(made.file("A001", "FERA0003.MOV"))[:, 0]
    size = 1 << (len(lav) + len(camera)).bit_length()
    spectrum = np.fft.rfft(lav, size) * np.conj(np.fft.rfft(camera, size))
    offset = int(np.argmax(np.fft.irfft(spectrum, size)[: len(lav)]))
    claimed = (37_867_480 - 37_866_500) * 48  # 10:31:07:12 at 25 fps against 10:31:06.5
    assert 0 <= claimed - offset < 480  # the camera stands further off: under 10 ms later


# --- the package -----------------------------------------------------------------------------------------


def test_importing_does_nothing(tmp_path: Path) -> None:
    code = (
        "import importlib, pkgutil, sample_media\n"
        "for module in pkgutil.iter_modules(sample_media.__path__):\n"
        "    importlib.import_module('sample_media.' + module.name)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    assert list(tmp_path.iterdir()) == []
