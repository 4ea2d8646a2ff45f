"""Pairs found in a catalogue: real files on real drives, compared in a real child process."""

from __future__ import annotations

import datetime as dt
import wave
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from ingest.sound import measure
from ingest.sound.measure import Recording, measure_pair
from ingest.sound.syncing import Syncing, Told
from shared.catalogue.pairs import comparable_clips, confirm_pair, offset_text, pair_rows
from shared.db import Sessions, reading, writing
from shared.errors import ConflictError, MediaError, NotFoundError
from shared.models import Clip, ClipMedia, Production, SoundPair, SyncMethod, SyncState
from shared.settings import Settings, load_settings
from tests import factories as make
from tests.ingest.sound_signals import RATE, Microphone, Signal, record, speak

SHOT = dt.datetime(2026, 5, 12, 9, 30, tzinfo=dt.UTC)
CAMERA, LAPEL = Microphone(6, 0.4, 2, 0.1, 1), Microphone(20, 0.1, 10, 1.0, 2)


@pytest.fixture(scope="module")
def talk() -> Signal:
    return speak(60, 21)


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    return load_settings(home=tmp_path / "home", media_memory_mib=2048, media_seconds=60)


def keep(path: Path, samples: Signal) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(RATE)
        file.writeframes((samples * 32000).astype("<i2").tobytes())
    return path


class Shoot:
    """A production on one drive; a clip's sound is kept in files of its own."""

    def __init__(self, session: Session, drive: Path) -> None:
        self.session, self.drive = session, drive
        self.production: Production = make.make_production(session)
        self.reel = make.make_reel(session, self.production)
        self.destination = make.make_destination(session, str(drive))

    def clip(self, name: str, media: ClipMedia, at: float, *files: Signal) -> Clip:
        """A picture at 25 frames a second, or sound; `at`: seconds after SHOT by its clock."""
        count = sum(map(len, files))
        video = media is ClipMedia.VIDEO
        clip = make.make_clip(
            self.session,
            self.reel,
            f"{name}.WAV",
            media=media,
            shot_at=SHOT + dt.timedelta(seconds=at),
            rate_num=25 if video else RATE,
            frames=count * 25 // RATE if video else count,
        )
        members = [clip.files[0].file] if clip.files else []
        for ordinal, samples in enumerate(files):
            if ordinal >= len(members):
                file = make.make_file(self.session, self.reel, f"{name}-{ordinal}.WAV")
                make.make_clip_file(self.session, clip, file, ordinal=ordinal)
            else:
                file = members[ordinal]
            rates = {"rate_num": 25, "rate_den": 1, "frames": len(samples) * 25 // RATE}
            none = {"rate_num": None, "rate_den": None, "frames": None}
            make.make_facts(
                self.session,
                file,
                audio_channels=1,
                audio_rate=RATE,
                samples=len(samples),
                **(rates if video else none),
            )
            make.make_copy(self.session, file, self.destination)
            keep(self.drive / self.reel.folder / file.path, samples)
        return clip


@pytest.fixture
def shoot(session: Session, tmp_path: Path) -> Shoot:
    return Shoot(session, tmp_path / "drive")


def run(shoot: Shoot, catalogue: Sessions, settings: Settings) -> Told:
    shoot.session.commit()
    with reading(catalogue) as session:
        pictures, sounds = comparable_clips(session, shoot.production)
    return Syncing(catalogue, settings).all_of(pictures, sounds)


def only_pair(session: Session) -> SoundPair:
    return session.scalars(select(SoundPair).execution_options(populate_existing=True)).one()


def test_a_match_is_stored_to_the_sample(
    shoot: Shoot, catalogue: Sessions, settings: Settings, talk: Signal
) -> None:
    """The picture, in two files, begins 12.5 s into the sound; its clock is 7 s slow."""
    sound = record(talk, 0, 50, 0.0, LAPEL)
    heard = record(talk, 12.5, 20, 0.0, CAMERA)
    picture = shoot.clip("C0001", ClipMedia.VIDEO, 5.5, heard[: 8 * RATE], heard[8 * RATE :])
    recorder = shoot.clip("S0001", ClipMedia.AUDIO, 0, sound)
    told = run(shoot, catalogue, settings)
    assert told.problems == ()
    pair = only_pair(shoot.session)
    assert (pair.picture_clip_id, pair.sound_clip_id, pair.rate) == (picture.id, recorder.id, RATE)
    assert pair.offset_samples == pytest.approx(12.5 * RATE, abs=RATE / 1000)
    assert pair.overlap_ms == pytest.approx(20_000, abs=1)
    assert (pair.method, pair.state, pair.drift_ppb) == (SyncMethod.SOUND, SyncState.SUGGESTED, None)
    assert pair.confidence > 0.5
    (row,) = pair_rows(shoot.session, told.pair_ids)
    assert (row.picture, row.sound, row.offset_text) == ("A001/C0001", "A001/S0001", "+00:00:12.500")


def test_no_match_is_stored_as_one(
    shoot: Shoot, catalogue: Sessions, settings: Settings, talk: Signal
) -> None:
    shoot.clip("C0001", ClipMedia.VIDEO, 5, record(talk, 5, 15, 0.0, CAMERA))
    shoot.clip("S0001", ClipMedia.AUDIO, 0, record(speak(40, 77), 0, 40, 0.0, LAPEL))
    assert run(shoot, catalogue, settings).problems == ()
    pair = only_pair(shoot.session)
    assert (pair.state, pair.offset_samples, pair.drift_ppb) == (SyncState.NO_MATCH, None, None)
    assert pair.overlap_ms == 15_000, "what the clocks say"


def test_a_recording_that_the_clocks_put_elsewhere_is_tried_last(
    shoot: Shoot, catalogue: Sessions, settings: Settings, talk: Signal
) -> None:
    """The one beside it does not match, so one four minutes off is looked at; one beyond reach is not."""
    picture = shoot.clip("C0001", ClipMedia.VIDEO, 0, record(talk, 10, 15, 0.0, CAMERA))
    wrong = shoot.clip("S0001", ClipMedia.AUDIO, -5, record(speak(30, 78), 0, 30, 0.0, LAPEL))
    right = shoot.clip("S0002", ClipMedia.AUDIO, 240, record(talk, 0, 50, 0.0, LAPEL))
    shoot.clip("S0003", ClipMedia.AUDIO, 5000, record(talk, 0, 50, 0.0, LAPEL))
    run(shoot, catalogue, settings)
    pairs = {pair.sound_clip_id: pair for pair in shoot.session.scalars(select(SoundPair))}
    assert {key: pair.state for key, pair in pairs.items()} == {
        wrong.id: SyncState.NO_MATCH,
        right.id: SyncState.SUGGESTED,
    }
    assert pairs[right.id].picture_clip_id == picture.id
    assert pairs[right.id].offset_samples == pytest.approx(10 * RATE, abs=RATE / 1000)


def test_without_a_copy_at_hand_the_clocks_claim_is_kept_and_named(
    shoot: Shoot, catalogue: Sessions, settings: Settings, talk: Signal
) -> None:
    shoot.clip("C0001", ClipMedia.VIDEO, 5.25, record(talk, 5, 15, 0.0, CAMERA))
    shoot.clip("S0001", ClipMedia.AUDIO, 0, record(talk, 0, 40, 0.0, LAPEL))
    (shoot.drive / shoot.reel.folder / "S0001.WAV").unlink()
    told = run(shoot, catalogue, settings)
    assert len(told.problems) == 1 and "S0001" in told.problems[0]
    pair = only_pair(shoot.session)
    assert (pair.method, pair.confidence, pair.offset_samples) == (SyncMethod.CLOCK, 0.0, round(5.25 * RATE))


def test_what_a_person_confirmed_stays(
    shoot: Shoot, catalogue: Sessions, settings: Settings, talk: Signal
) -> None:
    picture = shoot.clip("C0001", ClipMedia.VIDEO, 5, record(talk, 5, 15, 0.0, CAMERA))
    sound = shoot.clip("S0001", ClipMedia.AUDIO, 0, record(talk, 0, 40, 0.0, LAPEL))
    with pytest.raises(NotFoundError, match="not compared"):
        confirm_pair(shoot.session, picture, sound)
    first = run(shoot, catalogue, settings)
    with writing(catalogue) as session:
        confirm_pair(session, picture, sound).offset_samples = 4321  # a person's own
    shoot.session.expire_all()
    assert run(shoot, catalogue, settings) == first
    pair = only_pair(shoot.session)
    assert (pair.state, pair.offset_samples) == (SyncState.CONFIRMED, 4321)


def test_no_match_can_not_be_confirmed(shoot: Shoot, talk: Signal) -> None:
    picture = shoot.clip("C0001", ClipMedia.VIDEO, 5, record(talk, 5, 5, 0.0, CAMERA))
    sound = shoot.clip("S0001", ClipMedia.AUDIO, 0, record(talk, 0, 5, 0.0, LAPEL))
    shoot.session.add(
        SoundPair(
            picture_clip_id=picture.id,
            sound_clip_id=sound.id,
            overlap_ms=0,
            rate=RATE,
            confidence=0.0,
            method=SyncMethod.SOUND,
            state=SyncState.NO_MATCH,
        )
    )
    with pytest.raises(ConflictError, match="do not match"):
        confirm_pair(shoot.session, picture, sound)


def test_a_pair_named_by_hand_needs_no_clock(
    shoot: Shoot, catalogue: Sessions, settings: Settings, talk: Signal
) -> None:
    picture = shoot.clip("C0001", ClipMedia.VIDEO, 0, record(talk, 20, 15, 0.0, CAMERA))
    sound = shoot.clip("S0001", ClipMedia.AUDIO, 0, record(talk, 0, 50, 0.0, LAPEL))
    picture.shot_at = None
    shoot.session.commit()
    told = Syncing(catalogue, settings).one(picture, sound)
    assert told.problems == ()
    assert only_pair(shoot.session).offset_samples == pytest.approx(20 * RATE, abs=RATE / 1000)


def test_a_pair_named_by_hand_is_found_though_a_clock_is_days_off(
    shoot: Shoot, catalogue: Sessions, settings: Settings, talk: Signal
) -> None:
    picture = shoot.clip("C0001", ClipMedia.VIDEO, 200_000, record(talk, 20, 15, 0.0, CAMERA))
    sound = shoot.clip("S0001", ClipMedia.AUDIO, 0, record(talk, 0, 50, 0.0, LAPEL))
    assert run(shoot, catalogue, settings) == Told((), ()), "by themselves they are no pair"
    assert Syncing(catalogue, settings).one(picture, sound).problems == ()
    assert only_pair(shoot.session).offset_samples == pytest.approx(20 * RATE, abs=RATE / 1000)


# -- the child process ----------------------------------------------------------------------------------


def recording(path: Path, seconds: int = 10) -> Recording:
    return Recording(((path, Fraction(0)),), Fraction(seconds))


def test_a_file_that_does_not_decode_is_named(tmp_path: Path, settings: Settings, talk: Signal) -> None:
    good, bad = keep(tmp_path / "good.wav", talk[: 10 * RATE]), tmp_path / "bad.wav"
    bad.write_bytes(b"RIFF\0\0\0\0WAVE" + bytes(1000))
    with pytest.raises(MediaError, match="sound file"):
        measure_pair(recording(good), recording(bad), Fraction(0), Fraction(60), settings)
    with pytest.raises(MediaError, match="picture's sound"):
        measure_pair(recording(bad), recording(good), Fraction(0), Fraction(60), settings)


def test_a_child_that_dies_or_lingers_is_an_error_and_no_hang(
    tmp_path: Path, settings: Settings, talk: Signal, monkeypatch: pytest.MonkeyPatch
) -> None:
    good = recording(keep(tmp_path / "good.wav", talk[: 10 * RATE]))
    starved = settings.model_copy(update={"media_memory_mib": 64})
    with pytest.raises(MediaError):
        measure_pair(good, good, Fraction(0), Fraction(60), starved)
    monkeypatch.setattr(measure, "_GRACE_SECONDS", 0)
    hurried = settings.model_copy(update={"media_seconds": 0})
    short = replace(good, seconds=Fraction(1))  # the limit grows with the length
    with pytest.raises(MediaError, match="longer than"):
        measure_pair(short, short, Fraction(0), Fraction(60), hurried)


def test_what_can_not_meet_within_reach_is_no_match(tmp_path: Path, settings: Settings, talk: Signal) -> None:
    good = recording(keep(tmp_path / "good.wav", talk[: 10 * RATE]))
    found = measure_pair(good, good, Fraction(3600), Fraction(60), settings)
    assert found.offset is None and "further apart" in found.why


@pytest.mark.parametrize(
    "raw",
    [
        b"",
        b"[]",
        b"{}",
        b'{"offset": NaN, "drift": null, "confidence": 1, "agreeing": 1, "tested": 1}',
        b'{"offset": 1e300, "drift": null, "confidence": 1, "agreeing": 1, "tested": 1}',
        b'{"offset": 1, "drift": 5, "confidence": 1, "agreeing": 1, "tested": 1}',
        b'{"offset": 1, "drift": null, "confidence": 2, "agreeing": 1, "tested": 1}',
        b'{"offset": true, "drift": null, "confidence": 1, "agreeing": 1, "tested": 1}',
        b'{"none": "x"}',
        b"{" * 100_000,
    ],
)
def test_an_answer_no_sound_child_gives_is_refused(raw: bytes) -> None:
    with pytest.raises(MediaError, match="no sensible answer"):
        measure._read_answer(raw)


def test_long_recordings_are_compared_where_they_can_meet(tmp_path: Path, settings: Settings) -> None:
    """Only what the clocks allow is decoded: the first minutes of both are elsewhere and not compared."""
    source = speak(30, 31)
    quiet = np.zeros(120 * RATE, np.float32)
    picture = keep(tmp_path / "p.wav", np.concatenate((quiet, record(source, 3, 20, 0.0, CAMERA))))
    sound = keep(tmp_path / "s.wav", record(source, 0, 30, 0.0, LAPEL))
    found = measure_pair(recording(picture, 140), recording(sound, 30), Fraction(-117), Fraction(5), settings)
    assert found.offset is not None
    assert float(found.offset) == pytest.approx(-117.0, abs=0.001)


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (Fraction(0), "+00:00:00.000"),
        (Fraction(-1, 10_000), "+00:00:00.000"),
        (Fraction(-1, 1000), "-00:00:00.001"),
        (Fraction(59_9996, 10_000), "+00:01:00.000"),
        (Fraction(-3_723_456, 1000), "-01:02:03.456"),
    ],
)
def test_an_offset_reads_as_a_clock(seconds: Fraction, text: str) -> None:
    assert offset_text(seconds) == text
