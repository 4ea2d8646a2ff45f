"""What the hand-over says of sound and of time: channels, the sync map, how stamps and labels were read."""

from __future__ import annotations

from pathlib import Path

import pytest
from sqlalchemy.orm import Session

from api.handover.edl import FOLDER as EDIT_LISTS
from shared.models import ChannelSource, Clip, ClipMedia, FileRole, Production, SyncMethod, SyncState
from tests.api.handover_cases import Scene, read_csv, read_json
from tests.factories import make_channel, make_entry, make_lens, make_microphone, make_pair, make_person


@pytest.fixture
def scene(session: Session, production: Production, tmp_path: Path) -> Scene:
    return Scene(session, production, tmp_path)


@pytest.fixture
def picture(scene: Scene) -> Clip:
    return scene.add_clip(scene.add_reel("B001"), "C0001.MOV", facts={"audio_channels": 1})


@pytest.fixture
def sound(scene: Scene) -> Clip:
    tracks = [{"channel": 1, "name": "lav", "function": ""}, {"channel": 2, "name": "Boom", "function": ""}]
    facts = {"samples": 480_000, "audio_rate": 48_000, "audio_channels": 2, "more": {"tracks": tracks}}
    return scene.add_clip(
        scene.add_reel("S001"),
        "T001.WAV",
        media=ClipMedia.AUDIO,
        rate_num=48_000,
        frames=480_000,
        facts=facts,
    )


def test_people_on_a_channel_are_in_the_shot_log(scene: Scene, sound: Clip) -> None:
    session, production = scene.session, scene.production
    nell, ada = (make_person(session, production, name) for name in ("Nell Harrowby", "Ada Wren"))
    make_channel(
        session, sound, microphone_id=make_microphone(session, production, kind="lav").id, person_id=nell.id
    )
    make_entry(session, sound, people=[ada, nell])
    report = scene.hand_over(sound)
    (row,) = read_csv(report)
    assert row["who"] == "Ada Wren; Nell Harrowby", "each once"
    assert row["channels"] == "1: Lavalier 1, Nell Harrowby; 2: boom (by the file)"
    (twin,) = read_json(report)["clips"]
    assert twin["channels"][0] == {
        "channel": 1, "track": "", "microphone": "Lavalier 1", "kind": "lav", "person": "Nell Harrowby",
        "source": "log",
    }  # fmt: skip
    assert (twin["channels"][1]["track"], twin["channels"][1]["source"]) == ("Boom", "file")


def test_who_the_file_alone_names_is_a_suggestion(scene: Scene, sound: Clip) -> None:
    nell = make_person(scene.session, scene.production, "Nell Harrowby")
    make_channel(scene.session, sound, person_id=nell.id, source=ChannelSource.FILE)
    (row,) = read_csv(scene.hand_over(sound))
    assert row["who"] == "" and row["channels"].startswith("1: Nell Harrowby (by the file)")


def test_the_sync_map_is_exact_and_says_what_it_rests_on(scene: Scene, picture: Clip, sound: Clip) -> None:
    make_pair(scene.session, picture, sound, offset_samples=-72_001, drift_ppb=12_500)
    report = scene.hand_over(picture, sound)
    twin = read_json(report)
    assert "offset_samples + p * rate * (1 + drift_ppb / 10**9)" in twin["sync_rule"]
    (pair,) = twin["sync"]
    assert (pair["picture_id"], pair["sound_id"]) == (picture.id, sound.id)
    assert {clip["clip_id"] for clip in twin["clips"]} == {picture.id, sound.id}
    assert (pair["offset_samples"], pair["rate"], pair["drift_ppb"]) == (-72_001, 48_000, 12_500)
    assert (pair["offset"], pair["state"], pair["method"]) == ("-00:00:01.500", "suggested", "sound")
    rows = {row["file name"]: row["in sync with"] for row in read_csv(report)}
    assert rows == {
        "C0001.MOV": "S001/T001: picture at -00:00:01.500 of the sound (suggested)",
        "T001.WAV": "B001/C0001: picture at -00:00:01.500 of the sound (suggested)",
    }


def test_a_sound_left_out_of_the_hand_over_is_named_all_the_same(
    scene: Scene, picture: Clip, sound: Clip
) -> None:
    make_pair(scene.session, picture, sound, method=SyncMethod.CLOCK, state=SyncState.CONFIRMED)
    report = scene.hand_over(picture)
    assert [pair["sound"] for pair in read_json(report)["sync"]] == ["S001/T001"]
    assert read_csv(report)[0]["in sync with"].endswith("(confirmed, by the clocks alone)")


def test_what_does_not_match_is_in_no_map(scene: Scene, picture: Clip, sound: Clip) -> None:
    make_pair(scene.session, picture, sound, offset_samples=None, state=SyncState.NO_MATCH)
    report = scene.hand_over(picture, sound)
    assert read_json(report)["sync"] == []
    assert {row["in sync with"] for row in read_csv(report)} == {""}


def test_how_a_time_was_read_stands_beside_it(scene: Scene) -> None:
    clip = scene.add_clip(
        scene.add_reel("A001"), "C0001.MOV", rate_num=50, start_frame=180_040,
        shot_source="movie header: start", shot_read_as="local", shot_correction_ms=-3_603_000,
        capture_num=100, capture_den=1,
        facts={
            "recorded_raw": "2026-05-12 14:03:10 UTC", "timecode_source": "timecode track",
            "more": {"timecode_counts": "pairs"},
        },
    )  # fmt: skip
    (row,) = read_csv(scene.hand_over(clip))
    assert {name: row[name] for name in ("stamp", "stamp from", "stamp read as")} == {
        "stamp": "2026-05-12 14:03:10 UTC",
        "stamp from": "movie header: start",
        "stamp read as": "local, corrected by −1 h 0 min 3 s",
    }
    assert (row["timecode from"], row["timecode of the file counts"]) == ("timecode track", "pairs")
    assert (row["duration seconds"], row["real seconds"]) == ("2.000", "1.000")


@pytest.mark.parametrize(
    ("focal", "own", "said"),
    [((35, 35), {}, "35 (assumed, by the kit list)"), ((24, 70), {}, ""),
     ((35, 35), {"lens": {"focal_length": "34.5"}}, "34.5")],
)  # fmt: skip
def test_a_fixed_lens_of_the_kit_list_fills_the_focal_length(
    scene: Scene, focal: tuple[int, int], own: dict[str, object], said: str
) -> None:
    lens = make_lens(scene.session, scene.production, focal_min_mm=focal[0], focal_max_mm=focal[1])
    clip = scene.add_clip(
        scene.add_reel("A001"), "C0001.MOV", lens_id=lens.id, lens_assumed=True, facts={"more": own}
    )
    assert read_csv(scene.hand_over(clip))[0]["focal length"] == said


def test_a_proxy_alone_is_named_and_is_on_no_timeline(scene: Scene, picture: Clip) -> None:
    lone = scene.add_clip(scene.add_reel("C001"), "C0009.LRV", start_frame=0)
    lone.files[0].role = FileRole.PROXY
    report = scene.hand_over(picture, lone)
    assert [row["file name"] for row in read_csv(report)] == ["C0001.MOV", "C0009.LRV"]
    assert any("only a proxy" in gap and "C0009" in gap for gap in report.missing)
    for path in (report.folder / "timeline.otio", *(report.folder / EDIT_LISTS).glob("*.edl")):
        assert "C0009.LRV" not in path.read_text() and "C0001.MOV" in path.read_text()
