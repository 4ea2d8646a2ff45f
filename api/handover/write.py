"""Write a hand-over, format by format, and publish it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePath
from typing import Any

from sqlalchemy.orm import Session

from api.handover.contact_sheets import write_contact_sheets
from api.handover.edl import write_edit_lists
from api.handover.folder import draft_folder
from api.handover.leaving_out import leave_out
from api.handover.log_page import write_log_page
from api.handover.manifests import copy_manifests
from api.handover.markers import write_markers
from api.handover.missing import list_gaps
from api.handover.outline_paper import write_paper_edit
from api.handover.outline_timeline import write_outline_timeline
from api.handover.paper_edit import gather_outlines, shots_of
from api.handover.places import look_at_places
from api.handover.profile import make_profile
from api.handover.readme import write_readme
from api.handover.release_index import write_release_index
from api.handover.selects import write_selects
from api.handover.shot_log import write_shot_log
from api.handover.shots import Handover, gather_handover
from api.handover.sound_map import write_sound_map
from api.handover.speech import write_speech
from api.handover.sums import write_sums
from api.handover.timeline import write_timeline
from shared.models import Clip, Production, now
from shared.settings import Settings


@dataclass(frozen=True, slots=True)
class HandoverReport:
    """What was written: `files` as paths below `folder`, `clips` how many, `missing` one sentence each."""

    folder: Path
    files: tuple[str, ...]
    clips: int
    missing: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        return {
            "folder": str(self.folder),
            "files": list(self.files),
            "clips": self.clips,
            "missing": list(self.missing),
        }


def write_handover(
    session: Session,
    production: Production,
    clips: Sequence[Clip],
    *,
    to: Path,
    settings: Settings,
    query: str,
    media_roots: Mapping[str, PurePath] | None = None,
    left_out: Collection[str] = (),
    made_at: dt.datetime | None = None,
) -> HandoverReport:
    """Make one new folder below `to` with everything an editor starts from.

    The session is read at the beginning and not used again. `query` is what the clips were asked for by;
    `media_roots` maps a destination's name or path to where the editor has it (an absolute path);
    `left_out` names parts of `api.handover.profile.PARTS`; `made_at` is now unless given. Raises UsageError
    when there is no clip or `to` is no folder, DestinationError, naming the file, when it can't be written;
    then nothing is left.
    """
    from api.handover.log_paper import write_log_paper  # the reports' pages, which take their looks from here

    handover = gather_handover(session, production, clips, query=query, made_at=made_at or now())
    profile = make_profile(session, production, left_out)
    handover = leave_out(handover, profile)
    edits = gather_outlines(session, production, profile)
    places = look_at_places((*handover.shots, *shots_of(edits)), media_roots or {})
    with draft_folder(to, folder_name(handover)) as (draft, final):
        write_shot_log(draft, handover, places)
        write_log_page(draft, handover, places, settings.stills_folder)
        write_log_paper(draft, handover, places, settings.stills_folder)
        write_speech(draft, (shot.clip for shot in handover.shots), handover.speech)
        write_timeline(draft, handover, places)
        write_selects(draft, handover, places)
        write_edit_lists(draft, handover, edits)
        write_markers(draft, handover)
        write_sound_map(draft, handover)
        write_release_index(draft, handover)
        for edit in edits:
            write_outline_timeline(draft, handover, edit, places)
            write_paper_edit(draft, handover, edit)
        without_still = write_contact_sheets(draft, handover, places, settings.stills_folder)
        reels = copy_manifests(draft, handover, places)
        gaps = list_gaps(handover, places, reels, without_still)
        write_readme(draft, handover, places, reels, gaps, edits)
        write_sums(draft)  # last: over everything else
    return HandoverReport(final, tuple(draft.files), len(handover.shots), tuple(map(str, gaps)))


def folder_name(handover: Handover) -> str:
    """The production's folder name and the minute, by the production's wall clock."""
    return f"{handover.production.slug}_handover_{handover.made_here:%Y-%m-%d_%H%M}"
