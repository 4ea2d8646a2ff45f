"""The pages: rendered here, without script, from the same catalogue as the API."""

from __future__ import annotations

from fastapi import APIRouter

from api.pages import clip, days, find, problems, site, wrap

__all__ = ["all_pages"]


def all_pages() -> APIRouter:
    router = APIRouter()
    for part in (site, days, clip, find, wrap, problems):
        router.include_router(part.router)
    return router
