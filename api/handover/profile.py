"""What a hand-over leaves out: ways to reach people, places, the names of minors.

The parts are left out of the log's words before any format sees them, so that none can forget it. Names of
files and reels stay as they are, since the footage is found by them; stills show what they show.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from shared.errors import UsageError
from shared.models import Clip, LogEntry, Moment, Production, Release, ReleaseKind, WantedShot
from shared.words import fold_name

PARTS: Mapping[str, str] = {
    "contacts": "e-mail addresses and telephone numbers",
    "places": "places, by name and by coordinates",
    "minors": "names of people whose release a guardian signs",
}
_EMAIL = r"[\w.+-]+@[\w-]+(?:\.[\w-]+)+"
# Seven figures or more that begin as a number to dial does, or stand in groups as one; what is more likely a
# date or a plain decimal is none, nor is a timecode, whose colons no number has. Common practice, no source.
_NO_NUMBER = r"(?!(?:19|20)\d\d-[01]\d-[0-3]\d(?!\d)|\d{1,2}[./-]\d{1,2}[./-]\d{4}(?!\d)|\d+\.\d+(?![\d.]))"
_DIALLED = r"(?:\+\d|\(0|0)(?:[ ()/.\u2010-\u2015-]{0,2}\d){6,14}"
_GROUPED = r"(?=(?:[ .\u2010-\u2015-]?\d){7})\d{2,4}(?:[ .\u2010-\u2015-]\d{2,4}){2,5}"
_PHONE = rf"(?<![\w:.-]){_NO_NUMBER}(?:{_DIALLED}|{_GROUPED})(?![\w:])"
# Degrees with four decimals or more (11 m), or with minutes or a hemisphere (ISO 6709, annex D).
_DEGREES = r"[-+−]?\d{1,3}(?:\.\d+)?\s*°\s*"
_MINUTES = r"\d{1,2}(?:\.\d+)?\s*['′](?:\s*\d{1,2}(?:\.\d+)?\s*[\"″])?(?:\s*[NSEW]\b)?"
_COORDINATES = (
    rf"[-+−]?\d{{1,3}}\.\d{{4,}}\s*[,;/ ]\s*[-+−]?\d{{1,3}}\.\d{{4,}}|{_DEGREES}(?:{_MINUTES}|[NSEW]\b)"
)


@dataclass(frozen=True, slots=True)
class Profile:
    """`parts` of PARTS that are left out. `hidden`: patterns in order, each with what stands instead."""

    parts: frozenset[str] = frozenset()
    minors: frozenset[str] = frozenset()
    hidden: tuple[tuple[re.Pattern[str], str], ...] = ()

    @property
    def places(self) -> bool:
        return "places" in self.parts

    @property
    def contacts(self) -> bool:
        return "contacts" in self.parts

    def mask(self, text: str) -> str:
        """A text of the log without what is left out; to be used by every format on words of its own."""
        for pattern, instead in self.hidden:
            text = pattern.sub(instead, text)
        return text

    def name(self, name: str) -> str:
        """A person's name, or that it is left out."""
        return "[name left out]" if name in self.minors else name


EVERYTHING = Profile()


def read_parts(text: str) -> frozenset[str]:
    """`contacts,places` as a set. Raises UsageError for what can't be left out."""
    parts = [part.strip().lower() for part in text.split(",") if part.strip()]
    for part in parts:
        if part not in PARTS:
            raise UsageError(
                f"{part!r} is nothing that can be left out",
                remedy="Name some of these, with commas between: " + ", ".join(PARTS) + ".",
            )
    return frozenset(parts)


def make_profile(session: Session, production: Production, parts: Iterable[str]) -> Profile:
    """The profile for this production, with the places and the minors that its catalogue knows by name."""
    chosen = read_parts(",".join(parts))
    minors: frozenset[str] = frozenset()
    hidden: list[tuple[re.Pattern[str], str]] = []
    if "contacts" in chosen:
        hidden.append((re.compile(f"{_EMAIL}|{_PHONE}"), "[contact left out]"))
    if "places" in chosen:
        hidden.append((re.compile(_COORDINATES), "[place left out]"))
        hidden += _names(_known_places(session, production), "[place left out]")
    if "minors" in chosen:
        minors = frozenset(
            release.person.name
            for release in session.scalars(
                select(Release).filter_by(production_id=production.id, kind=ReleaseKind.MINOR)
            )
            if release.person is not None
        )
        hidden += _names(minors, "[name left out]")
    return Profile(chosen, minors, tuple(hidden))


def _names(names: Iterable[str], instead: str) -> list[tuple[re.Pattern[str], str]]:
    """One pattern for all of them, the longest first; blanks as loose as people write them."""
    words = sorted({fold_name(name): name for name in names if name.strip()}.values(), key=len, reverse=True)
    if not words:
        return []
    loose = (r"\s+".join(map(re.escape, word.split())) for word in words)
    return [(re.compile(rf"(?<!\w)(?:{'|'.join(loose)})(?!\w)", re.IGNORECASE), instead)]


def _known_places(session: Session, production: Production) -> set[str]:
    logged = (
        select(LogEntry.place)
        .outerjoin(Moment, Moment.id == LogEntry.moment_id)
        .join(Clip, (Clip.id == LogEntry.clip_id) | (Clip.id == Moment.clip_id))
        .where(Clip.production_id == production.id, LogEntry.place != "")
    )
    wanted = select(WantedShot.place).where(WantedShot.production_id == production.id, WantedShot.place != "")
    signed = select(Release.name).where(
        Release.production_id == production.id, Release.kind == ReleaseKind.PLACE, Release.name != ""
    )
    return {place for rows in (logged, wanted, signed) for place in session.scalars(rows.distinct())}
