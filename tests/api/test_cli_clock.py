"""Clocks through the command: the sample cards of three cameras and a recorder on one clock."""

from __future__ import annotations

import datetime as dt
import shutil
from pathlib import Path
from typing import Any

import pytest

from sample_media.production import Production, load_production
from sample_media.recipe import make_card
from shared.errors import EXIT_ERROR, EXIT_USAGE
from tests.api.shell import Shell

pytestmark = pytest.mark.slow
REELS = ("A001", "B001", "S001", "D001")


@pytest.fixture(scope="module")
def sample() -> Production:
    return load_production()


@pytest.fixture(scope="module")
def offloaded(sample: Production, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A home in which the first cards of all devices are offloaded, with their rules. To be copied."""
    folder = tmp_path_factory.mktemp("clocks")
    shell = Shell(folder / "home")
    shell.run("new", sample.name, "--rate", sample.rate, "--zone", sample.zone)
    for day in sample.days:
        shell.run("day", str(day.number), "--date", day.date.isoformat(), "--goal", day.goal)
    for camera in sample.cameras:
        shell.run("camera", camera.letter, "--clock", camera.zone_rule, "--kind", camera.kind)
    for name in ("one", "two"):
        (folder / name).mkdir()
    for card in (one for one in sample.cards if one.reel in REELS):
        path = make_card(sample, card, folder / "cards" / card.label).path
        shell.run(
            "offload", path, "--to", folder / "one", "--to", folder / "two",
            "--camera", card.camera, "--reel", card.reel, "--label", card.label,
        )  # fmt: skip
    return folder


@pytest.fixture
def shell(offloaded: Path, tmp_path: Path) -> Shell:
    shutil.copytree(offloaded / "home", tmp_path / "home")
    return Shell(tmp_path / "home")


def clips(shell: Shell, *query: str) -> dict[str, dict[str, Any]]:
    """Clips by REEL/FILE, in the order of the command."""
    found = shell.json("find", *query)["clips"]
    return {f"{clip['reel']}/{clip['name'].rsplit('/', 1)[-1]}": clip for clip in found}


def at(clip: dict[str, Any]) -> dt.datetime:
    return dt.datetime.fromisoformat(clip["shot_at"])


def test_all_devices_stand_in_true_order_and_nothing_is_claimed(shell: Shell, sample: Production) -> None:
    wanted = {
        f"{clip.reel}/{clip.files[0].name.rsplit('.', 1)[0]}": clip.start.replace(tzinfo=sample.tz)
        for clip in sorted(sample.clips, key=lambda clip: clip.start)
        if clip.reel in REELS
    }
    found = clips(shell)
    assert list(found) == list(wanted)
    for name, start in wanted.items():
        assert abs(at(found[name]) - start) < dt.timedelta(seconds=1), name  # stamps have whole seconds
    assert shell.json("clock", "--check") == []
    assert shell.json("clock") == []


def test_a_wrong_rule_is_noticed_by_the_files_and_put_right(shell: Shell) -> None:
    before = clips(shell, "camera:B")
    shell.run("camera", "B", "--clock", "utc")
    wrong = clips(shell, "camera:B")
    assert {at(wrong[name]) - at(before[name]) for name in before} == {dt.timedelta(hours=1)}
    (finding,) = shell.json("clock", "--check")
    assert (finding["code"], finding["value"], finding["unit"]) == ("clock-file-time", -60, "min")
    assert "rushlight camera B --clock local" in finding["message"]
    assert "clock-file-time" in shell.run("find", "finding:clock-file-time").stdout
    shell.run("camera", "B", "--clock", "local")
    assert clips(shell, "camera:B") == before
    assert shell.json("clock", "B", "--check") == []


def test_a_correction_of_every_day_of_one_day_and_taken_back(shell: Shell) -> None:
    before = clips(shell)
    said = shell.json("clock", "A", "--shown", "14:03:10", "--true", "13:03:07")
    assert (said["correction_ms"], said["read"], said["changed"]) == (-3_603_000, 5, 5)
    after = clips(shell)
    moved = {name: at(after[name]) - at(before[name]) for name in before}
    assert {name for name, span in moved.items() if span} == {name for name in before if name.startswith("A")}
    assert set(moved.values()) == {dt.timedelta(0), dt.timedelta(hours=-1, seconds=-3)}

    shell.run("clock", "A", "--shown", "10:00:00", "--true", "10:00:30", "--day", "1")
    listed = [(row["day"], row["correction_ms"]) for row in shell.json("clock", "A")]
    assert listed == [(None, -3_603_000), (1, 30_000)]
    after = clips(shell, "camera:A")
    assert {at(clip) - at(before[name]) for name, clip in after.items()} == {dt.timedelta(seconds=30)}

    for day in ((), ("--day", "1")):
        shell.run("clock", "A", "--shown", "10:00", "--true", "10:00", *day)
    assert clips(shell) == before


def test_a_clip_that_films_a_clock(shell: Shell) -> None:
    # FERA0001 began at 05:18:20 by its stamp.
    said = shell.json("clock", "--clip", "A001/FERA0001", "--true", "05:20:00")
    assert (said["camera"], said["correction_ms"]) == ("A", 100_000)
    assert at(clips(shell)["A001/FERA0001"]).minute == 20
    # Said again it is the same: the stamp counts, not what was made of it.
    again = shell.json("clock", "A", "--clip", "A001/FERA0001", "--true", "05:20:00")
    assert (again["correction_ms"], again["changed"]) == (100_000, 0)
    assert "2026-05-12 05:18:20" in shell.run("clock").stdout


def test_a_day_set_by_hand_survives_a_correction_and_another_offload(shell: Shell, offloaded: Path) -> None:
    shell.run("log", "A001/FERA0002", "day=3")
    shell.run("clock", "A", "--shown", "2026-05-12 10:00", "--true", "2026-05-13 10:00")
    found = clips(shell, "camera:A")
    assert {name: clip["day"] for name, clip in found.items()} == {
        "A001/FERA0001": 2, "A001/FERA0002": 3, "A001/FERA0003": 2, "A001/FERA0005": 2, "A001/FERA0006": 2
    }  # fmt: skip
    again = shell.json(
        "offload", offloaded / "cards" / "A01", "--to", offloaded / "one", "--to", offloaded / "two"
    )
    assert again["reel"] == "A001"
    assert clips(shell, "camera:A") == found
    shell.run("log", "A001/FERA0002", "day=")
    assert clips(shell, "camera:A")["A001/FERA0002"]["day"] == 2


def test_a_card_that_was_offloaded_as_two_reels_is_told(
    shell: Shell, offloaded: Path, tmp_path: Path
) -> None:
    (tmp_path / "three").mkdir()
    shutil.copytree(offloaded / "cards" / "B01", tmp_path / "slot-2", copy_function=shutil.copy2)
    shell.run(
        "offload",
        tmp_path / "slot-2",
        "--to",
        tmp_path / "three",
        "--camera",
        "B",
        "--reel",
        "B009",
        expect=0,
    )
    assert list(clips(shell, "finding:mirror-of")) == ["B009/GIM_0001", "B009/GIM_0002"]


def test_the_sheet_lists_what_deviates(shell: Shell) -> None:
    found = shell.json("sheet")
    assert found["sheet"] == {
        "rate": "25", "drop_frame": False, "zone": "Europe/London",
        "size": None, "curve": None, "sound": 48000,
    }  # fmt: skip
    assert {(one["clip"].split("/")[0], one["code"], one["value"]) for one in found["deviations"]} == {
        ("B001", "rate-deviates", 50), ("D001", "rate-deviates", 29.97)
    }  # fmt: skip
    found = shell.json("sheet", "--size", "3840x2160", "--sound", "44.1kHz", "--curve", "none")
    assert (found["sheet"]["size"], found["sheet"]["sound"]) == ("3840x2160", 44100)
    codes = {one["code"] for one in found["deviations"]}
    assert codes == {"rate-deviates", "size-deviates", "sound-rate-deviates"}
    found = shell.json("sheet", "--size", "none", "--sound", "none")
    assert {one["code"] for one in found["deviations"]} == {"rate-deviates"}


REFUSED = (
    ("A --shown 25:00 --true 1:00", EXIT_USAGE, "--shown '25:00' does not exist", "14:03:10"),
    ("A --shown 10:00", EXIT_USAGE, "--true is missing", "--true 13:03:07"),
    ("A --true 10:00", EXIT_USAGE, "either --shown, or --clip", "--clip A001/C0001"),
    ("--shown 10:00 --true 10:00", EXIT_USAGE, "which camera's clock?", "rushlight clock A"),
    ("Q --shown 10:00 --true 10:00", EXIT_ERROR, "no camera Q", "A, B, D, S"),
    ("A --shown 10:00 --true 10:00 --day 9", EXIT_ERROR, "no shooting day 9", "1 (2026-05-12)"),
    ("B --clip A001/FERA0001 --true 10:00", EXIT_USAGE, "is of camera A", "rushlight clock A"),
    ("--clip A001/NOPE --true 10:00", EXIT_ERROR, "no clip", "rushlight find"),
    ("D --shown 12:00 --true 13:00", EXIT_USAGE, "read as set to UTC", "'12:00Z'"),
    ("A --check --shown 1:00 --true 1:00", EXIT_USAGE, "--check judges", "Leave out --check"),
    ("A --day 1", EXIT_USAGE, "--day alone", "--day 1"),
    ("A --shown 1990-01-01T00:00 --true 2190-01-01T00:00", EXIT_USAGE, "years off", "the year"),
)


def test_what_can_not_be_meant_is_refused_with_the_remedy(shell: Shell) -> None:
    for words, code, said, remedy in REFUSED:
        refused = shell.run("clock", *words.split(), expect=code)
        assert said in refused.stderr and remedy in refused.stderr, words
    assert shell.json("clock") == []


def test_a_sheet_that_can_not_be_meant(shell: Shell) -> None:
    for words in (("--size", "big"), ("--curve", " "), ("--sound", "48"), ("--sound", "48 kilo")):
        assert "none" in shell.run("sheet", *words, expect=EXIT_USAGE).stderr


def test_a_camera_has_a_usual_lens(shell: Shell) -> None:
    shell.run("lens", "Prime 35", "--focal", "35")
    (camera,) = [one for one in shell.json("camera", "A", "--lens", "prime") if one["letter"] == "A"]
    assert camera["lens"] == "Prime 35"
    assert {(clip["lens"], clip["lens_assumed"]) for clip in clips(shell, "camera:A").values()} == {
        ("Prime 35", True)
    }
    assert "no lens" in shell.run("camera", "A", "--lens", "Zoom", expect=EXIT_USAGE).stderr
    shell.run("camera", "A", "--lens", "none")
    assert {clip["lens"] for clip in clips(shell, "camera:A").values()} == {None}
