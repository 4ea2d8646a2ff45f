"""Columns of the shot log about permissions, without personal data: how many are cleared, and for what.

Who signed, who the guardian is and the papers themselves stay in the catalogue. Never legal advice.
"""

from __future__ import annotations

from collections.abc import Iterator

from api.handover.cells import Value
from api.handover.shots import Handover, Shot
from shared.catalogue.release_standing import OF_PEOPLE, Standing, standing_of
from shared.models import Release, ReleaseKind
from shared.words import fold_name

CLEARED = "cleared"


def releases_of(handover: Handover, shot: Shot) -> Iterator[Release]:
    """Those about its people, its place, and whatever was noted to be in it."""
    people = set(shot.named)
    place = fold_name(shot.logged_place) if shot.logged_place else None
    for release in handover.releases:
        of_person = release.person is not None and release.person.name in people
        of_place = release.kind is ReleaseKind.PLACE and place == fold_name(release.name)
        if of_person or of_place or any(clip.id == shot.clip.id for clip in release.clips):
            yield release


def say_status(handover: Handover, shot: Shot) -> str | None:
    """CLEARED, or what is not: numbers alone, no name. None: nobody and nothing is named that needs one."""
    today = handover.made_here.date()
    releases = list(releases_of(handover, shot))
    people = shot.named
    cleared = [one for one in people if _person_is_cleared(releases, one, handover)]
    others = [
        one
        for one in releases
        if one.kind not in OF_PEOPLE and standing_of(one, today) is not Standing.CLEARED
    ]
    said = []
    if len(cleared) < len(people):
        said.append(f"{len(people) - len(cleared)} of {len(people)} people not cleared")
    for kind in (ReleaseKind.GROUP, ReleaseKind.PLACE, ReleaseKind.WORK):
        count = sum(one.kind is kind for one in others)
        if count:
            said.append(f"{count} {kind.value}{'s' if count > 1 else ''} not cleared")
    if said:
        return "; ".join(said)
    return CLEARED if releases else None


def _person_is_cleared(releases: list[Release], person: str, handover: Handover) -> bool:
    own = [one for one in releases if one.person is not None and one.person.name == person]
    standings = [standing_of(one, handover.made_here.date()) for one in own]
    return Standing.CLEARED in standings and Standing.WITHDRAWN not in standings


def is_uncleared(handover: Handover, shot: Shot) -> bool:
    return say_status(handover, shot) not in (None, CLEARED)


def say_rights(handover: Handover, shot: Shot) -> Value:
    """What the releases in force allow and forbid: each scope once, in the words of the forms' own fields."""
    today = handover.made_here.date()
    said: dict[str, None] = {}
    for release in releases_of(handover, shot):
        if standing_of(release, today) is Standing.CLEARED:
            said.update(dict.fromkeys(map(handover.profile.mask, _scope(release))))
    return tuple(said) or None


def _scope(release: Release) -> Iterator[str]:
    parts = [f"media: {release.media}"] if release.media else []
    parts += [f"territory: {release.territory}"] if release.territory else []
    parts += [f"until {release.until.isoformat()}"] if release.until is not None else []
    if release.cut_downs is not None:
        parts.append("cut-downs" if release.cut_downs else "no cut-downs")
    if parts:
        yield f"{release.kind.value}: {', '.join(parts)}"
    if release.no_name:
        yield "a name must not be given"
    if release.hide_face:
        yield "a face must be hidden"
    if release.restrictions:
        yield "further restrictions: ask who made this"
