"""Clips: found by the query language, and read one by one."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request

from api.deps import Limit, ProductionName, RowId, ServiceDep
from api.paging import next_link
from api.reads.clips import read_clip, read_finding_codes, read_stills
from api.schemas.clips import Clip, ClipPage, Facets, FacetValue, clip_shape, clip_summary
from shared.catalogue.facets import facets
from shared.catalogue.log import production_vocabulary
from shared.catalogue.productions import find_production
from shared.catalogue.search import Cursor, find_clips
from shared.db import reading
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


@router.get("", summary="Find clips, in the order in which they were shot", responses={404: {}})
def list_clips(
    service: ServiceDep,
    request: Request,
    q: QueryText = "",
    production: ProductionName = None,
    limit: Limit = 100,
    after: AfterClip = None,
) -> ClipPage:
    cursor = Cursor.parse(after) if after is not None else None
    with reading(service.sessions) as session:
        found = find_production(session, production)
        vocabulary = production_vocabulary(session, found, service.vocabulary)
        page = find_clips(session, found, q, vocabulary, limit=limit, after=cursor)
        ids = [clip.id for clip in page.clips]
        stills = read_stills(session, ids)
        findings = read_finding_codes(session, ids)
        return ClipPage(
            items=[
                clip_summary(
                    clip,
                    page.entries.get(clip.id),
                    stills.get(clip.id, ()),
                    findings.get(clip.id, ()),
                    service.settings.stills_folder,
                )
                for clip in page.clips
            ],
            next=next_link(request, page.next),
            total=page.total,
        )


@router.get("/facets", summary="Count the clips found by each value of each field", responses={404: {}})
def read_facets(service: ServiceDep, q: QueryText = "", production: ProductionName = None) -> Facets:
    with reading(service.sessions) as session:
        found = find_production(session, production)
        vocabulary = production_vocabulary(session, found, service.vocabulary)
        counted = facets(session, found, q, vocabulary)
    return Facets(
        fields={
            field: [FacetValue(value=one.value, label=one.label, count=one.count) for one in values]
            for field, values in counted.items()
        }
    )


@router.get("/{id}", summary="Read one clip with everything known of it", responses={404: {}})
def read_one_clip(service: ServiceDep, id: RowId) -> Clip:
    with reading(service.sessions) as session:
        return clip_shape(read_clip(session, id), service.settings.stills_folder)
