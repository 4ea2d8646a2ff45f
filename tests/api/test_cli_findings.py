"""`findings`, `dismiss`, `judge` and `log --accept`, as a person at a terminal uses them."""

from __future__ import annotations

from pathlib import Path

import pytest

from shared.catalogue.text import refresh_text
from shared.db import make_sessions, open_catalogue, writing
from shared.errors import EXIT_ERROR, EXIT_USAGE
from shared.vocabulary import Vocabulary
from tests.api.measured import measure_clip
from tests.api.shell import Shell
from tests.factories import make_clip, make_day, make_facts, make_finding, make_production, make_reel


@pytest.fixture
def shell(tmp_path: Path, vocabulary: Vocabulary) -> Shell:
    """A clip that was measured, whose second channel is dead, and one that never was."""
    engine = open_catalogue(f"sqlite:///{tmp_path / 'home' / 'catalogue.db'}")
    with writing(make_sessions(engine)) as session:
        production = make_production(session)
        day = make_day(session, production)
        reel = make_reel(session, production, day_id=day.id)
        clips = [
            make_clip(session, reel, name, frames=275, start_frame=None, day_id=day.id)
            for name in ("rope.MP4", "lantern.MP4")
        ]
        make_facts(session, clips[0].files[0].file, frames=275, audio_codec="pcm_s16le")
        make_facts(session, clips[1].files[0].file)
        measure_clip(session, clips[0])
        make_finding(session, clips[1], code="shaky", message="The framing shakes.", value=0.9, unit="%")
        refresh_text(session, [clip.id for clip in clips], vocabulary)
    engine.dispose()
    return Shell(tmp_path / "home")


def codes(shell: Shell, *words: str) -> list[str]:
    return [one["code"] for one in shell.json("findings", *words)]


def test_findings_name_clip_place_number_and_rule(shell: Shell) -> None:
    (hunting, shaky) = shell.json("findings")
    assert hunting["clip"]["name"] == "rope" and hunting["where"] == "0:04.0–0:07.9"
    assert (hunting["value"], hunting["unit"]) == (1.0, "Hz") and "0.3 to 4 Hz" in hunting["rule"]
    assert (shaky["where"], shaky["in_frame"]) == ("", None)
    assert codes(shell, "name:lantern") == ["shaky"]
    assert codes(shell, "--code", "focus-hunting") == ["focus-hunting"]
    shown = shell.run("findings").stdout
    assert "0:04.0–0:07.9" in shown and "focus-hunting: Focus hunts in the middle" in shown


def test_a_finding_is_dismissed_for_a_reason_and_comes_back(shell: Shell) -> None:
    number = shell.json("findings", "--code", "shaky")[0]["id"]
    assert "say why" in shell.run("dismiss", str(number), expect=EXIT_USAGE).stderr
    shell.run("dismiss", str(number), "--because", "shot from the boat")
    assert codes(shell) == ["focus-hunting"]
    assert "Dismissed: shot from the boat" in shell.run("findings", "--all").stdout
    assert shell.json("find", "finding:shaky")["total"] == 0
    assert "shot from the boat" in shell.run("changes").stdout
    shell.run("undo")
    assert codes(shell) == ["focus-hunting", "shaky"]
    shell.run("dismiss", "--where", "name:lantern", "--code", "shaky", "--because", "meant")
    shell.run("dismiss", "--where", "name:lantern", "--code", "shaky", "--back")
    assert codes(shell) == ["focus-hunting", "shaky"]
    assert (
        "no such finding"
        in shell.run(
            "dismiss", "--where", "", "--code", "black", "--because", "meant", expect=EXIT_ERROR
        ).stderr
    )
    shell.run("dismiss", "--where", "", "--because", "all of it", expect=EXIT_USAGE)
    shell.run("dismiss", "9999", "--because", "not there", expect=EXIT_ERROR)


def test_judging_anew_follows_the_limits(shell: Shell) -> None:
    judged = shell.json("judge")
    assert (judged["clips"], judged["measured"], judged["files_out_of_reach"]) == (2, 1, 0)
    assert "sound-digital-zero" in codes(shell)
    (zero,) = shell.json("findings", "--code", "sound-digital-zero")
    assert zero["channel"] == 2 and zero["value"] == 100.0
    # What was never measured keeps what was said of it; the hunting row stood on no numbers.
    assert "shaky" in codes(shell) and "focus-hunting" not in codes(shell)
    (shell.home / "config.toml").write_text("[sound_limits]\nzero_share = 1.1\nsilent_share = 1.1\n")
    assert shell.json("judge")["removed"] == 1
    assert "sound-digital-zero" not in codes(shell)
    assert shell.json("judge", "--measure")["files_out_of_reach"] == 1


def test_a_limit_that_is_none_is_named(shell: Shell) -> None:
    (shell.home / "config.toml").write_text("[sound_limits]\nloud = 3\n")
    said = shell.run("judge", expect=EXIT_USAGE).stderr
    assert "sound_limits.loud" in said


def test_suggestions_are_shown_then_accepted_and_taken_back(shell: Shell) -> None:
    shown = shell.run("log", "--accept", "").stdout
    assert "movement=static" in shown and "0.90" in shown and "Nothing moves." in shown
    assert shell.json("find", "movement:static")["total"] == 0
    assert "0 suggestions" in shell.run("log", "--accept", "", "--least", "0.95").stdout
    shell.run("log", "--accept", "name:rope", "--yes")
    assert shell.json("find", "movement:static")["total"] == 1
    assert "0 suggestions" in shell.run("log", "--accept", "").stdout
    shell.run("undo")
    assert shell.json("find", "movement:static")["total"] == 0
    shell.run("log", "rope", "movement=pan")
    shell.run("log", "--accept", "", "--yes")
    assert shell.json("find", "movement:pan")["total"] == 1, "a person's word stands"
    shell.run("log", "rope", "--accept", "", expect=EXIT_USAGE)


def test_the_limits_are_listed_with_the_settings(shell: Shell) -> None:
    shown = shell.run("settings").stdout
    assert "sound_limits.true_peak_dbtp = -1.0: True peak, dBTP, at most. Published: EBU R 128" in shown
    assert "picture_limits.hunting.cycles = 2.0" in shown
