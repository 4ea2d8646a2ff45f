"""What an editor will miss, and what nobody has proven: said plainly, with names."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

from api.handover.columns import verified_places
from api.handover.manifests import ReelManifests
from api.handover.places import Place
from api.handover.release_columns import is_uncleared
from api.handover.shots import Handover, Shot
from api.handover.text import full_name
from api.handover.timeline import on_timeline
from shared.models import ClipMedia, FileRole, Severity

_LONGEST_NAME = 30
_NAMED = 4  # in one line; the shot log has them all


@dataclass(frozen=True, slots=True)
class Gap:
    """One kind of thing that is missing: `what` reads after a number, `names` say which clips or reels."""

    code: str
    what: str
    names: tuple[str, ...]

    def __str__(self) -> str:
        shown = ", ".join(self.names[:_NAMED])
        more = f" and {len(self.names) - _NAMED} more" if len(self.names) > _NAMED else ""
        return f"{self.what}: {len(self.names)} ({shown}{more})"


def list_gaps(
    handover: Handover,
    places: Mapping[int, Place],
    reels: Sequence[ReelManifests],
    without_still: Iterable[Shot],
) -> tuple[Gap, ...]:
    """Everything missing, gravest first; kinds of which there is nothing are left out."""
    lacking = {shot.clip.id for shot in without_still}
    checks: tuple[tuple[str, str, Callable[[Shot], bool]], ...] = (
        ("unreadable", "unreadable, or not read whole from the card", _is_unreadable),
        ("proxy", "only a proxy: the take itself is not here", lambda shot: shot.is_proxy),
        ("fault", "damaged, by a finding that nobody dismissed", _has_fault),
        (
            "copies",
            "no verified second copy on another device",
            lambda shot: not _has_two_copies(shot, places),
        ),
        (
            "length",
            "not on the timeline (no length known, a photograph, or only a proxy)",
            lambda shot: not on_timeline(shot),
        ),
        ("timecode", "no timecode in the file", _lacks_timecode),
        ("variable-rate", "variable frame rate: frames are counted at the average", _is_variable),
        ("date", "date and time unknown", lambda shot: shot.clip.shot_at is None),
        (
            "date-guessed",
            "dated by the file's own time only",
            lambda shot: shot.clip.shot_certainty == "file",
        ),
        ("day", "no shooting day", lambda shot: shot.clip.day is None),
        (
            "release",
            "with people, a place or a work not cleared by a release in force",
            lambda shot: is_uncleared(handover, shot),
        ),
        ("log", "not logged", lambda shot: shot.entry is None),
        ("findings", "with a technical finding that nobody dismissed", _has_warning),
        ("still", "no still, or one that can't be shown", lambda shot: shot.clip.id in lacking),
    )
    gaps = [
        Gap(code, what, tuple(_short(full_name(shot.clip)) for shot in handover.shots if holds(shot)))
        for code, what, holds in checks
    ]
    gaps.insert(4, Gap("manifest", "reels whose hash lists were out of reach", _without_lists(reels)))
    withheld = tuple(one.reel for one in reels if one.withheld)
    gaps.append(
        Gap("withheld", "reels whose hash lists name what is left out, and are left out too", withheld)
    )
    return tuple(gap for gap in gaps if gap.names)


def _short(name: str) -> str:
    """A name in a list: its ends, where it is long."""
    return (
        name
        if len(name) <= _LONGEST_NAME
        else f"{name[: _LONGEST_NAME // 2]}…{name[-_LONGEST_NAME // 2 + 1 :]}"
    )


def _without_lists(reels: Iterable[ReelManifests]) -> tuple[str, ...]:
    return tuple(one.reel for one in reels if one.place is None)


def _is_unreadable(shot: Shot) -> bool:
    """No parser could read it, or the card did not give it whole."""
    return (
        shot.clip.media is ClipMedia.UNKNOWN
        or not shot.parts
        or any(part.file.problem is not None or part.file.digest is None for part in shot.parts)
    )


def _has_fault(shot: Shot) -> bool:
    return any(finding.severity is Severity.FAULT for finding in shot.findings)


def _has_warning(shot: Shot) -> bool:
    """A note, such as that a clip spans two files, wants nobody's attention."""
    return any(finding.severity is not Severity.NOTE for finding in shot.findings)


def _has_two_copies(shot: Shot, places: Mapping[int, Place]) -> bool:
    """Two folders on one device are lost together; a place out of reach counts as a device."""
    devices = [places[key].device for key in verified_places(shot)]
    return len({device for device in devices if device is not None}) + devices.count(None) >= 2


def _lacks_timecode(shot: Shot) -> bool:
    return shot.clip.media in (ClipMedia.VIDEO, ClipMedia.AUDIO) and shot.timing.tc_in is None


def _is_variable(shot: Shot) -> bool:
    return any(part.facts is not None and part.facts.rate_mode == "variable" for part in shot.parts)


def count_companions(handover: Handover) -> int:
    """Sidecars, proxies and thumbnails that stand beside the clips at the destinations."""
    return sum(row.role is not FileRole.ESSENCE for shot in handover.shots for row in shot.clip.files)
