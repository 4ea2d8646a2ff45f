"""The wrap report: what is unsafe, missing, damaged, thin or left undone, before anybody leaves the location.

Pure: everything is handed in. Each line names a thing, a number and the rule, and says what would mend it and
about how long that takes. What rules ask for is common practice, no source; thresholds are the production's.
"""

from __future__ import annotations

import enum
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from shared.plan.coverage import Coverage
from shared.plan.pieces import Piece, Take
from shared.plan.thresholds import Thresholds
from shared.plan.wishes import LineState, WishState


class WrapGroup(enum.StrEnum):
    """In the order in which they are dealt with."""

    UNSAFE = "unsafe"
    NOW = "now"  # can't be shot, signed or recorded later
    DAMAGED = "damaged"
    THIN = "thin"
    UPKEEP = "upkeep"


TITLES = {
    WrapGroup.UNSAFE: "Not safe yet",
    WrapGroup.NOW: "Can't be had later",
    WrapGroup.DAMAGED: "Damaged",
    WrapGroup.THIN: "Thin",
    WrapGroup.UPKEEP: "Upkeep",
}


@dataclass(frozen=True, slots=True)
class WrapLine:
    """`about`: what kind of thing (`reel`, `wish`, `person` …) and `name` which; `number` in `unit`."""

    group: WrapGroup
    code: str
    about: str
    name: str
    text: str
    number: float
    unit: str
    rule: str
    fix: str
    minutes: int
    id: int | None = None  # of a clip, a wish or a release

    def as_json(self) -> dict[str, Any]:
        return {name: getattr(self, name) for name in self.__slots__} | {"group": self.group.value}


@dataclass(frozen=True, slots=True)
class ReelSafety:
    """One reel: files with too few verified copies, files never read, copies that are not as they were."""

    reel: str
    day: int | None
    files: int
    unproven: int
    unproven_bytes: int
    failed: int
    bad_copies: int
    unfinished: bool
    names: tuple[str, ...] = ()
    refusals: tuple[str, ...] = ()  # why its card was not to be formatted, when that was last looked at


@dataclass(frozen=True, slots=True)
class ReleaseInfo:
    """A release as the rules see it; `standing` as `shared/catalogue/releases.py` says."""

    id: int
    kind: str
    subject: str
    standing: str
    clips: frozenset[int]
    has_file: bool

    @property
    def cleared(self) -> bool:
        return self.standing == "cleared"


@dataclass(frozen=True, slots=True)
class Shoot:
    """All that a wrap report is made from. `day`: None for the whole production. `last_day`: its highest."""

    production: str
    day: int | None
    last_day: int | None
    goal: str
    takes: Sequence[Take]
    pieces: Sequence[Piece]
    wishes: Sequence[WishState]
    lines: Sequence[LineState]
    coverage: Coverage
    reels: Sequence[ReelSafety]
    releases: Sequence[ReleaseInfo]
    thresholds: Thresholds

    def is_today(self, day: int | None) -> bool:
        """Whether something of this day is asked about. What has no day is of every day."""
        return self.day is None or day is None or day == self.day

    @property
    def todays_takes(self) -> list[Take]:
        return [take for take in self.takes if self.day is None or take.day == self.day]

    @property
    def todays_pieces(self) -> list[Piece]:
        return [piece for piece in self.pieces if self.day is None or piece.take.day == self.day]


@dataclass(frozen=True, slots=True)
class WrapReport:
    production: str
    day: int | None
    goal: str
    clips: int
    lines: tuple[WrapLine, ...]

    def of(self, group: WrapGroup) -> list[WrapLine]:
        return [line for line in self.lines if line.group is group]

    @property
    def minutes(self) -> int:
        """What mending everything but the upkeep would take."""
        return sum(line.minutes for line in self.lines if line.group is not WrapGroup.UPKEEP)

    def as_json(self) -> dict[str, Any]:
        return {
            "production": self.production,
            "day": self.day,
            "goal": self.goal,
            "clips": self.clips,
            "minutes": self.minutes,
            "groups": [
                {
                    "group": group.value,
                    "title": TITLES[group],
                    "lines": [line.as_json() for line in self.of(group)],
                }
                for group in WrapGroup
            ],
        }


def people_standing(releases: Iterable[ReleaseInfo]) -> tuple[set[str], dict[str, str]]:
    """Who is cleared, and how the releases of the others stand. A withdrawn one outweighs any other."""
    cleared: set[str] = set()
    known: dict[str, str] = {}
    for release in releases:
        if release.kind not in ("person", "minor"):
            continue
        if release.cleared:
            cleared.add(release.subject)
        elif known.get(release.subject) != "withdrawn":
            known[release.subject] = release.standing
    return cleared - {name for name, standing in known.items() if standing == "withdrawn"}, known


def in_order(lines: Iterable[WrapLine]) -> tuple[WrapLine, ...]:
    """Group by group; within one as the rules gave them."""
    places = {group: place for place, group in enumerate(WrapGroup)}
    return tuple(sorted(lines, key=lambda line: places[line.group]))


def name_some(names: Sequence[str], most: int = 3) -> str:
    """The first few, and how many more."""
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more


def counted(number: int, word: str, plural: str | None = None) -> str:
    return f"{number} {word if number == 1 else plural or word + 's'}"
