"""One catalogue with many at it: a worker that logs new clips, people who edit, people who look.

Each is a process of its own with its own engine, as the program's are. Whoever edits reads first, and writes
only on the version that was read, as the service does with If-Match.
"""

from __future__ import annotations

import random
import time
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from functools import cache
from multiprocessing import get_context

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from shared.catalogue.assignments import SetValue
from shared.catalogue.editing import edit_clips
from shared.catalogue.productions import find_production
from shared.catalogue.search import find_clips
from shared.catalogue.text import refresh_text
from shared.db import Sessions, make_engine, make_sessions, reading, writing
from shared.models import ChangeSet, Clip, LogEntry, Reel
from shared.vocabulary import Vocabulary, load_vocabulary
from tests.factories import make_clip, make_reel

READ_EVERY, EDIT_EVERY, ADD_EVERY = 0.25, 0.25, 0.05  # seconds between two of one person's, of the worker's
SHOWN = 50  # clips of one page
REEL = "Z999"


@dataclass(frozen=True, slots=True)
class Load:
    """How many of each, for how long, and how often each of them at the least, however slow the machine.

    `queries`: what the readers look for, one after another.
    """

    seconds: float
    least: int = 0
    warm_seconds: float = 1.0  # for everybody to have looked once
    adders: int = 0
    editors: int = 0
    readers: int = 8
    production: str = ""
    queries: tuple[str, ...] = ("", "kind:interview", "has:log")
    edited: tuple[int, ...] = ()  # clips that all editors share


@dataclass(slots=True)
class Outcome:
    """`reads`: seconds each took. `marks`: what editors wrote, by clip. `refused`: edits begun anew."""

    reads: list[float] = field(default_factory=list)
    marks: list[tuple[int, str]] = field(default_factory=list)
    refused: int = 0
    added: int = 0
    errors: list[str] = field(default_factory=list)

    @property
    def p95(self) -> float:
        """In seconds: nineteen of twenty reads took no longer."""
        return sorted(self.reads)[len(self.reads) * 95 // 100]


@cache
def _vocabulary() -> Vocabulary:
    """Read once, as the program does."""
    return load_vocabulary()


Step = Callable[[Sessions, Load, int, int, Outcome], None]


def run_load(url: str, load: Load) -> Outcome:
    """Let all of them loose on the catalogue; returns what happened to them together."""
    jobs: list[tuple[Step, float, int]] = [
        *((_add, ADD_EVERY, number) for number in range(load.adders)),
        *((_edit, EDIT_EVERY, number) for number in range(load.editors)),
        *((_read, READ_EVERY, number) for number in range(load.readers)),
    ]
    engine = make_engine(url)
    _read(make_sessions(engine), load, 0, 0, Outcome())  # before the fork: what is made once for all of them
    engine.dispose()
    begin = time.time() + load.warm_seconds
    together = Outcome()
    with ProcessPoolExecutor(len(jobs), mp_context=get_context("fork")) as pool:
        for one in [pool.submit(_work, url, load, begin, *job) for job in jobs]:
            done = one.result()
            together.reads += done.reads
            together.marks += done.marks
            together.errors += done.errors
            together.refused += done.refused
            together.added += done.added
    return together


def find_losses(sessions: Sessions, load: Load, outcome: Outcome) -> list[str]:
    """Writes that were said to be done and are not there, or are there twice."""
    lost = []
    with reading(sessions) as session:
        for clip_id in load.edited:
            note, version = session.execute(
                select(LogEntry.note, LogEntry.version).where(LogEntry.clip_id == clip_id)
            ).one_or_none() or ("", 0)
            wanted = Counter(mark for key, mark in outcome.marks if key == clip_id)
            found = Counter(word for word in note.split() if word.startswith("mark-"))
            if found != wanted:
                lost.append(f"clip {clip_id}: {wanted - found} lost, {found - wanted} too many")
            if version < wanted.total():
                lost.append(f"clip {clip_id}: version {version} after {wanted.total()} edits")
        edits = session.scalar(
            select(func.count()).select_from(ChangeSet).where(ChangeSet.author.like("editor %"))
        )
        if edits != len(outcome.marks):
            lost.append(f"{edits} edits in the journal of {len(outcome.marks)}")
        clips = session.scalar(
            select(func.count()).select_from(Clip).join(Reel).where(Reel.name.like(f"{REEL}%"))
        )
        if clips != outcome.added:
            lost.append(f"{clips} new clips of {outcome.added}")
    return lost


def _work(url: str, load: Load, begin: float, step: Step, every: float, number: int) -> Outcome:
    engine = make_engine(url)
    sessions, outcome = make_sessions(engine), Outcome()
    step_number = 0
    for place in range(len(load.queries) if step is _read else 1):  # the first of each is not measured
        _read(sessions, load, 0, place, Outcome())
    due = begin + every * random.Random(number).random()
    while due < begin + load.seconds or step_number < load.least:
        time.sleep(max(0.0, due - time.time()))
        due = max(due + every, time.time())
        step_number += 1
        try:
            step(sessions, load, number, step_number, outcome)
        except Exception as error:  # noqa: BLE001  whatever it is, it is what this looks for
            outcome.errors.append(f"{step.__name__} {number}: {type(error).__name__}: {error}")
    engine.dispose()
    return outcome


def _read(sessions: Sessions, load: Load, number: int, step: int, outcome: Outcome) -> None:
    query = load.queries[(number + step) % len(load.queries)]
    began = time.perf_counter()
    with reading(sessions) as session:
        find_clips(
            session, find_production(session, load.production or None), query, _vocabulary(), limit=SHOWN
        )
    outcome.reads.append(time.perf_counter() - began)


def _edit(sessions: Sessions, load: Load, number: int, step: int, outcome: Outcome) -> None:
    clip_id = random.Random(f"{number} {step}").choice(load.edited)
    mark = f"mark-{number}-{step}"
    while True:
        with reading(sessions) as session:
            note, version = _entry(session, clip_id)
        with writing(sessions) as session:
            if _entry(session, clip_id)[1] == version:
                production = session.get_one(Clip, clip_id).production
                change = SetValue("note", f"{note} {mark}".strip())
                edit_clips(session, production, [clip_id], [change], _vocabulary(), f"editor {number}")
                break
        outcome.refused += 1
    outcome.marks.append((clip_id, mark))


def _entry(session: Session, clip_id: int) -> tuple[str, int]:
    found = session.execute(
        select(LogEntry.note, LogEntry.version).where(LogEntry.clip_id == clip_id)
    ).one_or_none()
    return (found[0], found[1]) if found is not None else ("", 0)


def _add(sessions: Sessions, load: Load, number: int, step: int, outcome: Outcome) -> None:
    """A clip with its file and its words, in one transaction, as an offload logs it."""
    with writing(sessions) as session:
        production = find_production(session, load.production or None)
        name = f"{REEL}-{number}"
        reel = session.scalar(select(Reel).filter_by(production_id=production.id, name=name))
        reel = reel or make_reel(session, production, name=name)
        clip = make_clip(session, reel, f"NEW/{number}-{step}.MP4")
        refresh_text(session, [clip.id], _vocabulary())
    outcome.added += 1
