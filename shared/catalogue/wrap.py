"""Everything that the plan's reports are made from, read once: a fixed number of statements."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from sqlalchemy import Integer, Select, case, cast, func, or_, select
from sqlalchemy.orm import Session, joinedload, selectinload

from shared.catalogue.plan import list_lines, read_thresholds
from shared.catalogue.plan_rows import read_takes
from shared.catalogue.productions import find_day
from shared.catalogue.refusals import read_refusals
from shared.catalogue.release_standing import standing_of, subject_of, today_of
from shared.catalogue.releases import list_releases
from shared.models import (
    Answer,
    AnswerState,
    Copy,
    CopyState,
    File,
    Moment,
    NarrationLine,
    Offload,
    OffloadState,
    Production,
    Reel,
    ShootingDay,
    WantedShot,
)
from shared.narration import count_spoken, pace_of
from shared.plan.coverage import Coverage, judge_coverage
from shared.plan.likeness import Stems, Wish, content_words
from shared.plan.pieces import Piece, Take, make_pieces
from shared.plan.thresholds import Thresholds
from shared.plan.wishes import Key, LineInfo, LineState, WishState, judge_lines, judge_wishes
from shared.plan.wrap import ReelSafety, ReleaseInfo, Shoot, WrapReport, in_order, people_standing
from shared.plan.wrap_later import thin, upkeep
from shared.plan.wrap_now import cannot_wait, damaged, unsafe
from shared.stems import stem_words

_NAMED = 5  # files that a line names


@dataclass(frozen=True, slots=True)
class Plan:
    """The plan beside what was shot."""

    thresholds: Thresholds
    takes: Sequence[Take]
    pieces: Sequence[Piece]
    wishes: Sequence[WishState]
    lines: Sequence[LineState]
    releases: Sequence[ReleaseInfo]
    coverage: Coverage


def read_plan_state(session: Session, production: Production) -> Plan:
    """Wishes, narration and coverage as they stand now."""
    thresholds = read_thresholds(session, production)
    takes = read_takes(session, production)
    pieces = make_pieces(takes, thresholds)
    rows = _wish_rows(session, production)
    confirmed, refused = _answers(session, [row.id for row in rows])
    wishes = [wish_of(row, thresholds) for row in rows]
    states = judge_wishes(wishes, takes, confirmed, refused, thresholds, stems_of(production.language))
    line_of = {row.id: row.line_id for row in rows if row.line_id is not None}
    infos = describe_lines(list_lines(session, production), production.language, thresholds)
    releases = read_release_infos(session, production)
    return Plan(
        thresholds=thresholds,
        takes=takes,
        pieces=pieces,
        wishes=states,
        lines=judge_lines(infos, states, line_of, thresholds),
        releases=releases,
        coverage=judge_coverage(pieces, thresholds, people_standing(releases)[0]),
    )


def read_wrap(session: Session, production: Production, day: int | None) -> WrapReport:
    """The wrap report of a day, or of the whole production. Raises NotFoundError for an unknown day."""
    goal = find_day(session, production, day).goal if day is not None else ""
    plan = read_plan_state(session, production)
    last = session.scalar(
        select(func.max(ShootingDay.number)).where(ShootingDay.production_id == production.id)
    )
    shoot = Shoot(
        production=production.name,
        day=day,
        last_day=last,
        goal=goal,
        takes=plan.takes,
        pieces=plan.pieces,
        wishes=plan.wishes,
        lines=plan.lines,
        coverage=plan.coverage,
        reels=read_safety(session, production, plan.thresholds),
        releases=plan.releases,
        thresholds=plan.thresholds,
    )
    rules = (unsafe, cannot_wait, damaged, thin, upkeep)
    lines = in_order(line for rule in rules for line in rule(shoot))
    return WrapReport(production.name, day, goal, len(shoot.todays_takes), lines)


def stems_of(language: str) -> Stems:
    """The words of a text that say something, by their stems; each text is looked at once."""

    @lru_cache(maxsize=100_000)
    def stems(text: str) -> frozenset[str]:
        return content_words(stem_words(text, language))

    return stems


# -- the plan's rows --------------------------------------------------------------------------------


def _wish_rows(session: Session, production: Production) -> list[WantedShot]:
    rows = (
        select(WantedShot)
        .where(WantedShot.production_id == production.id)
        .options(joinedload(WantedShot.day), joinedload(WantedShot.camera), selectinload(WantedShot.people))
        .order_by(WantedShot.position, WantedShot.id)
    )
    return list(session.scalars(rows))


def wish_of(row: WantedShot, thresholds: Thresholds) -> Wish:
    return Wish(
        id=row.id,
        code=row.code,
        what=row.what,
        need=row.need.value,
        beat=row.beat,
        day=row.day.number if row.day is not None else None,
        kind=row.kind,
        size=row.size,
        angle=row.angle,
        camera=row.camera.letter if row.camera is not None else None,
        place=row.place,
        people=tuple(person.name for person in row.people),
        seconds=row.seconds or thresholds["wish-seconds"],
        dropped=row.dropped,
        words=row.words,
    )


def _answers(
    session: Session, wish_ids: Sequence[int]
) -> tuple[Mapping[int, list[Key]], Mapping[int, list[Key]]]:
    """What was confirmed and what was refused, by the wish's id."""
    rows = (
        select(Answer.wish_id, func.coalesce(Answer.clip_id, Moment.clip_id), Answer.moment_id, Answer.state)
        .outerjoin(Moment, Moment.id == Answer.moment_id)
        .join(WantedShot, WantedShot.id == Answer.wish_id)
        .order_by(Answer.id)
    )
    confirmed: dict[int, list[Key]] = defaultdict(list)
    refused: dict[int, list[Key]] = defaultdict(list)
    wanted = set(wish_ids)
    for wish, clip, moment, state in session.execute(rows):
        if wish in wanted and clip is not None:
            (confirmed if state is AnswerState.CONFIRMED else refused)[wish].append((clip, moment))
    return confirmed, refused


def describe_lines(rows: Sequence[NarrationLine], language: str, thresholds: Thresholds) -> list[LineInfo]:
    """Each line with its length: recorded, else by the narrator's pace.

    The pace is the production's own if it set one, else what its recorded lines tell, else the usual one.
    """
    spoken = [count_spoken(row.text, language).words for row in rows]
    pace = pace_in_force(rows, spoken, thresholds)
    return [
        LineInfo(
            id=row.id,
            code=row.code,
            beat=row.beat,
            text=row.text,
            picture=row.picture,
            words=words,
            milliseconds=row.recorded_ms or round(words * 60_000 / pace),
            recorded=row.recorded_ms is not None,
        )
        for row, words in zip(rows, spoken, strict=True)
    ]


def pace_in_force(rows: Sequence[NarrationLine], spoken: Sequence[int], thresholds: Thresholds) -> Any:
    """Words a minute, exact."""
    if "pace" in thresholds.own:
        return thresholds["pace"]
    read = [(words, row.recorded_ms) for row, words in zip(rows, spoken, strict=True) if row.recorded_ms]
    return pace_of(read) or thresholds["pace"]


def read_release_infos(session: Session, production: Production) -> list[ReleaseInfo]:
    today = today_of(production)
    return [
        ReleaseInfo(
            id=one.id,
            kind=one.kind.value,
            subject=subject_of(one),
            standing=standing_of(one, today).value,
            clips=frozenset(clip.id for clip in one.clips),
            has_file=bool(one.file_hash),
        )
        for one in list_releases(session, production)
    ]


# -- copies -----------------------------------------------------------------------------------------


def read_safety(session: Session, production: Production, thresholds: Thresholds) -> list[ReelSafety]:
    """How each reel's copies stand, counted by destinations: drives that are not here can't be told apart."""
    verified = func.count(case((Copy.state == CopyState.VERIFIED, Copy.destination_id)).distinct())
    bad = func.count(case((Copy.state.in_((CopyState.DIFFERS, CopyState.MISSING)), Copy.id)))
    each = (
        select(
            File.reel_id.label("reel"),
            File.size.label("size"),
            or_(File.digest.is_(None), File.problem.is_not(None)).label("failed"),
            verified.label("verified"),
            bad.label("bad"),
        )
        .join(Reel, Reel.id == File.reel_id)
        .outerjoin(Copy, Copy.file_id == File.id)
        .where(Reel.production_id == production.id)
        .group_by(File.id, File.reel_id, File.size, File.digest, File.problem)
        .subquery()
    )
    failed = cast(each.c.failed, Integer)
    short = case((each.c.failed, 0), (each.c.verified < thresholds["copies"], 1), else_=0)
    counts = select(
        each.c.reel,
        func.count(),
        func.sum(short),
        func.sum(case((each.c.failed, each.c.size), (short == 1, each.c.size), else_=0)),
        func.sum(failed),
        func.sum(each.c.bad),
    ).group_by(each.c.reel)
    found = {row[0]: [int(one or 0) for one in row[1:]] for row in session.execute(counts)}
    names, unfinished = _failed_names(session, production), _unfinished(session, production)
    reels: Select[*tuple[Any, ...]] = (
        select(Reel.id, Reel.name, ShootingDay.number)
        .outerjoin(ShootingDay, ShootingDay.id == Reel.day_id)
        .where(Reel.production_id == production.id)
        .order_by(Reel.name)
    )
    rows = session.execute(reels).all()
    refusals = read_refusals(session, [row[0] for row in rows])
    safety = []
    for key, name, day in rows:
        files, unproven, size, failed_files, bad_copies = found.get(key, [0] * 5)
        safety.append(
            ReelSafety(
                reel=name,
                day=day,
                files=files,
                unproven=unproven,
                unproven_bytes=size,
                failed=failed_files,
                bad_copies=bad_copies,
                unfinished=key in unfinished,
                names=tuple(names.get(key, ())),
                refusals=refusals.get(key, ()),
            )
        )
    return safety


def _failed_names(session: Session, production: Production) -> dict[int, list[str]]:
    rows = (
        select(File.reel_id, File.path)
        .join(Reel, Reel.id == File.reel_id)
        .where(Reel.production_id == production.id, or_(File.digest.is_(None), File.problem.is_not(None)))
        .order_by(File.id)
        .limit(1000)
    )
    found: dict[int, list[str]] = defaultdict(list)
    for reel, path in session.execute(rows):
        if len(found[reel]) < _NAMED:
            found[reel].append(path.rpartition("/")[2])
    return found


def _unfinished(session: Session, production: Production) -> set[int]:
    """Reels whose last offload did not go through. One that is done in part names its files elsewhere."""
    latest = (
        select(func.max(Offload.id))
        .join(Reel, Reel.id == Offload.reel_id)
        .where(Reel.production_id == production.id)
        .group_by(Offload.reel_id)
    )
    rows = select(Offload.reel_id).where(
        Offload.id.in_(latest), Offload.state.in_((OffloadState.RUNNING, OffloadState.FAILED))
    )
    return set(session.scalars(rows))
