"""The plan's shapes: wanted shots, narration, answers, thresholds, and how all of it stands."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import Field

from api.schemas.base import Body, Shape, UsableText
from api.schemas.log import PersonName
from shared import models
from shared.models import AnswerState, Need, Origin
from shared.plan.coverage import seconds_json
from shared.plan.thresholds import PRACTICE, RULES, Thresholds
from shared.plan.wishes import DayState, LineInfo, LineState, WishState, suggestion_json

MOST_SECONDS = 86_400
LONGEST_PLAN = 1_000_000  # characters
Code = Annotated[str, Field(pattern=r"^[A-Za-z][A-Za-z0-9_.-]{0,31}$")]
Short = Annotated[UsableText, Field(max_length=2000)]
Term = Annotated[UsableText, Field(max_length=100)]
Names = Annotated[list[PersonName], Field(max_length=100)]
Seconds = Annotated[int, Field(ge=1, le=MOST_SECONDS)]
DayNumber = Annotated[int, Field(ge=1, le=999_999)]
LARGEST_ID = 2**63 - 1


class WishBody(Body):
    """A wanted shot. Without a code it gets the next number."""

    code: Code | None = None
    what: Annotated[UsableText, Field(min_length=1, max_length=2000)]
    need: Annotated[Need, Field(strict=False)] = Need.SHOULD
    origin: Annotated[Origin, Field(strict=False)] = Origin.IDEA
    words: Short = Field(default="", description="The quote, or the idea at more length.")
    line: Code | None = Field(default=None, description="Code of the narration line it is wanted for.")
    beat: Short = ""
    day: DayNumber | None = None
    kind: Term | None = None
    size: Term | None = None
    angle: Term | None = None
    camera: Term | None = None
    who: Names = Field(default_factory=list)
    place: Short = ""
    seconds: Seconds | None = Field(default=None, description="Usable seconds that are wanted.")
    note: Short = ""


class WishPatch(Body):
    """A merge patch (RFC 7396): what is not named stays, null takes away."""

    code: Code | None = None
    what: Short | None = None
    need: Annotated[Need | None, Field(strict=False)] = None
    origin: Annotated[Origin | None, Field(strict=False)] = None
    words: Short | None = None
    line: Code | None = None
    beat: Short | None = None
    day: DayNumber | None = None
    kind: Term | None = None
    size: Term | None = None
    angle: Term | None = None
    camera: Term | None = None
    who: Names | None = None
    place: Short | None = None
    seconds: Seconds | None = None
    note: Short | None = None
    dropped: Short | None = Field(default=None, description="Why it is not wanted any more.")


class Wish(Shape):
    id: int
    production: int
    code: str
    what: str
    need: Need
    origin: Origin
    words: str
    line: str | None
    beat: str
    day: int | None
    kind: str | None
    size: str | None
    angle: str | None
    camera: str | None
    who: list[str]
    place: str
    seconds: int | None
    note: str
    dropped: str


class AnswerBody(Body):
    """A clip or a moment that is such a shot (`confirmed`), or is not (`refused`)."""

    clip: Annotated[int, Field(ge=1, le=LARGEST_ID)] | None = None
    moment: Annotated[int, Field(ge=1, le=LARGEST_ID)] | None = None
    state: Annotated[AnswerState, Field(strict=False)] = AnswerState.CONFIRMED


class Answer(Shape):
    id: int
    wish: int
    clip: int | None
    moment: int | None
    state: AnswerState
    made_by: str


class SuggestedClip(Shape):
    """A clip, or a moment of it, that may answer a wish. `percent`: how alike; `why`: what agrees."""

    clip: int
    moment: int | None
    name: str
    percent: int
    usable_seconds: float
    why: list[str]


class WishStanding(Shape):
    """`status`: covered, thin, damaged, possible, missing or dropped. `answers`: names of the confirmed."""

    wish: str
    status: str
    usable_seconds: float
    wanted_seconds: int
    answers: list[str]
    suggestions: list[SuggestedClip]


class LineBody(Body):
    """A narration line; `recorded_seconds` once it was read."""

    code: Code | None = None
    text: Annotated[UsableText, Field(min_length=1, max_length=5000)]
    beat: Short = ""
    picture: Short = Field(default="", description="What is to be seen over it.")
    recorded_seconds: Annotated[float, Field(gt=0, le=MOST_SECONDS)] | None = None


class LinePatch(Body):
    """A merge patch (RFC 7396): what is not named stays, null takes away."""

    code: Code | None = None
    text: Annotated[UsableText, Field(max_length=5000)] | None = None
    beat: Short | None = None
    picture: Short | None = None
    recorded_seconds: Annotated[float, Field(gt=0, le=MOST_SECONDS)] | None = None


class Line(Shape):
    """`words` as spoken, numbers said out; `seconds` recorded, else by the narrator's pace."""

    id: int
    production: int
    code: str
    beat: str
    text: str
    picture: str
    words: int
    seconds: float
    recorded: bool


class LineStanding(Shape):
    """`shots` and `wanted_seconds` are common practice, no source."""

    line: str
    seconds: float
    shots: int
    wanted_seconds: float
    usable_seconds: float
    wishes: list[str]


class DayStanding(Shape):
    """What was planned for a day and is there. Null: for no day. Seconds count up to what each wish wants."""

    day: int | None
    wishes: int
    covered: int
    must_open: int
    wanted_seconds: int
    usable_seconds: float


class PlanState(Shape):
    days: list[DayStanding]
    narration: list[LineStanding]
    wishes: list[WishStanding]


class PlanBody(Body):
    """A plan as the guide describes it: Markdown or plain text, or a table."""

    name: Annotated[str, Field(pattern=r"^[^/\\\x00-\x1f]{1,100}\.(md|txt|csv)$")] = "plan.md"
    text: Annotated[str, Field(min_length=1, max_length=LONGEST_PLAN)]


class PlanResult(Shape):
    """Codes by what was done with them. `left`: in the catalogue alone. `edit`: the journal's entry."""

    added: list[str]
    changed: list[str]
    same: int
    left: list[str]
    edit: int | None


class Threshold(Shape):
    """`usual`: the value of productions that set none. `least` and `most` are bounds."""

    name: str
    value: int
    unit: str
    usual: int
    least: int
    most: int
    help: str


class ThresholdList(Shape):
    rules: str
    items: list[Threshold]


class ThresholdPatch(Body):
    """By name; null goes back to the usual one."""

    values: Annotated[
        dict[Annotated[str, Field(max_length=64)], Annotated[int, Field(ge=0, le=100_000)] | None],
        Field(min_length=1, max_length=50),
    ]


def wish_shape(row: models.WantedShot) -> Wish:
    names = ("id", "code", "what", "need", "origin", "words", "beat", "kind", "size", "angle", "place")
    return Wish(
        **{name: getattr(row, name) for name in (*names, "seconds", "note", "dropped")},
        production=row.production_id,
        line=row.line.code if row.line is not None else None,
        day=row.day.number if row.day is not None else None,
        camera=row.camera.letter if row.camera is not None else None,
        who=[person.name for person in row.people],
    )


def answer_shape(row: models.Answer) -> Answer:
    return Answer(
        id=row.id,
        wish=row.wish_id,
        clip=row.clip_id,
        moment=row.moment_id,
        state=row.state,
        made_by=row.made_by,
    )


def line_shape(row: models.NarrationLine, info: LineInfo) -> Line:
    return Line(
        **{name: getattr(row, name) for name in ("id", "code", "beat", "text", "picture")},
        production=row.production_id,
        words=info.words,
        seconds=info.milliseconds / 1000,
        recorded=info.recorded,
    )


def wish_standing(state: WishState) -> WishStanding:
    values: dict[str, Any] = state.as_json()
    values["suggestions"] = [SuggestedClip(**suggestion_json(one)) for one in state.suggestions[:50]]
    return WishStanding(**values)


def line_standing(state: LineState) -> LineStanding:
    return LineStanding(
        line=state.line.code,
        seconds=state.line.milliseconds / 1000,
        shots=state.shots,
        wanted_seconds=seconds_json(state.wanted),
        usable_seconds=seconds_json(state.usable),
        wishes=list(state.wishes),
    )


def day_standing(state: DayState) -> DayStanding:
    return DayStanding(
        day=state.day,
        wishes=state.wishes,
        covered=state.covered,
        must_open=state.must_open,
        wanted_seconds=state.wanted,
        usable_seconds=seconds_json(state.usable),
    )


def threshold_list(force: Thresholds) -> ThresholdList:
    items = [
        Threshold(
            name=rule.name,
            value=force[rule.name],
            unit=rule.unit,
            usual=rule.value,
            least=rule.least,
            most=rule.most,
            help=rule.help,
        )
        for rule in RULES.values()
    ]
    return ThresholdList(rules=PRACTICE, items=items)
