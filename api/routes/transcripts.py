"""Transcripts: the words of a clip as JSON, WebVTT, SRT or text, and the edits of their cues."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Literal

from fastapi import APIRouter, Header, Query, Response
from sqlalchemy import select
from sqlalchemy.orm import Session

from api.deps import CallerDep, RowId, ServiceDep
from api.etags import IfMatch, check_if_match, content_tag
from api.handover.words import FORMATS, MEDIA_TYPES, write_words
from api.reads.clips import check_clip
from api.reads.transcripts import cue_tag
from api.schemas.transcripts import (
    Cue,
    CuePatch,
    Cues,
    ImportResult,
    SplitBody,
    Transcript,
    TranscriptBody,
    cue_shape,
    import_shape,
    transcript_shape,
)
from shared import models
from shared.catalogue.rows import RowsEdit
from shared.catalogue.transcript_edits import (
    correct,
    cues_spoken_by,
    join,
    move,
    name_speaker,
    remove_transcript,
    split,
)
from shared.catalogue.transcript_import import carry_out, plan_import
from shared.catalogue.transcripts import cues_of, transcripts_of
from shared.db import reading, writing
from shared.errors import NotFoundError, UsageError

router = APIRouter(tags=["log"])

_TEXTS = {MEDIA_TYPES[form].partition(";")[0]: form for form in MEDIA_TYPES}
_AS_TEXT: dict[str, dict[str, dict[str, str]]] = {kind: {"schema": {"type": "string"}} for kind in _TEXTS}
Accept = Annotated[str | None, Header(description="As text/vtt, application/x-subrip or text/plain.")]


@router.get(
    "/clips/{id}/transcript",
    summary="Read what is said in a clip",
    description="As JSON, or by `Accept` as WebVTT, SRT or plain text, whose times are real seconds.",
    response_model=Transcript,
    responses={200: {"content": _AS_TEXT}, 404: {}},
)
def read_transcript(
    service: ServiceDep, id: RowId, response: Response, accept: Accept = None
) -> Transcript | Response:
    with reading(service.sessions) as session:
        form = _form_asked(accept)
        if form is not None:
            return _as_text(session, id, form)
        found = _read(session, id)
        response.headers["ETag"] = _tag(session, id)
        response.headers["Cache-Control"] = "private, no-cache"
        response.headers["Vary"] = "Accept"
        return found


@router.get(
    "/clips/{id}/transcript.{form}",
    summary="Read what is said in a clip as WebVTT, SRT or plain text",
    response_class=Response,
    responses={
        200: {
            "content": {kind: {"schema": {"type": "string"}} for kind in _TEXTS},
            "description": "The text",
        },
        404: {},
    },
)
def read_transcript_text(service: ServiceDep, id: RowId, form: Literal["vtt", "srt", "txt"]) -> Response:
    with reading(service.sessions) as session:
        return _as_text(session, id, FORMATS[f".{form}"])


@router.put(
    "/clips/{id}/transcript",
    status_code=201,
    summary="Take in the transcript of a clip",
    description="The same bytes a second time change nothing. Where another one stands there it is refused "
    "unless `replace` says so, with the ETag that was read as `If-Match`; `preview` says what would go. "
    "Edits of people come back with an undo.",
    responses={
        200: {"model": ImportResult, "description": "A preview, or nothing changed"},
        **{status: {} for status in (404, 409, 412, 428)},
    },
)
def put_transcript(
    service: ServiceDep,
    id: RowId,
    body: TranscriptBody,
    response: Response,
    caller: CallerDep,
    if_match: IfMatch = None,
) -> ImportResult:
    with writing(service.sessions) as session:
        clip = _clip(session, id, hold=True)
        content = body.text.encode("utf-8", "surrogatepass")
        wanted = plan_import(session, clip, content, body.file_name, part=body.part, language=body.language)
        if body.preview or wanted.same:
            response.status_code = 200
            return import_shape(wanted)
        if wanted.standing and body.replace:
            check_if_match(if_match, _tag(session, id), lambda: _read(session, id))
        edit = RowsEdit(session, clip.production, caller.name, f"transcript of {clip.name}")
        carry_out(edit, wanted, replace=body.replace)
        done = edit.close()
        return import_shape(wanted, done.id if done is not None else None)


@router.delete(
    "/clips/{id}/transcript",
    status_code=204,
    summary="Remove the transcript of a clip",
    description="`If-Match` must hold the ETag that was read. The journal keeps it: an undo brings it back.",
    responses={404: {}, 412: {}, 428: {}},
)
def delete_transcript(
    service: ServiceDep,
    id: RowId,
    caller: CallerDep,
    if_match: IfMatch = None,
    part: Annotated[int | None, Query(ge=0, le=9999, description="Only that of this part.")] = None,
) -> None:
    with writing(service.sessions) as session:
        clip = _clip(session, id, hold=True)
        found = [one for one in transcripts_of(session, id) if part in (None, one.part)]
        if not found:
            raise _none(id)
        check_if_match(if_match, _tag(session, id), lambda: _read(session, id))
        edit = RowsEdit(session, clip.production, caller.name, f"remove the transcript of {clip.name}")
        for one in found:
            remove_transcript(edit, one)
        edit.close()


# -- cues -------------------------------------------------------------------------------------------


@router.get("/cues/{id}", summary="Read one cue", responses={404: {}})
def read_one_cue(service: ServiceDep, id: RowId, response: Response) -> Cue:
    with reading(service.sessions) as session:
        return _answer(_cue(session, id), response)


@router.patch(
    "/cues/{id}",
    summary="Correct a cue, move it, or say who speaks",
    description="Words that stay the same keep their times. `If-Match` must hold the ETag that was read.",
    responses={404: {}, 412: {}, 428: {}},
)
def patch_cue(
    service: ServiceDep,
    id: RowId,
    patch: CuePatch,
    response: Response,
    caller: CallerDep,
    if_match: IfMatch = None,
) -> Cue:
    def change(edit: RowsEdit, cue: models.ClipCue) -> None:
        if patch.text is not None:
            correct(edit, cue, patch.text)
        if patch.start is not None or patch.end is not None:
            start = cue.start_frame if patch.start is None else patch.start
            move(edit, cue, start, cue.end_frame if patch.end is None else patch.end)
        if patch.person is not None:
            everywhere = patch.everywhere and cue.speaker
            name_speaker(edit, cues_spoken_by(edit, cue.speaker) if everywhere else [cue], patch.person)
        elif patch.everywhere:
            raise UsageError("nobody is named", remedy="Name a person beside `everywhere`.")

    return _edit_cue(service, id, response, caller, if_match, "correct", change)


@router.post(
    "/cues/{id}/split",
    summary="Make two cues of one",
    description="`If-Match` must hold the ETag that was read.",
    responses={404: {}, 412: {}, 428: {}},
)
def split_cue(
    service: ServiceDep, id: RowId, body: SplitBody, caller: CallerDep, if_match: IfMatch = None
) -> Cues:
    with writing(service.sessions) as session:
        cue = checked_cue(session, id, if_match)
        edit = RowsEdit(session, cue.transcript.clip.production, caller.name, sum_up("part", cue))
        parts = split(edit, cue, body.words, body.frame)
        edit.close()
        return Cues(items=[cue_shape(one) for one in parts])


@router.post(
    "/cues/{id}/join",
    summary="Make one of a cue and the next",
    description="`If-Match` must hold the ETag that was read.",
    responses={404: {}, 412: {}, 428: {}},
)
def join_cue(
    service: ServiceDep, id: RowId, response: Response, caller: CallerDep, if_match: IfMatch = None
) -> Cue:
    def change(edit: RowsEdit, cue: models.ClipCue) -> None:
        join(edit, cue)

    return _edit_cue(service, id, response, caller, if_match, "join", change)


def _edit_cue(
    service: ServiceDep,
    id: int,
    response: Response,
    caller: CallerDep,
    if_match: str | None,
    verb: str,
    change: Callable[[RowsEdit, models.ClipCue], None],
) -> Cue:
    """One edit of a cue, of the version that `if_match` names, as `verb` says it in the journal."""
    with writing(service.sessions) as session:
        cue = checked_cue(session, id, if_match)
        edit = RowsEdit(session, cue.transcript.clip.production, caller.name, sum_up(verb, cue))
        change(edit, cue)
        edit.close()
        return _answer(cue, response)


def sum_up(verb: str, cue: models.ClipCue) -> str:
    """What the journal calls an edit of this cue."""
    return f"{verb} cue {cue.id} of {cue.transcript.clip.name}"


def checked_cue(session: Session, id: int, if_match: str | None) -> models.ClipCue:
    """A cue to be edited, held. Raises NotFoundError, PreconditionFailedError for another version."""
    cue = _cue(session, id, hold=True)
    check_if_match(if_match, cue_tag(cue), lambda: cue_shape(cue))
    return cue


def _cue(session: Session, id: int, *, hold: bool = False) -> models.ClipCue:
    rows = select(models.ClipCue).where(models.ClipCue.id == id)
    cue = session.scalar(rows.with_for_update(of=models.ClipCue) if hold else rows)
    if cue is None:
        raise NotFoundError(f"there is no cue {id}", remedy="List those of its clip.")
    return cue


def _answer(cue: models.ClipCue, response: Response) -> Cue:
    response.headers["ETag"] = cue_tag(cue)
    response.headers["Cache-Control"] = "private, no-cache"
    return cue_shape(cue)


# -- a whole transcript -----------------------------------------------------------------------------


def _clip(session: Session, id: int, *, hold: bool = False) -> models.Clip:
    check_clip(session, id)
    rows = select(models.Clip).where(models.Clip.id == id)
    return session.scalars(rows.with_for_update() if hold else rows).one()


def _read(session: Session, id: int) -> Transcript:
    check_clip(session, id)
    parts = transcripts_of(session, id)
    if not parts:
        raise _none(id)
    return transcript_shape(id, parts, cues_of(session, id))


def _tag(session: Session, id: int) -> str:
    return content_tag(_read(session, id))


def _as_text(session: Session, id: int, form: str) -> Response:
    parts = _read(session, id).parts
    text = write_words(form, _clip(session, id), cues_of(session, id), parts[0].language)
    headers = {"Cache-Control": "private, no-cache", "Vary": "Accept"}
    return Response(text, media_type=MEDIA_TYPES[form], headers=headers)


def _form_asked(accept: str | None) -> str | None:
    """The first kind of text that is asked for before JSON; None: JSON (RFC 9110, 12.5.1)."""
    wanted: list[tuple[float, str]] = []
    for one in (accept or "").split(","):
        kind, _, parameters = one.strip().lower().partition(";")
        _, _, quality = parameters.replace(" ", "").partition("q=")
        try:
            wanted.append((float(quality or 1), kind.strip()))
        except ValueError:
            continue
    for weight, kind in sorted(wanted, key=lambda one: -one[0]):
        if weight > 0 and kind in ("application/json", "*/*", "application/*"):
            return None
        if weight > 0 and kind in _TEXTS:
            return _TEXTS[kind]
    return None


def _none(id: int) -> NotFoundError:
    return NotFoundError(f"clip {id} has no transcript", remedy="Send one with PUT.")
