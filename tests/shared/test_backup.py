"""Backups: one consistent state while others write, never over anything, and good for a restore."""

from __future__ import annotations

import json
import sqlite3
import threading
from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy import select

from shared.backup import CATALOGUE_NAME, SET_ASIDE_NAME, SUMMARY_NAME, back_up, count_rows
from shared.catalogue.productions import find_production
from shared.catalogue.search import find_clips
from shared.db import HEAD, Sessions, make_engine, make_sessions, open_catalogue, reading, writing
from shared.errors import AppError, CatalogueError, ConflictError, NotFoundError, UsageError
from shared.models import Still
from shared.settings import Settings, load_settings
from shared.vocabulary import Vocabulary
from tests.factories import make_clip, make_reel
from tests.schema import all_rows, fill


@pytest.fixture
def home(tmp_path: Path) -> Path:
    """A home with a catalogue in it, one still and a configuration."""
    home = tmp_path / "house"
    home.mkdir()
    (home / "config.toml").write_text("stills = 5\n")
    (home / "tokens.json").write_text('{"tokens": []}')
    (home / "tokens.json").chmod(0o600)
    engine = open_catalogue(f"sqlite:///{home / 'catalogue.db'}")
    with writing(make_sessions(engine)) as session:
        fill(session)
        still = session.scalars(select(Still)).one()
        (home / "stills" / still.path).parent.mkdir(parents=True)
        (home / "stills" / still.path).write_bytes(b"\xff\xd8 a picture")
    engine.dispose()
    return home


@pytest.fixture
def settings(home: Path) -> Settings:
    return load_settings(home=home)


def files_of(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def test_a_backup_is_a_home(home: Path, settings: Settings, tmp_path: Path, vocabulary: Vocabulary) -> None:
    """Restoring is naming it: the clips are listed, every row and every still is there."""
    made = back_up(settings, tmp_path / "safe")
    restored = load_settings(home=tmp_path / "safe")
    assert restored.stills == 5
    first, second = make_engine(settings.database_url), open_catalogue(restored.database_url)
    assert all_rows(first) == all_rows(second)
    with reading(make_sessions(second)) as session:
        page = find_clips(session, find_production(session, None), "media:video", vocabulary)
        assert [clip.name for clip in page.clips] == ["CLIP/Fähre 🎬"]
    first.dispose()
    second.dispose()
    still = next(iter(files_of(home / "stills")))
    assert (restored.stills_folder / still).read_bytes() == b"\xff\xd8 a picture"
    assert (made.stills, made.missing, made.schema, made.rows["clip"]) == (1, (), HEAD, 2)
    assert json.loads((tmp_path / "safe" / SUMMARY_NAME).read_text())["rows"] == made.rows
    assert (tmp_path / "safe" / "tokens.json").stat().st_mode & 0o777 == 0o600
    assert (tmp_path / "safe").stat().st_mode & 0o077 == 0
    assert not (tmp_path / "safe.partial").exists()


def test_the_home_is_left_as_it_was(home: Path, settings: Settings, tmp_path: Path) -> None:
    before = files_of(home)
    back_up(settings, tmp_path / "safe")
    assert {name: data for name, data in files_of(home).items() if "-" not in name} == before


@pytest.mark.parametrize("kind", ["folder", "file", "link to nothing", "one that was broken off"])
def test_nothing_is_written_over(settings: Settings, tmp_path: Path, kind: str) -> None:
    place = tmp_path / "safe"
    if kind == "folder":
        place.mkdir()
    elif kind == "file":
        place.write_text("mine")
    elif kind == "link to nothing":
        place.symlink_to(tmp_path / "nowhere")
    else:
        (tmp_path / "safe.partial").mkdir()
    before = sorted(tmp_path.iterdir())
    with pytest.raises(ConflictError) as caught:
        back_up(settings, place)
    assert caught.value.path is not None and "safe" in caught.value.path and caught.value.remedy
    assert sorted(tmp_path.iterdir()) == before
    assert not place.is_file() or place.read_text() == "mine"


def test_a_second_backup_needs_another_name(settings: Settings, tmp_path: Path) -> None:
    back_up(settings, tmp_path / "safe")
    before = files_of(tmp_path / "safe")
    with pytest.raises(ConflictError):
        back_up(settings, tmp_path / "safe")
    assert files_of(tmp_path / "safe") == before


def test_it_is_one_state_while_others_write(settings: Settings, tmp_path: Path) -> None:
    """Each transaction adds a reel with two clips; a copy of no single moment would have an odd one."""
    sessions: Sessions = make_sessions(open_catalogue(settings.database_url))
    stop = threading.Event()
    written: list[int] = []

    def write() -> None:
        while not stop.is_set():
            with writing(sessions) as session:
                reel = make_reel(session, find_production(session, None), name=f"W{len(written):04}")
                make_clip(session, reel, f"ONE/{len(written)}.MP4")
                make_clip(session, reel, f"TWO/{len(written)}.MP4")
            written.append(reel.id)

    writer = threading.Thread(target=write)
    writer.start()
    try:
        seen = []
        for number in range(3):
            while len(written) < 5 * (number + 1):
                assert writer.is_alive()
                stop.wait(0.01)
            made = back_up(settings, tmp_path / f"safe {number}")
            with closing(sqlite3.connect(made.folder / CATALOGUE_NAME)) as copy:
                assert count_rows(copy) == made.rows
                seen.append(copy.execute("SELECT count(*) FROM reel WHERE name LIKE 'W%'").fetchone()[0])
                clips = "SELECT count(*) FROM clip WHERE name LIKE 'ONE/%' OR name LIKE 'TWO/%'"
                assert copy.execute(clips).fetchone()[0] == 2 * seen[-1]
        assert seen[0] < seen[1] < seen[2]
    finally:
        stop.set()
        writer.join()


def test_a_still_that_is_not_there_is_named(home: Path, settings: Settings, tmp_path: Path) -> None:
    (name,) = files_of(home / "stills")
    (home / "stills" / name).unlink()
    made = back_up(settings, tmp_path / "safe")
    assert (made.stills, made.missing) == (0, (name,))


def test_a_still_outside_of_the_folder_is_not_followed(
    home: Path, settings: Settings, tmp_path: Path
) -> None:
    (tmp_path / "secret").write_text("not a still")
    with closing(sqlite3.connect(home / "catalogue.db")) as catalogue:
        catalogue.execute("UPDATE still SET path = '../../secret'")
        catalogue.commit()
    assert back_up(settings, tmp_path / "safe").missing == ("../../secret",)
    assert not any(path.name == "secret" for path in (tmp_path / "safe").rglob("*"))


def test_a_configuration_that_leads_elsewhere_is_set_aside(home: Path, tmp_path: Path) -> None:
    (home / "catalogue.db").rename(tmp_path / "elsewhere.db")
    config = f'database = "sqlite:///{tmp_path / "elsewhere.db"}"\n'
    (home / "config.toml").write_text(config)
    made = back_up(load_settings(home=home), tmp_path / "safe")
    assert made.set_aside and (made.folder / SET_ASIDE_NAME).read_text() == config
    restored = load_settings(home=made.folder)
    assert restored.database_url == f"sqlite:///{made.folder / CATALOGUE_NAME}"
    assert made.rows["clip"] == 2


def test_a_damaged_catalogue_is_no_backup(home: Path, settings: Settings, tmp_path: Path) -> None:
    """One table's rows are taken out of reach behind the database's back: the file opens as before."""
    data = bytearray((home / "catalogue.db").read_bytes())
    with closing(sqlite3.connect(home / "catalogue.db")) as opened:
        size = opened.execute("PRAGMA page_size").fetchone()[0]
        root = opened.execute("SELECT rootpage FROM sqlite_master WHERE name = 'ix_file_digest'").fetchone()[
            0
        ]
    (home / "catalogue.db").write_bytes(data[: (root - 1) * size] + b"\xff" * size + data[root * size :])
    with pytest.raises(CatalogueError, match="whole"):
        back_up(settings, tmp_path / "safe")
    assert not (tmp_path / "safe").exists()


def test_what_is_no_catalogue_is_refused(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    cases: list[tuple[Settings, type[AppError], str]] = [
        (load_settings(home=tmp_path / "empty"), NotFoundError, "RUSHLIGHT_HOME"),
        (
            load_settings(home=tmp_path / "empty", database="postgresql+psycopg://somebody@host/film"),
            UsageError,
            "pg_dump",
        ),
    ]
    with closing(sqlite3.connect(tmp_path / "other.db")) as other:
        other.execute("CREATE TABLE shopping (x)")
        other.commit()
    cases.append(
        (
            load_settings(home=tmp_path / "empty", database=f"sqlite:///{tmp_path / 'other.db'}"),
            CatalogueError,
            "",
        )
    )
    for number, (settings, error, words) in enumerate(cases):
        with pytest.raises(error) as caught:
            back_up(settings, tmp_path / f"safe {number}")
        assert words in (caught.value.remedy or "")
        assert not (tmp_path / f"safe {number}").exists()


def test_a_place_that_is_none_is_named(settings: Settings, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="plugged in"):
        back_up(settings, tmp_path / "not there" / "safe")
    with pytest.raises(UsageError, match="among the stills"):
        back_up(settings, settings.stills_folder / "safe")
