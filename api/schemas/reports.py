"""What the plan's reports say: the wrap report and coverage."""

from __future__ import annotations

from pydantic import Field

from api.schemas.base import Shape


class WrapLine(Shape):
    """One thing to deal with. `about` and `name`: what and which; `number` in `unit`; `id`: of a clip, a wish
    or a release."""

    group: str
    code: str
    about: str
    name: str
    text: str
    number: float
    unit: str
    rule: str
    fix: str
    minutes: int
    id: int | None


class WrapGroup(Shape):
    group: str
    title: str
    lines: list[WrapLine]


class Wrap(Shape):
    """Groups in the order in which they are dealt with. `minutes`: of all but the upkeep; an estimate."""

    production: str
    day: int | None
    goal: str
    clips: int
    minutes: int
    groups: list[WrapGroup]
    caution: str


class CoverageCell(Shape):
    """Seconds to a thousandth. An empty text: nobody said."""

    beat: str
    kind: str
    size: str
    angle: str
    clips: int
    seconds: float
    usable: float


class Scene(Shape):
    beat: str
    clips: int
    usable: float
    there: dict[str, float] = Field(description="Usable seconds of each thing that a scene commonly has.")
    missing: list[str]


class Interview(Shape):
    person: str
    places: list[str]
    usable: float
    sizes: list[str]
    cutaways: float
    tone: float
    name_spoken: bool
    released: bool
    missing: list[str]
    takes: list[str]


class Heights(Shape):
    """From which camera heights a person is seen, in usable seconds."""

    person: str
    seconds: dict[str, float]
    one_sided: str | None


class Coverage(Shape):
    rules: str
    cells: list[CoverageCell]
    scenes: list[Scene]
    interviews: list[Interview]
    heights: list[Heights]
