"""What of a release holds on a day, for a row and as a condition. Never a legal judgement."""

from __future__ import annotations

import datetime as dt
import enum
from zoneinfo import ZoneInfo

from sqlalchemy import ColumnElement, and_, or_

from shared.models import Production, Release, ReleaseKind, now

OF_PEOPLE = (ReleaseKind.PERSON, ReleaseKind.MINOR)
CAUTION = "A release on file is not legal advice: what may be shown is for you and local law to say."


class Standing(enum.StrEnum):
    """What a release says today. Only `CLEARED` permits anything, and only within its scope."""

    CLEARED = "cleared"
    UNSIGNED = "unsigned"
    EXPIRED = "expired"
    WITHDRAWN = "withdrawn"
    NO_GUARDIAN = "no guardian"  # a minor's own signature


def standing_of(release: Release, today: dt.date) -> Standing:
    """How a release stands on a day of the production's calendar."""
    if release.withdrawn_on is not None and release.withdrawn_on <= today:
        return Standing.WITHDRAWN
    if release.signed_on is None or release.signed_on > today:
        return Standing.UNSIGNED
    if release.until is not None and release.until < today:
        return Standing.EXPIRED
    if release.kind is ReleaseKind.MINOR and not release.guardian:
        return Standing.NO_GUARDIAN
    return Standing.CLEARED


def is_cleared(today: dt.date) -> ColumnElement[bool]:
    """`standing_of(…) is Standing.CLEARED` as a condition on Release."""
    return and_(
        or_(Release.withdrawn_on.is_(None), Release.withdrawn_on > today),
        Release.signed_on.is_not(None),
        Release.signed_on <= today,
        or_(Release.until.is_(None), Release.until >= today),
        or_(Release.kind != ReleaseKind.MINOR, Release.guardian != ""),
    )


def today_of(production: Production) -> dt.date:
    """The date by the production's wall clock."""
    return now().astimezone(ZoneInfo(production.zone)).date()


def subject_of(release: Release) -> str:
    """Whom or what it is about."""
    return release.person.name if release.person is not None else release.name
