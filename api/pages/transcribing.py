"""What the forms of a transcript's page do: correct a cue, move it, part it, join it, and take that back."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import floor

from fastapi import APIRouter, Response

from api.deps import CallerDep, RowId, ServiceDep
from api.handover.text import plain_text
from api.pages.clip import PartView, playable_parts
from api.pages.forms import Form, FormDep, go_to
from api.pages.site import link
from api.reads.clips import read_clip
from api.routes.changes import undo_change
from api.routes.transcripts import checked_cue, sum_up
from shared.catalogue.clip_places import place_text, read_frame
from shared.catalogue.rows import RowsEdit
from shared.catalogue.transcript_edits import correct, cues_spoken_by, join, move, name_speaker, split
from shared.db import writing
from shared.errors import UsageError
from shared.models import Clip, ClipCue

router = APIRouter(prefix="/clips/{id}/transcript")

_SECONDS = re.compile(r"[0-9]{1,7}(?:\.[0-9]{1,20})?")
_ROUNDED = Fraction(1, 100)  # of a frame, which a player's seconds may lack where one begins


@router.post("/cues/{cue}")
def save_cue(service: ServiceDep, caller: CallerDep, form: FormDep, id: RowId, cue: RowId) -> Response:
    """What was typed in a cue's form, and what its button says (`act`): one edit, undone as a whole."""
    act = form.text("act")
    with writing(service.sessions) as session:
        row = checked_cue(session, cue, form.text("tag") or None)
        production = row.transcript.clip.production
        shown = row
        edit = RowsEdit(session, production, caller.name, sum_up(_VERBS.get(act, "correct"), row))
        _take(edit, row, form)
        if act in _ACTS:
            parts = playable_parts(read_clip(session, row.clip_id), service.settings)
            shown = _ACTS[act](edit, row, _Place(form, parts))
        done = edit.close()
        address = link(f"/clips/{row.clip_id}/transcript", done=done.id if done is not None else None)
        return go_to(f"{address}#cue-{shown.id}")


@router.post("/speakers")
def name_everywhere(service: ServiceDep, caller: CallerDep, form: FormDep, id: RowId) -> Response:
    """Name the person behind a speaker's name, in every transcript of the production."""
    speaker, person = form.text("speaker"), form.text("person")
    with writing(service.sessions) as session:
        production = read_clip(session, id).clip.production
        edit = RowsEdit(session, production, caller.name, f"{speaker} is {person}")
        name_speaker(edit, cues_spoken_by(edit, speaker), person)
        edit.close()
    return go_to(f"/clips/{id}/transcript#speakers")


@router.post("/undo")
def take_back(service: ServiceDep, caller: CallerDep, form: FormDep, id: RowId) -> Response:
    """Take the edit that was just made back."""
    undo_change(service, form.number("change") or 0, caller)
    return go_to(f"/clips/{id}/transcript#cues")


def _take(edit: RowsEdit, cue: ClipCue, form: Form) -> None:
    """Fields that differ from what the page showed of this version; what it showed may be less exact than
    what stands there."""
    clip = cue.transcript.clip
    if form.text("text") != plain_text(cue.text).strip():
        correct(edit, cue, form.text("text"))
    name_speaker(edit, [cue], form.text("person"))

    def frame(name: str, standing: int) -> int:
        typed = form.text(name)
        return standing if typed in ("", place_text(clip, standing)) else read_frame(clip, typed)

    move(edit, cue, frame("begins", cue.start_frame), frame("ends", cue.end_frame))


@dataclass(frozen=True, slots=True)
class _Place:
    """Where a person is: `form` says how far the film has played, and where the cursor stands in the text."""

    form: Form
    parts: Sequence[PartView]

    def frame(self, clip: Clip) -> int:
        """The clip's frame that is on show. Raises UsageError where nothing plays."""
        film, played = self.form.text("film"), self.form.text("played")
        part = next((one for one in self.parts if film and one.plays == film), None)
        if part is None or not clip.per_second or not _SECONDS.fullmatch(played):
            raise UsageError("nothing plays", remedy="Press a time to play from there, or write the time.")
        return part.first + floor(Fraction(played) * clip.per_second + _ROUNDED)

    def words(self) -> int:
        """Whole words before the cursor, which counts UTF-16 units as a browser does (HTML, 4.10.20); without
        one as many as were typed."""
        if not self.form.text("cursor"):
            return self.form.number("words") or 0
        units = self.form.values.get("text", ("",))[-1].encode("utf-16-le", "surrogatepass")
        at = 2 * (self.form.number("cursor") or 0)
        before, after = (one.decode("utf-16-le", "replace") for one in (units[:at], units[at:]))
        inside = before[-1:].strip() and after[:1].strip()
        return len(before.split()) - bool(inside)


def _begin(edit: RowsEdit, cue: ClipCue, place: _Place) -> ClipCue:
    return move(edit, cue, place.frame(cue.transcript.clip), cue.end_frame)


def _end(edit: RowsEdit, cue: ClipCue, place: _Place) -> ClipCue:
    seen = place.frame(cue.transcript.clip)
    return move(edit, cue, cue.start_frame, seen + 1)  # the frame one sees belongs to the cue


def _part(edit: RowsEdit, cue: ClipCue, place: _Place) -> ClipCue:
    return split(edit, cue, place.words())[1]


def _part_here(edit: RowsEdit, cue: ClipCue, place: _Place) -> ClipCue:
    return split(edit, cue, None, place.frame(cue.transcript.clip))[1]


def _join(edit: RowsEdit, cue: ClipCue, _place: _Place) -> ClipCue:
    return join(edit, cue)


_ACTS: dict[str, Callable[[RowsEdit, ClipCue, _Place], ClipCue]] = {
    "begin": _begin,
    "end": _end,
    "part": _part,
    "part-here": _part_here,
    "join": _join,
}
_VERBS = {"begin": "move", "end": "move", "part": "part", "part-here": "part", "join": "join"}
