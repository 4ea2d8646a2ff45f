"""The pages: rendered here from the same catalogue as the API; modules of script make them quicker to use."""

from __future__ import annotations

from fastapi import APIRouter

from api.pages import (
    begin,
    clip,
    day,
    days,
    find,
    offloading,
    outline,
    previews,
    problems,
    site,
    strip,
    walk,
    wrap,
)

__all__ = ["all_pages"]


def all_pages() -> APIRouter:
    router = APIRouter()
    for part in (
        site,
        days,
        strip,
        day,
        clip,
        find,
        walk,
        offloading,
        begin,
        previews,
        wrap,
        outline,
        problems,
    ):
        router.include_router(part.router)
    return router
