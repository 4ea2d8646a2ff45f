"""The service's routes, one noun a module."""

from __future__ import annotations

from fastapi import APIRouter

from api.routes import (
    cameras,
    cards,
    clips,
    days,
    destinations,
    findings,
    handovers,
    health,
    lenses,
    log,
    offloads,
    productions,
    reels,
    requests,
    stills,
    vocabulary,
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
    clips,
    log,
    findings,
    stills,
    vocabulary,
    handovers,
    requests,
    health,
)


def all_routes() -> APIRouter:
    """Everything under /api/v1."""
    router = APIRouter(prefix="/api/v1")
    for noun in _NOUNS:
        router.include_router(noun.router)
    return router
