"""Clips: found by the query language, and read one by one."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request, Response

from api.deps import Limit, ProductionName, RowId, ServiceDep
from api.fields import Fields, page_body, page_response
from api.paging import next_link
from api.reads.clip_lines import read_lines
from api.reads.clips import read_clip, read_finding_codes
from api.schemas.clips import Clip, ClipPage, clip_shape, clip_summary
from shared.catalogue.excerpts import read_excerpts
from shared.catalogue.log import production_vocabulary
from shared.catalogue.productions import find_production
from shared.catalogue.search import Cursor, Order, find_clips
from shared.db import reading
from shared.facets.pages import Places
from shared.query import LONGEST_QUERY

router = APIRouter(prefix="/clips", tags=["clips"])

QueryText = Annotated[
    str,
    Query(
        max_length=LONGEST_QUERY,
        description='Words, "phrases", `field:value`, `field:a,b`, `-` for not. Empty: every clip.',
        examples=["kind:interview -rating:ng", "day:2..3 ferry"],
    ),
]
AfterClip = Annotated[
    str | None, Query(max_length=64, description="Go on after this place; `next` of the page before has it.")
]

ClipOrder = Annotated[
    Order,
    Query(description="`time`: as shot. `best`: words that were logged, good ratings and late days first."),
]
WithExcerpts = Annotated[bool, Query(description="Show of each clip where the query's words stand.")]


@router.get(
    "",
    summary="Find clips, in the order in which they were shot or with the likeliest first",
    response_model=ClipPage,
    responses={404: {}},
)
def list_clips(
    service: ServiceDep,
    request: Request,
    q: QueryText = "",
    production: ProductionName = None,
    limit: Limit = 100,
    after: AfterClip = None,
    fields: Fields = None,
    order: ClipOrder = Order.TIME,
    excerpts: WithExcerpts = False,
) -> Response:
    question = f"{request.scope['path']}?{request.url.query}"
    standing, body = service.answers.find(question)
    if body is not None:
        return page_response(body)
    cursor = Cursor.parse(after) if after is not None else None
    with reading(service.sessions) as session:
        found = find_production(session, production)
        vocabulary = production_vocabulary(session, found, service.vocabulary)
        if order is Order.TIME:
            places = service.facets.find_places(session, found, q, vocabulary, limit=limit, after=cursor)
        else:
            page = find_clips(session, found, q, vocabulary, limit=limit, after=cursor, order=order)
            places = Places([clip.id for clip in page.clips], page.next, page.total)
        lines = read_lines(session, places.ids)
        findings = read_finding_codes(session, places.ids)
        why = read_excerpts(session, places.ids, q, vocabulary) if excerpts else {}
        folder = service.settings.stills_folder
        answer = ClipPage(
            items=[
                clip_summary(line, findings.get(line.id, ()), folder, why.get(line.id, ())) for line in lines
            ],
            next=next_link(request, places.next),
            total=places.total,
        )
    body = page_body(answer, fields)
    service.answers.keep(standing, question, body)
    return page_response(body)


@router.get("/{id}", summary="Read one clip with everything known of it", responses={404: {}})
def read_one_clip(service: ServiceDep, id: RowId) -> Clip:
    with reading(service.sessions) as session:
        return clip_shape(read_clip(session, id), service.settings.stills_folder)
