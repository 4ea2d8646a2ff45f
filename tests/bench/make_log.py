"""A log as large as a career: a catalogue in one SQLite file, filled in bulk, the same for the same seed.

    python -m tests.bench.make_log FILE [--clips 100000] [--seed 1]

One production of that many clips over twenty years, and three small ones beside it, so that a search has
something to leave out. Four in five clips are logged; terms, people and tags are used as unevenly as
people use them (the n-th most frequent 1/n as often as the first), notes are made of words with the
frequencies of a language (Zipf; G. K. Zipf, Human Behavior and the Principle of Least Effort, 1949). No
copies and no take facts are made: no search reads them. One still a clip, where a shoot has about six.
The file is as the program leaves it: no statistics are gathered for the query planner.
"""

from __future__ import annotations

import argparse
import datetime as dt
import sqlite3
import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Table

from shared.catalogue.known_texts import ClipKnown, Origin, Text
from shared.catalogue.text import clip_words
from shared.db import open_catalogue
from shared.models import Base
from shared.query_fields import TERM_FIELDS
from shared.vocabulary import Vocabulary, load_vocabulary

YEARS = 20
FIRST_DAY = dt.date(2006, 3, 1)
BESIDE = 3  # small productions
CLIPS_A_DAY = 800
CLIPS_A_REEL = 120
BLOCK = 10_000  # clips made at a time
LOGGED = 0.8
MARKED = 0.05  # of those logged: with a moment inside
WORDS = 20_000
# Letter, kind, share of the clips.
CAMERAS = (
    ("A", "camera", 0.5),
    ("B", "camera", 0.2),
    ("C", "camera", 0.1),
    ("D", "drone", 0.1),
    ("S", "recorder", 0.1),
)
LENSES = tuple(f"{mm} mm" for mm in (14, 18, 20, 24, 28, 35, 40, 50, 65, 75, 85, 100, 135, 200))
FINDINGS = (
    "soft-focus",
    "no-signal",
    "hum",
    "clipping",
    "black",
    "deviates",
    "no-timecode",
    "clock-jump",
    "dropped-frames",
    "short",
)
# How often a field is filled, where an entry is made at all.
FILLED = {
    "kind": 0.9,
    "size": 0.8,
    "angle": 0.4,
    "movement": 0.5,
    "support": 0.3,
    "audio": 0.3,
    "rating": 0.7,
    "reason": 0.05,
    "int_ext": 0.6,
    "time_of_day": 0.5,
    "direction": 0.1,
    "sync": 0.15,
    "sensitive": 0.02,
}
_BEGINNINGS = ("b", "br", "d", "f", "gr", "h", "k", "l", "m", "n", "p", "r", "s", "st", "t", "v", "w")
_MIDDLES = ("a", "e", "i", "o", "u", "ai", "ea", "oo")


@dataclass(frozen=True, slots=True)
class MadeLog:
    """What a benchmark asks for: the large production, a word that one clip in three notes, one of a few."""

    path: Path
    slug: str
    clips: int
    common_word: str
    rare_word: str
    seconds: float


def make_log(path: Path, clips: int, seed: int = 1) -> MadeLog:
    """Fill a new catalogue. The file must not exist."""
    began = time.perf_counter()
    open_catalogue(f"sqlite:///{path}").dispose()
    with closing(sqlite3.connect(path, isolation_level=None)) as file:
        for pragma in ("synchronous=OFF", "cache_size=-400000", "temp_store=MEMORY"):
            file.execute(f"PRAGMA {pragma}")
        file.execute("BEGIN")
        with _without_triggers(file):
            log = _Log(file, np.random.default_rng(seed), load_vocabulary())
            log.add_production("One River", clips)
            for number in range(BESIDE):
                log.add_production(f"Short film {number + 1}", max(10, clips // 100))
        file.execute("INSERT INTO clip_words(clip_words) VALUES ('rebuild')")
        file.execute("COMMIT")
        file.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    words = log.words
    return MadeLog(path, "one-river", clips, words[2], words[len(words) // 2], time.perf_counter() - began)


class _without_triggers:  # noqa: N801  a context manager is used as a verb
    """Rows by the million need no word to each of them: what the triggers keep is made at the end."""

    def __init__(self, file: sqlite3.Connection) -> None:
        self._file = file
        self._kept: list[tuple[str, str]] = file.execute(
            "SELECT name, sql FROM sqlite_master WHERE type = 'trigger'"
        ).fetchall()

    def __enter__(self) -> None:
        for name, _ in self._kept:
            self._file.execute(f'DROP TRIGGER "{name}"')

    def __exit__(self, *_raised: object) -> None:
        for _, statement in self._kept:
            self._file.execute(statement)


def zipf(count: int, exponent: float = 1.0) -> NDArray[np.float64]:
    """Probabilities of the 1st, 2nd … of `count`."""
    weights = 1.0 / np.arange(1, count + 1) ** exponent
    return np.asarray(weights / weights.sum())


def make_words(rng: np.random.Generator, count: int) -> list[str]:
    """Words of no language, the shorter the more frequent."""
    words: dict[str, None] = {}
    while len(words) < count:
        syllables = 1 + len(words).bit_length() // 5
        parts = [
            _BEGINNINGS[rng.integers(len(_BEGINNINGS))] + _MIDDLES[rng.integers(len(_MIDDLES))]
            for _ in range(syllables + 1)
        ]
        words["".join(parts)] = None
    return list(words)


@dataclass(frozen=True, slots=True)
class _Kit:
    """The rows of one production that its clips point at, by their ids."""

    production: int
    cameras: Sequence[int]
    lenses: Sequence[int]
    people: Sequence[tuple[int, str]]
    tags: Sequence[tuple[int, str]]
    offload: int


class _Log:
    """Rows in blocks, each table's ids counted here."""

    def __init__(self, file: sqlite3.Connection, rng: np.random.Generator, vocabulary: Vocabulary) -> None:
        self._into = file
        self._rng = rng
        self._vocabulary = vocabulary
        self._ids: dict[str, int] = {}
        self.words = make_words(rng, WORDS)
        self._frequencies = zipf(WORDS)
        # In another order than the vocabulary shows them, so that the first is not always the most frequent.
        self._terms = {
            field: [term.code for term in rng.permutation(np.array(vocabulary.terms(field), dtype=object))]
            for field in TERM_FIELDS
        }

    def add_production(self, name: str, clips: int) -> None:
        kit = self._make_kit(name, clips)
        days = max(1, clips // CLIPS_A_DAY)
        shares = self._rng.lognormal(0, 0.6, days)
        sizes = np.maximum(1, np.floor(shares / shares.sum() * clips)).astype(int)
        sizes[-1] = max(1, sizes[-1] + clips - sizes.sum())
        apart = max(1, YEARS * 365 // days)
        rows: list[dict[str, Any]] = []
        for number, size in enumerate(sizes, 1):
            date = FIRST_DAY + dt.timedelta(days=(number - 1) * apart)
            day = {"production_id": kit.production, "number": number, "date": date.isoformat(), "goal": ""}
            day_id = self._insert("shooting_day", [day])[0]
            rows.extend(self._clips_of_day(kit, number, day_id, date, int(size)))
            if len(rows) >= BLOCK:
                self._write(kit, rows)
                rows = []
        if rows:
            self._write(kit, rows)

    def _make_kit(self, name: str, clips: int) -> _Kit:
        many = max(8, min(400, clips // 500))
        (production,) = self._insert(
            "production",
            [
                {
                    "name": name,
                    "slug": name.lower().replace(" ", "-"),
                    "rate_num": 25,
                    "rate_den": 1,
                    "zone": "Europe/Copenhagen",
                    "created_at": _text(FIRST_DAY),
                }
            ],
        )
        own = {"production_id": production}
        cameras = [own | {"letter": letter, "name": f"Body {letter}", "kind": k} for letter, k, _ in CAMERAS]
        people = [
            f"{self.words[100 + n].title()} {self.words[900 + n % 300].title()}" for n in range(many // 2)
        ]
        tags = [self.words[3000 + n] for n in range(many)]
        camera_ids = self._insert("camera", cameras)
        lens_ids = self._insert("lens", [own | {"name": lens} for lens in LENSES])
        person_ids = self._insert("person", [own | {"name": person} for person in people])
        tag_ids = self._insert("tag", [own | {"name": tag} for tag in tags])
        reel = own | {"name": "X000", "algorithm": "xxh128", "folder": "x", "created_at": _text(FIRST_DAY)}
        offload = {
            "reel_id": self._insert("reel", [reel])[0],
            "source": "/media/card",
            "state": "done",
            "started_at": _text(FIRST_DAY),
            "report": "{}",
        }
        return _Kit(
            production,
            camera_ids,
            lens_ids,
            list(zip(person_ids, people, strict=True)),
            list(zip(tag_ids, tags, strict=True)),
            self._insert("offload", [offload])[0],
        )

    def _clips_of_day(
        self, kit: _Kit, number: int, day_id: int, date: dt.date, size: int
    ) -> Iterator[dict[str, Any]]:
        """Camera after camera, reel after reel, as cards come in on an evening."""
        for (letter, kind, share), camera_id in zip(CAMERAS, kit.cameras, strict=True):
            here = round(size * share)
            for reel_number in range(-(-here // CLIPS_A_REEL)):
                reel = {
                    "production_id": kit.production,
                    "camera_id": camera_id,
                    "day_id": day_id,
                    "name": f"{letter}{number:04}{reel_number:02}",
                    "algorithm": "xxh128",
                    "folder": f"{letter}{number}",
                    "created_at": _text(date),
                }
                (reel_id,) = self._insert("reel", [reel])
                for place in range(min(CLIPS_A_REEL, here - reel_number * CLIPS_A_REEL)):
                    at = 8 * 3600 + (reel_number * CLIPS_A_REEL + place) * 36_000 // max(here, 1)
                    yield {
                        "production_id": kit.production,
                        "reel_id": reel_id,
                        "camera_id": camera_id,
                        "day_id": day_id,
                        "name": f"CLIP/{letter}{number:04}{reel_number:02}_C{place:04}",
                        "media": "audio" if kind == "recorder" else "video",
                        "shot_at": _text(date, at),
                        "rate_num": 48_000 if kind == "recorder" else 25,
                        "rate_den": 1,
                        "_about": (reel["name"], letter, number, date.isoformat()),
                    }

    def _write(self, kit: _Kit, rows: list[dict[str, Any]]) -> None:
        """Clips with all that hangs on them, one statement a table."""
        rng, count = self._rng, len(rows)
        about = [row.pop("_about") for row in rows]
        lengths = np.minimum(rng.lognormal(6.5, 1.0, count).astype(int) + 25, 500_000)
        lens = rng.choice(len(kit.lenses), count, p=zipf(len(kit.lenses)))
        for row, length, picked in zip(rows, lengths.tolist(), lens.tolist(), strict=True):
            sound = row["media"] == "audio"
            row["frames"] = length * 1920 if sound else length
            row["lens_id"] = None if sound else kit.lenses[picked]
            row["start_frame"] = None if sound else 90_000
        clip_ids = self._insert("clip", rows)
        files = [self._file_of(kit, row, number) for number, row in zip(clip_ids, rows, strict=True)]
        file_ids = self._insert("file", files)
        pairs = list(zip(clip_ids, file_ids, strict=True))
        self._insert("clip_file", [{"clip_id": c, "file_id": f, "role": "essence"} for c, f in pairs])
        self._insert("still", [self._still(number) for number in clip_ids[: int(count * 0.97)]])
        self._insert("finding", self._findings(pairs))
        entries, links = self._entries(kit, clip_ids)
        self._insert("clip_text", self._texts(rows, files, clip_ids, about, entries, links))

    def _file_of(self, kit: _Kit, row: Mapping[str, Any], number: int) -> dict[str, Any]:
        path = f"{row['name']}.{'WAV' if row['media'] == 'audio' else 'MP4'}"
        return {
            "reel_id": row["reel_id"],
            "path": path,
            "path_bytes": path.encode(),
            "size": 1_000_000,
            "mtime_ns": 0,
            "algorithm": "xxh128",
            "digest": f"{number:032x}",
            "offload_id": kit.offload,
        }

    def _still(self, clip_id: int) -> dict[str, Any]:
        return {
            "clip_id": clip_id,
            "ordinal": 0,
            "kind": "frame",
            "frame": 10,
            "path": f"{clip_id}/0.jpg",
            "width": 640,
            "height": 360,
        }

    def _findings(self, pairs: Sequence[tuple[int, int]]) -> list[dict[str, Any]]:
        rng = self._rng
        noticed = np.flatnonzero(rng.random(len(pairs)) < 0.25).tolist()
        codes = rng.choice(len(FINDINGS), len(noticed), p=zipf(len(FINDINGS))).tolist()
        of_file, dismissed = rng.random(len(noticed)) < 0.3, rng.random(len(noticed)) < 0.1
        return [
            {
                "clip_id": None if of_file[n] else pairs[place][0],
                "file_id": pairs[place][1] if of_file[n] else None,
                "code": FINDINGS[codes[n]],
                "severity": "warning",
                "message": "noticed",
                "dismissed": "seen" if dismissed[n] else None,
                "created_at": _text(FIRST_DAY),
            }
            for n, place in enumerate(noticed)
        ]

    def _entries(
        self, kit: _Kit, clip_ids: Sequence[int]
    ) -> tuple[dict[int, dict[str, Any]], dict[int, list[str]]]:
        """Entries by clip id, and the names of each one's tags and people."""
        rng = self._rng
        logged = [clip_ids[place] for place in np.flatnonzero(rng.random(len(clip_ids)) < LOGGED).tolist()]
        count = len(logged)
        columns = {field: self._codes(field, count) for field in TERM_FIELDS}
        notes = self._texts_of(rng.poisson(9, count) * (rng.random(count) < 0.7))
        subjects = self._texts_of(1 + rng.poisson(3, count))
        places = self._texts_of((rng.random(count) < 0.5).astype(int) * 2)
        entries = {
            clip_id: {
                "clip_id": clip_id,
                "note": notes[n],
                "subject": subjects[n],
                "place": places[n],
                "updated_at": _text(FIRST_DAY),
                **{field: codes[n] for field, codes in columns.items()},
            }
            for n, clip_id in enumerate(logged)
        }
        ids = self._insert("log_entry", list(entries.values()))
        self._mark_moments(kit, logged[:: round(1 / MARKED)])
        names: dict[int, list[str]] = {}
        for table, key, known, mean in (
            ("entry_tag", "tag_id", kit.tags, 1.2),
            ("entry_person", "person_id", kit.people, 0.4),
        ):
            links: list[dict[str, Any]] = []
            counts = np.minimum(rng.poisson(mean, count), 5)
            picks = rng.choice(len(known), int(counts.sum()), p=zipf(len(known))).tolist()
            for clip_id, entry_id, many in zip(logged, ids, counts.tolist(), strict=True):
                for _ in range(many):
                    row_id, name = known[picks.pop()]
                    if name not in names.setdefault(clip_id, []):
                        names[clip_id].append(name)
                        links.append({"entry_id": entry_id, key: row_id})
            self._insert(table, links, numbered=False)
        return entries, names

    def _mark_moments(self, kit: _Kit, clip_ids: Sequence[int]) -> None:
        """A range inside each of these clips, with an entry and a tag of its own."""
        moments = [{"clip_id": clip_id, "in_frame": 5, "out_frame": 20} for clip_id in clip_ids]
        moment_ids = self._insert("moment", moments)
        said = [{"moment_id": key, "kind": "interview", "updated_at": _text(FIRST_DAY)} for key in moment_ids]
        entry_ids = self._insert("log_entry", said)
        picks = self._rng.choice(len(kit.tags), len(clip_ids), p=zipf(len(kit.tags))).tolist()
        pairs = zip(entry_ids, picks, strict=True)
        links = [{"entry_id": entry_id, "tag_id": kit.tags[pick][0]} for entry_id, pick in pairs]
        self._insert("entry_tag", links, numbered=False)

    def _codes(self, field: str, count: int) -> list[str | None]:
        codes = self._terms[field]
        picks = self._rng.choice(len(codes), count, p=zipf(len(codes))).tolist()
        filled = (self._rng.random(count) < FILLED[field]).tolist()
        return [codes[pick] if there else None for pick, there in zip(picks, filled, strict=True)]

    def _texts_of(self, lengths: NDArray[Any]) -> list[str]:
        """Texts of so many words each."""
        picks = self._rng.choice(WORDS, int(lengths.sum()), p=self._frequencies).tolist()
        ends = np.cumsum(lengths).tolist()
        return [
            " ".join(self.words[pick] for pick in picks[end - length : end])
            for end, length in zip(ends, lengths.tolist(), strict=True)
        ]

    def _texts(
        self,
        rows: Sequence[Mapping[str, Any]],
        files: Sequence[Mapping[str, Any]],
        clip_ids: Sequence[int],
        about: Sequence[tuple[str, str, int, str]],
        entries: Mapping[int, Mapping[str, Any]],
        names: Mapping[int, Sequence[str]],
    ) -> Iterator[dict[str, Any]]:
        """As `shared.catalogue.text` writes it, from what is at hand."""
        for clip_id, row, file, (reel, letter, number, date) in zip(
            clip_ids, rows, files, about, strict=True
        ):
            entry = entries.get(clip_id, {})
            named = (row["name"], reel, letter, str(number), date, file["path"])
            said = [entry[name] for name in ("place", "subject", "note") if entry.get(name)]
            texts = [Text("name", one, Origin.NAME) for one in named]
            texts.append(Text("camera", f"Body {letter}", Origin.KNOWN))
            texts += [Text("note", one) for one in (*said, *names.get(clip_id, ()))]
            terms = tuple((field, entry[field]) for field in TERM_FIELDS if entry.get(field))
            yield {"clip_id": clip_id, "words": clip_words(ClipKnown(tuple(texts), terms), self._vocabulary)}

    def _insert(
        self, table: str, rows: Iterable[Mapping[str, Any]], *, numbered: bool = True
    ) -> Sequence[int]:
        """Write rows; their ids, counted on from the last. Columns not given take the model's defaults."""
        listed = list(rows)
        if not listed:
            return range(0)
        counted = numbered and "id" in Base.metadata.tables[table].columns
        first = self._ids.get(table, 0) + 1
        defaults = _defaults(Base.metadata.tables[table])
        given = list(listed[0])
        names = [*given, *(name for name in defaults if name not in listed[0])]
        extra = tuple(defaults[name] for name in names[len(given) :])
        values: Iterable[tuple[Any, ...]] = (tuple(row[name] for name in given) + extra for row in listed)
        if counted:
            names = ["id", *names]
            values = ((first + n, *value) for n, value in enumerate(values))
            self._ids[table] = first + len(listed) - 1
        marks = ", ".join("?" * len(names))
        self._into.executemany(f"INSERT INTO {table} ({', '.join(names)}) VALUES ({marks})", values)
        return range(first, first + len(listed))


def _defaults(table: Table) -> dict[str, Any]:
    """The plain defaults of a table's columns, as the models have them."""
    found: dict[str, Any] = {}
    for column in table.columns:
        if column.default is not None and column.default.is_scalar:
            value = getattr(column.default, "arg", None)
            found[column.name] = int(value) if isinstance(value, bool) else getattr(value, "value", value)
    return found


def _text(date: dt.date, seconds: int = 0) -> str:
    """A time as the models keep it on SQLite."""
    at = dt.datetime.combine(date, dt.time()) + dt.timedelta(seconds=seconds)
    return at.isoformat(sep=" ", timespec="microseconds")


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("file", type=Path)
    parser.add_argument("--clips", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    made = make_log(options.file, options.clips, options.seed)
    size = made.path.stat().st_size / 2**20
    print(f"{made.clips:,} clips in {made.seconds:.0f} s, {size:.0f} MiB; words: {made}")


if __name__ == "__main__":
    main()
