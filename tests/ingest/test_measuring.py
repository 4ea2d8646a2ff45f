"""Measuring beside the copy: what is measured of which file, what is kept, and what a failure leaves."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from concurrent.futures import Future
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from sqlalchemy import delete, select

from ingest.findings import judge_clips
from ingest.measure.picture_numbers import PictureMeasured
from ingest.measure.sound_numbers import SoundMeasured
from ingest.measurements import VERSIONS, kinds_of, list_wanted, seconds_of
from ingest.measuring import Measuring, measure_clips
from ingest.media.facts import Described, Facts
from ingest.media.pool import MediaPool
from ingest.orders import Nobody, OffloadOrder
from ingest.pipeline import run_offload
from shared.db import Sessions, reading, writing
from shared.finding_limits import SoundLimits
from shared.models import Clip, File, Finding, MeasureKind, Measurement
from shared.models.measures import READ_VERSIONS
from shared.settings import Settings, load_settings
from tests.ingest.media_support import needs_ffmpeg, run_ffmpeg

VIDEO = Facts(
    video_codec="h264", rate_num=25, rate_den=1, frames=100, width=3840, height=2160, audio_codec="aac"
)
SMALL = Facts(video_codec="h264", rate_num=25, rate_den=1, frames=100, width=1280, height=720)


class Asked:
    """A pool that only writes down what it is asked, and answers at once."""

    def __init__(self) -> None:
        self.asked: list[tuple[str, str]] = []

    def measure_picture(self, path: Path, facts: Facts, seconds: float) -> Future[PictureMeasured]:
        self.asked.append(("picture", path.name))
        future: Future[PictureMeasured] = Future()
        future.set_result(PictureMeasured(None, "not in this test"))
        return future

    def measure_sound(self, path: Path, seconds: float) -> Future[SoundMeasured]:
        self.asked.append(("sound", path.name))
        future: Future[SoundMeasured] = Future()
        future.set_result(SoundMeasured())
        return future


@contextmanager
def measuring_of(*names: str, sizes: dict[str, int] | None = None) -> Iterator[tuple[Asked, Measuring]]:
    pool = Asked()
    ids = {name.encode(): number for number, name in enumerate(names, 1)}
    by_path = {name.encode(): size for name, size in (sizes or {}).items()}
    with closing(Measuring(pool, ids, by_path)) as measuring:
        yield pool, measuring


def tell(measuring: Measuring, name: str, facts: Facts | None) -> None:
    measuring.described(name.encode(), Path("/copies") / name, Described(facts))


# -- which file is measured ----------------------------------------------------------------------


def test_a_take_alone_is_measured_as_soon_as_it_is_described() -> None:
    with measuring_of("CLIP/C0001.MP4", "CLIP/C0002.MP4") as (pool, measuring):
        tell(measuring, "CLIP/C0001.MP4", VIDEO)
        assert pool.asked == [("picture", "C0001.MP4"), ("sound", "C0001.MP4")]
        tell(measuring, "CLIP/C0001.MP4", VIDEO)
        assert len(pool.asked) == 2, "each once"


def test_a_proxy_with_as_many_pictures_is_measured_in_its_place() -> None:
    with measuring_of("CLIP/C0001.MP4", "SUB/C0001S03.MP4") as (pool, measuring):
        tell(measuring, "CLIP/C0001.MP4", VIDEO)
        assert pool.asked == [], "it waits for its proxy"
        tell(measuring, "SUB/C0001S03.MP4", SMALL)
        assert pool.asked == [("picture", "C0001S03.MP4"), ("sound", "C0001.MP4")]


@pytest.mark.parametrize(
    "proxy",
    [
        None,  # unreadable
        Facts(video_codec="h264", rate_num=25, rate_den=1, frames=99),
        Facts(video_codec="h264", rate_num=50, rate_den=1, frames=100),
        Facts(video_codec="h264", rate_num=25, rate_den=1),
    ],
)
def test_another_proxy_is_not(proxy: Facts | None) -> None:
    with measuring_of("CLIP/C0001.MP4", "SUB/C0001S03.MP4") as (pool, measuring):
        tell(measuring, "SUB/C0001S03.MP4", proxy)
        tell(measuring, "CLIP/C0001.MP4", VIDEO)
        assert pool.asked == [("picture", "C0001.MP4"), ("sound", "C0001.MP4")]


def test_an_unmarked_twin_is_known_by_its_frames() -> None:
    sizes = {"A/C0001.MOV": 9000, "B/C0001.MP4": 100}
    with measuring_of(*sizes, sizes=sizes) as (pool, measuring):
        tell(measuring, "A/C0001.MOV", VIDEO)
        tell(measuring, "B/C0001.MP4", SMALL)
        assert pool.asked == [("picture", "C0001.MP4"), ("sound", "C0001.MOV")]


def test_takes_that_share_a_name_by_chance_are_each_measured() -> None:
    with measuring_of("DCIM/100FERRY/C0001.MOV", "DCIM/101FERRY/C0001.MOV") as (pool, measuring):
        tell(measuring, "DCIM/100FERRY/C0001.MOV", VIDEO)
        tell(measuring, "DCIM/101FERRY/C0001.MOV", VIDEO)
        assert [kind for kind, _ in pool.asked] == ["picture", "sound"] * 2


def test_what_has_neither_picture_nor_sound_is_left_alone() -> None:
    assert kinds_of(Facts(video_codec="jpeg")) == ()
    assert kinds_of(Facts(audio_codec="pcm", audio_rate=48_000, samples=96_000)) == (MeasureKind.SOUND,)
    assert seconds_of(Facts(audio_codec="pcm", audio_rate=48_000, samples=96_000)) == 2
    assert seconds_of(VIDEO) == 4
    with measuring_of("A.MP4") as (pool, measuring):
        tell(measuring, "A.MP4", None)
        assert pool.asked == []


def test_the_service_reads_what_is_written_here() -> None:
    assert READ_VERSIONS == VERSIONS


# -- a whole offload ------------------------------------------------------------------------------


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    return load_settings(home=tmp_path / "home")


@pytest.fixture(scope="module")
def made_card(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A take with a dead second channel and a proxy, one black throughout, one cut short, one of sound."""
    if shutil.which("ffmpeg") is None:
        pytest.skip("the command ffmpeg is not installed: no independent maker of media")
    card = tmp_path_factory.mktemp("made") / "card"
    (card / "CLIP").mkdir(parents=True)
    (card / "SUB").mkdir()
    noise = "noise=alls=10:allf=t"
    picture = ("-f", "lavfi", "-i", f"testsrc2=s=640x360:r=25:d=4,{noise}")
    sound = ("-f", "lavfi", "-i", "aevalsrc=0.1*sin(2*PI*440*t)|0:c=stereo:s=48000:d=4")
    codec = ("-c:v", "libx264", "-preset", "ultrafast", "-pix_fmt", "yuv420p")
    take = card / "CLIP" / "C0001.MOV"
    run_ffmpeg(*picture, *sound, *codec, "-c:a", "pcm_s16le", "-t", "4", take)
    run_ffmpeg("-i", take, "-an", "-vf", "scale=320:180", *codec, card / "SUB" / "C0001S03.MP4")
    dark = f"color=c=0x0a0a0a:s=320x180:r=25:d=3,{noise}"
    run_ffmpeg("-f", "lavfi", "-i", dark, *codec, card / "CLIP" / "C0002.MOV")
    run_ffmpeg(*sound, "-c:a", "pcm_s16le", card / "CLIP" / "S0001.WAV")
    whole = take.read_bytes()
    (card / "CLIP" / "C0003.MOV").write_bytes(whole[: len(whole) // 3])
    for number, path in enumerate(sorted(card.rglob("*.*"))):
        os.utime(path, (1_778_600_000 + number, 1_778_600_000 + number))
    return card


@pytest.fixture
def order(made_card: Path, tmp_path: Path) -> OffloadOrder:
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
    return OffloadOrder(card=made_card, to=(tmp_path / "one", tmp_path / "two"), camera="A")


def measured(catalogue: Sessions) -> dict[tuple[str, str], tuple[str | None, bool]]:
    """(path, kind) → (the proxy read, whether there are numbers)."""
    with reading(catalogue) as session:
        return {
            (row.file.path, row.kind.value): (
                None if row.read_from is None else row.read_from.path,
                row.numbers is not None,
            )
            for row in session.scalars(select(Measurement))
        }


def found(catalogue: Sessions) -> set[tuple[str, str, int | None]]:
    with reading(catalogue) as session:
        return {
            (row.clip.name, row.code, row.channel)
            for row in session.scalars(select(Finding).where(Finding.clip_id.is_not(None)))
            if row.clip is not None
        }


@needs_ffmpeg
def test_an_offload_measures_and_judges(order: OffloadOrder, settings: Settings, catalogue: Sessions) -> None:
    report = run_offload(order, settings, catalogue)
    assert report.exit_code == 0, "a fault in a take is no fault of the copy"
    assert measured(catalogue) == {
        ("CLIP/C0001.MOV", "picture"): ("SUB/C0001S03.MP4", True),
        ("CLIP/C0001.MOV", "sound"): (None, True),
        ("CLIP/C0002.MOV", "picture"): (None, True),
        ("CLIP/S0001.WAV", "sound"): (None, True),
    }
    there = found(catalogue)
    assert {
        ("CLIP/C0001", "sound-digital-zero", 2),
        ("CLIP/C0002", "lens-covered", None),
        ("CLIP/S0001", "sound-digital-zero", 2),
    } <= there
    faults = {(one.path, one.kind) for one in report.problems}
    assert {("CLIP/C0001.MOV", "media"), ("CLIP/C0002.MOV", "media")} <= faults
    with reading(catalogue) as session:
        row = session.scalars(select(Finding).where(Finding.code == "lens-covered")).one()
        assert row.message and row.rule and row.value is not None and row.unit and row.file_id


@needs_ffmpeg
def test_what_the_pool_has_no_room_for_is_measured_at_the_end(
    order: OffloadOrder, settings: Settings, catalogue: Sessions, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("ingest.measuring.AHEAD", 0)
    monkeypatch.setattr("ingest.measuring.CLIPS_AT_ONCE", 1)
    said: list[str] = []

    class Following(Nobody):
        def say(self, text: str) -> None:
            said.append(text)

    run_offload(order, settings, catalogue, Following())
    assert "copied and logged; measuring picture and sound, 0 of 4 done meanwhile" in said
    assert ("CLIP/C0001.MOV", "picture") in measured(catalogue) and len(measured(catalogue)) == 4
    assert measured(catalogue)["CLIP/C0001.MOV", "picture"] == ("SUB/C0001S03.MP4", True)


@needs_ffmpeg
def test_what_cannot_be_measured_is_a_finding_and_loses_no_clip(
    order: OffloadOrder, settings: Settings, catalogue: Sessions, monkeypatch: pytest.MonkeyPatch
) -> None:
    def hurt(self: MediaPool, *_: object) -> Future[PictureMeasured]:
        # Killed as by a hostile file: the real child, told to read its own memory as a clip.
        return real(self, Path("/proc/self/mem"), Facts(frames=1), 1.0)

    real = MediaPool.measure_picture
    monkeypatch.setattr(MediaPool, "measure_picture", hurt)
    report = run_offload(order, settings, catalogue)
    assert report.state == "done"
    with reading(catalogue) as session:
        assert len(session.scalars(select(Clip)).all()) == 4
        rows = session.scalars(select(Finding).where(Finding.code == "picture-unmeasured")).all()
        assert len(rows) == 2 and all("can't be opened" in row.message or row.message for row in rows)
        assert {row.rule for row in rows} == {"The picture of every clip can be measured."}


@needs_ffmpeg
def test_measuring_can_be_switched_off(order: OffloadOrder, tmp_path: Path, catalogue: Sessions) -> None:
    run_offload(order, load_settings(home=tmp_path / "home", measure=False), catalogue)
    assert measured(catalogue) == {}
    assert not [one for one in found(catalogue) if one[1].startswith("sound-")]


@needs_ffmpeg
def test_a_later_run_measures_what_an_earlier_one_did_not(
    order: OffloadOrder, settings: Settings, tmp_path: Path, catalogue: Sessions
) -> None:
    run_offload(order, load_settings(home=tmp_path / "home", measure=False), catalogue)
    run_offload(order, settings, catalogue)
    assert len(measured(catalogue)) == 4
    assert ("CLIP/C0001", "sound-digital-zero", 2) in found(catalogue)


@needs_ffmpeg
def test_clips_logged_before_are_measured_from_the_copies_at_hand(
    order: OffloadOrder, settings: Settings, tmp_path: Path, catalogue: Sessions
) -> None:
    run_offload(order, load_settings(home=tmp_path / "home", measure=False), catalogue)
    shutil.move(tmp_path / "one", tmp_path / "away")
    (tmp_path / "two" / next(iter(_copies(tmp_path / "two", "S0001.WAV")))).unlink()
    with reading(catalogue) as session:
        ids = list(session.scalars(select(Clip.id)))
    pool = MediaPool(settings, measuring=True)
    with closing(Measuring(pool, {}, {})) as measuring, pool:
        assert measure_clips(measuring, catalogue, ids, Nobody().tick) == 1
    assert len(measured(catalogue)) == 3
    with reading(catalogue) as session:
        (left,) = list_wanted(session, ids)
        assert session.get_one(File, left.file_id).path == "CLIP/S0001.WAV"


def _copies(folder: Path, name: str) -> list[Path]:
    return [path.relative_to(folder) for path in folder.rglob(name)]


@needs_ffmpeg
def test_limits_change_the_findings_without_measuring_again(
    order: OffloadOrder, settings: Settings, tmp_path: Path, catalogue: Sessions
) -> None:
    run_offload(order, settings, catalogue)
    shutil.rmtree(tmp_path / "one")
    shutil.rmtree(tmp_path / "two")
    never = load_settings(home=tmp_path / "home", sound_limits=SoundLimits(zero_share=1.1, silent_share=1.1))
    with writing(catalogue) as session:
        ids = list(session.scalars(select(Clip.id)))
        again = judge_clips(session, ids, settings)
        assert again.clips == 3 and again.added == 0 and again.removed == 0 and again.kept > 0
        row = session.scalars(select(Finding).where(Finding.code == "lens-covered")).one()
        row.dismissed = "the cap stays on: it is the room tone"
        session.flush()
        judged = judge_clips(session, ids, never)
        assert judged.removed >= 2
    assert not [one for one in found(catalogue) if one[1] == "sound-digital-zero"]
    with writing(catalogue) as session:
        judge_clips(session, ids, settings)
        row = session.scalars(select(Finding).where(Finding.code == "lens-covered")).one()
        assert row.dismissed == "the cap stays on: it is the room tone"
    assert ("CLIP/C0001", "sound-digital-zero", 2) in found(catalogue)


@needs_ffmpeg
def test_numbers_of_another_version_are_taken_anew(
    order: OffloadOrder, settings: Settings, catalogue: Sessions
) -> None:
    run_offload(order, settings, catalogue)
    with writing(catalogue) as session:
        for row in session.scalars(select(Measurement)):
            row.version = 0
        session.execute(delete(Finding))
        ids = list(session.scalars(select(Clip.id)))
        session.flush()
        assert judge_clips(session, ids, settings).added == 0, "old numbers say nothing"
        assert len(list_wanted(session, ids)) == 3
