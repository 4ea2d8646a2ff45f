"""The service's routes, one noun a module."""

from __future__ import annotations

from fastapi import APIRouter

from api.routes import (
    cameras,
    cards,
    changes,
    channels,
    clips,
    days,
    demo,
    destinations,
    facets,
    files,
    findings,
    handovers,
    health,
    lenses,
    log,
    measures,
    moments,
    names,
    narration,
    offloads,
    outline_items,
    outlines,
    productions,
    reels,
    releases,
    requests,
    searches,
    stills,
    suggestions,
    transcripts,
    vocabulary,
    wishes,
    wrap,
)

_NOUNS = (
    productions,
    days,
    cameras,
    lenses,
    cards,
    destinations,
    reels,
    offloads,
    facets,  # before clips: its address would pass for a clip's id
    clips,
    searches,
    log,
    moments,
    transcripts,
    names,
    channels,
    changes,
    wishes,
    narration,
    wrap,
    outlines,
    outline_items,
    releases,
    findings,
    measures,
    suggestions,
    files,
    stills,
    vocabulary,
    handovers,
    requests,
    demo,
    health,
)


def all_routes() -> APIRouter:
    """Everything under /api/v1."""
    router = APIRouter(prefix="/api/v1")
    for noun in _NOUNS:
        router.include_router(noun.router)
    return router
