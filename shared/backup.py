"""A backup of a home folder: catalogue, stills and configuration, made while the program is in use.

The backup is itself a home folder: RUSHLIGHT_HOME set to it is all that a restore needs. The footage is no
part of it; its copies are what `check` looks after.
"""

from __future__ import annotations

import datetime as dt
import json
import os
import shutil
import sqlite3
import tomllib
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

from sqlalchemy.engine import make_url

from shared.errors import CatalogueError, ConflictError, DestinationError, NotFoundError, UsageError
from shared.release_files import FOLDER, stored_name
from shared.settings import CONFIG_NAME, Settings

CATALOGUE_NAME = "catalogue.db"  # where a home is looked for its catalogue
SUMMARY_NAME = "backup.json"
SET_ASIDE_NAME = "config-before.toml"
_CONFIGURATION = (CONFIG_NAME, "tokens.json")


@dataclass(frozen=True, slots=True)
class Backup:
    """What was backed up and verified. `rows`: by table. `missing`: stills and papers named in vain."""

    folder: Path
    schema: str
    rows: dict[str, int]
    stills: int
    missing: tuple[str, ...]
    bytes: int
    made_at: dt.datetime
    set_aside: bool  # the configuration names another catalogue and was set aside

    def as_json(self) -> dict[str, Any]:
        return {
            "folder": str(self.folder),
            "made_at": self.made_at.isoformat(timespec="seconds"),
            "schema": self.schema,
            "rows": self.rows,
            "stills": self.stills,
            "missing_stills": list(self.missing),
            "bytes": self.bytes,
            "configuration_set_aside": self.set_aside,
        }


def back_up(settings: Settings, to: Path) -> Backup:
    """Copy the catalogue as it is at one moment, the stills it names and the configuration; verify; publish.

    It has its final name only once it was opened and found whole; a run that was broken off leaves a folder
    that ends in `.partial`. Raises UsageError for a catalogue that is no SQLite file or a place that is none,
    ConflictError where something stands already, CatalogueError for a catalogue that is not whole,
    DestinationError when the place can't be written.
    """
    source = _catalogue_file(settings)
    to = to.absolute()
    partial = to.with_name(to.name + ".partial")
    _check_place(settings, to, partial)
    with _writing_to(to):
        partial.mkdir(mode=0o700)
    rows, schema = _copy_catalogue(source, partial / CATALOGUE_NAME)
    _check_copy(partial / CATALOGUE_NAME, rows)
    stills, missing = _copy_stills(settings.stills_folder, partial / "stills", partial / CATALOGUE_NAME)
    if "release" in rows:  # an older catalogue has none
        missing += _copy_papers(settings.home / FOLDER, partial / FOLDER, partial / CATALOGUE_NAME)
    with _writing_to(to):
        aside = _copy_configuration(settings.home, partial)
    size = sum(path.stat().st_size for path in partial.rglob("*") if path.is_file())
    made = Backup(to, schema, rows, stills, missing, size, dt.datetime.now(dt.UTC), aside)
    with _writing_to(to):
        (partial / SUMMARY_NAME).write_text(json.dumps(made.as_json(), ensure_ascii=False, indent=2) + "\n")
        os.sync()
        partial.rename(to)  # fails where something stands meanwhile; an empty folder holds nothing to lose
        _sync_folder(to.parent)
    return made


def _catalogue_file(settings: Settings) -> Path:
    url = make_url(settings.database_url)
    if url.get_backend_name() != "sqlite":
        raise UsageError(
            "this backup is for a catalogue in a file; yours is on a database server",
            remedy="Run `pg_dump --format=custom --file=catalogue.dump DATABASE` (it is consistent while the "
            f"program runs, and `pg_restore` reads it), and then copy {settings.home}: the stills and "
            "config.toml are there.",
        )
    path = Path(url.database or "")
    if not url.database or url.database == ":memory:" or not path.is_file():
        raise NotFoundError(
            "there is no catalogue here yet", path=str(path), remedy="Look whether RUSHLIGHT_HOME is right."
        )
    return path


def _check_place(settings: Settings, to: Path, partial: Path) -> None:
    if os.path.lexists(to):
        raise ConflictError(
            "this is there already, and no backup is written over anything",
            path=str(to),
            remedy="Name a folder that is not there yet, such as one with today's date.",
        )
    if os.path.lexists(partial):
        raise ConflictError(
            "a backup to this place was broken off, or one is being made now",
            path=str(partial),
            remedy="If none is being made, remove that folder, and run it again.",
        )
    if not to.parent.is_dir():
        raise UsageError("there is no such folder", path=str(to.parent), remedy="Is the drive plugged in?")
    if to.resolve().is_relative_to(settings.stills_folder.resolve()):
        raise UsageError(
            "a backup can't stand among the stills", path=str(to), remedy="Name a folder elsewhere."
        )


@contextmanager
def _writing_to(place: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise DestinationError(
            f"the backup can't be written: {error.strerror}",
            path=str(place),
            remedy="Make room or name another folder; what was begun ends in .partial and may be removed.",
        ) from error


# -- the catalogue ----------------------------------------------------------------------------------


def _copy_catalogue(source: Path, target: Path) -> tuple[dict[str, int], str]:
    """One consistent state, without keeping writers waiting; the rows of its tables, and its schema.

    The rows are counted and copied in one reading transaction (SQLite, "Online Backup API"; in WAL mode
    a reader sees one state and blocks no writer).
    """
    try:
        with (
            closing(sqlite3.connect(f"{source.absolute().as_uri()}?mode=rw", uri=True)) as catalogue,
            closing(sqlite3.connect(target)) as copy,
        ):
            catalogue.isolation_level = None
            catalogue.execute("PRAGMA busy_timeout=30000")
            catalogue.execute("BEGIN")
            rows = count_rows(catalogue)
            if "alembic_version" not in rows:
                raise CatalogueError(
                    "this is no catalogue of this program",
                    path=str(source),
                    remedy="Is RUSHLIGHT_HOME right?",
                )
            schema = str(catalogue.execute("SELECT version_num FROM alembic_version").fetchone()[0])
            catalogue.backup(copy)
            catalogue.execute("ROLLBACK")
    except sqlite3.Error as error:
        raise CatalogueError(
            f"the catalogue can't be copied: {error}",
            path=str(source),
            remedy="If the drive is not full, the file may be damaged: keep your earlier backups.",
        ) from error
    return rows, schema


def count_rows(catalogue: sqlite3.Connection) -> dict[str, int]:
    """Rows by table, those of the text index's own tables left out."""
    names = [
        name
        for name, kind in catalogue.execute("SELECT name, type FROM pragma_table_list WHERE schema = 'main'")
        if kind == "table" and not name.startswith("sqlite_")
    ]
    return {
        name: int(catalogue.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0]) for name in sorted(names)
    }


def _check_copy(copy: Path, rows: dict[str, int]) -> None:
    """Raises CatalogueError unless the copy opens, is whole and has the rows that were counted."""
    try:
        with closing(sqlite3.connect(copy)) as opened:
            said = [str(row[0]) for row in opened.execute("PRAGMA integrity_check")]
            loose = opened.execute("PRAGMA foreign_key_check").fetchall()
            found = count_rows(opened)
    except sqlite3.Error as error:
        said, loose, found = [str(error)], [], rows
    wrong = [name for name in rows.keys() | found.keys() if rows.get(name) != found.get(name)]
    if said == ["ok"] and not loose and not wrong:
        return
    parts = [
        *([] if said == ["ok"] else said[:3]),
        *([f"{len(loose)} rows point at nothing"] if loose else []),
        *([f"other numbers of rows in {', '.join(sorted(wrong))}"] if wrong else []),
    ]
    raise CatalogueError(
        f"the copy of the catalogue is not whole: {'; '.join(parts)}",
        path=str(copy),
        remedy="Keep your earlier backups. If a second try says the same, the catalogue itself is damaged.",
    )


# -- stills and configuration -----------------------------------------------------------------------


def _copy_stills(stills: Path, into: Path, catalogue: Path) -> tuple[int, tuple[str, ...]]:
    """How many of the files that the copied catalogue names were copied, each read again and compared; and
    those that can't be read."""
    with closing(sqlite3.connect(catalogue)) as opened:
        named = [str(row[0]) for row in opened.execute("SELECT DISTINCT path FROM still ORDER BY path")]
    copied, missing = 0, []
    for name in named:
        path = PurePosixPath(name)
        if path.is_absolute() or ".." in path.parts:  # nothing this program writes
            missing.append(name)
            continue
        try:
            data = (stills / name).read_bytes()  # a still is small
        except OSError:
            missing.append(name)
            continue
        with _writing_to(into):
            _write_file(data, into / name)
        copied += 1
    return copied, tuple(missing)


def _copy_papers(papers: Path, into: Path, catalogue: Path) -> tuple[str, ...]:
    """Signed releases that the copied catalogue names; those that can't be read are returned."""
    with closing(sqlite3.connect(catalogue)) as opened:
        rows = opened.execute("SELECT DISTINCT file_hash, file_name FROM release WHERE file_hash <> ''")
        named = sorted({stored_name(str(hashed), str(name)) for hashed, name in rows})
    missing = []
    for name in named:
        try:
            data = (papers / name).read_bytes()
        except OSError:
            missing.append(f"{FOLDER}/{name}")
            continue
        with _writing_to(into):
            into.mkdir(mode=0o700, exist_ok=True)
            _write_file(data, into / name)
            (into / name).chmod(0o600)
    return tuple(missing)


def _write_file(data: bytes, target: Path) -> None:
    target.parent.mkdir(parents=True, exist_ok=True)
    with target.open("xb") as file:
        file.write(data)
    if target.read_bytes() != data:
        raise DestinationError(
            "what was written there reads otherwise",
            path=str(target),
            remedy="Suspect the drive or its cable.",
        )


def _copy_configuration(home: Path, into: Path) -> bool:
    """Whether `config.toml` was set aside: one that names a catalogue would lead away from the copy."""
    aside = False
    for name in _CONFIGURATION:
        if not (home / name).is_file():
            continue
        aside = aside or (name == CONFIG_NAME and _names_a_catalogue(home / name))
        shutil.copy2(home / name, into / (SET_ASIDE_NAME if name == CONFIG_NAME and aside else name))
    return aside


def _names_a_catalogue(config: Path) -> bool:
    try:
        return bool(tomllib.loads(config.read_text()).get("database"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError):
        return False  # copied as it is: the program says what is wrong with it


def _sync_folder(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
