"""What measurements suggest for the log, and taking it over."""

from __future__ import annotations

from fastapi import APIRouter, Response

from api.deps import CallerDep, ProductionName, RowId, ServiceDep
from api.reads.clips import check_clip
from api.routes.changes import clips_meant
from api.schemas.base import Listing
from api.schemas.edits import AcceptBody, Accepted
from api.schemas.measures import SuggestedValue, suggested_value
from shared.catalogue.log import production_vocabulary
from shared.catalogue.productions import find_production
from shared.catalogue.suggestions import accept_suggestions, open_suggestions
from shared.db import reading, writing
from shared.errors import ConflictError

router = APIRouter(tags=["log"])


@router.get(
    "/clips/{id}/suggestions",
    summary="List what is suggested for fields of a clip's log that nobody has filled",
    responses={404: {}},
)
def list_suggestions(service: ServiceDep, id: RowId) -> Listing[SuggestedValue]:
    with reading(service.sessions) as session:
        check_clip(session, id)
        found = [suggested_value(one.suggestion) for one in open_suggestions(session, [id])]
        return Listing[SuggestedValue](items=found)


@router.post(
    "/suggestions/accept",
    status_code=201,
    summary="Take suggestions over into the log, as one edit of yours",
    description="Of the clips that a query finds, or of those that are named. Only fields that nobody has "
    "filled: what a person said stays. With `preview` it only counts; `expect` refuses when another number "
    "is meant.",
    responses={200: {"model": Accepted, "description": "A preview, or nothing differed"}, 404: {}, 409: {}},
)
def take_suggestions(
    service: ServiceDep,
    body: AcceptBody,
    response: Response,
    caller: CallerDep,
    production: ProductionName = None,
) -> Accepted:
    with writing(service.sessions) as session:
        found = find_production(session, production)
        vocabulary = production_vocabulary(session, found, service.vocabulary)
        chosen = open_suggestions(session, clips_meant(session, found, body, vocabulary), body.least)
        if body.only is not None:
            chosen = [one for one in chosen if one.suggestion.id in body.only]
        clips = len({one.clip.id for one in chosen})
        if body.expect is not None and body.expect != len(chosen) and not body.preview:
            raise ConflictError(
                f"{len(chosen)} suggestions are meant now, not {body.expect}",
                remedy="Look at the preview again, and send the number it says.",
            )
        edit = None
        if not body.preview:
            said = f"suggestions accepted: {body.query}" if body.query else ""
            edit = accept_suggestions(session, found, chosen, vocabulary, caller.name, said)
        if edit is None:
            response.status_code = 200
        return Accepted(count=len(chosen), clips=clips, change=edit.id if edit is not None else None)
