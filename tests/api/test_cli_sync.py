"""`sync`, `channels` and `log ch1=…` on the sample cards: an interview and the recorder beside it."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from api.cli.app import Root
from api.cli.demonstration import pair_sound
from sample_media.production import load_production
from sample_media.recipe import make_card
from shared.errors import EXIT_PARTIAL, EXIT_USAGE
from shared.settings import load_settings
from tests.api.shell import Shell

# By sample_media: the lavalier hears a voice after 30 samples, the camera's left microphone after 290.
CAMERA_LATER = 290 - 30


@pytest.fixture(scope="module")
def shell(tmp_path_factory: pytest.TempPathFactory) -> Shell:
    folder = tmp_path_factory.mktemp("sync")
    sample = load_production()
    shell = Shell(folder / "home")
    shell.run("new", sample.name, "--rate", "25", "--zone", sample.zone)
    (folder / "drive").mkdir()
    for card in sample.cards:
        if card.reel not in ("A001", "S001"):
            continue
        rule = next(camera.zone_rule for camera in sample.cameras if camera.letter == card.camera)
        shell.run("camera", card.camera, "--clock", rule)
        make_card(sample, card, folder / card.reel)
        shell.run(
            *("offload", folder / card.reel, "--to", folder / "drive", "--camera", card.camera),
            *("--reel", card.reel),
        )
    return shell


@pytest.mark.slow
def test_the_interview_matches_its_recording_to_the_sample(shell: Shell) -> None:
    told = shell.json("sync")
    assert told["problems"] == []
    pairs = {(one["picture"], one["sound"]): one for one in told["pairs"]}
    found = pairs["A001/FERA0003", "S001/S001T01"]
    sample = load_production()
    picture, sound = (
        next(clip for clip in sample.clips if clip.files[0].name == name)
        for name in ("FERA0003.MOV", "S001T01.WAV")
    )
    claimed = round((picture.start - sound.start).total_seconds() * 48_000)
    assert abs(found["offset_samples"] - (claimed - CAMERA_LATER)) <= 48, "a millisecond"
    assert abs(found["offset_samples"] - claimed) <= 480, "within 10 ms of what the clocks claim"
    assert (found["rate"], found["state"], found["method"]) == (48_000, "suggested", "sound")
    assert found["overlap_ms"] == sum(file.length for file in picture.files) * 1000 // 25
    # The room tone of the same wheelhouse is no recording of the interview.
    assert [one for one in pairs if one[1] == "S001/S001T02" and pairs[one]["state"] != "no-match"] == []


@pytest.mark.slow
def test_the_demo_says_what_runs_together_and_hands_it_over(
    shell: Shell, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pair_sound(Root(load_settings(home=shell.home)))
    said = capsys.readouterr().out
    assert "A001/FERA0003" in said and "S001/S001T01" in said and "suggested" in said
    shell.run("handover", "--to", tmp_path)
    (table,) = tmp_path.rglob("pairs.csv")
    first, *others = csv.DictReader(table.read_text(encoding="utf-8-sig").splitlines())
    assert (first["picture"], first["sound"], first["found by"]) == ("A001/FERA0003", "S001/S001T01", "sound")
    assert abs(float(first["offset seconds"]) - 0.98) < 0.01 and others == []


@pytest.mark.slow
def test_a_pair_is_named_confirmed_and_refused(shell: Shell) -> None:
    shown = shell.run("sync", "--pair", "S001T01", "FERA0003").stdout
    assert "A001/FERA0003" in shown and "+00:00:00.97" in shown
    confirmed = shell.json("sync", "--confirm", "--pair", "FERA0003", "S001T01")
    assert [one["state"] for one in confirmed["pairs"]] == ["confirmed"]
    assert [one["state"] for one in shell.json("sync", "--pair", "FERA0003", "S001T01")["pairs"]] == [
        "confirmed"
    ]
    for words in (
        ("--confirm",),
        ("--pair", "FERA0003", "FERA0005"),
        ("interview", "--pair", "FERA0003", "S001T01"),
        ("--within", "-1"),
    ):
        shell.run("sync", *words, expect=EXIT_USAGE)


@pytest.mark.slow
def test_without_its_drive_a_pair_is_not_compared_and_says_so(shell: Shell) -> None:
    drive = shell.home.parent / "drive"
    away = drive.rename(drive.with_name("away"))
    try:
        told = shell.run("sync", "--pair", "FERA0005", "S001T02", expect=EXIT_PARTIAL)
    finally:
        away.rename(drive)
    assert "not compared" in told.stderr and "no verified copy" in told.stderr


@pytest.mark.slow
def test_channels_are_suggested_by_the_file_and_said_by_a_person(shell: Shell) -> None:
    before = shell.json("channels", "S001T01")
    assert [(one["channel"], one["track"], one["kind"], one["source"]) for one in before] == [
        (1, "lav", "lav", "file"),
        (2, "shotgun", "boom", "file"),
    ]
    shell.run("log", "S001T01", 'ch1=lav:"Nell Harrowby"', "ch2=shotgun", "note=clean")
    after = shell.json("channels", "S001T01")
    assert [(one["microphone"], one["person"], one["source"]) for one in after] == [
        ("Lavalier", "Nell Harrowby", "log"),
        ("Boom or shotgun", None, "log"),
    ]
    assert "Nell Harrowby" in shell.run("channels", "S001T01").stdout
    shell.run("log", "S001T01", "ch3=lav", expect=EXIT_USAGE)
    assert shell.json("find", "clean")["total"] == 1
