"""The release index: what is on file and what is not, for which clips, without anybody's name.

People, guardians, groups, papers and what was written about them stay in the catalogue. The log names who is
seen, since captions need it; this says how each permission stands. Never legal advice.
"""

from __future__ import annotations

from collections.abc import Iterator

from api.handover.cells import Value, write_table
from api.handover.folder import Draft
from api.handover.release_columns import releases_of
from api.handover.shots import Handover, Shot
from api.handover.text import full_name
from shared.catalogue.release_standing import standing_of
from shared.models import Release, ReleaseKind

INDEX_NAME = "release_index.csv"
NONE_ON_FILE = "none on file"
_HEADS = (
    *("release", "about", "standing", "signed on", "media", "territory", "until", "cut-downs"),
    *("name must not be given", "face must be hidden", "further restrictions", "paper on file"),
    *("number of clips", "clips"),
)


def write_release_index(draft: Draft, handover: Handover) -> None:
    """Write `release_index.csv`: a row for each release of these clips, then for each person without one.

    Nothing is written where no clip names anybody and none has a release.
    """
    rows = [*_release_rows(handover), *_rows_without(handover)]
    if rows:
        with draft.create(INDEX_NAME) as file:
            file.writelines(write_table(_HEADS, rows))


def _release_rows(handover: Handover) -> Iterator[tuple[Value, ...]]:
    today = handover.made_here.date()
    clips: dict[int, list[Shot]] = {release.id: [] for release in handover.releases}
    for shot in handover.shots:
        for release in releases_of(handover, shot):
            clips[release.id].append(shot)
    for release in handover.releases:
        if clips[release.id]:
            yield (
                *(release.id, release.kind.value, standing_of(release, today).value),
                *_scope(release, handover),
                *_clips(clips[release.id]),
            )


def _scope(release: Release, handover: Handover) -> tuple[Value, ...]:
    mask = handover.profile.mask
    return (
        release.signed_on.isoformat() if release.signed_on else None,
        mask(release.media) or None,
        mask(release.territory) or None,
        release.until.isoformat() if release.until else None,
        None if release.cut_downs is None else _yes(release.cut_downs),
        *map(_yes, (release.no_name, release.hide_face)),
        "ask who made this" if release.restrictions else "no",
        _yes(bool(release.file_hash)),
    )


def _yes(it_is: bool) -> str:
    return "yes" if it_is else "no"


def _rows_without(handover: Handover) -> Iterator[tuple[Value, ...]]:
    """A row a person for whom there is no release at all: somebody, in these clips."""
    known = {release.person.name for release in handover.releases if release.person is not None}
    found: dict[str, list[Shot]] = {}
    for shot in handover.shots:
        for person in shot.named:
            if person not in known:
                found.setdefault(person, []).append(shot)
    for shots in found.values():
        yield (None, ReleaseKind.PERSON.value, NONE_ON_FILE, *(None,) * 9, *_clips(shots))


def _clips(shots: list[Shot]) -> tuple[Value, Value]:
    return len(shots), tuple(full_name(shot.clip) for shot in shots)
