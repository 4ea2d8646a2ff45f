"""The folder is written whole or not at all, never over anything, and its bytes are on the medium."""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, event
from sqlalchemy.orm import Session

from shared.errors import DestinationError, DestinationFullError, ReadOnlyError, UsageError
from shared.models import Production
from tests.api.handover_cases import Scene, draw_picture
from tests.factories import make_day

ROOT = Path(__file__).parents[2]
NAME = "the-chain-ferry_handover_2026-05-14_1820"
ALWAYS = {
    "shot_log.csv",
    "shot_log.json",
    "shot_log.html",
    "shot_log.pdf",
    "timeline.otio",
    "README.txt",
    "SHA256SUMS",
}


@pytest.fixture
def scene(session: Session, production: Production, tmp_path: Path) -> Scene:
    return Scene(session, production, tmp_path)


@pytest.fixture
def full_scene(scene: Scene) -> Scene:
    """Some clips of a day, with stills, so that every kind of file is written."""
    day = make_day(scene.session, scene.production, number=1)
    reel = scene.add_reel("A001", day_id=day.id)
    for number in range(10):
        clip = scene.add_clip(reel, f"C{number}.MOV", start_frame=number * 1000)
        scene.add_stills(clip, draw_picture(f"C{number}"))
    return scene


def files_below(folder: Path) -> set[str]:
    return {str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file()}


def names_in(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def run_child(scene: Scene, url: str, to: Path, limits: Sequence[str]) -> list[dict[str, Any]]:
    scene.session.commit()
    done = subprocess.run(
        _command(scene, url, to, limits), cwd=ROOT, capture_output=True, text=True, timeout=120
    )
    assert done.returncode == 0, done.stderr
    return [json.loads(line) for line in done.stdout.splitlines()]


def _command(scene: Scene, url: str, to: Path, limits: Sequence[str]) -> list[str]:
    home = str(scene.settings.home)
    return [sys.executable, "-m", "tests.api.handover_child", url, home, str(to), *limits]


def test_the_report_names_every_file(full_scene: Scene) -> None:
    report = full_scene.hand_over(*full_scene.every_clip())
    assert report.folder == full_scene.to / NAME
    assert files_below(report.folder) == set(report.files) > ALWAYS
    assert report.as_json()["folder"] == str(report.folder)
    assert report.as_json()["clips"] == 10
    assert names_in(full_scene.to) == [NAME]


def test_hand_overs_of_one_minute_do_not_collide(scene: Scene) -> None:
    clip = scene.add_clip(scene.add_reel("A001"))
    (scene.to / f"{NAME}_2").mkdir()  # somebody's own, empty: a rename would replace it
    (scene.to / f"{NAME}_3.partial").mkdir()  # left by a run that was killed, or one that still runs
    names = [scene.hand_over(clip).folder.name for _ in range(3)]
    assert names == [NAME, f"{NAME}_4", f"{NAME}_5"]
    assert names_in(scene.to / f"{NAME}_2") == []


def test_two_at_the_same_time_do_not_collide(full_scene: Scene, catalogue_url: str) -> None:
    full_scene.session.commit()
    command = _command(full_scene, catalogue_url, full_scene.to, ["none"] * 2)
    children = [subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True) for _ in range(2)]
    said = [json.loads(line) for child in children for line in child.communicate(timeout=120)[0].splitlines()]
    folders = {one["folder"] for one in said}
    assert len(folders) == 4
    assert {str(path) for path in full_scene.to.iterdir()} == folders
    for one in said:
        assert files_below(Path(one["folder"])) == set(one["files"]) > ALWAYS


def test_a_file_too_large_leaves_nothing_and_is_named(full_scene: Scene, catalogue_url: str) -> None:
    """RLIMIT_FSIZE (POSIX setrlimit) fails the write itself, at whichever file first passes the limit."""
    limits = ["1", "700", "5000", "30000", "60000", "100000"]
    said = run_child(full_scene, catalogue_url, full_scene.to, [*limits, "none"])
    assert [one.get("error") for one in said] == ["RefusedFileError"] * len(limits) + [None]
    named = [one["path"].rsplit("/", 1)[-1] for one in said[:-1]]
    assert named[0] == "shot_log.csv"
    assert len(set(named)) >= 3, "the limit struck different files"
    assert all(one["path"].startswith(str(full_scene.to)) and one["remedy"] for one in said[:-1])
    assert [path.name for path in full_scene.to.iterdir()] == [Path(said[-1]["folder"]).name]


def test_killed_at_any_time_nothing_stands_under_a_final_name_but_whole_ones(
    full_scene: Scene, catalogue_url: str
) -> None:
    full_scene.session.commit()
    chance = random.Random(8)
    killed = 0
    for _ in range(3):
        child = subprocess.Popen(
            _command(full_scene, catalogue_url, full_scene.to, ["none"] * 9),
            cwd=ROOT,
            stdout=subprocess.DEVNULL,
        )
        before = len(list(full_scene.to.iterdir()))
        while child.poll() is None and len(list(full_scene.to.iterdir())) == before:
            time.sleep(0.001)
        time.sleep(chance.random() * 0.5)
        child.send_signal(signal.SIGKILL)
        child.wait()
        killed += child.returncode == -signal.SIGKILL
    assert killed == 3
    partial = [path for path in full_scene.to.iterdir() if path.name.endswith(".partial")]
    assert partial, "at least one was struck while it was writing"
    for folder in full_scene.to.iterdir():
        if folder not in partial:
            assert files_below(folder) > ALWAYS
            assert (folder / "README.txt").read_text().endswith("before you discard anything.\n")
            assert json.loads((folder / "shot_log.json").read_text())["clips"]


def test_an_error_in_the_middle_removes_what_was_begun(full_scene: Scene) -> None:
    """The folder for the contact sheets can't be made where a file of that name has slipped in."""
    seen: list[str] = []

    def plant(name: str, arguments: tuple[Any, ...]) -> None:
        if name == "open" and str(arguments[0]).endswith("timeline.otio"):
            seen.append(str(arguments[0]))
            (Path(arguments[0]).parent / "contact_sheets").touch()

    _watch(plant)
    try:
        with pytest.raises(DestinationError) as raised:
            full_scene.hand_over(*full_scene.every_clip())
    finally:
        _watch(None)
    assert seen and "contact_sheets" in str(raised.value.path)
    assert names_in(full_scene.to) == []


_hook: list[Any] = []


def _watch(plant: Any) -> None:
    """Audit hooks can't be taken away again, so one stays and asks whom to tell."""
    if not _hook:
        _hook.append(None)
        sys.addaudithook(lambda name, arguments: _hook[0](name, arguments) if _hook[0] else None)
    _hook[0] = plant


@pytest.fixture
def small_drive(tmp_path: Path) -> Iterator[Path]:
    """A drive of 200 KiB. Needs the right to mount; the limit on file sizes is tested without it."""
    drive = tmp_path / "small"
    drive.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=200k", "tmpfs", str(drive)], capture_output=True, text=True
    )
    if mounted.returncode != 0:
        pytest.skip(f"no right to mount a small drive here: {mounted.stderr.strip()}")
    yield drive
    subprocess.run(["umount", str(drive)], check=True)


def test_a_full_drive_is_named_and_left_clean(full_scene: Scene, small_drive: Path) -> None:
    with pytest.raises(DestinationFullError, match="the drive is full") as raised:
        full_scene.hand_over(*full_scene.every_clip(), to=small_drive)
    assert str(raised.value.path).startswith(str(small_drive))
    assert names_in(small_drive) == []


def test_a_drive_that_is_locked_is_named(full_scene: Scene, small_drive: Path) -> None:
    subprocess.run(["mount", "-o", "remount,ro", str(small_drive)], check=True)
    with pytest.raises(ReadOnlyError, match="can't be written") as raised:
        full_scene.hand_over(*full_scene.every_clip(), to=small_drive)
    assert str(raised.value.path).startswith(str(small_drive))


@pytest.mark.skipif(not Path("/proc/self").is_dir(), reason="no /proc, where nobody can make a folder")
def test_a_place_where_nothing_can_be_made_is_named(full_scene: Scene) -> None:
    with pytest.raises(DestinationError) as raised:
        full_scene.hand_over(*full_scene.every_clip(), to=Path("/proc/self"))
    assert str(raised.value.path) == "/proc/self"
    assert raised.value.remedy


def test_the_last_folder_of_the_path_is_made_but_never_a_whole_tree(full_scene: Scene) -> None:
    clips = full_scene.every_clip()
    report = full_scene.hand_over(*clips, to=full_scene.base / "new")
    assert report.folder.parent == full_scene.base / "new"
    with pytest.raises(UsageError, match="no such folder"):
        full_scene.hand_over(*clips, to=full_scene.base / "unplugged" / "drive")
    with pytest.raises(UsageError, match="no such folder"):
        full_scene.hand_over(*clips, to=report.folder / "README.txt")


def test_nothing_to_hand_over_makes_no_folder(scene: Scene) -> None:
    with pytest.raises(UsageError, match="no clip"):
        scene.hand_over()
    assert names_in(scene.to) == []


def test_every_file_and_folder_is_synced_before_the_name_is_given(
    full_scene: Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The real fsync, watched: what is reported as written must outlive a power cut."""
    really = os.fsync
    synced: list[str] = []

    def watch(handle: int) -> None:
        really(handle)
        synced.append(str(Path(f"/proc/self/fd/{handle}").readlink()))

    monkeypatch.setattr(os, "fsync", watch)
    report = full_scene.hand_over(*full_scene.every_clip())
    partial = f"{report.folder}.partial"
    wanted = {f"{partial}/{name}" for name in report.files}
    wanted |= {os.path.dirname(path) for path in wanted} | {partial, f"{partial}/manifests"}  # noqa: PTH120
    assert wanted <= set(synced)
    assert synced[-1] == str(full_scene.to), "the folder that holds the new name, last"


def test_the_database_is_asked_no_more_often_for_more_clips(engine: Engine, full_scene: Scene) -> None:
    asked: list[str] = []
    event.listen(engine, "before_cursor_execute", lambda _c, _u, statement, *_: asked.append(statement))
    clips = full_scene.every_clip()
    counts = []
    for some in (clips[:2], clips):
        full_scene.session.flush()
        full_scene.session.expunge_all()
        full_scene.production = full_scene.session.get_one(Production, full_scene.production.id)
        asked.clear()
        # `expire_all` in hand_over would make each row be asked for once more; here nothing is known.
        full_scene.hand_over(*some, to=full_scene.to)
        counts.append(len(asked))
    assert counts[0] == counts[1], asked
