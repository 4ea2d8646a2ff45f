"""Plan: the days' goals, wanted shots with what answers them, and the narration, entered on a page.

Every form carries out an operation of the API, so that both check, journal and undo alike.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import APIRouter, Query, Response
from sqlalchemy import select
from sqlalchemy.orm import Session

from api.deps import ProductionName, ServiceDep
from api.handover.text import one_line
from api.pages.begin import show_beginning
from api.pages.site import SiteDep, link, list_productions
from api.routes.narration import line_tag
from api.routes.wishes import answer_tag, wish_tag
from api.schemas.plan import Wish, wish_shape
from api.schemas.productions import day_tag
from shared.catalogue.log import production_vocabulary
from shared.catalogue.plan import answers_of, list_lines
from shared.catalogue.productions import find_production
from shared.catalogue.wrap import read_plan_state
from shared.db import reading
from shared.models import Answer, AnswerState, Need, Origin, Person, Production, WantedShot
from shared.plan.likeness import Suggestion
from shared.plan.wishes import LineState, WishState, WishStatus
from shared.vocabulary import Vocabulary

router = APIRouter()

SHOWN_SUGGESTIONS = 3
STATUS_WORDS = {
    WishStatus.COVERED: "Covered.",
    WishStatus.THIN: "Thin.",
    WishStatus.DAMAGED: "Damaged.",
    WishStatus.POSSIBLE: "Perhaps there.",
    WishStatus.MISSING: "Missing.",
    WishStatus.DROPPED: "Not wanted any more.",
}
TERM_NAMES = ("kind", "size", "angle")


@dataclass(frozen=True, slots=True)
class AnswerView:
    """A clip, or a moment of it, that a person confirmed or refused for a wish."""

    id: int
    name: str
    href: str
    tag: str
    by: str


@dataclass(frozen=True, slots=True)
class LikelyView:
    """A clip, or a moment, that may answer a wish: `field` is "clip" or "moment", `value` its id."""

    name: str
    href: str
    percent: int
    about: str
    field: str
    value: int


@dataclass(frozen=True, slots=True)
class WishView:
    """`stands`: its status and seconds in words; `open`: something is to be done for it still."""

    row: Wish
    tag: str
    stands: str
    open: bool
    facts: str
    answers: tuple[AnswerView, ...]
    refused: tuple[AnswerView, ...]
    likely: tuple[LikelyView, ...]


@dataclass(frozen=True, slots=True)
class LineView:
    id: int
    code: str
    text: str
    beat: str
    picture: str
    tag: str
    spoken: str
    needs: str
    recorded: str  # seconds, as a field takes them; empty: it was not read yet


@router.get("/plan")
def show_plan(
    service: ServiceDep,
    site: SiteDep,
    production: ProductionName = None,
    change: Annotated[str | None, Query(max_length=40)] = None,
) -> Response:
    """`change`: whose form stands open, such as wish-12, line-3 or day-2."""
    with reading(service.sessions) as session:
        if not list_productions(session):
            return show_beginning(site, service, session, None)
        found = find_production(session, production)
        vocabulary = production_vocabulary(session, found, service.vocabulary)
        plan = read_plan_state(session, found)
        people = select(Person.name).where(Person.production_id == found.id).order_by(Person.name)
        return site.render(
            "plan.html",
            production=found,
            change=change,
            days=[(day, day_tag(day)) for day in found.days],
            next_day=max((day.number for day in found.days), default=0) + 1,
            wishes=_view_wishes(session, found, plan.wishes, vocabulary),
            lines=_view_lines(session, found, plan.lines),
            needs=[one.value for one in Need],
            origins=[one.value for one in Origin],
            cameras=[camera.letter for camera in found.cameras],
            terms={name: [term.label for term in vocabulary.terms(name)] for name in TERM_NAMES},
            people=[one_line(name) for name in session.scalars(people)],
        )


def _view_wishes(
    session: Session, production: Production, states: Sequence[WishState], vocabulary: Vocabulary
) -> list[WishView]:
    """In the order of the plan."""
    rows = {
        row.id: row
        for row in session.scalars(select(WantedShot).where(WantedShot.production_id == production.id))
    }
    said: dict[int, list[Answer]] = defaultdict(list)
    for answer in answers_of(session, rows):
        said[answer.wish_id].append(answer)
    return [
        _view_wish(session, rows[state.wish.id], state, said[state.wish.id], vocabulary) for state in states
    ]


def _view_wish(
    session: Session, row: WantedShot, state: WishState, said: Sequence[Answer], vocabulary: Vocabulary
) -> WishView:
    shape = wish_shape(row)
    labels = {name: _label(vocabulary, name, getattr(shape, name)) for name in TERM_NAMES}
    shown = shape.model_copy(update=labels)
    confirmed = [one for one in said if one.state is AnswerState.CONFIRMED]
    return WishView(
        row=shown,
        tag=wish_tag(session, row),
        stands=_say_standing(state),
        open=state.status not in (WishStatus.COVERED, WishStatus.DROPPED),
        facts=one_line(_say_facts(shown)),
        answers=tuple(_view_answer(session, one) for one in confirmed),
        refused=tuple(_view_answer(session, one) for one in said if one not in confirmed),
        likely=tuple(_view_likely(one) for one in state.suggestions[:SHOWN_SUGGESTIONS]),
    )


def _label(vocabulary: Vocabulary, field: str, code: str | None) -> str | None:
    return next((term.label for term in vocabulary.terms(field) if term.code == code), code)


def _say_standing(state: WishState) -> str:
    words = STATUS_WORDS[state.status]
    if state.status is WishStatus.DROPPED:
        return f"{words} {one_line(state.wish.dropped)}"
    return f"{words} {float(state.usable):.0f} of {state.wish.seconds} usable seconds"


def _say_facts(wish: Wish) -> str:
    parts = [
        f"day {wish.day}" if wish.day is not None else "",
        *(wish.kind or "", wish.size or "", wish.angle or ""),
        f"camera {wish.camera}" if wish.camera else "",
        ", ".join(wish.who),
        wish.place,
        f"beat {wish.beat}" if wish.beat else "",
        f"for line {wish.line}" if wish.line else "",
        wish.origin.value,
    ]
    return " · ".join(part for part in parts if part)


def _view_answer(session: Session, answer: Answer) -> AnswerView:
    clip = answer.clip if answer.clip is not None else answer.moment.clip if answer.moment else None
    name = clip.name.rsplit("/", 1)[-1] if clip is not None else ""
    if answer.moment is not None:
        name = f"{name}, {answer.moment.name or 'a moment'}"
    return AnswerView(
        id=answer.id,
        name=one_line(name),
        href=f"/clips/{clip.id}" if clip is not None else "/find",
        tag=answer_tag(session, answer),
        by=one_line(answer.made_by),
    )


def _view_likely(one: Suggestion) -> LikelyView:
    clip, moment = one.piece.key
    seconds = f"{float(one.piece.usable):.0f} usable seconds"
    return LikelyView(
        name=one_line(one.piece.name),
        href=f"/clips/{clip}",
        percent=one.percent,
        about=one_line(", ".join([seconds, *one.why])),
        field="clip" if moment is None else "moment",
        value=clip if moment is None else moment,
    )


def _view_lines(session: Session, production: Production, states: Sequence[LineState]) -> list[LineView]:
    of_line: Mapping[int, LineState] = {state.line.id: state for state in states}
    return [_view_line(session, row, of_line[row.id]) for row in list_lines(session, production)]


def _view_line(session: Session, row: Any, state: LineState) -> LineView:
    seconds = state.line.milliseconds / 1000
    how = "recorded" if state.line.recorded else "estimated"
    wishes = f", for {', '.join(state.wishes)}" if state.wishes else ""
    usable = f"{float(state.usable):.0f} of {float(state.wanted):.0f}"
    return LineView(
        id=row.id,
        code=row.code,
        text=row.text,
        beat=row.beat,
        picture=row.picture,
        tag=line_tag(session, row),
        spoken=f"{seconds:.1f} s {how}, {state.line.words} words as spoken",
        needs=f"{state.shots} shots; {usable} usable seconds{wishes}",
        recorded=f"{row.recorded_ms / 1000:g}" if row.recorded_ms else "",
    )


def plan_link(production: str, place: str = "") -> str:
    """The page, at one of its places."""
    return link("/plan", production=production) + (f"#{place}" if place else "")
